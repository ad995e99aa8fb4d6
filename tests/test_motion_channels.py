"""Signs by ISO 8855, repeats, jumps, drop-outs, standstill, wheel speed: what real logs do to a motion."""

import re
from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from motion_cases import ORIGIN, Drive, drive, logged, wander
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from simlap.circuits import invented_circuit
from simlap.errors import LogFormatError, NotEnoughData, OptionError
from simlap.geodesy import to_geodetic, to_plane
from simlap.located_quality import quality_of
from simlap.motion import motion_of
from simlap.sensors import fixes_of, observe
from simlap.session import Session
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session


@lru_cache(maxsize=1)
def short() -> Drive:
    return drive("kart", laps=4, seed=3)


def error_of(motion, d: Drive, name: str = "a_lat") -> float:
    inside = (motion.t > motion.t[0] + 2.0) & (motion.t < motion.t[-1] - 2.0) & motion.valid
    return float(np.std((getattr(motion, name) - d.at(name, motion.t))[inside]))


def without(session: Session, *names: str) -> Session:
    return Session.from_arrays(session.t, **{n: v for n, v in session.channels.items() if n not in names})


@pytest.mark.parametrize("signs", [(1, 1, 1), (-1, 1, 1), (1, -1, 1), (1, 1, -1), (-1, -1, -1)])
def test_signs_other_than_iso_8855_are_recognised_turned_and_said(signs):
    # ISO 8855:2011: x forward, y left: braking and right turns are negative.
    d = short()
    motion = motion_of(logged(d, 20, speed_ms=0.05, inertial=True, signs=signs, seed=4))
    assert np.corrcoef(motion.a_lat, d.at("a_lat", motion.t))[0, 1] > 0.99
    assert np.corrcoef(motion.a_lon, d.at("a_lon", motion.t))[0, 1] > 0.99
    words = ("longitudinal acceleration", "lateral acceleration", "yaw rate")
    for sign, word in zip(signs, words, strict=True):
        turned = any(f"Sign of the {word} turned to ISO 8855" in note for note in motion.notes)
        assert turned == (sign < 0)


def test_scale_of_a_rolling_accelerometer_is_taken_out():
    # 1.08: a body that rolls by 4.6 degrees at 1 g reads 8 % of gravity on top.
    d = short()
    motion = motion_of(logged(d, 20, speed_ms=0.05, inertial=True, lat_scale=1.08, seed=4))
    hard = np.abs(d.at("a_lat", motion.t)) > 7.0
    ratio = np.mean(np.abs(motion.a_lat[hard])) / np.mean(np.abs(d.at("a_lat", motion.t)[hard]))
    assert ratio == pytest.approx(1.0, abs=0.01)  # the low-pass itself takes 0.3 % off the peaks
    assert any("Lateral acceleration: scale 1.0" in note for note in motion.notes)


@pytest.mark.parametrize("ahead_m", [0.0, 1.2, 2.4])
def test_an_accelerometer_ahead_of_the_rear_axle_reads_no_hill_in_a_hairpin(ahead_m):
    # 1.2 m ahead, at 57 degrees per second, it is pulled back by 1.2 m/s²: as much as on a climb of 12 %.
    made = synthetic_session(
        invented_circuit("kart"),
        club_car(),
        Driver.at_limit(),
        Sensors.fair(ahead_m=ahead_m),
        laps=5,
        seed=11,
        losses=False,
    )
    motion, truth = motion_of(made.session), made.truth.motion
    felt = 9.80665 * np.sin(np.interp(motion.t, truth.t, truth.grade))
    turning = np.interp(motion.t, truth.t, truth.v * truth.kappa)
    driven = np.isfinite(motion.along) & (np.interp(motion.t, truth.t, truth.v) > 8.0)
    assert np.abs(turning[driven]).max() > 0.9
    columns = np.column_stack([turning**2, np.interp(motion.t, truth.t, truth.a_lat) ** 2, np.ones(motion.t.size)])
    lever = np.linalg.lstsq(columns[driven], (motion.along - felt)[driven], rcond=None)[0][0]
    assert lever == pytest.approx(0.0, abs=0.2)  # [m] loggers are not placed better; 0.2 m pass for a climb of 2 %


def test_an_accelerometer_that_falls_silent_says_nothing_of_the_road_from_then_on():
    # A straight line over its gap less the path's acceleration would read as banking.
    d = short()
    log = logged(d, 20, speed_ms=0.05, inertial=True, seed=4)
    a_lat, a_lon = np.array(log.channel("a_lat")), np.array(log.channel("a_lon"))
    half = float(np.median(log.t))
    a_lat[log.t > half] = np.nan
    a_lon[(log.t > half) & (log.t < half + 5.0)] = np.nan
    motion = motion_of(replace(log, channels={**log.channels, "a_lat": a_lat, "a_lon": a_lon}))
    silent = motion.t > half, (motion.t > half) & (motion.t < half + 5.0)
    near = 0.1  # [s] of lag, bins and the log's ends
    inside = (motion.t > motion.t[0] + near) & (motion.t < motion.t[-1] - near)
    for values, gap in zip((motion.across, motion.along), silent, strict=True):
        assert np.isnan(values[np.roll(gap, 3) & gap & inside]).mean() > 0.99
        assert np.isfinite(values[~gap & inside]).mean() > 0.99


