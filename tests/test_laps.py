"""Laps: crossings, and each reason for setting one aside with a session that shows it."""

from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from motion_cases import ORIGIN, Drive, drive, logged, start_points
from shapely import LineString, Point

from simlap.circuits import invented_circuit
from simlap.errors import NotEnoughData, OptionError
from simlap.lap_types import LapSet, StartLine
from simlap.laps import all_with_gaps, find_laps
from simlap.layout import Bend, Straight, closed_layout
from simlap.motion import Motion, MotionQuality, motion_of
from simlap.session import Session
from simlap.startline import crossings


def motion_along(x: np.ndarray, y: np.ndarray, v: float, rate: float = 50.0) -> Motion:
    """A motion made by hand from points driven at constant speed."""
    t = np.arange(x.size) / rate
    zero = np.zeros(x.size)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    quality = MotionQuality(rate, None, 0.0, None, 0.0, "path", "good", "")
    return Motion(
        t, x, y, s, np.full(x.size, v), zero, zero, zero, zero, None, np.zeros((4, x.size)), np.zeros((4, x.size)),
        None, 2.0, 2.0, np.ones(x.size, dtype=bool), quality, (), True,
    )  # fmt: skip


def test_crossings_of_a_circle_are_its_turning_times_to_the_millisecond():
    # closed form: 300 m radius at 40 m/s crosses the x axis upwards each 2 pi 300 / 40 = 47.1239 s
    t = np.arange(0.0, 200.0, 0.02)
    angle = 40.0 * t / 300.0 - 1.0
    motion = motion_along(300.0 * np.cos(angle), 300.0 * np.sin(angle), 40.0)
    times = crossings(motion, StartLine(290.0, 0.0, 310.0, 0.0))
    period = 2.0 * np.pi * 300.0 / 40.0
    assert times == pytest.approx(7.5 + period * np.arange(5)[: times.size], abs=1e-4)  # (1 rad) 300 / 40 = 7.5 s
    assert times.size == 5


@pytest.mark.parametrize(
    ("gap", "closes", "found"), [((90.0, 115.0), True, 4), ((90.0, 105.0), True, 5), ((90.0, 115.0), False, 5)]
)
def test_a_crossing_in_a_long_gap_between_positions_is_none(gap, closes, found):
    # The same circle, crossed for the third time at 101.7 s: in a gap of 25 s, of 15 s, and of a reckoned path.
    t = np.arange(0.0, 200.0, 0.02)
    angle = 40.0 * t / 300.0 - 1.0
    motion = motion_along(300.0 * np.cos(angle), 300.0 * np.sin(angle), 40.0)
    holed = replace(motion, valid=(t < gap[0]) | (t > gap[1]), closes=closes)
    assert crossings(holed, StartLine(290.0, 0.0, 310.0, 0.0)).size == found


@pytest.mark.parametrize(
    ("shift", "words"),
    [(0.0, "cut off: the log ends before the line"), (60.0, "line not crossed again: 92 s from there to the")],
)
def test_a_last_piece_that_is_longer_than_a_lap_is_no_in_lap(shift, words):
    # The same circle, 194 s of it: crossed at 7.5 s and every 47.12 s from there, for the last time at 148.9 s; or,
    # where the path leaves for 60 m beside it at 110 s, as behind a gap of a reckoned one, at 101.7 s.
    t = np.arange(0.0, 194.0, 0.02)
    angle = 40.0 * t / 300.0 - 1.0
    aside = shift * np.clip((t - 110.0) / 10.0, 0.0, 1.0)
    motion = motion_along((300.0 - aside) * np.cos(angle), (300.0 - aside) * np.sin(angle), 40.0)
    laps = find_laps(
        motion, Session.from_arrays(t, speed=np.full(t.size, 40.0)), start_line=StartLine(290.0, 0.0, 310.0, 0.0)
    )
    assert not laps.laps[-1].flying
    assert laps.laps[-1].reason.startswith(words)


