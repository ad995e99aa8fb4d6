"""A mistake on one lap is told once, and what only looks like one is not.

The traces are those of habit_builder. Their zone takes about 13 s: path over speed, as in `seconds`.
"""

import re
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from habit_builder import RUN_IN, along, seconds, sheet, speed, trace

from simlap.habit_single import SINGLE_LOSS
from simlap.habits import find_habits
from simlap.keep import PhaseUse, best_used
from simlap.notes import findings_lines
from simlap.thresholds import Thresholds, default_thresholds

LAPS = range(1, 7)
USUAL = speed(55.0, 9.0, 20.0, 210.0, 4.0)
# On the brake 8 m late and harder, down to 14 instead of 20 m/s, and on the throttle 30 m late.
WRONG = speed(63.0, 10.0, 14.0, 240.0, 4.0)
BEGIN = int(-RUN_IN)  # index of the start of the zone


def lost(v):
    """Time that a lap of speeds `v` loses to the usual one from the start of the zone on [s]."""
    return (seconds(v)[-1] - seconds(v)[BEGIN]) - (seconds(USUAL)[-1] - seconds(USUAL)[BEGIN])


def laps_of(corner="4", *, wrong=(3,), v=WRONG, **late):
    late = {"brake_m": 63.0, "brake": 10.0, "slow": 14.0, "drive_m": 240.0} | late
    return sheet([trace(lap, corner=corner, v=v, **late) if lap in wrong else trace(lap, corner=corner)
                  for lap in LAPS], corner)  # fmt: skip


def scaled(corner, shares):
    """Laps whose speed is the usual one times a share each, at the same places."""
    return sheet([trace(lap, corner=corner, v=share * USUAL) for lap, share in zip(LAPS, shares, strict=True)], corner)


def told(sheets, **limits):
    values = Thresholds(MappingProxyType({**default_thresholds().values, **limits}))
    return [each for each in find_habits(sheets, values) if each.kind == SINGLE_LOSS]


def test_a_mistake_on_one_lap_is_told_with_what_it_cost_and_what_was_other():
    (one,) = told([laps_of()])
    assert (one.laps, one.occurrences, one.of_laps, one.worth_s) == ((3,), 1, 6, 0.0)
    # path over speed, the two laps by hand; nothing but rounding lies between
    assert one.evidence["lost_s"] == pytest.approx(lost(WRONG), abs=1e-9)
    phases = [one.evidence[f"{phase}_lost_s"] for phase in ("braking", "mid_corner", "exit")]
    assert sum(phases) == pytest.approx(lost(WRONG), abs=1e-9)
    assert one.evidence["brake_point_later_m"] == pytest.approx(8.0, abs=1.0)  # stations are 1 m apart
    assert one.evidence["minimum_kmh"] == pytest.approx(14.0 * 3.6)
    assert one.evidence["usual_minimum_kmh"] == pytest.approx(20.0 * 3.6)
    assert one.evidence["full_throttle_later_m"] == pytest.approx(30.0, abs=1.0)
    assert one.sentence.startswith(f"Lap 3, corner 4: lost {lost(WRONG):.1f} s against the other laps")
    assert "brake point 8 m later, minimum speed 50 instead of 72 km/h, full throttle 30 m later" in one.sentence
    # it begins at the brake: the zone starts at 1000 m, the clock at 100 s
    assert one.stations_m[0] == pytest.approx(1063.0, abs=1.0)
    assert one.session_times_s[0] == pytest.approx(100.0 + seconds(WRONG)[int(63.0 - RUN_IN)], abs=0.03)


def test_no_more_is_named_than_what_was_other():
    v = np.where(along > 260.0, np.sqrt(20.0**2 + 8.0 * 50.0 + 2.0 * 1.0 * (along - 260.0)), USUAL)
    (one,) = told([laps_of(v=v, brake_m=55.0, brake=9.0, slow=20.0, drive_m=210.0)])
    assert re.fullmatch(
        r"Lap 3, corner 4: lost \d\.\d s against the other laps, most of it on the exit\.", one.sentence
    )


def test_a_smaller_loss_is_no_mistake():
    v = speed(55.0, 9.0, 18.5, 210.0, 4.0)
    assert 0.1 < lost(v) < 0.5
    assert told([laps_of(v=v)]) == []
    assert len(told([laps_of(v=v)], single_lost_s=lost(v) - 0.01)) == 1


def test_the_laps_own_spread_is_no_mistake():
    # Deviations by hand: losses of 0, 0, 0.2, 0.2, 0.4 and 1.0 s beyond the fastest, median 0.2 s: the last one lost
    # 0.8 s, and the median of the sizes (0, 0, 0.2, 0.2, 0.2, 0.8) is 0.2 s, a deviation of 0.3 s.
    took = seconds(USUAL)[-1] - seconds(USUAL)[BEGIN]
    spread = [scaled("4", [1.0 / (1.0 + each / took) for each in (0.0, 0.2, 0.4, 0.0, 0.2, 1.0)])]
    assert told(spread) == []
    assert [each.laps for each in told(spread, single_spreads=2.5)] == [(6,)]