def test_a_channel_that_has_nothing_to_do_with_the_path_is_left_out_and_said():
    d = short()
    session = logged(d, 20, speed_ms=0.05, inertial=True, seed=4)
    noise = gaussian_filter1d(np.random.default_rng(0).normal(size=session.t.size), 30.0)  # as slow as driving is
    motion = motion_of(Session.from_arrays(session.t, **{**session.channels, "a_lat": 5.0 * noise / np.std(noise)}))
    assert any("lateral acceleration does not follow the path" in note for note in motion.notes)
    assert error_of(motion, d) < 0.3  # with it: 1.7 m/s²


def held(once: Session, rows: float) -> Session:
    """The log as a logger with `rows` a second writes it: each fix into all rows from its time to the next one's."""
    t = np.arange(once.t[0], once.t[-1], 1.0 / rows)
    row = np.searchsorted(once.t, t + 1e-9, side="right") - 1
    return Session.from_arrays(t, **{n: v[row] for n, v in once.channels.items()})


def test_repeated_fixes_count_once():
    # 10 fixes a second written in 100 rows a second, against the same fixes written once: the same motion.
    d = short()
    once = logged(d, 10, speed_ms=0.05, seed=6)
    one, two = motion_of(once), motion_of(held(once, 100))
    assert two.quality.fixes_per_second == pytest.approx(10.0, rel=1e-3)
    n = min(one.t.size, two.t.size) - 100
    assert one.a_lat[:n] == pytest.approx(two.a_lat[:n], abs=0.05)  # the last fix differs, the noise is drawn anew


@pytest.mark.parametrize(("rate", "rows"), [(10, 25), (20, 50), (18, 100)])
def test_fixes_between_the_rows_of_a_faster_logger_get_back_their_even_clock(rate, rows):
    # At 10 fixes and 25 rows a second a fix stands in a row that is 0 or 20 ms late: up to 0.8 m at 40 m/s.
    d = short()
    once = without(logged(d, rate, speed_ms=0.05, seed=6), "course")
    lost = np.arange(once.t.size) % 50 == 7
    some = Session.from_arrays(once.t[~lost], **{n: v[~lost] for n, v in once.channels.items()})
    log = held(some, rows)
    found = fixes_of(log)
    assert np.std(found.row_t - some.t[: found.t.size]) > 0.002  # as the rows have it
    late = found.t - some.t[: found.t.size]
    assert np.std(late) < 0.0005
    assert -1e-6 < np.mean(late) < 1.0 / rows
    assert found.rate == pytest.approx(rate, rel=1e-3)
    # what the noise seems to be sets the smoothing: with the rows' times 0.43, 0.66 and 0.79 Hz instead of 0.86 to 0.90
    assert motion_of(log).bandwidth_hz == pytest.approx(motion_of(some).bandwidth_hz, rel=0.05)


@pytest.mark.parametrize("late", [1, 2])  # rows
def test_a_fix_that_is_written_late_leaves_the_times_rising(late):
    d = short()
    log = held(logged(d, 10, speed_ms=0.05, seed=6), 25)
    first = np.flatnonzero(np.diff(log.channel("latitude")) != 0.0)[::150] + 1
    channels = {n: np.array(v) for n, v in log.channels.items()}
    for values in channels.values():
        for row in first[1:]:
            values[row : row + late] = values[row - 1]
    found = fixes_of(Session.from_arrays(log.t, **channels))
    assert np.all(np.diff(found.t) > 0.0)
    assert np.median(np.abs(np.diff(found.t) - 0.1)) < 1e-4


def test_fixes_without_an_even_clock_keep_the_times_of_their_rows():
    d = short()
    once = logged(d, 10, speed_ms=0.05, seed=6)
    t = once.t + np.random.default_rng(4).uniform(0.0, 0.06, once.t.size)  # up to one and a half rows late
    log = held(Session.from_arrays(t, **once.channels), 25)
    found = fixes_of(log)
    np.testing.assert_array_equal(found.t, found.row_t)


def test_a_receiver_that_smooths_its_wander_is_not_taken_for_a_noisy_one():
    # 1 m of slow wander that the receiver itself smooths over 2.5 s is gone in the band that curvature is read from:
    # the log carries about what one without wander does, 0.98 Hz. Learnt over seconds alone the wander made it 0.69.
    d = drive("fast", laps=4, seed=5)
    rng, keep = np.random.default_rng(3), np.exp(-0.05 / 2.5)

    def wandering(fix):
        for name in "xy":
            fix[name] = fix[name] + lfilter([1.0 - keep], [1.0, -keep], wander(rng, fix["t"].size, 0.05, 1.0))
        return fix

    still, smooth = (
        motion_of(without(logged(d, 20, slow_m=0.0, speed_ms=0.05, seed=6, edit=edit), "course"))
        for edit in (None, wandering)
    )
    assert smooth.bandwidth_hz == pytest.approx(still.bandwidth_hz, rel=0.15)


