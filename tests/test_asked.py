"""Notes and target ask for the same slowest speed of a corner."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from habit_builder import gain, sheet, trace
from report_case import circle_case
from test_advice import LAPS, LIMITS, corner

from simlap.advice import choose_priorities
from simlap.asked import as_asked, asked_speeds, left_alone, order_of_work
from simlap.habits import find_habits
from simlap.notes import notes_lines
from simlap.report.page import render_page
from simlap.report.table import print_analysis
from simlap.report.target import _brake_point_waits
from simlap.results import Advice, Interval, Priority
from simlap.target import Mark

KMH = 3.6
SLOW = corner("A", (0.0, 0.2, 0.1), typical=75.0 / KMH, limit=85.0 / KMH)


def asked(now, following, of=SLOW):
    """What a target that moves the slowest speed of corner A from `now` to `following` asks for."""
    listed = SimpleNamespace(corner=of.corner.name, min_speed_kmh=Mark(now, following))
    return asked_speeds(SimpleNamespace(corners=(of,), target=SimpleNamespace(corners=(listed,))))


def test_what_is_asked_counts_from_the_typical_lap_as_the_notes_do():
    assert asked(75.4, 77.4) == {"A": pytest.approx(2.4)}
    assert asked(75.4, 75.49) == {"A": 0.0}  # printed as 75 and 75
    assert asked(74.0, 74.9) == {"A": 0.0}  # still below the typical lap
    assert asked_speeds(SimpleNamespace(corners=(SLOW,), target=None)) == {}


def test_a_smaller_step_of_the_target_becomes_the_notes_and_a_larger_one_does_not():
    assert as_asked(SLOW, {"A": 2.4}).step_kmh == 2.4
    assert as_asked(SLOW, {"A": 9.0}).step_kmh == SLOW.step_kmh == 4.0
    assert as_asked(SLOW, {"B": 1.0}).step_kmh == 4.0
    fast = replace(SLOW, build_up=True, step_kmh=2.0)
    assert as_asked(fast, {"A": 1.0}).step_kmh == 2.0
    assert left_alone(SLOW, {"A": 0.0})
    assert not left_alone(SLOW, {"A": 0.6})
    assert not left_alone(SLOW, {"B": 0.0})


def told(asked_for, gains=(0.0, 0.2, 0.1), **driving):
    """Priorities of corner A, slower in the middle than the limit and slow on the way out."""
    place = corner("A", gains, typical=75.0 / KMH, limit=85.0 / KMH)
    sheets = [sheet([trace(lap, corner="A", **driving) for lap in LAPS], corner="A", gains=gains)]
    return choose_priorities((place,), find_habits(sheets), sheets, LIMITS, asked_for)


QUIET = {"brake_m": 46.0, "drive": 2.5, "without": ("throttle",)}


def test_the_sentence_asks_for_what_the_corner_allows_and_says_what_the_target_takes_of_it():
    assert "Carry about 4 km/h more" in told({}, **QUIET)[0].sentence  # half of 10, 4 at most
    assert "rests on" not in told({}, **QUIET)[0].sentence
    less = told({"A": 2.4}, **QUIET)[0].sentence
    assert "Carry about 4 km/h more through the slowest point (the next step rests on 2 km/h of that)" in less
    assert told({"A": 3.7}, **QUIET)[0].sentence == told({}, **QUIET)[0].sentence  # the same in whole km/h


def test_where_the_target_leaves_the_slowest_speed_alone_the_notes_tell_another_phase():
    (only,) = told({"A": 0.0}, **QUIET)
    assert only.phase == "exit"
    assert told({"A": 0.0}, gains=(0.0, 0.2, 0.0), **QUIET) == ()


def ordered(priorities, listed, gains=(0.21, 0.27, 0.0), kind="early lift"):
    """Order of work with these priorities (corner, phase, worth) and a target that lists `listed`."""
    made = [Priority(name, phase, "", gain(worth), False, kind) for name, phase, worth in priorities]
    target = SimpleNamespace(
        next_step=Interval(96.29, 96.2, 96.4),
        corners=[SimpleNamespace(corner=name, worth_s=worth, phases=()) for name, worth in listed.items()],
    )
    corners = (corner("1", gains), corner("5", (0.0, 0.50, 0.0)))
    return order_of_work(SimpleNamespace(corners=corners, target=target if listed else None), made)


def test_what_the_target_works_on_comes_first_with_its_part_and_the_rest_can_wait():
    told = ordered([("5", "mid_corner", 0.5), ("1", "mid_corner", 0.27)], {"5": 0.11})
    assert told == "The next step of 1:36.29 takes a first part in corner 5 (0.11 s); corner 1 can wait."
    both = ordered([("5", "mid_corner", 0.5)], {"5": 0.11, "7": 0.22})
    assert "in corner 5 (0.11 s) and corner 7 (0.22 s); 'simlap target' says what to change in corner 7." in both


@pytest.mark.parametrize(("phase", "kind", "known"), [("exit", "time lost", False), ("exit", "late throttle", True),
                                                      ("mid_corner", "time lost", True)])  # fmt: skip
def test_the_target_takes_a_part_where_no_reason_is_known_only_once_it_is(phase, kind, known):
    told = ordered([("5", phase, 0.5)], {"5": 0.26}, kind=kind)
    assert ("corner 5 (0.26 s, once you know its reason)" in told) is not known
    assert ("corner 5 (0.26 s)" in told) is known


def test_a_larger_loss_of_a_corner_that_is_left_out_is_named():
    told = ordered([("1", "braking", 0.21)], {})
    assert told.startswith("More lies in corner 1 mid-corner (0.27 s), but")
    assert ordered([("1", "mid_corner", 0.27)], {}) == ""
    assert ordered([("1", "braking", 0.26)], {}) == ""  # a hundredth is no more
    assert ordered([], {"5": 0.11}) == ""


def test_the_order_is_read_in_notes_terminal_and_page(capsys):
    made = circle_case()
    told = replace(made, advice=replace(made.advice, order="The next step takes a first part in North."))
    assert "The next step takes a first part in North." in notes_lines(told, told.advice)
    print_analysis(told)
    assert "a first part in North." in capsys.readouterr().out
    assert "a first part in North." in render_page(told)


def test_what_the_target_works_on_beside_the_note_is_named():
    # Nothing is to be noted of the exit that the target works on: the note is another phase's, and the part says so.
    made = [Priority("1", "braking", "", gain(0.27), False, "early lift")]
    listed = [SimpleNamespace(corner="1", worth_s=0.08, phases=("exit",))]
    step = Interval(96.29, 96.2, 96.4)
    corners = (corner("1", (0.27, 0.10, 0.05)),)
    told = order_of_work(SimpleNamespace(corners=corners, target=SimpleNamespace(next_step=step, corners=listed)), made)
    assert "corner 1 (0.08 s, in its exit)" in told
    same = [SimpleNamespace(corner="1", worth_s=0.08, phases=("braking", "exit"))]
    told = order_of_work(SimpleNamespace(corners=corners, target=SimpleNamespace(next_step=step, corners=same)), made)
    assert "corner 1 (0.08 s, with its exit)" in told  # the note's own step is the braking's alone
    same = [SimpleNamespace(corner="1", worth_s=0.08, phases=("braking",))]
    told = order_of_work(SimpleNamespace(corners=corners, target=SimpleNamespace(next_step=step, corners=same)), made)
    assert "corner 1 (0.08 s)" in told


def test_a_larger_loss_that_the_target_leaves_is_not_called_less_sure():
    # The note is the target's exit; the braking, worth more, was seen as well and only has to wait.
    made = [Priority("1", "exit", "", gain(0.10), False, "late throttle")]
    listed = [SimpleNamespace(corner="1", worth_s=0.08, phases=("exit",))]
    target = SimpleNamespace(next_step=Interval(96.29, 96.2, 96.4), corners=listed)
    told = order_of_work(SimpleNamespace(corners=(corner("1", (0.21, 0.0, 0.10)),), target=target), made)
    assert told.endswith("More lies in corner 1 braking (0.21 s), of which the next step asks nothing yet.")


@pytest.mark.parametrize(
    ("kind", "moved", "said"),
    [
        ("low brake peak", 5.0, "brake as the notes say first"),
        ("low brake peak", 0.0, ""),
        ("early braking", 5.0, ""),
        # the notes: "keep your brake point ..., only then move the brake point later"
        ("early lift", 5.0, "close the gap between throttle and brake as the notes say first"),
        ("rolling before the brake", 5.0, "close the gap between throttle and brake as the notes say first"),
        ("rolling before the brake", 0.0, ""),
    ],
)
def test_a_later_brake_point_comes_with_what_the_notes_ask_for_first(kind, moved, said):
    made = Advice(priorities=(Priority("8", "braking", "", gain(0.21), False, kind),))
    listed = [SimpleNamespace(corner="8", brake_point_m=Mark(2430.0, 2430.0 + moved))]
    lines = _brake_point_waits(SimpleNamespace(advice=made), SimpleNamespace(corners=listed))
    assert len(lines) == bool(said)
    assert all(line.startswith(f"In corner 8 {said}") for line in lines)