@pytest.mark.parametrize(
    ("lost_until", "words"),
    [(0.0, "cut off: the log begins at speed"), (110.0, "line not crossed before: 5955 m driven to there")],
)
def test_a_first_piece_that_is_longer_than_a_lap_is_no_out_lap(lost_until, words):
    # The circle again, of which the path up to 110 s lies 60 m beside and comes back in 10 s: crossed first at 148.9 s,
    # 40 m/s * 148.9 s = 5955 m on by the odometer, with laps of 1885 m.
    t = np.arange(0.0, 294.0, 0.02)
    angle = 40.0 * t / 300.0 - 1.0
    aside = 60.0 * np.clip((lost_until + 10.0 - t) / 10.0, 0.0, 1.0) if lost_until else 0.0
    motion = replace(motion_along((300.0 + aside) * np.cos(angle), (300.0 + aside) * np.sin(angle), 40.0), s=40.0 * t)
    laps = find_laps(
        motion, Session.from_arrays(t, speed=np.full(t.size, 40.0)), start_line=StartLine(290.0, 0.0, 310.0, 0.0)
    )
    assert not laps.laps[0].flying
    assert laps.laps[0].reason.startswith(words)


@pytest.mark.parametrize(
    ("slower", "first", "last"),
    [(1.0, "cut off", "cut off"), (0.9, "cut off", "cut off"), (0.8, "out-lap", "in-lap"), (0.1, "out-lap", "in-lap")],
)
def test_a_log_that_begins_or_ends_at_speed_is_cut_off_there(slower, first, last):
    # The circle of the tests above, from 1 rad before the line to 1 rad behind it after three laps; the first and the
    # last second are driven at a share of the usual 40 m/s.
    angle = np.arange(-1.0, 6.0 * np.pi + 1.0, 0.002)
    v = np.full(angle.size, 40.0)
    motion = motion_along(300.0 * np.cos(angle), 300.0 * np.sin(angle), 40.0)
    v[:50] = v[-50:] = 40.0 * slower
    laps = find_laps(
        replace(motion, v=v),
        Session.from_arrays(motion.t, speed=v),
        start_line=StartLine(290.0, 0.0, 310.0, 0.0),
    )
    assert [laps.laps[0].reason.partition(":")[0], laps.laps[-1].reason.partition(":")[0]] == [first, last]
    assert not laps.laps[0].flying
    assert not laps.laps[-1].flying


def test_crossing_the_line_the_other_way_is_no_lap():
    # Once round to the left and 400 m on, then back the same way across the line, 20 s later.
    t = np.arange(0.0, 64.6, 0.02)
    angle = 40.0 * t / 300.0 - 1.0
    angle = np.append(angle, angle[::-1][:1000])
    times = crossings(
        motion_along(300.0 * np.cos(angle), 300.0 * np.sin(angle), 40.0), StartLine(290.0, 0.0, 310.0, 0.0)
    )
    assert times == pytest.approx(7.5 + 2.0 * np.pi * 7.5 * np.arange(2), abs=1e-4)


def test_either_order_of_the_two_points_gives_the_same_laps():
    d, _, motion = plain()
    one = StartLine.from_geodetic(*start_points(d), motion.origin)
    two = StartLine(one.x2, one.y2, one.x1, one.y1)
    assert crossings(motion, one) == pytest.approx(crossings(motion, two), abs=1e-9)


def test_a_car_that_stands_on_the_line_crosses_it_once():
    t = np.arange(0.0, 200.0, 0.02)
    angle = 40.0 * t / 300.0 - 1.0
    x, y = 300.0 * np.cos(angle), 300.0 * np.sin(angle)
    k = int(np.argmin(np.abs(t - 7.5)))
    shaking = 0.3 * np.sin(np.arange(500))  # the receiver wanders to and fro across the line
    x = np.insert(x, k, np.full(500, 300.0))
    y = np.insert(y, k, shaking)
    times = crossings(motion_along(x, y, 40.0), StartLine(290.0, 0.0, 310.0, 0.0))
    assert np.diff(times).min() > 40.0


@lru_cache(maxsize=1)
def plain() -> tuple[Drive, Session, Motion]:
    d = drive("kart", laps=6, seed=3)
    session = logged(d, 10, speed_ms=0.05, seed=4)
    return d, session, motion_of(session)