def test_many_runs_of_wrong_fixes_cost_no_good_ones():
    # 120 bridges, under each of which ten fixes in a row lie 25 m beside the road: 1.9 % of the fixes, and no more.
    d = drive("kart", laps=40, seed=3)
    wrong: list[np.ndarray] = []

    def bridges(fix):
        there = np.searchsorted(fix["t"], np.linspace(fix["t"][0], fix["t"][-1], 122)[1:-1])
        rows = (there[:, None] + np.arange(10)).ravel()
        for axis in "xy":
            fix[axis][rows] += 25.0 / np.sqrt(2.0)
        wrong.append(rows)
        return fix

    found = fixes_of(logged(d, 25, speed_ms=0.05, seed=4, edit=bridges))
    assert found.dropped == pytest.approx(wrong[0].size, rel=0.1)  # the fix beside a jump may go with it
    assert not np.isin(found.row_t, 0.5 + wrong[0] / 25.0).any()


def test_a_course_seen_often_is_not_averaged_across_north():
    # 100 readings a second go into bins of 40 ms. Mean of 359.9 and 0.1 degrees: 0 or 360, never 180 (closed form).
    t = np.arange(0.0, 20.0, 0.01)
    course = np.radians(0.2) * np.random.default_rng(1).normal(size=t.size) % (2.0 * np.pi)
    seen = observe(Session.from_arrays(t, speed=np.full(t.size, 20.0), course=course), "course")
    assert seen.value.size < t.size / 2
    assert np.cos(seen.value) == pytest.approx(1.0, abs=1e-4)


def test_one_fix_a_kilometre_away_changes_nothing():
    d = short()

    def jump(fix):
        fix["x"][300] += 1000.0
        fix["y"][301] -= 40.0
        return fix

    motion = motion_of(logged(d, 10, speed_ms=0.05, seed=6, edit=jump))
    plain = motion_of(logged(d, 10, speed_ms=0.05, seed=6))
    assert np.max(np.abs(motion.x - plain.x)) < 1.0
    assert error_of(motion, d) < 1.2 * error_of(plain, d)
    assert any("position fixes jump" in note for note in motion.notes)
    assert 0.0 < motion.quality.repaired_share < 0.01


@pytest.mark.parametrize("angle", range(0, 360, 30))
def test_a_fix_that_jumps_along_the_path_takes_nothing_else_with_it(angle):
    # 60 m/s at 10 Hz: 13 m ahead can be driven to within the slack, the 13 m back cannot. One fix is wrong; its
    # neighbour may be doubted.
    t = np.arange(0.0, 120.0, 0.1)
    x, y = 60.0 * t, np.zeros(t.size)
    x[700] += 13.0 * np.cos(np.radians(angle))
    y[700] += 13.0 * np.sin(np.radians(angle))
    fixes = fixes_of(Session.from_arrays(t, x=x, y=y))
    assert fixes.dropped <= 2
    assert np.all(np.diff(fixes.t) < 0.35)


def test_a_run_of_wrong_fixes_is_dropped_and_what_follows_is_kept():
    t = np.arange(0.0, 120.0, 0.1)
    x, y = 60.0 * t, np.zeros(t.size)
    x[700:705] += 13.0
    fixes = fixes_of(Session.from_arrays(t, x=x, y=y))
    assert fixes.dropped <= 6
    assert fixes.t[-1] == t[-1]


@pytest.mark.parametrize("seconds", [0.2, 1.0, 4.0])
@pytest.mark.parametrize("metres", [2.0, 6.0, 15.0])
def test_fixes_that_lie_beside_the_road_for_seconds_are_dropped_and_no_others(metres, seconds):
    # A car could drive these metres, but not within a tenth of a second: 2 m take 200 m/s². Corners of 15 m at 12 m/s
    # (9.6 m/s²) and fixes that err by 0.05 m are no jumps.
    t = np.arange(0.0, 120.0, 0.1)
    noise = 0.05 * np.random.default_rng(4).standard_normal((2, t.size))
    x, y = 15.0 * np.cos(0.8 * t) + noise[0], 15.0 * np.sin(0.8 * t) + noise[1]
    plain = fixes_of(Session.from_arrays(t, x=x, y=y))
    assert plain.dropped == 0
    away = (t > 59.95) & (t < 59.95 + seconds)
    fixes = fixes_of(Session.from_arrays(t, x=x + 0.6 * metres * away, y=y - 0.8 * metres * away))
    assert fixes.t == pytest.approx(t[~away])


def test_positions_that_jump_and_stay_there_are_kept_on_both_sides():
    # A receiver that finds its place again: which side is right, positions alone do not tell.
    t = np.arange(0.0, 120.0, 0.1)
    assert fixes_of(Session.from_arrays(t, x=30.0 * t, y=6.0 * (t > 60.0))).dropped == 0


