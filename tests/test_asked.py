"""Notes and target ask for the same slowest speed of a corner."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from habit_builder import sheet, trace
from test_advice import LAPS, LIMITS, corner

from simlap.advice import choose_priorities
from simlap.asked import as_asked, asked_speeds, left_alone
from simlap.habits import find_habits
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


def test_the_sentence_asks_for_the_targets_speed():
    assert "Carry about 4 km/h more" in told({}, **QUIET)[0].sentence  # half of 10, 4 at most
    assert "Carry about 2 km/h more" in told({"A": 2.4}, **QUIET)[0].sentence


def test_where_the_target_leaves_the_slowest_speed_alone_the_notes_tell_another_phase():
    (only,) = told({"A": 0.0}, **QUIET)
    assert only.phase == "exit"
    assert told({"A": 0.0}, gains=(0.0, 0.2, 0.0), **QUIET) == ()
