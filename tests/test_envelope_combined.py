"""Traction and the drive exponent from windows on a curve that is known."""

from dataclasses import replace

import numpy as np
import pytest

from simlap.envelope import slowed_by
from simlap.envelope_combined import ENGINE_SHARE, fit_traction
from simlap.envelope_events import CombinedEvents
from simlap.envelope_samples import DRAG

RATIO, EXPONENT = 0.8, 2.2
LATERAL, BRAKING = ((12.0, 0.001), (14.0, 0.001)), (9.5, 0.005)  # c0 [m/s²], c1 [1/m]; left, right
GROWS = 0.7  # of the braking limit's growth with v²: two driven wheels of four
WINDOWS = 40


def at_the_limit(turn):
    """Windows of three alike laps in which the tyres hold no more: v² of each, what they drive and hold across."""
    speed2 = np.linspace(15.0, 45.0, WINDOWS) ** 2
    share = np.tile(np.linspace(0.35, 0.85, 8), WINDOWS // 8)  # of the lateral limit
    c0, c1 = LATERAL[0 if turn > 0 else 1]
    tyres = RATIO * (BRAKING[0] + GROWS * BRAKING[1] * speed2) + slowed_by(DRAG, speed2)
    return speed2, tyres * (1.0 - share**EXPONENT) ** (1.0 / EXPONENT), share * (c0 + c1 * speed2)


def told(found, knots, engine, slowest=np.inf, laps=3):
    ratio, exponent = fit_traction(
        found, np.arange(laps)[None], np.array([0.98]), np.array([LATERAL]), np.array([BRAKING]), knots, engine[None],
        np.array([DRAG[2]]), slowest, np.ones((1, found.count)),
    )  # fmt: skip
    return float(ratio[0]), float(exponent[0])


def windows(turn, speed2, along, across):
    rows = np.ones((3, 1))
    return CombinedEvents(
        lateral=rows * across, along=rows * along, use=rows * np.ones_like(speed2), speed2=rows * speed2,
        noise_lateral=0.0 * speed2 + 0.01, noise_along=0.0 * speed2 + 0.01, noise_use=0.0 * speed2 + 0.001,
        bend=np.ones((9, speed2.size)), where=np.zeros((3, speed2.size)),
        turn=np.full(speed2.size, turn),
    )  # fmt: skip


@pytest.mark.parametrize("turn", [1.0, -1.0])
@pytest.mark.parametrize("spare", [1.08, 3.0])
def test_traction_and_exponent_of_tyres_at_their_limit_are_found(turn, spare):
    # The engine has `spare` times the pull that the car shows: 8 % more is no engine at its end (4 % and 0.1 m/s²).
    speed2, along, across = at_the_limit(turn)
    pulled = along - slowed_by(DRAG, speed2, across**2)  # of the car
    engine = spare * pulled + DRAG[2] * across**2  # on a straight
    ratio, exponent = told(windows(turn, speed2, along, across), np.sqrt(speed2), engine)
    # 1.5 % is the error that each window gets beside its noise; the exponent's bar is 0.25 ("limits", DEVELOPERS.md)
    assert ratio == pytest.approx(RATIO, abs=0.015)
    assert exponent == pytest.approx(EXPONENT, abs=0.12)


def test_laps_further_round_the_curve_of_the_limit_show_no_variation_of_the_driver():
    # The same windows, but one of the three laps is earlier in the exit and one later: all three at the limit.
    speed2, along, across = at_the_limit(1.0)
    limit = LATERAL[0][0] + LATERAL[0][1] * speed2
    tyres = RATIO * (BRAKING[0] + GROWS * BRAKING[1] * speed2) + slowed_by(DRAG, speed2)
    share = across / limit * np.array([[0.85], [1.0], [1.15]])
    found = replace(
        windows(1.0, speed2, along, across), lateral=share * limit,
        along=tyres * (1.0 - share**EXPONENT) ** (1.0 / EXPONENT),
    )  # fmt: skip
    ratio, exponent = told(found, np.sqrt(speed2), np.full(WINDOWS, 30.0))
    assert ratio == pytest.approx(RATIO, abs=0.015)
    assert exponent == pytest.approx(EXPONENT, abs=0.12)


def test_traction_is_no_less_than_the_engine_ever_used():
    # No window tells of the tyres; but 9 m/s² was pulled at 15 m/s, where the car brakes with 9.5 + 0.005 v².
    none = np.zeros(0)
    knots = np.array([10.0, 15.0, 20.0])
    engine = np.array([9.0, 9.0, 6.0])
    used = ENGINE_SHARE * 9.0 / (BRAKING[0] + GROWS * BRAKING[1] * 15.0**2)
    assert told(windows(1.0, none, none, none), knots, engine, slowest=15.0)[0] >= used
    assert told(windows(1.0, none, none, none), knots, engine)[0] < used  # nothing driven: what is expected, 0.72


def test_windows_at_the_end_of_the_engine_tell_of_no_weak_tyres():
    # An engine of 3.5 m/s² and tyres that would hold twice as much and more: traction is more than was used, so that it
    # is believed to be no less than before looking (0.72 of the braking limit).
    speed2, _, _ = at_the_limit(1.0)
    across = np.tile(np.linspace(0.31, 0.5, 8), WINDOWS // 8) * (12.0 + 0.001 * speed2)
    engine = np.full(WINDOWS, 3.5)
    along = engine - DRAG[2] * across**2 + slowed_by(DRAG, speed2, across**2)
    ratio, _ = told(windows(1.0, speed2, along, across), np.sqrt(speed2), engine)
    assert ratio > 0.7