def test_positions_that_stay_away_for_minutes_are_refused_with_the_gap():
    # inertial channels and speed carry a path over seconds; over five minutes it runs away
    d = drive("club", laps=4, seed=5)
    log = logged(d, 10, slow_m=1.0, white_m=0.1, speed_ms=0.1, inertial=True, seed=1)
    away = (log.t > 20.0) & (log.t < 330.0)
    broken = {n: np.where(away, np.nan, v) if n in ("latitude", "longitude") else v for n, v in log.channels.items()}
    with pytest.raises(NotEnoughData, match=r"gap between them runs from 19\.9 to 330\.0 s"):
        motion_of(Session.from_arrays(log.t, **broken))


@pytest.mark.parametrize(("first", "last"), [(3.0, None), (None, 115.0), (15.0, 110.0)])
def test_a_log_that_begins_or_ends_without_positions_is_cut_to_them(first, last):
    # A receiver needs time to find itself; the other channels run on. What they say out there is beyond the path.
    d = short()
    log = logged(d, 10, speed_ms=0.05, inertial=True, seed=6)
    blind = np.zeros(log.t.size, dtype=bool)
    if first is not None:
        blind |= log.t < first
    if last is not None:
        blind |= log.t > last
    cut = {n: np.where(blind, np.nan, v) if n in ("latitude", "longitude") else v for n, v in log.channels.items()}
    motion = motion_of(Session.from_arrays(log.t, **cut))
    assert motion.t[0] == pytest.approx(log.t[~blind][0], abs=0.2)
    assert motion.t[-1] == pytest.approx(log.t[~blind][-1], abs=0.2)
    assert np.abs(motion.v - d.at("v", motion.t)).max() < 0.5  # the receiver's 0.05 m/s; at the very ends somewhat more


def test_swapped_or_mislabelled_accelerometers_are_left_out_and_said():
    d = short()
    log = logged(d, 10, speed_ms=0.05, inertial=True, seed=6)
    swapped = dict(log.channels)
    swapped["a_lon"], swapped["a_lat"] = swapped["a_lat"], swapped["a_lon"]
    larger = {n: v * (9.80665 if n in ("a_lon", "a_lat") else 1.0) for n, v in log.channels.items()}  # m/s² named g
    for channels in (swapped, larger):
        motion = motion_of(Session.from_arrays(log.t, **channels))
        assert np.abs(motion.v - d.at("v", motion.t)).max() < 1.0
        for name in ("longitudinal", "lateral"):
            assert any(note.startswith(f"The {name} acceleration") and "left out" in note for note in motion.notes)


def test_one_wild_speed_costs_no_more_than_itself():
    d = short()
    log = logged(d, 10, speed_ms=0.05, seed=6)
    speed = np.array(log.channels["speed"])
    speed[600] = 1e9
    motion = motion_of(Session.from_arrays(log.t, **{**log.channels, "speed": speed}))
    assert motion.quality.speed_source == "speed"
    assert any(note == "Speeds of more than 468 km/h not used: 1." for note in motion.notes)
    assert np.abs(motion.v - d.at("v", motion.t)).max() < 1.0


@pytest.mark.parametrize(
    ("circuit", "rate", "missing"),
    [("club", 10.0, ("course",)), ("kart", 10.0, ()), ("fast", 5.0, ()), ("fast", 25.0, ("speed", "course"))],
)
def test_a_yaw_rate_alone_tells_the_lag_from_the_angle_of_the_nose(circuit, rate, missing):
    # A nose that points 0.03 rad per g into the turn delays the course by 0.003 v seconds, 0.15 s at 50 m/s: as much
    # as the receiver's lag.
    track = invented_circuit(circuit)
    sensors = Sensors.good(fix_hz=rate, fix_lag_s=0.15, position_m=0.6).without("a_lon", "a_lat", *missing)
    driver = Driver.with_deficits(track.corners, seed=3)
    made = synthetic_session(track, club_car(), driver, sensors, laps=5, seed=3, losses=False)
    assert motion_of(made.session).quality.lag_s == pytest.approx(0.15, abs=0.02)  # bar "lag"


def test_drop_out_is_marked_without_inertial_channels_and_bridged_with_them():
    d = short()

    def gap(fix):
        keep = (fix["t"] < 60.0) | (fix["t"] > 62.5)
        return {n: v[keep] for n, v in fix.items()}

    blind = motion_of(logged(d, 10, speed_ms=0.05, seed=6, edit=gap))
    inside = (blind.t > 60.3) & (blind.t < 62.2)
    assert not blind.valid[inside].any()
    assert blind.valid[blind.t < 59.0].all()
    bridged = motion_of(logged(d, 10, speed_ms=0.05, inertial=True, seed=6, edit=gap))
    inside = (bridged.t > 60.3) & (bridged.t < 62.2)
    assert bridged.valid[inside].all()
    # dead reckoning over 2.5 s with 0.1 m/s² leaves (2.5 s)² 0.1 / 8 = 0.1 m, the receiver's own error 0.3 m
    assert np.max(np.abs(bridged.x - d_east(d, bridged))[inside]) < 1.5