def laps_with(d: Drive, session: Session, **kw) -> LapSet:
    motion = motion_of(session)
    return find_laps(motion, session, start_line=StartLine.from_geodetic(*start_points(d), motion.origin), **kw)


def counted(laps: LapSet) -> list[int]:
    return [lap.number for lap in laps.counted]


def test_pieces_before_the_first_and_after_the_last_crossing_are_no_laps():
    d, session, _ = plain()
    laps = laps_with(d, session)
    assert laps.found_by == "start line"
    first, last = laps.laps[0], laps.laps[-1]
    assert "cut off: the log begins" in first.reason  # the drive is laps at speed from its first row to its last
    assert "cut off: the log ends" in last.reason
    assert not first.flying
    assert not last.flying
    assert counted(laps) == [lap.number for lap in laps.flying] == [1, 2, 3, 4]


def test_user_counts_and_drops_laps_by_number():
    d, session, motion = plain()
    line = StartLine.from_geodetic(*start_points(d), motion.origin)
    assert counted(find_laps(motion, session, start_line=line, choose=[2, 3])) == [2, 3]
    dropped = find_laps(motion, session, start_line=line, drop=[2])
    assert counted(dropped) == [1, 3, 4]
    assert next(lap for lap in dropped.laps if lap.number == 2).reason == "dropped by the user"
    with pytest.raises(OptionError, match=r"Lap 9 is no full lap.*1, 2, 3, 4"):
        find_laps(motion, session, start_line=line, choose=[9])


def test_lap_held_up_on_a_straight_is_set_aside_as_traffic():
    base = drive("kart", laps=1)
    middle, half = straight_of(base)

    def held_up(lap, station):
        near = np.clip(1.0 - np.abs(station - middle) / half, 0.0, 1.0)
        return 1.0 - (0.3 * np.sin(0.5 * np.pi * near) if lap == 3 else 0.0)

    d = drive("kart", laps=6, seed=3, slow=held_up)
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    aside = [lap for lap in laps.flying if not lap.counted]
    assert [lap.number for lap in aside] == [3]
    assert "traffic: slowed on the straight" in aside[0].reason


@pytest.mark.parametrize(("slowed", "aside"), [((3, 4), [3, 4]), ((1, 2, 3), [])])
def test_what_slows_more_laps_than_not_is_the_drivers_own_way_and_no_traffic(slowed, aside):
    # of four laps; each is slowed on a straight of its own, for where most are slow that is how fast the others are
    base = drive("kart", laps=1)
    straights = [straight_of(base, rank) for rank in range(3)]

    def lifted(lap, station):
        middle, half = straights[lap % 3]
        near = np.clip(1.0 - np.abs(station - middle) / half, 0.0, 1.0)
        return 1.0 - (0.3 * np.sin(0.5 * np.pi * near) if lap in slowed else 0.0)

    d = drive("kart", laps=6, seed=3, slow=lifted)
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    held = [lap.number for lap in laps.flying if lap.reason.startswith("traffic:")]
    assert held == aside
    assert any("own way and not for traffic" in note for note in laps.notes) is (aside == [])


@pytest.mark.parametrize(("middle", "half", "aside"), [(1500.0, 90.0, []), (1200.0, 90.0, [3])])
def test_a_lift_inside_a_corner_that_is_taken_flat_is_no_traffic(middle, half, aside):
    # The fast circuit's corner 3, a curve of 420 m radius from 1353 to 1655 m, is driven without slowing; on lap 3 the
    # car gives up a fifth of its speed there, or before it, on the straight.
    def lifted(lap, station):
        near = np.clip(1.0 - np.abs(station - middle) / half, 0.0, 1.0)
        return 1.0 - (0.2 * np.sin(0.5 * np.pi * near) if lap == 3 else 0.0)

    d = drive("fast", laps=6, seed=3, slow=lifted, factors=np.ones(6))
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    held = [lap for lap in laps.flying if not lap.counted]
    assert [lap.number for lap in held] == aside
    assert [lap.place_m for lap in held] == pytest.approx([middle] * len(aside), abs=half)  # within the stretch
    assert all(lap.reason.startswith("traffic:") for lap in held)


