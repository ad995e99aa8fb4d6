"""Laps on common stations: sums, order, noise, channels, and circuits that cross or run beside themselves."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from motion_cases import ORIGIN, drive, logged, start_points
from scipy.ndimage import gaussian_filter1d

from simlap.errors import NotEnoughData, OptionError
from simlap.lap_types import LapSet, StartLine
from simlap.laps import find_laps
from simlap.laptable import tabulate
from simlap.line import Line
from simlap.motion import motion_of
from simlap.session import Session


@lru_cache(maxsize=1)
def case():
    d = drive("kart", laps=6, seed=3)

    def controls(t):
        v = d.at("v", t)
        return {"throttle": np.clip(d.at("a_lon", t) / 4.0, 0.0, 1.0), "gear": np.floor(1.0 + v / 8.0)}

    session = logged(d, 10, speed_ms=0.05, seed=4, extra=controls)
    motion = motion_of(session, origin=ORIGIN)
    laps = find_laps(motion, session, start_line=StartLine.from_geodetic(*start_points(d), ORIGIN))
    count = round(d.plan.length / 2.0)
    line = Line.from_points(*d.plan.positions(d.plan.length / count * np.arange(count)))
    return d, session, motion, laps, line


def test_times_rise_strictly_and_end_with_the_lap_time():
    d, session, motion, laps, line = case()
    table = tabulate(motion, session, laps, line, 2.0)
    assert np.all(np.diff(table.t, axis=1) > 0.0)
    assert np.all(table.t[:, 0] == 0.0)
    assert table.lap_times == pytest.approx([lap.time_s for lap in laps.flying], abs=1e-9)
    assert table.station.size * (table.station[1] - table.station[0]) == pytest.approx(line.length, rel=1e-12)
    assert np.array_equal(table.numbers, [lap.number for lap in laps.flying])
    assert d.plan.length == pytest.approx(line.length, rel=1e-5)


def test_a_silent_channel_is_not_known():
    # A channel may rest for a second between two values. A gear that is the same before and behind a gap was not
    # changed in it, for loggers write a gear when it changes, too.
    _, session, motion, laps, line = case()
    start, t = laps.flying[1].start_s, session.t
    throttle, gear = np.array(session.channel("throttle")), np.full(t.size, 3.0)
    long, short = (np.flatnonzero((t > start + a) & (t < start + b)) for a, b in ((5.0, 9.0), (15.0, 15.7)))
    throttle[long] = throttle[short] = np.nan
    throttle[t > laps.flying[-1].start_s] = np.nan
    gear[long] = gear[short] = np.nan
    gear[t > start + 15.7] = 4.0
    cut = replace(session, channels={**session.channels, "throttle": throttle, "gear": gear})
    channels = tabulate(motion, cut, laps, line, 2.0).channels
    clock = tabulate(motion, session, laps, line, 2.0)
    at = clock.t[:, :-1] + clock.session_start[:, None]
    silent = (at > t[long[0] - 1]) & (at < t[long[-1] + 1]) | (at > t[t <= laps.flying[-1].start_s][-1] + 0.1)
    assert np.array_equal(np.isnan(channels["throttle"]), silent)
    same = ~silent & (clock.numbers != clock.numbers[1])[:, None]
    same &= at < t[t <= laps.flying[-1].start_s][-1]
    assert channels["throttle"][same] == pytest.approx(clock.channels["throttle"][same])
    assert set(channels["gear"].ravel()) == {3.0, 4.0}  # known everywhere
    gear[t > start + 9.0] = 4.0
    channels = tabulate(motion, replace(session, channels={"gear": gear}), laps, line, 2.0).channels
    assert np.isnan(channels["gear"]).sum() == np.sum((at > t[long[0] - 1]) & (at < t[long[-1] + 1]))


def test_driven_steps_sum_to_the_driven_length():
    _, session, motion, laps, line = case()
    table = tabulate(motion, session, laps, line, 2.0)
    for row, lap in enumerate(laps.flying):
        driven = np.diff(motion.at("s", np.array([lap.start_s, lap.stop_s])))[0]
        assert table.ds[row].sum() == pytest.approx(driven, abs=1e-9)


def test_speeds_and_times_of_the_table_belong_together():
    # 2 ds / (v_i + v_i+1) is exact for constant acceleration, and the solver's own rule. A jerk of 20 m/s³ over the
    # 0.18 s of a slow station bends v by 0.08 m/s, 0.7 % of 11 m/s; over a lap the slow corners leave 2e-4.
    _, session, motion, laps, line = case()
    table = tabulate(motion, session, laps, line, 2.0)
    ahead = np.roll(table.v, -1, axis=1)
    time = (2.0 * table.ds / (table.v + ahead))[:, :-1]
    assert time.sum(axis=1) == pytest.approx(table.t[:, -2], rel=5e-4)
    assert time == pytest.approx(np.diff(table.t, axis=1)[:, :-1], rel=0.02)


def test_stations_are_the_true_ones():
    # Truth: the exact drive passes station s of its plan at this moment. The receiver errs by 0.3 m.
    d, session, motion, laps, line = case()
    table = tabulate(motion, session, laps, line, 2.0)
    true = np.interp(table.session_start[:, None] + table.t[:, :-1], d.t, d.s)
    true -= d.plan.length * np.round((true[:, :1]) / d.plan.length)
    assert np.max(np.abs(true - table.station)) < 2.0
    assert np.max(np.abs(table.offset)) < 2.0


def test_two_noise_replicates_of_a_station_are_samples_of_the_motion():
    _, session, motion, laps, line = case()
    table = tabulate(motion, session, laps, line, 2.0)
    assert table.noise_a_lat.shape == (motion.noise_a_lat.shape[0], len(laps.flying), table.station.size)
    assert np.std(table.noise_a_lat) == pytest.approx(np.std(motion.noise_a_lat), rel=0.1)


def test_throttle_is_interpolated_and_gears_stay_whole():
    d, session, motion, laps, line = case()
    table = tabulate(motion, session, laps, line, 2.0)
    at = table.session_start[:, None] + table.t[:, :-1]
    want = np.clip(d.at("a_lon", at) / 4.0, 0.0, 1.0)
    assert np.mean(np.abs(table.channels["throttle"] - want)) < 0.02
    nearest = np.argmin(np.abs(at[:, :, None] - session.t), axis=2)
    assert np.array_equal(table.channels["gear"], session.channel("gear")[nearest])
    assert set(table.channels) == {"throttle", "gear"}


def test_rolling_the_line_away_from_the_start_is_refused():
    _, session, motion, laps, line = case()
    with pytest.raises(OptionError, match="m from station 0"):
        tabulate(motion, session, laps, line.rolled(100), 2.0)
    with pytest.raises(OptionError, match="spacing"):
        tabulate(motion, session, laps, line, 0.0)
    with pytest.raises(NotEnoughData, match="No full lap"):
        tabulate(motion, session, LapSet(laps.laps[:1], laps.start_line, laps.found_by), line, 2.0)


def looped(x: np.ndarray, y: np.ndarray, laps: int, beside: float) -> tuple[Session, Line]:
    """A closed curve driven at 20 m/s, `laps` times and a bit, logged at 10 Hz with millimetres of noise."""
    line = Line.from_points(x, y)
    step = np.hypot(np.diff(np.append(x, x[0])), np.diff(np.append(y, y[0])))
    s = np.concatenate([[0.0], np.cumsum(step)])
    t = np.arange(0.0, (laps + 0.2) * s[-1] / 20.0, 0.1)
    where = (20.0 * t - 0.1 * s[-1]) % s[-1]
    rng = np.random.default_rng(1)
    y = y - beside * np.sign(y) * np.clip((190.0 - np.abs(x)) / 60.0, 0.0, 1.0)
    px = np.interp(where, s, np.append(x, x[0])) + 0.01 * rng.normal(size=t.size)
    py = np.interp(where, s, np.append(y, y[0])) + 0.01 * rng.normal(size=t.size)
    return Session.from_arrays(t, x=px, y=py, speed=np.full(t.size, 20.0)), line


@pytest.mark.parametrize("shape", ["figure of eight", "straights side by side"])
def test_places_that_lie_close_together_are_never_mixed_up(shape):
    # The car keeps 7 m to the inside of its straight, so that it is nearer to the other one, 12 m away.
    # At constant speed t(station) is a straight line; taking the other branch would bend it by hundreds of metres.
    if shape == "figure of eight":
        u = 2.0 * np.pi * np.arange(600) / 600
        x, y = 250.0 * np.sin(u), 100.0 * np.sin(2.0 * u)
    else:  # two straights 12 m apart, driven in opposite directions, joined by a loop of 30 m radius at each end
        away = np.arange(0.0, 200.0, 2.0)
        turn = np.radians(np.arange(-168.0, 169.0, 4.0))
        east, west = 229.4 + 30.0 * np.cos(turn), -229.4 - 30.0 * np.cos(turn)
        x = np.concatenate([away, east, 200.0 - 2.0 * away, west, away - 200.0])
        y = np.concatenate(
            [0.0 * away - 6.0, 30.0 * np.sin(turn), 0.0 * away + 6.0, -30.0 * np.sin(turn), 0.0 * away - 6.0]
        )
        s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        even = np.arange(0.0, s[-1], 2.0)
        x, y = (gaussian_filter1d(np.interp(even, s, z), 4.0, mode="wrap") for z in (x, y))
        first = int(np.argmax(x))  # the lap starts in a loop, where no other part of the circuit is near
        x, y = np.roll(x, -first), np.roll(y, -first)
    session, line = looped(x, y, 3, 0.0 if shape == "figure of eight" else 7.0)
    motion = motion_of(session)
    tangent = np.array([line.x[1] - line.x[0], line.y[1] - line.y[0]])
    normal = np.array([-tangent[1], tangent[0]]) / np.hypot(*tangent)
    ends = [np.array([line.x[0], line.y[0]]) + w * normal for w in (-3.0, 3.0)]
    laps = find_laps(motion, session, start_line=StartLine(*ends[0], *ends[1]))
    assert len(laps.flying) == 3
    table = tabulate(motion, session, laps, line, 3.0)
    straight = np.append(table.station, line.length) / line.length
    for row in table.t:
        assert row / row[-1] == pytest.approx(straight, abs=0.02)
    assert np.abs(table.offset).max() < 9.0
