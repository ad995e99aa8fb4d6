"""Findings from the acceleration: weak drive and rolling, on hand-made traces with the physics written out."""

import re

import numpy as np
import pytest
from habit_builder import along, sheet, speed, trace

from simlap.habits import PRECEDENCE, WORDS, find_habits, not_judged
from simlap.report.json import SCHEMA_TEXT
from simlap.thresholds import TABLE, Thresholds, default_thresholds

LAPS = (1, 2, 3, 4, 5)
BARE = ("throttle",)
OUT, FLAT, ROLLS = "weak drive on the exit", "weak drive in a flat corner", "rolling before the brake"
# A corner of 300 m radius that the limit takes at 50 m/s: 8.3 of the tyres' 10 m/s².
NO_SLOWING = {
    "limit_v": np.full(along.size, 50.0),
    "bar": np.zeros(along.size),
    "braking_stop": 150.0,
    "mid_stop": 230.0,
}


def changed(**values):
    return Thresholds({**default_thresholds().values, **values})


def findings(kind, limits=None, *, without=BARE, **driving):
    laps = [trace(lap, without=without, **driving) for lap in LAPS]
    return [each for each in find_habits([sheet(laps)], limits) if each.kind == kind]


def late(metres, slow=17.0, drive=4.0):
    """Slow through the turn, and no drive until so many metres behind the limit's, at 210 m."""
    return {"slow": slow, "drive_m": 210.0 + metres, "drive": drive}


def test_a_car_that_does_not_speed_up_behind_the_limits_drive_point_is_told_with_what_it_gives_up():
    # 17 m at 17 m/s: 1 s in which 4 m/s² would give 4 m/s; 17²/40 = 7.2 of the tyres' 10 m/s².
    (found,) = findings(OUT, **late(17.0))
    assert (found.phase, found.occurrences, found.of_laps) == ("exit", 5, 5)
    seen = found.evidence
    assert seen["weak_m"] == pytest.approx(17.0, abs=1.0)  # grid of 1 m
    assert seen["weak_s"] == pytest.approx(1.0, abs=0.06)  # the same
    assert seen["speed_given_up_kmh"] == pytest.approx(3.6 * 4.0 * 1.0, abs=0.9)  # the same
    assert seen["drive_used_percent"] == pytest.approx(0.0, abs=3.0)  # half a metre of the ramp's gradient
    assert seen["grip_used_percent"] == pytest.approx(72.0, abs=1.5)  # 17²/40/10 and that gradient
    assert "of the drive that it has shown at that speed, for 1.1 s (18 m) on the way out" in found.sentence
    advice = WORDS[OUT].act(seen, default_thresholds(), 4.0)
    assert advice.startswith("Have the throttle fully open about 9 m sooner")  # half of the way
    assert "which the log does not tell" in advice


def test_the_schema_names_every_number_that_these_findings_hold():
    for kind, driving in ((OUT, late(17.0)), (ROLLS, rolling(10.0))):
        (found,) = findings(kind, **driving)
        assert set(found.evidence) <= set(re.findall(r"\w+", SCHEMA_TEXT)), kind


def test_a_part_of_the_drive_on_the_way_out_is_told_with_its_share():
    # Grip of all there is: none at 17 m/s in the turn (7.2 of 10), and 3 of 4 m/s² from 210 m to the end at 420 m.
    (found,) = findings(OUT, **late(0.0, drive=3.0))
    assert found.evidence["drive_used_percent"] == pytest.approx(75.0, abs=1.5)  # the gradient at both ends
    # From 20.2 m/s at the end of the turn, 230 m, to 39.3 at the end: 6.4 s, in which 1 m/s² more gives 6.4 m/s.
    assert found.evidence["speed_given_up_kmh"] == pytest.approx(3.6 * 6.4, abs=1.0)  # ends of 1 m, 3 of 4 m/s² there
    assert not findings(OUT, **late(0.0, drive=3.5))  # seven eighths of it
    assert findings(OUT, changed(weak_drive_share=0.95), **late(0.0, drive=3.55))
    # 1.65 of 2 m/s²: less than 85 %, and no more than the engine's curve or the slope may err
    assert not findings(OUT, left=2.0, **late(0.0, drive=1.65))
    assert findings(OUT, left=2.0, **late(0.0, drive=1.55))


def test_weak_drive_on_a_straight_behind_full_drive_may_be_a_change_of_gear_and_is_left_alone():
    # Full drive from 210 m, none from 280 to 310 m, where the car does not turn any more: 1 s at 28 m/s. In the turn,
    # or for longer than any change of gear takes, it is told.
    def dip(start, metres, radius=400.0):
        pull = np.where((along >= start) & (along < start + metres), 0.0, 4.0) * (along >= 210.0)
        v = np.sqrt(17.0**2 + 2.0 * np.cumsum(pull))
        return {"v": np.where(along < 210.0, speed(55.0, 9.0, 17.0, 210.0, 4.0), v), "radius": radius}

    assert not findings(OUT, **dip(280.0, 30.0))
    assert findings(OUT, **dip(280.0, 90.0))  # 3 s
    assert findings(OUT, **dip(212.0, 18.0, radius=60.0))  # 1 s in the turn