@pytest.mark.parametrize(
    ("start", "stop", "rest", "reason"),
    [(0.2, 0.65, 0.0, "traffic:"), (0.2, 0.65, 0.045, "slow:"), (-1.0, 2.0, 0.0, "slow:"), (0.0, 0.45, 0.0, "slow:")],
)
def test_a_lap_slowed_over_several_straights_was_held_up_where_the_rest_of_it_is_as_usual(start, stop, rest, reason):
    # a fifth slower than planned on nearly half of lap 3, corners and straights alike; the same with 4.5 % less on the
    # rest of it, by which it was no lap at speed; or all along, or from its start
    base = drive("kart", laps=1)

    def held_up(lap, station):
        share = station / base.plan.length
        return 1.0 - (lap == 3) * np.where((share > start) & (share < stop), 0.2, rest)

    d = drive("kart", laps=6, seed=3, slow=held_up)
    (aside,) = [lap for lap in laps_with(d, logged(d, 10, speed_ms=0.05, seed=4)).flying if not lap.counted]
    assert aside.number == 3
    assert aside.reason.startswith(reason)


def straight_of(d: Drive, rank: int = 0) -> tuple[float, float]:
    """Middle of the part of a straight on which the driver speeds up, and half its length; `rank` 0: the longest."""
    s = np.arange(0.0, d.plan.length, 1.0)
    v = np.interp(s, d.s, d.v)
    fast = (np.abs(d.plan.curvature(s)) < 1e-3) & (np.gradient(v) > 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], fast.astype(int), [0]])))
    starts, stops = edges[::2], edges[1::2]
    best = int(np.argsort(starts - stops)[rank])
    return 0.5 * float(starts[best] + stops[best]), 0.5 * float(stops[best] - starts[best])


def test_lap_slower_than_the_median_by_more_than_five_per_cent_is_set_aside():
    d = drive("kart", factors=[1.0, 1.0, 0.99, 1.0, 0.93, 1.0, 1.0])
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    aside = [lap for lap in laps.flying if not lap.counted]
    assert [lap.number for lap in aside] == [4]
    assert "slow:" in aside[0].reason
    assert "5 %" in aside[0].reason


def test_lap_with_a_gap_is_set_aside():
    d, _, _ = plain()
    third = 0.5 * (d.crossings[3] + d.crossings[4])

    def gap(fix):
        keep = (fix["t"] < third) | (fix["t"] > third + 4.0)
        return {n: v[keep] for n, v in fix.items()}

    aside = [lap for lap in laps_with(d, logged(d, 10, speed_ms=0.05, seed=4, edit=gap)).flying if not lap.counted]
    assert [lap.number for lap in aside] == [3]
    assert "gap:" in aside[0].reason


def test_lap_with_a_stop_is_set_aside():
    def stop(lap, station):
        return 1.0 - (0.985 * np.exp(-(((station - 600.0) / 15.0) ** 2)) if lap == 2 else 0.0)

    d = drive("kart", laps=6, seed=3, slow=stop)
    aside = [lap for lap in laps_with(d, logged(d, 10, speed_ms=0.05, seed=4)).flying if not lap.counted]
    assert [lap.number for lap in aside] == [2]
    assert "stop" in aside[0].reason


def test_lap_that_leaves_the_track_is_set_aside():
    d, _, _ = plain()

    def off(fix):
        s = np.interp(fix["t"], d.t, d.s) - 3.0 * d.plan.length - 400.0
        wide = 25.0 * np.exp(-((s / 40.0) ** 2))
        course = np.interp(fix["t"], d.t, d.course)
        fix["x"] = fix["x"] - wide * np.sin(course)
        fix["y"] = fix["y"] + wide * np.cos(course)
        return fix

    laps = laps_with(d, logged(d, 10, seed=4, edit=off))
    aside = [lap for lap in laps.flying if not lap.counted]
    assert [lap.number for lap in aside] == [3]
    assert "off:" in aside[0].reason