def test_speed_from_positions_between_which_sensors_tell_is_said_to_be_so():
    s = logged(short(), 10, speed_ms=0.05, inertial=True, seed=6)
    said = [note for note in motion_of(without(s, "speed")).notes if "speed comes from the positions" in note]
    assert len(said) == 1
    assert said[0].endswith("Log the receiver's speed as well.")
    assert not any("speed comes from" in note for note in motion_of(s).notes)


@pytest.mark.parametrize("silent", [("a_lon", "a_lat", "yaw_rate"), ("a_lon",), ("a_lat", "yaw_rate")])
def test_a_gap_in_which_the_accelerometers_are_silent_as_well_is_not_bridged(silent):
    s = logged(short(), 10, speed_ms=0.05, inertial=True, seed=6)
    gap = (s.t > 60.0) & (s.t < 63.0)
    gone = ("latitude", "longitude", "speed", "course", *silent)
    motion = motion_of(
        Session.from_arrays(s.t, **{n: np.where(gap & (n in gone), np.nan, v) for n, v in s.channels.items()})
    )
    assert not motion.valid[(motion.t > 60.5) & (motion.t < 62.5)].any()
    assert motion.valid[(motion.t < 59.0) | (motion.t > 64.0)].all()


def d_east(d: Drive, motion) -> np.ndarray:
    """True x in the motion's plane, by the mean difference away from the gap."""
    there = d.at("x", motion.t)
    away = (motion.t < 55.0) | (motion.t > 70.0)
    return there + np.median((motion.x - there)[away])


def test_standing_car_has_no_curvature_and_keeps_its_direction():
    d = short()

    def stand(fix):
        n = 200
        still = {k: np.concatenate([np.full(n, v[0]), v]) for k, v in fix.items()}
        still["t"] = np.concatenate([fix["t"][0] - 0.1 * np.arange(n, 0, -1), fix["t"]])
        rng = np.random.default_rng(8)
        for axis in "xy":
            still[axis][:n] += 0.01 * rng.normal(size=n)
        still["speed"][:n] = np.abs(0.02 * rng.normal(size=n))
        still["course"][:n] = rng.uniform(-3.0, 3.0, n)  # a standing receiver's course is a dice
        return still

    motion = motion_of(logged(d, 10, speed_ms=0.05, seed=6, edit=stand))
    standing = motion.t < motion.t[0] + 15.0
    assert motion.v[standing].max() < 0.5
    assert np.all(motion.kappa[standing] == 0.0)
    assert np.ptp(motion.course[standing]) < 0.5
    assert motion.valid[standing].all()


def test_wheel_slip_is_taken_out_where_there_is_no_ground_speed():
    # Wheels that turn 0.4 % too slowly per m/s² of braking: 4 % at 1 g.
    d = short()

    def wheels(t):
        v, a = d.at("v", t), d.at("a_lon", t)
        return {"wheel_speed": 1.01 * v * (1.0 + 0.004 * a) + np.random.default_rng(1).normal(0.0, 0.02, t.size)}

    session = logged(d, 20, inertial=True, white_m=0.05, seed=6, extra=wheels)
    motion = motion_of(without(session, "a_lon"))
    assert motion.quality.speed_source == "path and wheel_speed"
    assert any("wheels with their slip taken out" in note for note in motion.notes)
    braking = d.at("a_lon", motion.t) < -5.0
    assert np.mean((motion.v - d.at("v", motion.t))[braking]) == pytest.approx(0.0, abs=0.1)  # slip alone: 0.5 m/s
    alone = motion_of(without(session, "a_lon", "wheel_speed"))
    assert error_of(motion, d, "a_lon") < 0.5 * error_of(alone, d, "a_lon")


def test_ground_speed_is_preferred_to_wheel_speed_and_that_is_said():
    d = short()
    session = logged(d, 10, speed_ms=0.05, seed=6, extra=lambda t: {"wheel_speed": 0.9 * d.at("v", t)})
    motion = motion_of(session)
    assert motion.quality.speed_source == "speed"
    assert any("wheel speed is left out" in note for note in motion.notes)
    assert np.mean(motion.v - d.at("v", motion.t)) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("late", [-0.3, -0.16, 0.05, 0.3])
