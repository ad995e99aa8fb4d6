"""How finely places are told: as rows and motion of a log show them, in evidence, advice, marks and cautions."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from habit_builder import sheet, trace

from simlap.analysis import analyse
from simlap.habit_rules import TOLD_TO, as_told, metres_step
from simlap.habits import WORDS, find_habits
from simlap.placing import told, told_place, told_to
from simlap.report.cautions import raised_cautions
from simlap.session import Session
from simlap.target import Mark, _told
from simlap.target_marks import Marks, visible
from simlap.thresholds import default_thresholds


def told_by(step, bandwidth, mean_speed=34.0, **channels):
    t = np.arange(0.0, 60.0, step)
    session = Session.from_arrays(t, speed=np.full(t.size, mean_speed), **{n: make(t) for n, make in channels.items()})
    return told_to(
        SimpleNamespace(
            line=SimpleNamespace(length=3400.0),
            typical_lap_s=3400.0 / mean_speed,
            session=session,
            motion=SimpleNamespace(bandwidth_hz=bandwidth),
        )
    )


@pytest.mark.parametrize(
    ("step", "bandwidth", "metres"),
    [
        (0.01, 2.0, 2.0),  # 34 m/s: half a row is 0.2 m, the blur 34 / (4 pi 2 Hz) = 1.4 m
        (0.1, 2.0, 2.0),  # half a row 1.7 m
        (0.2, 2.0, 5.0),  # half a row 3.4 m
        (0.01, 0.7, 5.0),  # blur 3.9 m
        (0.01, 0.3, 10.0),  # blur 9.0 m
        (1.0, 0.3, 20.0),  # half a row 17 m
    ],
)
def test_places_are_told_as_finely_as_rows_and_motion_show_them(step, bandwidth, metres):
    assert told_by(step, bandwidth) == metres


def test_a_pedal_that_is_logged_more_seldom_than_the_rows_tells_its_place_more_coarsely():
    def seldom(t):
        return np.where(np.arange(t.size) % 20 == 0, 0.5, np.nan)  # every 0.2 s

    assert told_by(0.01, 2.0, throttle=seldom) == 5.0
    assert told_by(0.01, 2.0, throttle=lambda t: np.full(t.size, 0.5)) == 2.0


def test_ways_are_rounded_but_not_to_nothing_and_fine_ones_stay():
    assert [told(way, 5.0) for way in (13.2, 1.0, -8.0, 0.0)] == [15.0, 5.0, -10.0, 0.0]
    assert told(13.2, 2.0) == 13.2
    assert told_place(2428.4, 5.0) == 2430.0
    assert told_place(2428.4, 2.0) == 2428.4


def test_evidence_and_advice_of_a_coarse_log_hold_no_single_metres():
    # 23 m too early: half of it is 12 m, capped at the largest step, 10 m; in a log of 5 m "25 m" and "10 m".
    limits = default_thresholds()
    traces = [trace(lap, brake_m=37.0 + 0.3 * lap) for lap in range(1, 6)]
    fine, coarse = (
        next(f for f in find_habits([replace(sheet(traces), told_to=to)]) if f.kind == "early braking")
        for to in (2.0, 5.0)
    )
    assert TOLD_TO not in fine.evidence
    assert coarse.evidence[TOLD_TO] == 5.0
    assert coarse.evidence["early_m"] == pytest.approx(fine.evidence["early_m"], abs=2.5)
    assert coarse.evidence["early_m"] % 5.0 == 0.0
    assert coarse.evidence["early_s"] == fine.evidence["early_s"]  # what is no way stays
    said = [coarse.sentence, *coarse.own, WORDS[coarse.kind].act(coarse.evidence, limits, 4.0)]
    metres = [int(number) for text in said for number in re.findall(r"(\d+) m\b", text)]
    assert len(metres) >= 3
    assert all(number % 5 == 0 for number in metres)


def test_the_step_of_a_coarse_log_is_rounded_and_no_longer_than_the_largest():
    limits = default_thresholds()
    most = limits["advice_metres"]
    assert metres_step({"way_m": 7.0}, "way_m", limits) == 3.5
    assert metres_step(as_told({"way_m": 17.0}, 5.0), "way_m", limits) == 5.0  # half of 15 m, rounded down
    assert metres_step(as_told({"way_m": 7.0}, 5.0), "way_m", limits) == 2.5  # half of 5 m: never more than half
    assert metres_step(as_told({"way_m": 70.0}, 20.0), "way_m", limits) == most


def test_a_step_that_the_log_does_not_show_is_not_asked_for_and_one_that_it_does_is_rounded():
    now = Marks(brake_m=500.4, slowest_kmh=94.4, full_m=600.0, exit_kmh=130.0)
    then = replace(now, brake_m=503.0, full_m=594.0)  # 2.6 m and 6 m
    assert visible(now, then, 3000.0) == {"brake_m", "full_m"}
    assert visible(now, then, 3000.0, 5.0) == {"full_m"}
    assert visible(now, then, 3000.0, 10.0) == set()
    assert _told(Mark(601.4, 595.4), 3000.0, 5.0) == Mark(600.0, 595.0)
    assert _told(Mark(2998.4, 1.4), 3000.0, 5.0) == Mark(3000.0, 5.0)  # 3 m across the start line
    assert _told(Mark(601.4, 601.4), 3000.0, 5.0) == Mark(600.0, 600.0)
    assert _told(Mark(601.4, 595.4), 3000.0, 2.0) == Mark(601.4, 595.4)


def test_a_log_of_five_rows_a_second_says_how_far_its_places_hold_and_asks_for_no_smaller_steps(club):
    t = np.asarray(club.session.t)
    rows = slice(None, None, round(0.2 / float(np.median(np.diff(t)))))
    channels = {name: np.asarray(values)[rows] for name, values in club.session.channels.items()}
    seldom = analyse(Session.from_arrays(t[rows], source="seldom", **channels), club.track, draws=20)
    told = {caution.key: caution.text for caution in raised_cautions(seldom)}
    assert "about 5 m" in told["places"]
    assert "5 values a second" in told["places"]
    assert "places" not in {caution.key for caution in raised_cautions(club.analysis)}
    ways = [v for f in seldom.advice.findings for name, v in f.evidence.items() if name.endswith("_m")]
    assert ways
    assert all(way % 5.0 == 0.0 for way in ways)
    marks = [m for c in seldom.target.corners for m in (c.brake_point_m, c.full_throttle_m, c.lift_m) if m is not None]
    assert marks
    assert all(mark.now % 5.0 == 0.0 and mark.next % 5.0 == 0.0 for mark in marks)