@pytest.mark.parametrize(("first", "counts", "tied"), [(2, [2, 3, 4], False), (3, [3, 4], True)])
def test_of_two_paths_the_one_with_more_laps_counts_and_of_as_many_the_one_with_the_fastest(first, counts, tied):
    # From lap `first` on the road leads 25 m around something. The middle of two and two laps is neither path.
    d = drive("kart", laps=6, seed=3)

    def around(fix):
        s = np.interp(fix["t"], d.t, d.s)
        wide = 25.0 * np.exp(-((((s - 400.0 + 0.5 * d.plan.length) % d.plan.length - 0.5 * d.plan.length) / 40.0) ** 2))
        wide = wide * (s > first * d.plan.length)
        course = np.interp(fix["t"], d.t, d.course)
        fix["x"] = fix["x"] - wide * np.sin(course)
        fix["y"] = fix["y"] + wide * np.cos(course)
        return fix

    laps = laps_with(d, logged(d, 10, seed=4, edit=around))
    assert [lap.number for lap in laps.flying] == [1, 2, 3, 4]
    fastest = min(laps.flying, key=lambda lap: lap.time_s)
    assert fastest.number in counts
    assert counted(laps) == counts
    words = "; as many laps lie on either path, and those with the fastest lap are counted"
    aside = [lap.reason for lap in laps.flying if not lap.counted]
    assert all(reason.startswith("off: ") and reason.endswith(words) == tied for reason in aside)


def test_lap_by_another_way_is_set_aside_by_its_length():
    # Circles of 300 m; the third goes out to 360 m: mean radius 330 m, 10 % longer.
    angle = np.arange(-0.5, 10.0 * np.pi + 0.5, 0.003)
    third = (angle > 4.0 * np.pi) & (angle < 6.0 * np.pi)
    radius = 300.0 + np.where(third, 60.0 * np.sin(0.5 * angle) ** 2, 0.0)
    motion = motion_along(radius * np.cos(angle), radius * np.sin(angle), 45.0)
    empty = Session.from_arrays(motion.t, speed=motion.v)
    laps = find_laps(motion, empty, start_line=StartLine(290.0, 0.0, 310.0, 0.0))
    aside = [lap for lap in laps.flying if not lap.counted]
    assert [lap.number for lap in aside] == [3]
    assert "other way: 2" in aside[0].reason  # about 2080 m instead of 1885 m


def test_laps_are_found_from_the_path_alone():
    d, session, motion = plain()
    laps = find_laps(motion, session)
    assert laps.found_by == "path alone"
    start = np.interp(laps.flying[0].start_s, d.t, d.s)
    truth = np.interp(start + d.plan.length * np.arange(len(laps.flying) + 1), d.s, d.t)
    times = [lap.time_s for lap in laps.flying]
    assert len(times) >= 4
    assert times == pytest.approx(np.diff(truth), abs=0.03)  # bar "lap times"
    # a good place for a line: the path is straight there
    assert abs(d.plan.curvature(np.array([start % d.plan.length]))[0]) < 1e-3


def test_a_car_pushed_into_its_place_does_not_hide_the_laps():
    # Curvature at walking pace is noise over nothing: one sample of 5 1/m outweighed all corners of the log.
    _, session, motion = plain()
    v, kappa = motion.v.copy(), motion.kappa.copy()
    v[:5], kappa[:5] = 0.6, 5.0
    laps = find_laps(replace(motion, v=v, kappa=kappa), session)
    assert [lap.time_s for lap in laps.flying] == pytest.approx(
        [lap.time_s for lap in find_laps(motion, session).flying], abs=1e-9
    )


def test_an_oval_whose_halves_are_alike_is_one_lap():
    # closed form: two straights of 400 m and two half circles of 60 m radius, 30 m/s: 1176.99 m, 39.23 s
    plan = closed_layout([Straight(400.0), Bend(180.0, 60.0), Straight(400.0), Bend(180.0, 60.0)])
    lap = 800.0 + 2.0 * np.pi * 60.0
    s = 0.6 * np.arange(round(4.3 * lap / 0.6))
    x, y = plan.positions(s % plan.length)
    motion = replace(motion_along(x, y, 30.0), kappa=plan.curvature(s % plan.length))
    laps = find_laps(motion, plain()[1])
    assert [one.time_s for one in laps.flying] == pytest.approx([lap / 30.0] * 4, abs=0.02)


