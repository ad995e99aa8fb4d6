"""Limits per station: caps, floors, scales, and the driver's own accelerations that the ledgers of loss are made of."""

from dataclasses import replace

import numpy as np
import pytest
from solver_cases import CIRCLE, FULL, hilly_line, random_line

from simlap.envelope import Envelope
from simlap.kept import grip_limits
from simlap.line import Line
from simlap.solver import StationLimits, limit_profile, solve_batch

EXACT = 1e-9
REPLACE, AT_LEAST = 1, 2


def driven_lap(line, seed, share=0.9):
    """A lap as a driver might do it: the limit of a weaker car, wandering by a few per cent; v and own a_lon."""
    rng = np.random.default_rng(seed)
    weak = CIRCLE.scaled(lateral=share, braking=share, drive=0.7)
    wander = np.interp(np.arange(line.station.size), np.arange(0, line.station.size, 25), rng.normal(size=16) * 0.03)
    v = limit_profile(line, weak).v * (1.0 + wander)
    a = (np.roll(v, -1) ** 2 - v**2) / (2.0 * line.ds)
    return v, a, float((2.0 * line.ds / (v + np.roll(v, -1))).sum())


def kept(v, a, kind):
    """All phases kept (0 braking, 1 mid-corner, 2 exit), as in the design's second ledger."""
    middle = (kind == 1) | np.roll(kind == 1, 1)  # the cap holds at both ends of a mid-corner
    return StationLimits(
        cap=np.where(middle, v, np.inf),
        floor=v,
        own_brake=-a,
        own_drive=a,
        own_brake_mode=np.where(kind == 0, REPLACE, AT_LEAST),
        own_drive_mode=np.where(kind == 2, REPLACE, AT_LEAST),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_everything_kept_reproduces_the_driven_lap(seed):
    line = random_line(seed)
    v, a, driven = driven_lap(line, seed)
    kind = (np.arange(400) // 20) % 3  # phases wherever: also braking phases in which the driver speeds up
    result = solve_batch(line, FULL.pack(), kept(v, a, kind))
    assert result.v[0] == pytest.approx(v, rel=EXACT)
    assert result.lap_time[0] == pytest.approx(driven, rel=EXACT)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_everything_kept_reproduces_a_lap_that_beats_the_envelope(seed):
    # What was driven counts as possible, however weak the envelope is said to be.
    line = hilly_line(seed)
    v, a, driven = driven_lap(line, seed, share=1.1)
    kind = (np.arange(400) // 25) % 3
    result = solve_batch(line, CIRCLE.scaled(0.6, 0.6, 0.5).pack(), kept(v, a, kind))
    assert result.lap_time[0] == pytest.approx(driven, rel=EXACT)


def test_a_slow_exit_costs_time_down_the_straight_behind_it():
    # Source: from 20 m/s, 100 m at 2 instead of 6 m/s² and 400 m at 6: v² = 800 instead of 1600 m²/s², then both
    # gain 4800. Times by 2 ds / (v + v').
    line = Line.from_curvature(np.zeros(501), 1.0, closed=False)
    slow = np.where(np.arange(501) < 100, 2.0, 0.0)
    modes = np.where(np.arange(501) < 100, REPLACE, 0)
    env = CIRCLE.scaled(drive=6.0 / 11.8)
    free = limit_profile(line, env, start_speed=20.0)
    held = limit_profile(line, env, start_speed=20.0, limits=StationLimits(own_drive=slow, own_drive_mode=modes))
    lost_here = 200.0 / (20.0 + 800.0**0.5) - 200.0 / (20.0 + 1600.0**0.5)
    behind = 800.0 / (800.0**0.5 + 5600.0**0.5) - 800.0 / (1600.0**0.5 + 6400.0**0.5)
    assert held.t[100] - free.t[100] == pytest.approx(lost_here, rel=EXACT)
    assert held.lap_time - free.lap_time == pytest.approx(lost_here + behind, rel=EXACT)
    assert set(held.active_names[1:101]) == {"kept"}


def test_an_early_lift_is_carried_back_up_the_braking_zone():
    # Source: to 10 m/s at the end; the last 50 m at 4, the 50 m before at -1 (still speeding up), so
    # v² = 100 + 2*50*4 = 500 at 50 m, and 500 - 2*50*1 = 400 at 0 m.
    line = Line.from_curvature(np.zeros(101), 1.0, closed=False)
    own = np.where(np.arange(101) < 50, -1.0, 4.0)
    limits = StationLimits(own_brake=own, own_brake_mode=np.full(101, REPLACE))
    profile = limit_profile(line, CIRCLE, end_speed=10.0, limits=limits)
    assert profile.v[[0, 50, 100]] == pytest.approx([20.0, 500.0**0.5, 10.0], rel=EXACT)


def test_a_driver_who_could_only_speed_up_is_able_to_speed_up():
    # The brakes are replaced by +5 m/s² of speeding up, which is more than the drive of 2 m/s² would give. Taken as a
    # fact it is possible: v² = 100 + 2*5*100.
    line = Line.from_curvature(np.zeros(101), 1.0, closed=False)
    limits = StationLimits(own_brake=np.full(101, -5.0), own_brake_mode=np.full(101, REPLACE))
    profile = limit_profile(line, CIRCLE.scaled(drive=2.0 / 11.8), start_speed=10.0, limits=limits)
    assert profile.v[-1] ** 2 == pytest.approx(1100.0, rel=EXACT)


def test_a_kept_exit_entered_faster_follows_the_fall_of_the_engine_curve():
    # Source: constant power P, dv/dt = P / v: v² dv = P ds, v³ = v0³ + 3 P s. The lap was driven from 20 m/s; the same
    # exit entered at 26 m/s must follow the curve from there, not keep the accelerations of the slower one.
    power, n = 100.0, 301
    speeds = np.linspace(0.0, 62.0, 32)
    env = Envelope.from_limits((10.0, 0.0), (10.0, 0.0), (9.0, 0.0), (speeds, power / np.maximum(speeds, 10.0)))
    line = Line.from_curvature(np.zeros(n), 1.0, closed=False)
    s = np.arange(n)
    driven, faster = ((v0**3 + 3.0 * power * s) ** (1.0 / 3.0) for v0 in (20.0, 26.0))
    own = np.append(np.diff(driven**2) / 2.0, 0.0)
    keep = StationLimits(floor=driven, own_drive=own, own_drive_mode=np.full(n, REPLACE))
    exact = limit_profile(line, env, start_speed=20.0, limits=keep)
    assert exact.v == pytest.approx(driven, rel=EXACT)
    held = limit_profile(line, env, start_speed=26.0, limits=keep)
    # The packed curve is straight between speeds 2 m/s apart: up to 0.01 m/s² off.
    assert held.v == pytest.approx(faster, rel=1e-3)
    naive = limit_profile(line, env, start_speed=26.0, limits=replace(keep, floor=None))
    assert naive.v[-1] > faster[-1] + 1.0


def test_arriving_faster_at_a_kept_exit_never_means_leaving_slower():
    # An engine curve that falls off a cliff at 25 m/s, kept from 24 m/s, in steps so long that the whole excess would
    # be lost over a part of one: 2 ds (e(24) - e(25)) = 20 * 4.7 against 25² - 24² = 49.
    env = Envelope.from_limits((10.0, 0.0), (20.0, 0.0), (9.0, 0.0), ([0.0, 24.0, 26.0, 60.0], [8.0, 8.0, -8.0, -8.0]))
    line = Line.from_curvature(np.zeros(5), 10.0, closed=False)
    keep = StationLimits(floor=np.full(5, 24.0), own_drive=np.zeros(5), own_drive_mode=np.full(5, REPLACE))
    ends = [limit_profile(line, env, start_speed=v, limits=keep).v[-1] for v in np.linspace(23.0, 32.0, 37)]
    assert (np.diff(ends) >= -EXACT).all()
    assert ends[-1] >= 24.0 - EXACT


def test_at_least_allows_the_larger_of_envelope_and_own():
    line = Line.from_curvature(np.zeros(101), 1.0, closed=False)
    env = CIRCLE.scaled(drive=5.0 / 11.8)
    for own, expected in ((3.0, 5.0), (8.0, 8.0)):
        limits = StationLimits(own_drive=np.full(101, own), own_drive_mode=np.full(101, AT_LEAST))
        assert limit_profile(line, env, start_speed=0.0, limits=limits).v[-1] ** 2 == pytest.approx(
            2.0 * expected * 100.0, rel=EXACT
        )


def test_floor_lifts_the_ceiling_of_a_corner_and_cap_lowers_it():
    line = Line.from_curvature(np.full(100, 0.02), 1.0)  # sqrt(11.8 * 50) = 24.3 m/s
    for limits, expected, name in (
        (StationLimits(floor=np.full(100, 27.0)), 27.0, "kept"),
        (StationLimits(cap=np.full(100, 21.0)), 21.0, "cap"),
        (StationLimits(lateral_scale=np.full(100, 0.25)), np.sqrt(11.8 * 50.0) / 2.0, "lateral"),
    ):
        profile = limit_profile(line, CIRCLE, limits=limits)
        assert profile.v == pytest.approx(expected, rel=EXACT)
        assert set(profile.active_names) == {name}


@pytest.mark.parametrize("name", ["brake_scale", "drive_scale", "traction_scale"])
def test_scale_multiplies_the_acceleration_of_its_stretch(name):
    # Source: v² = 2 a s; the second half with 0.5 a. The station in between counts half, as the scheme says.
    scale = np.where(np.arange(101) < 50, 1.0, 0.5)
    line = Line.from_curvature(np.zeros(101), 1.0, closed=False)
    env = CIRCLE.scaled(braking=4.0 / 11.8, drive=4.0 / 11.8)
    if name != "brake_scale":
        profile = limit_profile(line, env, start_speed=0.0, limits=StationLimits(**{name: scale}))
        v_square = profile.v[-1] ** 2
    else:
        profile = limit_profile(line, env, end_speed=0.0, limits=StationLimits(brake_scale=scale[::-1]))
        v_square = profile.v[0] ** 2
    assert v_square == pytest.approx(2.0 * 4.0 * 49.0 + 2.0 * 3.0 + 2.0 * 2.0 * 50.0, rel=1e-6)


def test_grip_is_the_tyres_and_not_the_engines():
    # Source: v² = 2 a s with an engine of 3 m/s² and tyres of 11.8 m/s², of which 0.3 still carry the engine and 0.2 do
    # not; sqrt(grip a_lat R) on a circle.
    straight = Line.from_curvature(np.zeros(101), 1.0, closed=False)
    car = Envelope.from_limits((11.8, 0.0), (11.8, 0.0), (11.8, 0.0), ([0.0, 60.0], [3.0, 3.0]))
    for grip, expected in ((1.0, 3.0), (0.3, 3.0), (0.2, 0.2 * 11.8)):
        limits = grip_limits(np.full(101, grip))
        away = limit_profile(straight, car, start_speed=0.0, limits=limits)
        halt = limit_profile(straight, car, end_speed=0.0, limits=limits)
        assert away.v[-1] ** 2 == pytest.approx(200.0 * expected)
        assert halt.v[0] ** 2 == pytest.approx(200.0 * grip * 11.8)


@pytest.mark.parametrize("segment", [0, 23, 49])
def test_a_lift_on_one_segment_slows_the_station_behind_it_wherever_the_lap_starts(segment):
    # Source: v² falls by 2 ds a = 2 * 2 m * 3 m/s² from the cornering speed, sqrt(11.8 * 50) m/s.
    line = Line.from_curvature(np.full(50, 0.02), 2.0)
    mode = np.zeros(50, dtype=int)
    mode[segment] = REPLACE
    profile = limit_profile(line, CIRCLE, limits=StationLimits(own_drive=np.full(50, -3.0), own_drive_mode=mode))
    assert profile.v[segment] ** 2 == pytest.approx(11.8 * 50.0, rel=EXACT)
    assert profile.v[(segment + 1) % 50] ** 2 == pytest.approx(11.8 * 50.0 - 12.0, rel=EXACT)


def test_a_slowing_lap_that_can_never_recover_is_refused():
    # Every segment kept at -0.5 m/s²: the lap would get slower for ever.
    from simlap.errors import NoSolution

    line = Line.from_curvature(np.full(50, 0.02), 1.0)
    limits = StationLimits(own_drive=np.full(50, -0.5), own_drive_mode=np.full(50, REPLACE))
    with pytest.raises(NoSolution, match="No speed profile obeys the limits at station"):
        solve_batch(line, CIRCLE.pack(), limits)