@pytest.mark.parametrize("inertial", [False, True])
def test_a_speed_that_comes_at_another_time_than_the_positions_is_put_right(late, inertial):
    # Positions are held back by some receivers for a tenth or three, speed and course are not, or the other way round.
    d = short()

    def apart(fix):
        for name in ("speed", "course"):
            fix[name] = np.interp(fix["t"] - late, fix["t"], fix[name])
        return fix

    plain, delayed = (motion_of(logged(d, 20, speed_ms=0.05, inertial=inertial, seed=4, edit=e)) for e in (None, apart))
    (told,) = (note for note in delayed.notes if "its positions; undone" in note)
    side = "behind" if late > 0.0 else "ahead of"
    assert float(re.search(rf"comes ([0-9.]+) s {side}", told)[1]) == pytest.approx(abs(late), abs=0.01)
    for name in ("a_lon", "a_lat", "v"):
        assert error_of(delayed, d, name) < 1.1 * error_of(plain, d, name) + 0.01, name
    assert not any("its positions; undone" in note for note in plain.notes)


def test_a_speed_of_the_right_scale_that_slips_is_one_of_the_wheels_and_not_late():
    d = short()
    log = logged(d, 20, speed_ms=0.05, inertial=True, seed=4)
    slipping = d.at("v", log.t) * (1.0 + 0.004 * d.at("a_lon", log.t)) + np.random.default_rng(1).normal(
        0.0, 0.05, log.t.size
    )
    motion = motion_of(replace(log, channels={**log.channels, "speed": slipping}))
    assert motion.quality.speed_source == "path and wheel_speed"
    assert not any("its positions; undone" in note for note in motion.notes)
    (told,) = (note for note in motion.notes if "speed of the wheels" in note)
    assert "the harder the car is driven" in told
    assert "times" not in told


@pytest.mark.parametrize("inertial", [False, True])
def test_a_smooth_error_of_the_positions_does_not_outweigh_the_speed(inertial):
    # A receiver's own filter makes its positions smooth and not right: an error of 0.1 m that lasts for a second is no
    # white noise, and positions that seemed exact drove the speed, good to 0.05 m/s, off by 0.2 m/s.
    d = short()

    def smooth(fix):
        rng = np.random.default_rng(5)
        for axis in "xy":
            error = gaussian_filter1d(rng.normal(size=fix["t"].size), 0.35 * 20)
            fix[axis] = d.at(axis, fix["t"]) + 0.1 * error / error.std()
        return fix

    motion = motion_of(logged(d, 20, speed_ms=0.05, inertial=inertial, seed=4, edit=smooth))
    # 0.05 m/s at 20 a second and a bandwidth of 2 Hz leave 0.02 m/s, and 0.2 m/s²
    assert error_of(motion, d, "v") < 0.04
    assert error_of(motion, d, "a_lon") < 0.25


@pytest.mark.parametrize("times", [0.96, 0.99, 1.0, 1.01, 1.03, 1.15])
def test_a_speed_that_differs_from_the_positions_by_its_scale_is_one_of_the_wheels(times):
    # Wheel speeds are logged as plain "speed" too, and are off by worn tyres and a guessed girth. Taken for a
    # receiver's, 3 % drove the path off its positions, and no lap was found.
    d = short()
    log = logged(d, 20, speed_ms=0.05, inertial=True, seed=4)
    motion = motion_of(replace(log, channels={**log.channels, "speed": times * log.channel("speed")}))
    told = [note for note in motion.notes if "taken for a speed of the wheels" in note]
    assert len(told) == (times != 1.0)
    read = [float(re.search(r"reads ([\d.]+) times", note)[1]) for note in told]
    assert read == pytest.approx([times] * len(told), abs=0.003)  # of 24 gentle chords, 0.3 % each
    inside = (motion.t > motion.t[0] + 2.0) & (motion.t < motion.t[-1] - 2.0)
    assert np.mean(motion.v[inside] / d.at("v", motion.t[inside])) == pytest.approx(1.0, abs=0.002)
    assert error_of(motion, d) < 0.25  # [m/s²], the bar of the reckoned paths


@pytest.mark.parametrize("factor", [0.0, 1.0 / 3.6, 1.6, 3.6])
def test_a_speed_in_another_unit_is_left_out_and_said(factor):
    # A column in km/h or mph read as m/s; positions tell, the size of the numbers does not.
    d = short()
    session = logged(d, 10, speed_ms=0.05, seed=6)
    wrong = Session.from_arrays(session.t, **{**session.channels, "speed": factor * session.channel("speed")})
    motion = motion_of(wrong)
    assert motion.quality.speed_source == "path"
    notes = " ".join(motion.notes)
    said = re.search(r"reads ([\d.]+) times", notes)
    assert float(said.group(1)) == pytest.approx(factor, rel=0.03, abs=0.01)  # chords are shorter than arcs
    # Source: 1 m/s = 3.6 km/h, 1 mph = 1.609 km/h (BIPM 2019; NIST SP 811).
    mistaken = {1.0 / 3.6: "m/s read as km/h", 1.6: "km/h read as mph", 3.6: "km/h read as m/s"}.get(factor)
    assert re.findall(r", as (\S+ read as \S+) would, ", notes) == ([mistaken] if mistaken else [])
    assert "Log the receiver's speed" not in notes  # it was logged: its unit is what is to be put right
    assert np.mean(motion.v - d.at("v", motion.t)) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("factor", [1.0, 1.0 / 3.6])