def oval(straight: float, radius: float, v: float, laps: float = 6.3) -> tuple[Motion, float]:
    """Rounds of two straights and two half circles at constant speed, and the length of one in closed form."""
    plan = closed_layout([Straight(straight), Bend(180.0, radius)] * 2)
    s = v / 50.0 * np.arange(round(laps * plan.length / v * 50.0))
    x, y = plan.positions(s % plan.length)
    return replace(motion_along(x, y, v), kappa=plan.curvature(s % plan.length)), 2.0 * (straight + np.pi * radius)


@pytest.mark.parametrize("line", [None, StartLine(20.0, -5.0, 20.0, 5.0)], ids=["path alone", "start line"])
@pytest.mark.parametrize("closes", [True, False], ids=["positions", "reckoned"])
@pytest.mark.parametrize(("straight", "radius"), [(40.0, 12.0), (60.0, 20.0), (80.0, 20.0)])
def test_laps_of_a_short_oval_are_found_one_by_one(straight, radius, closes, line):
    # 155, 246 and 286 m: read as two or one and a half before, for a lap had 300 m at least
    motion, length = oval(straight, radius, 14.0)
    laps = find_laps(replace(motion, closes=closes), plain()[1], start_line=line)
    assert [one.time_s for one in laps.flying] == pytest.approx([length / 14.0] * len(laps.flying), abs=0.02)
    assert len(laps.flying) in (5, 6)


@pytest.mark.parametrize("line", [None, StartLine(10.0, -5.0, 10.0, 5.0)], ids=["path alone", "start line"])
@pytest.mark.parametrize(("straight", "radius", "metres"), [(35.0, 10.0, 133), (20.0, 8.0, 90)])
def test_laps_shorter_than_can_be_judged_are_refused(straight, radius, metres, line):
    motion, _ = oval(straight, radius, 10.0, laps=12.3)
    with pytest.raises(NotEnoughData, match=rf"Laps of {metres} m: too short, .* has 150 m at least"):
        find_laps(motion, plain()[1], start_line=line)


def test_laps_come_from_the_track_file_when_there_is_one():
    d, session, motion = plain()
    track = invented_circuit("kart")
    moved = motion_of(session, origin=ORIGIN)
    x, y = d.plan.positions(track.line.station)
    assert track.line.y == pytest.approx(y, abs=0.5)
    assert track.line.x == pytest.approx(x, abs=0.5)  # the file's line is the plan that the drive follows
    in_place = SimpleNamespace(
        line=track.line, start_line=track.start_line, name="kart", width_left=track.width_left,
        width_right=track.width_right, corners=track.corners,
    )  # fmt: skip
    laps = find_laps(moved, session, track=in_place)
    assert laps.found_by == "track file"
    assert [lap.time_s for lap in laps.flying] == pytest.approx(np.diff(d.crossings[1:6]), abs=0.03)
    assert motion.origin != moved.origin


@pytest.mark.parametrize("name", ["lap", "beacon"])
def test_logged_laps_are_sharpened_on_the_path(name):
    # A lap counter in rows 0.1 s apart is up to 0.1 s late; the line it marks is crossed to the millisecond.
    d, _, _ = plain()

    def counter(t):
        lap = np.searchsorted(d.crossings, t, side="right").astype(float)
        pulse = (np.abs(t[:, None] - d.crossings).min(axis=1) < 0.06).astype(float)
        return {name: lap if name == "lap" else pulse}

    session = logged(d, 10, speed_ms=0.05, seed=4, extra=counter)
    laps = find_laps(motion_of(session), session)
    assert laps.found_by == ("lap channel" if name == "lap" else "beacon")
    assert [lap.time_s for lap in laps.flying] == pytest.approx(np.diff(d.crossings[1:6]), abs=0.03)
    if name == "lap":
        assert [lap.number for lap in laps.flying] == [2, 3, 4, 5]  # the logger's own numbers


