"""Paths without positions: bias found from the laps, laps closed, and the real research session."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from conftest import DATA
from motion_cases import Drive, drive

from simlap.analysis import analyse
from simlap.circuits import invented_circuit
from simlap.errors import NotEnoughData
from simlap.laps import find_laps
from simlap.laptable import tabulate
from simlap.motion import motion_of
from simlap.projection import Curve
from simlap.reference import path_of_laps
from simlap.session import Session
from simlap.splines import lowpass
from simlap.stationing import station_of_path
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
from simlap.units import G

RESEARCH = DATA / "research_session.csv"


@lru_cache(maxsize=1)
def driven() -> Drive:
    return drive("club", laps=5, seed=7)


def inertial_log(d: Drive, bias: float, scale: float = 1.0, yaw: bool = True, seed: int = 0) -> Session:
    """Speed and turn rate at 100 Hz, no position; bias in rad/s."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, d.t[-1], 0.01)
    v = d.at("v", t)
    channels = {"speed": scale * v + rng.normal(0.0, 0.03, t.size)}
    rate = v * d.at("kappa", t)
    if yaw:
        channels["yaw_rate"] = rate + bias + rng.normal(0.0, 0.01, t.size)
    else:
        channels["a_lat"] = v * rate + rng.normal(0.0, 0.3, t.size)
    return Session.from_arrays(t, **channels)


@pytest.mark.parametrize("bias", [0.0, 0.004, -0.01])
def test_bias_of_the_gyro_is_found_because_laps_close(bias):
    # 0.004 rad/s turns the path by 22 degrees per lap; the drive's own laps end where they began.
    d = driven()
    motion = motion_of(inertial_log(d, bias))
    assert not motion.closes
    turned = np.interp(d.crossings[1:5], motion.t, motion.course)
    assert np.diff(turned) == pytest.approx(np.full(3, round(np.diff(turned)[0] / (2 * np.pi)) * 2 * np.pi), abs=0.02)
    at = d.crossings[(d.crossings > 1.0) & (d.crossings < motion.t[-1] - 1.0)]
    x, y = motion.at("x", at), motion.at("y", at)
    assert np.hypot(x - x.mean(), y - y.mean()).max() < 5.0
    inside = (motion.t > 5.0) & (motion.t < motion.t[-1] - 5.0)
    assert np.std((motion.a_lat - d.at("a_lat", motion.t))[inside]) < 0.25
    assert np.mean((motion.kappa - d.at("kappa", motion.t))[inside]) == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize(("name", "value"), [("speed", 182.0), ("yaw_rate", 17.0), ("a_lat", -1000.0)])
def test_a_few_error_values_of_a_channel_cost_no_more_than_themselves(name, value):
    # A word of two bytes full of ones, as loggers write it for "no value": 655.35 km/h, 1000 deg/s. A row stands for a
    # hundredth of a second, in which a car on its limit changes its speed by 0.1 m/s.
    d = driven()
    log = inertial_log(d, 0.004, yaw=name != "a_lat")
    values = np.array(log.channel(name))
    values[[3000, 11_111, 21_000]] = value
    clean, motion = motion_of(log), motion_of(replace(log, channels={**log.channels, name: values}))
    assert np.abs(motion.v - clean.v).max() < 0.1
    assert np.abs(motion.a_lat - clean.a_lat).max() < 1.0
    assert len([note for note in motion.notes if note.endswith("not used: 3.")]) == 1


def test_lateral_acceleration_over_speed_stands_in_for_a_missing_gyro():
    d = driven()
    motion = motion_of(inertial_log(d, 0.0, yaw=False))
    assert any("the log has no yaw rate" in note for note in motion.notes)
    inside = (motion.t > 5.0) & (motion.t < motion.t[-1] - 5.0)
    assert np.std((motion.a_lat - d.at("a_lat", motion.t))[inside]) < 0.25


def test_laps_without_positions_have_the_true_times():
    # The line lies at a fixed feature of the path; its station is the path's own choice, the same for every lap.
    d = driven()
    session = inertial_log(d, 0.004)
    motion = motion_of(session)
    laps = find_laps(motion, session).flying
    assert len(laps) >= 3
    start = np.interp(laps[0].start_s, d.t, d.s)
    truth = np.interp(start + d.plan.length * np.arange(len(laps) + 1), d.s, d.t)
    for i, lap in enumerate(laps):
        assert lap.time_s == pytest.approx(truth[i + 1] - truth[i], abs=0.05)  # 2 m at 45 m/s