def test_a_speed_that_is_silent_for_half_of_the_log_is_judged_by_the_rest(factor):
    # Where a channel is silent it reads nothing, not nought: half of the log at 0 m/s is no speed in another unit.
    d = short()
    session = logged(d, 10, speed_ms=0.05, seed=6)
    late = factor * session.channel("speed")
    late[session.t < float(np.median(session.t))] = np.nan
    motion = motion_of(replace(session, channels={**session.channels, "speed": late}))
    said = re.search(r"reads ([\d.]+) times", " ".join(motion.notes))
    if factor == 1.0:
        assert said is None
        assert motion.quality.speed_source == "speed"
    else:
        assert float(said.group(1)) == pytest.approx(factor, rel=0.03)  # chords are shorter than arcs


def test_chords_that_lie_inside_a_gap_of_the_positions_say_nothing_of_the_speed():
    # Positions away for 10 of 15 s: the straight line across what was driven meanwhile is shorter than the way.
    d = short()
    session = logged(d, 10, speed_ms=0.05, seed=6)
    away = session.t % 15.0 < 10.0
    gone = {name: np.where(away, np.nan, session.channel(name)) for name in ("latitude", "longitude")}
    motion = motion_of(replace(session, channels={**session.channels, **gone}))
    assert motion.quality.speed_source == "speed"


def moved_to(session: Session, latitude: float, longitude: float, *, swapped: bool) -> Session:
    """The log as driven elsewhere on the globe, its two columns the right way or exchanged."""
    x, y = to_plane(session.channel("latitude"), session.channel("longitude"), ORIGIN)
    there = dict(zip(("latitude", "longitude"), to_geodetic(x, y, (latitude, longitude)), strict=True))
    if swapped:
        there = {"latitude": there["longitude"], "longitude": there["latitude"]}
    return Session.from_arrays(session.t, **{**session.channels, **there})


@pytest.mark.parametrize("place", [(47.3, 11.1), (-34.0, 62.0), (58.0, -4.0)])
def test_swapped_latitude_and_longitude_are_refused_by_the_speed_and_right_ones_never(place):
    # East and north stretch against each other by 1 / (cos latitude · cos longitude), 1.5 to 2.6 here; a receiver's
    # speed then fits the positions one way round only, with whichever signs yaw and lateral acceleration are logged.
    for signs in ((1, 1, 1), (1, -1, -1)):
        s = logged(short(), 10, speed_ms=0.05, inertial=True, seed=6, signs=signs)
        with pytest.raises(LogFormatError, match=r"latitude and longitude are swapped\. Swap them: --column latitude="):
            motion_of(moved_to(s, *place, swapped=True))
    # the last log's signs are mirrored, as its path would be if the columns were swapped: it is right all the same
    assert motion_of(moved_to(s, *place, swapped=False)).quality.verdict == "good"


def test_swapped_latitude_and_longitude_without_a_speed_are_noticed_by_the_course():
    s = without(logged(short(), 10, speed_ms=0.05, seed=6), "speed")
    motion = motion_of(moved_to(s, *ORIGIN, swapped=True))
    assert any("Latitude and longitude may be swapped" in note for note in motion.notes)


@pytest.mark.parametrize("course", [False, True])
def test_a_parked_car_is_not_enough(course):
    # A receiver that stands writes any course; none of its rows counts.
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 60.0, 0.1)
    near = {axis: 0.1 * rng.normal(size=t.size) for axis in "xy"}
    channels = {"course": rng.uniform(0.0, 6.0, t.size), "speed": 0.02 * np.abs(rng.normal(size=t.size))}
    motion = motion_of(Session.from_arrays(t, **near, **(channels if course else {})))
    assert motion.quality.verdict == "not enough"
    assert "hardly moves" in motion.quality.reason


def test_a_clock_that_leaps_by_days_is_refused():
    d = short()
    s = logged(d, 10, speed_ms=0.05, seed=6)
    t = np.where(s.t > 100.0, s.t + 3 * 86400.0, s.t)
    with pytest.raises(NotEnoughData, match=r"span 72\.\d h.*Split the log"):
        motion_of(Session.from_arrays(t, **s.channels))


def test_altitude_is_smoothed_and_shifted_with_the_receiver():
    d = short()
    session = logged(d, 10, speed_ms=0.05, seed=6, extra=lambda t: {"altitude": 300.0 + 5.0 * np.sin(0.1 * t)})
    motion = motion_of(session)
    assert motion.altitude == pytest.approx(300.0 + 5.0 * np.sin(0.1 * motion.t), abs=0.05)


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        ({"speed": np.full(500, 20.0)}, "no positions, yaw rate or lateral acceleration"),
        ({"a_lat": np.zeros(500)}, "neither positions nor a speed"),
        ({"latitude": np.full(500, 47.0), "longitude": np.full(500, 11.0)}, "1 different positions"),
        ({"latitude": np.full(500, np.nan), "longitude": np.full(500, 11.0)}, "neither positions nor a speed"),
        ({"latitude": np.zeros(500), "longitude": np.zeros(500)}, "both latitude and longitude"),
    ],
)
def test_a_log_that_cannot_show_a_path_is_refused_with_what_is_missing(channels, words):
    with pytest.raises(NotEnoughData, match=words):
        motion_of(Session.from_arrays(np.arange(500) / 50.0, **channels))