def test_a_line_that_is_never_crossed_says_how_far_away_it_is():
    _, session, motion = plain()
    with pytest.raises(NotEnoughData, match=r"never crossed.*within \d+ km.*closed circuit, not a course from"):
        find_laps(motion, session, start_line=StartLine(5000.0, 5000.0, 5020.0, 5000.0))


@pytest.mark.parametrize(("away", "words"), [
    (700_000.0, r"lies 70\d km away from the path: that is another circuit\. Take the track of"),
    (3_000.0, r"is never crossed; the path comes within 3 km .* check the coordinates"),
])  # fmt: skip
def test_the_track_of_another_circuit_is_called_that(away, words):
    # The middle of the kart circuit's line is moved; its laps are some hundred metres across.
    _, session, motion = plain()
    track = invented_circuit("kart")
    ends = tuple((x + away, y) for x, y in track.start_line)
    with pytest.raises(NotEnoughData, match=words):
        find_laps(motion, session, track=replace(track, start_line=ends))


def test_half_a_lap_is_refused():
    d = drive("kart", laps=1)
    full = logged(d, 10, speed_ms=0.05, seed=4)
    half = full.t < full.t[0] + 0.5 * (full.t[-1] - full.t[0])
    session = Session.from_arrays(full.t[half], **{n: v[half] for n, v in full.channels.items()})
    with pytest.raises(NotEnoughData, match=r"Two full laps are needed.*closed circuit, not a course from"):
        find_laps(motion_of(session), session)


def test_a_start_line_in_degrees_needs_a_log_with_a_place_on_the_globe():
    with pytest.raises(OptionError, match="latitude and longitude"):
        StartLine.from_geodetic(47.0, 11.0, 47.0001, 11.0, None)
    with pytest.raises(OptionError, match=r"less than 0\.5 m apart"):
        StartLine.from_geodetic(47.0, 11.0, 47.0, 11.0, ORIGIN)


def test_hot_laps_between_cool_down_laps_are_the_ones_that_count():
    # Every second lap at 60 % of the speed, and one more at the end: the median of all laps is a cool-down lap.
    d = drive("kart", factors=[1.0, 0.6, 1.0, 0.6, 1.0, 0.6, 1.0, 0.6, 0.6, 1.0])
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    assert counted(laps) == [2, 4, 6]
    assert all(lap.reason.startswith("slow:") for lap in laps.flying if not lap.counted)


def test_one_lap_far_faster_than_all_others_does_not_set_them_aside():
    # It may be an error, a lap counter set off too early: the others are not 15 % slow by it alone.
    d = drive("kart", factors=[0.85, 0.85, 1.0, 0.85, 0.85, 0.85, 0.85])
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    assert {1, 3, 4, 5} <= set(counted(laps))


@pytest.mark.parametrize(("laps_driven", "still_counts"), [(8, False), (5, True)])
def test_a_lap_without_a_run_up_is_set_aside_where_others_are_enough(laps_driven, still_counts):
    # Behind a cool-down lap at 60 % of the speed the driver is back at full speed 60 m past the line.
    def slow(lap, station):
        return {2: np.full(station.size, 0.6), 3: np.clip(0.6 + 0.4 * station / 60.0, 0.0, 1.0)}.get(lap, 1.0)

    d = drive("kart", laps=laps_driven, slow=slow, factors=np.ones(laps_driven))
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    behind = next(lap for lap in laps.laps if lap.number == 3)
    assert behind.counted is still_counts
    assert behind.reason.startswith("no run-up") is not still_counts


