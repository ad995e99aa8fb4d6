"""A throttle closed early: the gap to the brake is closed from the throttle's side, never by braking earlier."""

import re

import numpy as np
import pytest
from habit_builder import sheet, speed, trace
from test_habits import lifted

from simlap.habits import WORDS, find_habits
from simlap.thresholds import default_thresholds

LIMITS = default_thresholds()
LAPS = range(1, 6)


def early_lift(**driving):
    """Step advised for an early lift, and its evidence; the driver of `habit_builder` with other places."""
    (found,) = [each for each in find_habits([sheet([trace(lap, **driving) for lap in LAPS])]) if each.kind == KIND]
    return WORDS[KIND].act(found.evidence, LIMITS, 4.0), found.evidence


KIND = "early lift"


def longer(step):
    return float(re.search(r"about (\d+) m longer", step).group(1))


@pytest.mark.parametrize(("lift_m", "brake_m"), [(20, 55), (10, 45), (5, 30), (30, 58)])
def test_followed_to_the_metre_the_step_never_brings_the_brake_point_forward(lift_m, brake_m):
    # The limit brakes at 60 m; the driver closes the throttle at lift_m and brakes at brake_m, both from 50 m/s.
    step, evidence = early_lift(throttle=lifted(lift_m), brake_m=brake_m)
    assert evidence["before_brake_m"] == pytest.approx(brake_m - lift_m, abs=1.0)  # stations 1 m apart
    assert lift_m + longer(step) <= brake_m
    assert step.startswith("Keep your brake point and stay on the throttle")
    assert "straight from throttle to brake" not in step


def test_the_brake_point_moves_later_only_where_the_limit_brakes_clearly_later():
    assert "only then move the brake point later, in small steps" in early_lift(throttle=lifted(5), brake_m=30)[0]
    assert "later" not in early_lift(throttle=lifted(20), brake_m=58)[0]  # 2 m before the limit's


def test_a_gap_shorter_than_the_step_is_closed_up_to_the_brake_point():
    # A slow corner, evidence by hand: 8 m of coasting, 25 m before the speed needs the brake; a step is 10 m.
    numbers = {"early_m": 25.0, "before_brake_m": 8.0, "before_brake_s": 0.4, "speed_kmh": 72.0, "brakes_share": 1.0}
    step = WORDS[KIND].act(numbers, LIMITS, 4.0)
    assert longer(step) == 8.0
    assert "up to it" in step


def test_who_brakes_later_than_full_throttle_allows_is_not_told_to_close_the_gap():
    # Closed 20 m before the speed of that moment needs the brake, braked 30 m on: throttle up to there is too late.
    numbers = {"early_m": 20.0, "before_brake_m": 30.0, "before_brake_s": 0.6, "speed_kmh": 180.0, "brakes_share": 1.0}
    step = WORDS[KIND].act(numbers, LIMITS, 4.0)
    assert step == "Keep your brake point and stay on the throttle about 10 m longer"


def test_without_a_touch_of_the_brake_no_brake_point_is_spoken_of():
    slowing = speed(20.0, 2.0, 45.0, 210.0, 4.0)  # rolls from 50 to 45 m/s
    step, evidence = early_lift(throttle=lifted(20), v=slowing, bar=np.zeros(slowing.size))
    assert evidence["brakes_share"] == 0.0
    assert step == "Stay on the throttle about 10 m longer"
    assert "until the slowest point" in WORDS[KIND].say(evidence)


@pytest.mark.parametrize("kind", ["part throttle, then lift", "coasting"])
def test_no_other_pedal_advice_asks_for_the_brake_at_the_lift(kind):
    step = WORDS[kind].act({"way_out_share": 0.0}, LIMITS, 4.0)
    assert "your brake point" in step
    assert "same point" not in step
