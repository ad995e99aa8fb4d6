"""What set a limit: its value at each event, and what the fit's rounds hand on, in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from simlap import envelope_evidence, envelope_fit
from simlap.envelope import Envelope
from simlap.envelope_events import CombinedEvents, Events
from simlap.envelope_evidence import collect_evidence, limits_at_events
from simlap.envelope_fit import _guess_of, centred, resample
from simlap.envelope_frontier import Mixture
from simlap.envelope_packed import Packed
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


def shown(*laps):
    """Events of three laps [m/s²]: two of each limit, driven at 20 and at 40 m/s, a station 100 m apart."""
    value = np.array(laps, dtype=float)
    count = value.shape[1]
    return Events(
        value=value, speed2=np.tile(np.array([20.0, 40.0]) ** 2, (3, 1)), noise=np.full(count, 0.01),
        where=np.tile([10, 60], (3, 1)), turn=np.ones(count), load=0.0 * value, stretch=np.arange(count),
        opened=np.zeros(count, dtype=bool),
    )  # fmt: skip


def test_laps_within_two_per_cent_of_a_limit_reached_it_and_events_far_below_test_no_speed():
    # Limits of 12 across, 10 braking, 5 under power; at 20 m/s a lap reaches them, one is 1 % short and one 10 %; at
    # 40 m/s all are 15 % short.
    reached = np.array([[1.0, 0.85], [0.99, 0.85], [0.9, 0.85]])
    limits = {"lateral": 12.0, "braking": 10.0, "engine": 5.0}
    z = np.array([[20.0, 40.0]]) ** 2
    levels = {n: (limit * np.array([[1.0, 0.85]]), np.full((1, 2), 0.02), z) for n, limit in limits.items()}
    solution = SimpleNamespace(
        lateral=np.array([[[12.0, 0.0]] * 2]), braking=np.array([[10.0, 0.0]]), knots=np.array([10.0, 50.0]),
        engine=np.array([[5.0, 5.0]]), cornering_drag=np.zeros(1), drive_load=np.zeros(2), lateral_turn=np.ones(2),
        levels=levels, spread={n: np.zeros((1, 2)) for n in limits},
    )  # fmt: skip
    none = np.zeros((3, 0))
    nowhere = CombinedEvents(none, none, none, none, none[0], none[0], none[0], np.zeros((1, 0)), none, none[0])
    events = SimpleNamespace(
        lateral=shown(*12.0 * reached), braking=shown(*10.0 * reached), drive=shown(*5.0 * reached), trail=nowhere,
        pickup=nowhere, engine=SimpleNamespace(floor=0.03, windows=Mixture(spike=0.8, shortfall=0.3)),
    )  # fmt: skip
    samples = SimpleNamespace(numbers=np.array([4, 5, 6]), station=2.0 * np.arange(100.0))
    evidence = collect_evidence(samples, events, solution, (), 200.0)
    for name in limits:
        assert evidence[name].laps == (4, 5), name
        assert evidence[name].at_limit == 1
        assert evidence[name].stations_m == (20.0,)
        assert envelope_evidence.tested_ranges(events, solution)[name] == pytest.approx((20.0, 20.0))


def test_draws_that_resampling_shifts_are_moved_to_lie_about_the_fit():
    # Draws 1 % low in the middle and 2 % apart: their median limit is the fit's, and they stay as far apart.
    fit = Envelope.from_limits((12.0, 0.001), (10.0, 0.002), (7.0, 0.001)).pack()
    factor = np.array([0.97, 0.99, 1.01])
    draws = np.tile(fit, (3, 1))
    draws[:, Packed.LIMITS] *= factor[:, None]
    draws[:, Packed.ENGINE] -= np.array([0.3, 0.1, -0.1])[:, None]
    draws[:, Packed.EXPONENTS] = fit[Packed.EXPONENTS] + np.array([[0.1], [0.2], [0.3]])
    solution = SimpleNamespace(levels={"lateral": parts(20.0, 30.0), "braking": parts(40.0)}, packed=lambda: fit[None])
    found = centred(draws, solution)
    for pair in (Packed.LEFT, Packed.RIGHT, Packed.BRAKING, Packed.TRACTION):
        assert found[:, pair] == pytest.approx(fit[pair] * factor[:, None] / 0.99, rel=1e-12)
    assert found[:, Packed.ENGINE] == pytest.approx(fit[Packed.ENGINE] + np.array([[-0.2], [0.0], [0.2]]), rel=1e-12)
    assert found[:, Packed.EXPONENTS] == pytest.approx(
        fit[Packed.EXPONENTS] + np.array([[-0.1], [0.0], [0.1]]), rel=1e-12
    )