@pytest.mark.parametrize(("speed", "still_counts"), [(1.0, True), (0.9, False)])
def test_a_lap_without_a_run_up_that_is_slow_all_along_does_not_count_where_laps_are_few(speed, still_counts):
    # The same, and the driver stays at 90 % of the speed: 11 % over the other laps, where 5 % are slow.
    def slow(lap, station):
        return {2: np.full(station.size, 0.6), 3: np.clip(0.6 + station / 150.0, 0.0, speed)}.get(lap, 1.0)

    d = drive("kart", laps=6, slow=slow, factors=np.ones(6))
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    assert counted(laps) == ([1, 3, 4] if still_counts else [1, 4])
    behind = next(lap for lap in laps.laps if lap.number == 3)
    assert behind.reason.startswith("slow:") is not still_counts


def test_a_slow_last_corner_of_a_counted_lap_does_not_cost_the_next_one():
    # The mistake is the lap before's: its exit is worth time, and both laps count.
    def slow(lap, station):
        late = np.clip(1.0 - 0.2 * (station - station[-1] + 60.0) / 60.0, 0.8, 1.0)
        early = np.clip(0.8 + 0.2 * station / 60.0, 0.0, 1.0)
        return {2: late, 3: early}.get(lap, 1.0)

    d = drive("kart", laps=8, slow=slow, factors=np.ones(8))
    laps = laps_with(d, logged(d, 10, speed_ms=0.05, seed=4))
    assert {2, 3} <= set(counted(laps))


def hill_runs(runs=3):
    """Runs up one winding road of 2000 m at 20 m/s, 100 s apart; on the way back there is no position."""
    rate = 10.0
    up = np.arange(0.0, 2000.0, 20.0 / rate)
    bends = 40.0 * np.sin(up / 60.0)
    back = np.linspace(1.0, 0.0, 1000)
    x = np.concatenate([np.concatenate([up, up[-1] * back]) for _ in range(runs)])
    y = np.concatenate([np.concatenate([bends, bends[-1] * back]) for _ in range(runs)])
    motion = motion_along(x, y, 20.0, rate)
    driven = np.concatenate([np.concatenate([np.ones(up.size, bool), np.zeros(1000, bool)]) for _ in range(runs)])
    return replace(motion, valid=driven), Session.from_arrays(motion.t, speed=motion.v)


def test_runs_up_a_hill_are_told_from_laps():
    motion, session = hill_runs()
    found = find_laps(motion, session, start_line=StartLine(100.0, -300.0, 100.0, 300.0))
    assert len(found.flying) == 2
    assert not any(lap.counted for lap in found.laps)
    assert any("closed circuit, not a course from one place to another" in note for note in found.notes)
    assert all_with_gaps(found.laps)


def test_a_gap_in_one_lap_makes_no_hill_of_a_circuit():
    _, session, motion = plain()
    laps = find_laps(motion, session).flying
    hole = (motion.t > laps[0].start_s + 5.0) & (motion.t < laps[0].start_s + 10.0)
    found = find_laps(replace(motion, valid=motion.valid & ~hole), session)
    assert any(lap.reason.startswith("gap") for lap in found.laps)
    assert not any("closed circuit" in note for note in found.notes)


def test_the_start_line_of_a_figure_of_eight_keeps_away_from_its_crossing():
    # both straights of this circuit have the crossing in their middle: r |tan(270° / 2)| = 40 m from each bend
    plan = closed_layout([Straight(40), Bend(270, 40), Straight(80), Bend(-270, 40), Straight(40)])
    s = np.arange(0.0, 3.4 * plan.length, 0.4)
    x, y = plan.positions(s % plan.length)
    shape = {"kappa": plan.curvature(s % plan.length), "course": np.unwrap(plan.headings(s % plan.length))}
    motion = replace(motion_along(x, y, 20.0), **shape)
    line = find_laps(motion, SimpleNamespace(has=lambda name: False)).start_line
    one = LineString(np.column_stack(plan.positions(np.linspace(0.0, plan.length, 2000))))
    across = LineString([(line.x1, line.y1), (line.x2, line.y2)])
    crossed = across.intersection(one)
    assert crossed.geom_type == "Point"  # once a lap
    # nothing else within the line's own half length of its middle: a log that errs by metres crosses it once as well
    near = Point(line.middle).buffer(0.5 * across.length + 2.0).intersection(one)
    assert near.geom_type == "LineString"