def test_a_pause_that_feet_need_a_full_tyre_and_a_car_without_drive_left_are_no_weak_drive():
    assert findings(OUT, **late(15.0))  # 0.88 s
    assert not findings(OUT, **late(8.0))  # 0.47 s, with a metre of gradient 0.53 s
    assert findings(OUT, changed(weak_drive_s=0.3), **late(8.0))
    assert not findings(OUT, **late(15.0, slow=19.8))  # 9.8 of 10 m/s²: there is no grip to drive with
    assert not findings(OUT, left=0.9, **late(25.0))  # less than a tenth of g left, as near the top speed


def test_with_a_throttle_channel_the_pedal_tells_and_not_the_acceleration():
    assert not findings(OUT, without=(), **late(25.0))
    assert not findings(FLAT, without=(), **flat(60.0))
    assert not findings(ROLLS, without=(), **rolling(10.0))


def test_weak_drive_at_full_throttle_asks_for_a_look_at_the_gear():
    # 2.4 of 4 m/s² from 210 m to the end, throttle open, in gear 3; in the turn, to 230 m, little grip is left for it.
    gear = {"gear": np.full(along.size, 3.0), "without": ()}
    kind = "full throttle, weak drive"
    (found,) = findings(kind, **late(0.0, drive=2.4), **gear)
    assert found.phase == "exit"
    assert found.evidence["drive_used_percent"] == pytest.approx(60.0, abs=1.5)  # the gradient at both ends
    assert found.evidence["gear"] == 3.0
    assert found.sentence.startswith("T1: at full throttle the car uses 60 % of the drive")
    assert "in gear 3" in found.sentence
    assert "Look at the gear there with your coach" in WORDS[kind].act(found.evidence, default_thresholds(), 4.0)
    (bare,) = findings(kind, **late(0.0, drive=2.4), without=("gear",))
    assert "in gear" not in bare.sentence
    assert not findings(kind, **late(0.0, drive=3.5), **gear)  # seven eighths
    # four fifths may be the step from one gear to the next (common practice, no source), less is none
    assert not findings(kind, **late(0.0, drive=3.2), **gear)
    assert findings(kind, **late(0.0, drive=2.9), **gear)
    assert not findings(kind, **late(0.0, drive=2.4), **gear, throttle=np.full(along.size, 0.9))  # the pedal's doing
    assert not findings(kind, **late(0.0, drive=2.4), without=BARE)  # nothing tells
    cut = np.where((along >= 300.0) & (along < 312.0), 0.0, 4.0)  # 0.35 s of changing gear at 35 m/s
    v = np.sqrt(17.0**2 + 2.0 * np.cumsum(np.where(along >= 210.0, cut, 0.0)))
    assert not findings(kind, **gear, v=np.where(along < 210.0, speed(55.0, 9.0, 17.0, 210.0, 4.0), v))
    assert not findings(kind, **{**NO_SLOWING, "v": np.full(along.size, 40.0), **gear})


def flat(metres, radius=300.0, start=150.0):
    """46 m/s from `start` on for so many metres, where 4 m/s² are left, before and behind that with all of them."""
    v2 = 46.0**2 + 2.0 * 4.0 * np.clip(along - start - metres, 0.0, None)
    rising = np.maximum(46.0**2 - 2.0 * 4.0 * np.clip(start - along, 0.0, None), 10.0**2)  # from 10 m/s on
    return {**NO_SLOWING, "v": np.sqrt(np.where(along < start, rising, np.minimum(v2, 50.0**2))), "radius": radius}


def test_drive_that_is_not_used_in_a_bend_without_slowing_is_told_by_the_speed_given_up():
    # 60 m at 46 m/s are 1.30 s; 4 m/s² would give 5.2 m/s, 18.8 km/h in them.
    (found,) = findings(FLAT, **flat(60.0))
    assert found.phase == "mid_corner"
    assert found.evidence["speed_given_up_kmh"] == pytest.approx(3.6 * 4.0 * 60.0 / 46.0, abs=0.7)  # grid of 1 m
    assert "If you lift there, lift less, not later" in WORDS[FLAT].act(found.evidence, default_thresholds(), 2.0)
    assert not findings(FLAT, **flat(25.0))  # 0.54 s, with a metre of gradient 0.57 s: a change of gear by hand
    assert findings(FLAT, changed(weak_flat_s=0.4), **flat(25.0))
    assert not findings(FLAT, changed(flat_slower_ms=6.0), **flat(60.0))
    assert not findings(FLAT, **flat(60.0, radius=1e6))  # on a straight
    assert not findings(OUT, **flat(60.0))


