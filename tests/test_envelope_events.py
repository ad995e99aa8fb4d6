"""Events of steady drives whose limits are known in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from simlap.envelope import slowed_by
from simlap.envelope_events import EventFinder, Guess, _shrunk
from simlap.envelope_samples import DRAG, FREE_SLOWING, RoadSamples

SPEED = 30.0  # [m/s]
LATERAL, BRAKING, TRACTION = 15.0, 9.5, 7.0  # [m/s²] of the tyres
BRAKING_EXPONENT, DRIVE_EXPONENT = 1.6, 2.2


def held(lateral, along, v=SPEED, throttle=None, stations=200):
    """Samples of three laps, a station to the metre; accelerations [m/s²] and speed [m/s] of each."""
    rows = (np.broadcast_to(np.asarray(values, dtype=float), (3, stations)) for values in (lateral, along, v))
    lateral, along, v = rows
    none = np.zeros((2, 3, stations))
    if throttle is not None:
        throttle = np.broadcast_to(throttle, v.shape)
    return RoadSamples(
        numbers=np.arange(3), station=np.arange(float(stations)), duration=1.0 / v, speed2=v**2, lateral=lateral,
        along=along, pull=along, normal=np.ones_like(v), throttle=throttle, noise_lateral=none, noise_along=none,
        repaired=0, banking_known=True,
    )  # fmt: skip


def constant(limit):
    return lambda z: limit + 0.0 * z


GUESS = Guess(
    (constant(LATERAL), constant(LATERAL)), constant(BRAKING), constant(TRACTION), constant(4.0), BRAKING_EXPONENT,
    DRIVE_EXPONENT, known=True,
)  # fmt: skip


def left_over(share, exponent):
    """The curve x^p + y^p = 1."""
    return (1.0 - share**exponent) ** (1.0 / exponent)


@pytest.mark.parametrize("share", [0.1, 0.25])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_corner_with_a_little_drive_or_braking_tells_the_limit_without(share, side):
    # A car at the limit that uses `share` of its traction, or of its brakes, has that much less left across.
    driving = LATERAL * left_over(share, DRIVE_EXPONENT)
    along = share * TRACTION - slowed_by(DRAG, SPEED**2, driving**2)
    found = EventFinder(held(side * driving, along)).lateral_events(GUESS)
    assert found.value == pytest.approx(LATERAL, rel=1e-9)
    braking = LATERAL * left_over(share, BRAKING_EXPONENT)
    along = -share * BRAKING - slowed_by(FREE_SLOWING, SPEED**2, braking**2)
    found = EventFinder(held(side * braking, along)).lateral_events(GUESS)
    assert found.value == pytest.approx(LATERAL, rel=1e-9)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_braking_in_a_slight_bend_tells_the_limit_on_a_straight(side):
    force = BRAKING * left_over(0.3, BRAKING_EXPONENT)
    across = 0.3 * LATERAL
    found = EventFinder(held(side * across, -force - slowed_by(DRAG, SPEED**2, across**2))).braking_events(GUESS)
    assert found.value == pytest.approx(BRAKING + slowed_by(DRAG, SPEED**2), rel=1e-9)


def test_brake_points_that_move_from_lap_to_lap_hide_no_lap_s_hardest_braking():
    # A zone of 100 m at 6 m/s² with 9 m/s² for 20 m (0.7 s, longer than a window), each lap 12 m later than the last.
    station = np.arange(200.0)
    force = np.where((station >= 50) & (station < 150), 6.0, 0.0)
    laps = np.stack([np.where((station >= 80 + late) & (station < 100 + late), 9.0, force) for late in (0, 12, 24)])
    found = EventFinder(held(0.0, -laps)).braking_events(GUESS)
    assert found.value.max(axis=1) == pytest.approx(9.0, rel=1e-9)
    assert np.all(found.where[:, 0] >= 50)


def test_a_lap_s_own_motion_is_believed_as_far_as_its_scatter_is_the_driver_s():
    # The driver varies by 0.4 m/s², the motion errs by 0.3: the best linear estimate keeps 0.16 / (0.16 + 0.09).
    rng = np.random.default_rng(4)
    true = 5.0 + 0.4 * rng.standard_normal((60, 300))
    seen = true + 0.3 * rng.standard_normal((60, 300))
    own = _shrunk(seen, 0.3 * rng.standard_normal((6, 60, 300)))
    kept = (own - np.median(own, axis=0)) / (seen - np.median(seen, axis=0) + 1e-12)
    # nine stations of 60 laps tell a variance to 6 %, half of it the noise's share of 0.36
    assert np.median(kept) == pytest.approx(0.64, abs=0.02)
    assert np.std(own - true) < 0.9 * np.std(seen - true)  # sqrt(0.64) = 0.8 where all is known


# A straight from 20 to 50 m/s, 500 m long: 260 W/kg over v.
UP = np.linspace(20.0, 50.0, 500)
ENGINE = replace(GUESS, engine=lambda z: 260.0 / np.sqrt(z))


def drive_events(pull, throttle, v=UP, speed_cap=None):
    """Speeds [m/s] and pulls [m/s²] of the windows under power that do not run on from the end to the beginning."""
    found = EventFinder(held(0.0, pull, v, throttle, 500), speed_cap).drive_events(ENGINE)
    inside = (found.where < 450).all(axis=0)
    return np.sqrt(found.speed2[:, inside]), found.value[:, inside]


def test_a_pull_that_the_limiter_ends_is_no_weak_engine():
    # From 40 m/s on the limiter holds the speed, with the throttle full.
    v = np.minimum(UP, 40.0)
    speed, pull = drive_events(np.where(v < 40.0, 260.0 / v, 0.0), np.ones(500), v, speed_cap=40.0)
    assert speed.size
    # the mean of 1 / v over a window is exact to 0.2 %
    assert pull == pytest.approx(260.0 / speed, rel=0.005)


def test_brakes_dragged_at_full_throttle_are_no_weak_engine():
    # 2 m/s² of braking, a fifth of the limit, for 60 m on the way up.
    at = np.arange(500)
    dragged = (at >= 200) & (at < 260)
    speed, pull = drive_events(np.where(dragged, -2.0, 260.0 / UP), np.ones(500))
    assert speed.size
    assert pull == pytest.approx(260.0 / speed, rel=0.005)


def test_part_throttle_tells_nothing_at_speeds_where_a_full_one_was_seen():
    # Full up to 35 m/s, then half of the pull at 70 % of the pedal. The last full window has a mean of 34.5
    # m/s, and up to 2 m/s above it part throttle is not asked.
    full = UP < 35.0
    speed, pull = drive_events(np.where(full, 1.0, 0.5) * 260.0 / UP, np.where(full, 1.0, 0.7))
    slow = speed < 36.4
    assert np.count_nonzero(slow)
    assert np.count_nonzero(~slow)
    assert pull[slow] == pytest.approx(260.0 / speed[slow], rel=0.005)


@pytest.mark.parametrize(("limit", "exponent"), [(BRAKING, BRAKING_EXPONENT), (-TRACTION, DRIVE_EXPONENT)])
def test_laps_at_other_moments_of_one_limit_use_the_tyres_alike(limit, exponent):
    # Three laps on the curve x^p + y^p = 1, each further round it: none used more than the others. A small error of
    # either acceleration counts with the curve's slope there, x^(p - 1) and y^(p - 1).
    share = np.array([[0.6], [0.7], [0.8]])
    lateral = share * LATERAL
    along = -limit * left_over(share, exponent) - slowed_by(DRAG, SPEED**2, lateral**2)
    rng = np.random.default_rng(3)
    noise = {name: scale * rng.standard_normal((2, 3, 200)) for name, scale in (("lateral", 0.3), ("along", 0.2))}
    samples = replace(held(lateral, along), noise_lateral=noise["lateral"], noise_along=noise["along"])
    found = EventFinder(samples).combined_events(GUESS, np.array([exponent]), braking=limit > 0.0)
    assert found.count
    assert found.use == pytest.approx(1.0, rel=1e-9)
    slopes = 0.7 ** (exponent - 1.0) / LATERAL, left_over(0.7, exponent) ** (exponent - 1.0) / abs(limit)
    expected = np.hypot(slopes[0] * found.noise_lateral, slopes[1] * found.noise_along)
    assert found.noise_use == pytest.approx(expected, rel=1e-9)  # the middle lap's


@pytest.mark.parametrize(("gives", "told"), [(4.2, False), (6.0, True)])
def test_drive_on_a_straight_tells_of_the_tyres_only_where_the_engine_has_more_to_give(gives, told):
    steady = held(0.0, 4.2)  # three fifths of the traction
    found = EventFinder(steady).combined_events(
        replace(GUESS, engine=constant(gives)), np.array([DRIVE_EXPONENT]), braking=False
    )
    assert (found.count > 0) == told
