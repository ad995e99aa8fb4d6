"""What set a limit: its value at each event, and what the fit's rounds hand on, in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from simlap import envelope_fit
from simlap.envelope_evidence import limits_at_events
from simlap.envelope_fit import _guess_of, resample
from simlap.envelope_samples import DRAG


def parts(*speeds):
    return None, None, np.array([speeds], dtype=float) ** 2


SOLUTION = SimpleNamespace(
    lateral=np.array([[[12.0, 0.001], [13.0, 0.002]]]), braking=np.array([[9.5, 0.003]]),
    traction=np.array([[7.0, 0.002]]), knots=np.array([10.0, 30.0, 50.0]), engine=np.array([[8.0, 5.0, 2.0]]),
    cornering_drag=np.array([0.006]), drive_load=np.array([0.0, 64.0]), lateral_turn=np.array([1, -1]),
    levels={"lateral": parts(20.0, 20.0), "braking": parts(40.0), "engine": parts(20.0, 40.0)},
    exponent_braking=np.array([1.7]), exponent_drive=np.array([2.1]),
)  # fmt: skip


def test_limits_at_the_events_are_those_of_their_speed_side_and_load():
    limits = limits_at_events(SOLUTION)
    assert limits["lateral"] == pytest.approx([12.0 + 0.4, 13.0 + 0.8], rel=1e-12)
    assert limits["braking"] == pytest.approx([9.5 + 4.8], rel=1e-12)
    # half-way between the knots; at 8 m/s² across the tyres' drag takes 0.006 * 64 of the pull
    assert limits["engine"] == pytest.approx([6.5, 3.5 - 0.384], rel=1e-12)


def test_the_drag_that_helps_the_brakes_hinders_the_drive():
    # Of the car's braking the drag is part; its drive is what the tyres give less the drag.
    guess, z = _guess_of(SOLUTION), np.array([900.0])
    drag = DRAG[0] + DRAG[1] * 900.0
    assert guess.braking(z) == pytest.approx(9.5 + 2.7 - drag, rel=1e-12)
    assert guess.traction(z) == pytest.approx(7.0 + 1.8 + drag, rel=1e-12)


def test_the_choice_of_the_quantile_is_part_of_the_intervals(monkeypatch):
    # A quarter of a normal deviation about the 0.98 point of the normal distribution: 0.9644 to 0.9894.
    asked = []

    class Asked(Exception):
        pass

    def listen(events, laps, quantile, *rest, **more):
        asked.append(quantile)
        raise Asked

    monkeypatch.setattr(envelope_fit, "solve", listen)
    events = SimpleNamespace(lateral=SimpleNamespace(value=np.zeros((8, 3))))
    with pytest.raises(Asked):
        resample(events, SOLUTION, 0.98, 400, 0, None)
    apart = norm.ppf(asked[0]) - norm.ppf(0.98)
    assert apart.shape == (400,)
    # an even spread over that width: of 400 the outermost lie within 2 % of its ends, their deviation within 5 %
    assert [apart.min(), apart.max()] == pytest.approx([-0.25, 0.25], abs=0.01)
    assert apart.std() == pytest.approx(0.25 / np.sqrt(3.0), rel=0.07)