def test_a_car_that_slows_in_a_flat_corner_near_its_top_speed_has_lifted_though_little_drive_is_left():
    # From 50 m/s by 1.5 m/s² over 60 m: v² = 2500 - 180, 1.83 m/s in 1.22 s; 0.3 m/s² more would have been left.
    lifts = {**NO_SLOWING, "v": np.sqrt(50.0**2 - 2.0 * 1.5 * np.clip(along - 150.0, 0.0, 60.0)), "radius": 300.0}
    (found,) = findings(FLAT, left=0.3, **lifts)
    assert found.evidence["speed_given_up_kmh"] == pytest.approx(3.6 * (1.5 + 0.3) * 1.22, abs=0.3)  # grid of 1 m
    assert not findings(FLAT, left=-0.1, **lifts)  # uphill: the engine cannot hold the speed
    steady = {**lifts, "v": np.full(along.size, 49.0)}
    assert not findings(FLAT, left=0.9, **steady)  # little is left, and the speed holds


def test_weak_drive_before_the_zone_or_where_the_limit_brakes_is_none_of_a_flat_corner():
    # 20 m/s until 20 m before the zone, then all of the drive; weak from 182 m on, where the limit is on its brakes
    # from 180 to 200 m: 50 to 48.5 m/s, less than counts as slowing.
    before = np.sqrt(20.0**2 + 2.0 * 4.0 * np.clip(along + 20.0, 0.0, None))
    assert not findings(FLAT, **{**NO_SLOWING, "v": before, "radius": 400.0})
    late_limit = np.sqrt(50.0**2 - 2.0 * 3.7 * np.clip(along - 180.0, 0.0, 20.0))
    assert findings(FLAT, **flat(45.0, start=182.0))
    assert not findings(FLAT, **{**flat(45.0, start=182.0), "limit_v": late_limit})


def test_a_slow_flat_corner_is_told_once():
    # The same with 3 m/s lost: its lowest speed alone would be told as well.
    v = flat(60.0)["v"] - 3.0 * np.exp(-(((along - 180.0) / 25.0) ** 2))
    laps = [trace(lap, without=BARE, **{**flat(60.0), "v": v}) for lap in LAPS]
    kinds = [each.kind for each in find_habits([sheet(laps)]) if each.phase == "mid_corner"]
    assert FLAT in kinds
    assert "low minimum speed" not in kinds


def rolling(metres, slowing=1.0, brake_m=70.0):
    """Slows by 1 m/s² from so many metres on, and brakes with 9 m/s² from 70 m."""
    v2 = speed(brake_m, 9.0, 20.0, 210.0, 4.0) ** 2
    v = np.sqrt(np.maximum(v2 - 2.0 * slowing * np.clip(along - metres, 0.0, brake_m - metres), 20.0**2))
    return {"v": v, "brake_m": brake_m}


def test_a_car_that_rolls_before_its_brake_is_told_with_the_way_and_keeps_its_brake_point():
    # From 10 m at 50 m/s, where the limit brakes from 60 m: 50 m and a second early; 60 m, 1.2 s, to the own brake.
    (found,) = findings(ROLLS, **rolling(10.0))
    seen = found.evidence
    assert found.phase == "braking"
    assert seen["early_m"] == pytest.approx(50.0, abs=2.0)  # grid of 1 m at both ends
    assert seen["before_brake_m"] == pytest.approx(60.0, abs=2.0)
    assert seen["before_brake_s"] == pytest.approx(60.0 / 49.4, abs=0.05)
    assert seen["speed_kmh"] == pytest.approx(180.0, abs=0.5)
    assert (
        WORDS[ROLLS]
        .act(seen, default_thresholds(), 4.0)
        .startswith("Keep your brake point and stay on the throttle about 10 m longer")
    )


def test_a_roll_is_counted_from_the_start_of_the_zone_and_not_from_the_exit_before():
    (found,) = findings(ROLLS, **rolling(-50.0))
    assert found.evidence["before_brake_m"] == pytest.approx(70.0, abs=2.0)  # grid of 1 m at both ends


def test_a_short_roll_one_that_is_needed_and_a_climb_without_drive_are_none():
    assert findings(ROLLS, **rolling(30.0))  # 0.8 s and 30 m early, at 50 m/s 0.6 s
    assert not findings(ROLLS, **rolling(38.0))  # 22 m, 0.44 s before the limit's brake point
    assert not findings(ROLLS, changed(roll_s=1.3), **rolling(10.0))
    assert not findings(ROLLS, left=-0.8, **rolling(10.0))  # full throttle uphill: all that is left
    held = {"bar": np.where((along >= 10.0) & (along < 170.0), 60.0, 0.0)}
    assert not findings(ROLLS, **rolling(10.0), **held)  # the brake itself is on from there


def test_what_stands_in_for_the_throttle_is_said_and_has_its_place_among_the_findings():
    bare, whole = ([sheet([trace(lap, without=without) for lap in LAPS])] for without in (BARE, ()))
    assert any("the car's own acceleration tells" in line for line in not_judged(bare))
    assert not any("own acceleration" in line for line in not_judged(whole))
    assert {OUT, FLAT, ROLLS} <= set(PRECEDENCE) & set(WORDS)
    assert {"weak_drive_s", "weak_drive_share", "weak_flat_s", "roll_s"} <= set(TABLE)