def test_bandwidth_beyond_what_the_knots_carry_is_refused():
    with pytest.raises(OptionError, match=r"bandwidth 9\.0 Hz"):
        motion_of(Session.from_arrays(np.arange(500) / 50.0, speed=np.full(500, 20.0)), bandwidth=9.0)


def test_a_clock_that_jumps_is_told_as_a_gap_and_not_as_repairs():
    d = short()
    s = logged(d, 10, speed_ms=0.05, seed=6)
    late = s.t + np.where(s.t > s.t[s.t.size // 2], 3600.0, 0.0)
    motion = motion_of(Session.from_arrays(late, **s.channels))
    share = 100.0 * 3600.0 / (late[-1] - late[0])  # all of it is the gap
    assert motion.quality.reason.startswith(f"{share:.0f} % of the time lies in gaps without positions, ")
    assert "repaired" not in motion.quality.reason


@pytest.mark.parametrize("spread", [0.7, 2.1], ids=["usable", "not enough"])
def test_a_log_without_repairs_is_not_rated_down_for_them(spread):
    fixes = SimpleNamespace(t=np.arange(100.0), rate=5.0, dropped=0)
    fused = SimpleNamespace(outliers=0, rms={"position": 0.5})
    found = quality_of(fixes, fused, None, np.ones(100, dtype=bool), "position", spread, 2.0, {"a_lon": None}, 40.0)
    assert found.verdict == ("usable" if spread < 2.0 else "not enough")
    assert found.reason == f"5.0 fixes/s, accelerations to {spread:.2f} m/s² at 2.0 Hz"


@pytest.mark.parametrize(("rate", "verdict", "told"), [(1.0, "usable", "1.0 fixes/s, "), (5.0, "good", "")])
def test_a_fix_a_second_is_usable_however_good_the_accelerometers_are(rate, verdict, told):
    # Corners lie between such fixes: what accelerometers alone tell of them has no check. Common practice, no source.
    fixes = SimpleNamespace(t=np.arange(100.0), rate=rate, dropped=0)
    fused = SimpleNamespace(outliers=0, rms={"position": 0.5})
    found = quality_of(fixes, fused, 0.1, np.ones(100, dtype=bool), "speed", 0.2, 2.0, {"a_lon": None}, 40.0)
    assert found.verdict == verdict
    assert found.reason == told + "accelerations to 0.20 m/s² at 2.0 Hz"  # a good log is not told its rate


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("given", [("x", "y"), ("latitude", "longitude")])
def test_positions_of_which_no_row_holds_both_parts_are_refused_without_a_warning(given):
    t = np.arange(0.0, 60.0, 0.1)
    parts = np.cos(t) / 1000.0, np.sin(t) / 1000.0
    east, north = (np.where(np.arange(t.size) % 2 == odd, part, np.nan) for odd, part in enumerate(parts))
    log = Session.from_arrays(t, **dict(zip(given, (east, north), strict=True)))
    with pytest.raises(NotEnoughData, match=r"(?i)no row has both"):
        motion_of(log)
    with pytest.raises(NotEnoughData, match=r"(?i)no row has both"):
        fixes_of(log, (47.0, 8.0))


def once(session: Session, value: float) -> np.ndarray:
    """A channel with one value."""
    channel = np.full(session.t.size, np.nan)
    channel[session.t.size // 2] = value
    return channel


def test_a_yaw_rate_written_once_is_none_and_its_sideslip_changes_nothing():
    session = logged(short(), 20, speed_ms=0.05, seed=4)
    still = np.zeros(session.t.size)
    motion = motion_of(Session.from_arrays(session.t, **session.channels, yaw_rate=once(session, 0.1), sideslip=still))
    assert np.array_equal(motion.x, motion_of(session).x)
    assert "sideslip" not in motion.used


def test_a_sideslip_written_once_is_none():
    # One value has no rate. The yaw rate is used as it is, and no note tells of a sideslip.
    session = logged(short(), 20, speed_ms=0.05, inertial=True, seed=4)
    motion = motion_of(Session.from_arrays(session.t, **session.channels, sideslip=once(session, 0.02)))
    assert np.array_equal(motion.x, motion_of(session).x)
    assert "sideslip" not in motion.used
    assert not any("sideslip, " in note or "logged sideslip" in note for note in motion.notes)


def test_a_wheel_speed_written_once_is_none():
    session = logged(short(), 20, seed=4)
    motion = motion_of(Session.from_arrays(session.t, **session.channels, wheel_speed=once(session, 30.0)))
    assert motion.quality.speed_source == "path"
    assert not any("from the wheels" in note for note in motion.notes)