@pytest.mark.parametrize(("gap", "lost"), [(1.0, False), (10.0, True)])
def test_a_gap_in_which_the_path_is_lost_is_told_with_its_time(gap, lost):
    d = driven()
    whole = inertial_log(d, 0.004)
    middle = float(whole.t[whole.t.size // 2])
    keep = np.abs(whole.t - middle) > 0.5 * gap
    session = Session.from_arrays(whole.t[keep], **{name: values[keep] for name, values in whole.channels.items()})
    motion = motion_of(session)
    assert motion.quality.repaired_share == pytest.approx(gap / (d.t[-1] - d.t[0]), rel=0.05)
    told = [note for note in motion.notes if "the path is lost there" in note]
    assert len(told) == lost
    assert all(f"from {middle - 0.5 * gap:.1f} to {middle + 0.5 * gap:.1f} s:" in note for note in told)


def without(whole: Session, begin: float, end: float) -> Session:
    """The log with the rows from `begin` to `end` [s] cut out."""
    keep = (whole.t < begin) | (whole.t > end)
    return Session.from_arrays(whole.t[keep], **{name: values[keep] for name, values in whole.channels.items()})


@pytest.mark.parametrize("gap", [20.0, 60.0, 130.0])
def test_laps_before_and_behind_a_gap_are_laid_over_each_other_and_all_count(gap):
    # A circuit of about 85 s: a quarter of it, most of it, and one and a half go missing. What lies behind began metres
    # to kilometres and any angle off; as many laps on either side then set each other aside.
    d = drive("club", laps=7, seed=7)
    begin = float(d.crossings[3]) + 20.0
    whole = inertial_log(d, 0.004)
    log = without(whole, begin, begin + gap)
    motion = motion_of(log)
    assert motion.quality.verdict == "usable"
    seen = d.crossings[(d.crossings > 1.0) & (d.crossings < motion.t[-1] - 1.0)]
    seen = seen[(seen < begin) | (seen > begin + gap)]
    x, y = motion.at("x", seen), motion.at("y", seen)
    assert np.hypot(x - x.mean(), y - y.mean()).max() < 5.0  # as for laps without a gap, above
    laps = find_laps(motion, log)
    start = np.interp([lap.start_s for lap in laps.flying], d.t, d.s)
    true = np.interp(start + d.plan.length, d.s, d.t) - [lap.start_s for lap in laps.flying]
    counted = [lap.counted for lap in laps.flying]
    assert sum(counted) >= (4 if gap > 100.0 else 5)
    assert [lap.reason[:4] for lap in laps.flying if not lap.counted] == ["gap:"]
    for lap, truth in zip(laps.flying, true, strict=True):
        if lap.counted:
            assert lap.time_s == pytest.approx(truth, abs=0.05)  # 2 m at 45 m/s
    table = tabulate(motion, log, laps, path_of_laps(motion, laps).line, 2.0)
    station = np.interp(table.session_start[:, None] + table.t[:, :-1], d.t, d.s)
    station -= np.interp(table.session_start, d.t, d.s)[:, None]
    assert np.median(np.ptp(station[counted], axis=0)) < 0.6  # twice that of laps without a gap, below


def test_a_lap_whose_start_a_gap_hides_does_not_count():
    # The counter tells of the new lap with the first row behind the gap: the lap would be 3 s too short.
    d = drive("club", laps=6, seed=7)
    whole = inertial_log(d, 0.004)
    counter = np.searchsorted(d.crossings, whole.t, side="right").astype(float)
    whole = Session.from_arrays(whole.t, **whole.channels, lap=counter)
    log = without(whole, float(d.crossings[3]) - 30.0, float(d.crossings[3]) + 3.0)
    laps = find_laps(motion_of(log), log)
    assert laps.found_by == "lap channel"
    hidden = [lap for lap in laps.flying if abs(lap.start_s - d.crossings[3]) < 10.0]
    assert [lap.reason for lap in hidden] == ["gap: it begins somewhere in 33.0 s without usable position or speed"]
    assert [lap.number for lap in laps.counted] == [2, 5]


def test_a_car_that_stands_loses_no_path_though_its_speed_is_written_again_and_again():
    # A speed at 25 Hz in rows at 100 Hz: what is repeated is one value, and the noughts were taken for silence.
    def stops(lap: int, station: np.ndarray) -> np.ndarray:
        return 1.0 - (lap == 2) * 0.998 * np.exp(-(((station - 600.0) / 40.0) ** 2))

    d = drive("club", laps=4, seed=7, slow=stops)
    log = inertial_log(d, 0.004)
    receiver = np.where(d.at("v", log.t) < 0.5, 0.0, log.channel("speed"))[::4]
    log = replace(log, channels={**log.channels, "speed": np.repeat(receiver, 4)[: log.t.size]})
    motion = motion_of(log)
    assert not any("path is lost" in note for note in motion.notes)
    assert "gaps" not in motion.quality.reason
    (stood,) = [lap for lap in find_laps(motion, log).flying if lap.reason.startswith("stop")]
    assert stood.time_s == pytest.approx(np.diff(d.crossings)[2], abs=0.05)  # as above: 2 m at 45 m/s


@pytest.mark.parametrize("seed", [6, 9, 11])
def test_laps_reckoned_on_a_tight_circuit_keep_their_speeds(seed):
    # Speed and lateral acceleration alone: the laps drift apart by 6 to 15 m, more than the hairpins' radius. Projected
    # where they lay, one of them came to 849 m/s and most sessions to nothing.
    track = invented_circuit("kart")
    driver = Driver.with_deficits(track.corners, seed - 3)
    made = synthetic_session(track, club_car(), driver, Sensors.good(), laps=5, seed=seed, losses=False)
    log = Session(made.session.t, {name: made.session.channels[name] for name in ("speed", "a_lat")}, source="reckoned")
    found = analyse(log, draws=10)
    assert len(found.counted) >= 4
    top = made.session.channels["speed"].max()
    assert all(found.lap_driven[row].v.max() == pytest.approx(top, rel=0.15) for row in found.counted)
    # without a longitudinal accelerometer, pedals and banking: twice the 0.8 % rms of the eight sessions measured
    assert found.limit_lap.value == pytest.approx(made.truth.limit_lap_s, rel=0.017)


def test_a_log_over_days_is_refused_and_not_reckoned():
    t = np.array([*np.linspace(0.0, 100.0, 1001), 6.0 * 3600.0])
    words = r"speed and turn rate span 6\.0 h; at most 4 h are taken at once\. .*unit, state it: --column time="
    with pytest.raises(NotEnoughData, match=words):
        motion_of(Session.from_arrays(t, speed=np.full(t.size, 20.0), yaw_rate=np.full(t.size, 0.1)))


def test_an_accelerometer_of_a_few_values_says_nothing_of_the_road():
    log = inertial_log(driven(), 0.004)
    few = np.full(log.t.size, np.nan)
    few[1000] = 0.3
    motion = motion_of(Session.from_arrays(log.t, **log.channels, a_lat=few))
    assert motion.across is None


@pytest.mark.parametrize(("share", "typical", "worst"), [(0.0, 0.3, 0.4), (0.004, 2.0, 5.0)])
def test_corners_of_reckoned_laps_line_up_at_equal_stations(share, typical, worst):
    # A speed that reads 0.4 % more in some laps moves the last corner by 12 m if stations follow the odometer.
    d = driven()
    session = inertial_log(d, 0.004)
    grow = 1.0 + share * (np.interp(session.t, d.t, d.s) // d.plan.length % 2)
    session = Session.from_arrays(session.t, **{**session.channels, "speed": session.channel("speed") * grow})
    motion = motion_of(session)
    laps = find_laps(motion, session)
    track = path_of_laps(motion, laps)
    table = tabulate(motion, session, laps, track.line, 2.0)
    true_station = np.interp(table.session_start[:, None] + table.t[:, :-1], d.t, d.s)
    true_station -= np.interp(table.session_start, d.t, d.s)[:, None]
    spread = np.ptp(true_station, axis=0)
    assert np.median(spread) < typical
    assert spread.max() < worst  # the middle of the longest straight, where nothing tells one place from the next


@pytest.mark.parametrize("yaw", [True, False])
def test_drawn_errors_without_positions_are_as_large_as_the_true_ones(yaw):
    d = driven()
    motion = motion_of(inertial_log(d, 0.004, yaw=yaw))
    t = np.arange(0.0, d.t[-1], 0.02)
    inside = (motion.t > 5.0) & (motion.t < motion.t[-1] - 5.0)
    for name in ("a_lon", "a_lat"):
        true = np.interp(motion.t, t, lowpass(d.at(name, t), 0.02, motion.bandwidth_hz))
        error = np.std((getattr(motion, name) - true)[inside])
        assert 0.8 < error / np.std(getattr(motion, "noise_" + name)[:, inside]) < 1.25


def test_sideslip_that_is_not_logged_is_found_from_both_lateral_sensors():
    # A nose that points into the turn by 3 mrad per m/s² turns the body before the path: yaw rate = course rate
    # + 0.003 d(a_lat)/dt. Uncorrected, a_lat = v · yaw rate would be off by v · 0.003 · 20 m/s³ = 2 m/s² on turning in.
    d = driven()
    rng = np.random.default_rng(2)
    t = np.arange(0.0, d.t[-1], 0.01)
    growth = np.interp(t, d.t, np.gradient(d.a_lat, d.t))
    yaw = d.at("v", t) * d.at("kappa", t) + 0.003 * growth + rng.normal(0.0, 0.01, t.size)
    lateral = 1.02 * d.at("a_lat", t) + rng.normal(0.0, 0.3, t.size)
    motion = motion_of(Session.from_arrays(t, speed=d.at("v", t), yaw_rate=yaw, a_lat=lateral))
    inside = (motion.t > 5.0) & (motion.t < motion.t[-1] - 5.0)
    assert np.std((motion.a_lat - d.at("a_lat", motion.t))[inside]) < 0.25
    (told,) = (note for note in motion.notes if note.startswith("Sideslip "))
    assert float(told.split()[1]) == pytest.approx(np.degrees(0.003 * G), abs=0.2)  # told to a tenth of a degree per g


@pytest.fixture(scope="module")
def research():
    if not RESEARCH.exists():
        pytest.skip(f"{RESEARCH} is not there")
    table = pd.read_csv(RESEARCH)
    channels = {
        "speed": table.speed_kmh / 3.6,
        "a_lon": table.longitudinal_g * G,
        "a_lat": table.lateral_g * G,
        "yaw_rate": np.radians(table.yaw_rate_deg_s),
        "sideslip": np.radians(table.sideslip_deg),
    }
    session = Session.from_arrays(table.time_s.to_numpy(), **{n: v.to_numpy() for n, v in channels.items()})
    motion = motion_of(session)
    return session, motion, find_laps(motion, session)


def test_research_session_has_its_laps(research):
    # Known of it (its README): laps of about 97.8, 96.7, 100.7 and 95.6 s, about 3100 m; the station of the line moves
    # these by a few tenths, and a lap more fits in before or behind.
    _, motion, laps = research
    assert 4 <= len(laps.flying) <= 5
    driven = [float(np.diff(motion.at("s", np.array([lap.start_s, lap.stop_s])))[0]) for lap in laps.flying]
    assert min(driven) > 3050.0
    assert max(driven) < 3150.0
    times = [lap.time_s for lap in laps.flying]
    for known in (97.8, 96.7, 100.7, 95.6):
        assert min(abs(t - known) for t in times) < 1.0


def test_research_session_closes_within_15_m_per_lap(research):
    _, motion, laps = research
    for lap in laps.flying:
        ends = np.array([lap.start_s, lap.stop_s])
        assert np.hypot(*(np.diff(motion.at(n, ends))[0] for n in "xy")) < 15.0


def test_research_session_agrees_with_its_own_accelerometers(research):
    # They were not used for the path's curvature: an independent sensor in the same car.
    session, motion, _ = research
    read = np.interp(motion.t, session.t, session.channel("a_lat"))
    assert np.corrcoef(read, motion.a_lat)[0, 1] > 0.98
    read = np.interp(motion.t, session.t, session.channel("a_lon"))
    assert np.corrcoef(read, motion.a_lon)[0, 1] > 0.97


def test_the_held_up_lap_of_the_research_session_is_set_aside(research):
    # On one lap the driver lifts on the straight behind the first corner and loses 15 m/s there.
    laps = research[2]
    aside = [lap for lap in laps.flying if not lap.counted]
    assert len(aside) == 1
    assert "traffic: slowed on the straight" in aside[0].reason
    assert aside[0].time_s == max(lap.time_s for lap in laps.flying)


@pytest.mark.parametrize("away", [4.0, 8.0, 14.0])
def test_a_reckoned_lap_that_drifted_aside_passes_the_stations_as_fast_as_it_drives(away):
    # In the hairpin of 11 m radius a lap that lies aside would gain stations up to several times as fast as it drives.
    line = invented_circuit("kart").line
    curve = Curve(line)
    at = np.arange(0.0, line.length, 0.5)
    x, y = curve.at(at).T
    station, _, _ = station_of_path(curve, x, y - away, at, closes=False)
    # the shifted lap is the line itself: 0.5 m a sample, to the 2 % that the search's own feet are good to
    assert np.diff(station[20:-20]) == pytest.approx(np.full(at.size - 41, 0.5), rel=0.02)


def test_a_lap_with_positions_stays_where_they_say_it_lies():
    line = invented_circuit("kart").line
    curve = Curve(line)
    at = np.arange(0.0, line.length, 0.5)
    x, y = curve.at(at).T
    _, _, beside = station_of_path(curve, x, y - 4.0, at, closes=True)
    assert beside == pytest.approx(y - 4.0)


def test_a_sideslip_written_once_is_none():
    # One value has no rate: the path is that of the yaw rate alone, to the last digit, and nothing else is said.
    session = inertial_log(driven(), 0.004)
    once = np.full(session.t.size, np.nan)
    once[5000] = 0.02
    with_it = motion_of(Session.from_arrays(session.t, **session.channels, sideslip=once))
    without = motion_of(session)
    assert np.array_equal(with_it.course, without.course)
    assert with_it.notes == without.notes