def test_a_lap_that_is_slow_everywhere_made_no_mistake():
    slow = [1.0, 1.0, 0.95, 1.0, 1.0, 1.0]  # a cool-down: 5 % of 13 s are 0.7 s in each corner
    everywhere = [scaled(name, slow) for name in ("1", "2", "3", "4", "5", "6", "7")]
    assert told(everywhere) == []
    here = [scaled(name, slow if name == "4" else [1.0] * 6) for name in ("1", "2", "3", "4", "5", "6", "7")]
    assert [(each.corner, each.laps) for each in told(here)] == [("4", (3,))]
    # 4.5 % of 13 s are 0.6 s, but the lap loses 3 % of them in every corner
    slower = [scaled(name, [1.0, 1.0, 0.955 if name == "4" else 0.97, 1.0, 1.0, 1.0]) for name in "1234567"]
    assert told(slower) == []
    alone = [scaled(name, [1.0, 1.0, 0.955 if name == "4" else 1.0, 1.0, 1.0, 1.0]) for name in "1234567"]
    assert [each.corner for each in told(alone)] == ["4"]


def test_a_mistake_that_goes_on_into_the_next_corner_is_told_once():
    rest = [sheet([trace(lap, corner=name) for lap in LAPS], name) for name in ("1", "2", "3", "6", "7", "8")]
    (one,) = told([*rest[:3], laps_of("4"), laps_of("5"), *rest[3:]])
    assert (one.corner, one.laps) == ("4", (3,))
    assert one.evidence["lost_s"] == pytest.approx(2.0 * lost(WRONG), abs=1e-9)
    assert one.evidence["next_corner_lost_s"] == pytest.approx(lost(WRONG), abs=1e-9)
    assert f"{lost(WRONG):.1f} s of it in the next corner" in one.sentence
    # over three corners on end it was another car, or a flag
    assert told([*rest[:3], laps_of("4"), laps_of("5"), laps_of("5a"), *rest[3:]]) == []
    # two mistakes of one lap are two
    two = told([laps_of("1"), *rest[:3], laps_of("5"), *rest[3:]])
    assert [each.corner for each in two] == ["1", "5"]


def test_a_lap_held_up_made_no_mistake_there_nor_in_the_corner_behind():
    held = np.sqrt(USUAL**2 - 2.0 * 7.0 * np.clip(along - 300.0, 0.0, 40.0))  # slows on the straight, as in test_habits
    rest = [sheet([trace(lap, corner=name) for lap in LAPS], name) for name in ("1", "2", "3", "6", "7", "8")]
    usual = {"brake_m": 55.0, "brake": 9.0, "slow": 20.0, "drive_m": 210.0}
    stopped = laps_of("4", v=held, **usual)
    assert lost(held) > 0.5
    assert told([*rest[:3], stopped, *rest[3:]]) == []
    assert told([*rest[:3], stopped, laps_of("5"), *rest[3:]]) == []
    assert [each.corner for each in told([*rest[:3], stopped, rest[3], laps_of("7"), *rest[4:]])] == ["7"]


def test_a_lap_that_brings_its_loss_out_of_the_corner_was_not_held_up():
    # slow in the corner, wide behind it: it slows on the straight as a lap does that is held up
    v = np.sqrt(WRONG**2 - 14.0 * np.clip(along - 300.0, 0.0, 40.0))
    assert [each.kind for each in find_habits([laps_of(v=v)])] == [SINGLE_LOSS]


def test_a_first_lap_that_is_slow_from_its_start_on_was_not_yet_at_speed():
    rest = [sheet([trace(lap, corner=name) for lap in LAPS], name) for name in ("3", "4", "5", "6", "7", "8")]
    slow = scaled("1", [0.95, 1.0, 1.0, 1.0, 1.0, 1.0])
    assert told([laps_of("1", wrong=(1,)), *rest]) == []
    assert told([slow, laps_of("2", wrong=(1,)), *rest]) == []
    assert [each.laps for each in told([laps_of("1", wrong=(2,)), *rest])] == [(2,)]
    assert [each.corner for each in told([slow, rest[0], laps_of("3a", wrong=(1,)), *rest[1:]])] == ["3a"]
    # lap 3 does not count: behind it lap 4 begins like a first one
    gone = [replace(each, traces=each.traces[:2] + each.traces[3:]) for each in (laps_of("1", wrong=(4,)), *rest)]
    assert told(gone) == []


def test_what_happens_on_two_laps_of_six_is_no_single_mistake():
    assert told([laps_of(wrong=(2, 5))]) == []


def test_of_three_laps_none_is_told_from_the_others():
    whole = laps_of()
    assert told([replace(whole, traces=whole.traces[1:4])]) == []
    assert len(told([replace(whole, traces=whole.traces[1:5])])) == 1


def test_a_lap_with_a_mistake_counts_for_no_habit_there():
    # Lap 3's late brake point alone would spread the brake points beyond what the rule allows.
    assert default_thresholds()["spread_m"] == 15.0
    late = speed(95.0, 13.0, 14.0, 240.0, 4.0)
    points = [laps_of(v=late, brake_m=95.0, brake=13.0)]
    assert {each.kind for each in find_habits(points)} == {SINGLE_LOSS}
    untold = Thresholds(MappingProxyType({**default_thresholds().values, "single_lost_s": 9.0}))
    assert "brake point spread" in {each.kind for each in find_habits(points, untold)}


def test_a_mistake_is_named_once_in_the_list_of_all_findings():
    (one,) = told([laps_of()])
    assert findings_lines([one])[-2:] == ["single loss, in 1 corner", f"- {one.sentence}"]


def test_a_corner_with_a_mistake_is_not_praised():
    def use(corner):
        return PhaseUse(corner, "braking", 0.02, 3.0, 0.03, 6, 10.0)

    (one,) = told([laps_of("A")])
    assert one.phase != "braking"
    assert best_used([use("A"), use("B")], [one], ()).startswith("B, ")
    assert best_used([use("A")], [one], ()) == ""
