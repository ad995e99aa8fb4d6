"""Near-misses of the findings: what looks like a habit and is none, one reason at a time.

Every test shows both sides: the habit, and the same traces with the one thing changed that explains it away.
"""

from dataclasses import replace

import numpy as np
import pytest
from habit_builder import along, between, sheet, speed, trace
from test_habits import (
    EASED,
    HELD,
    LATE,
    OUT,
    ROLLING,
    TWICE,
    changed,
    kinds,
    lifted,
    pedal,
    ramp,
    replaced,
    steps,
    zones_with_peaks,
)

from simlap.habit_marks import grip_in, mark
from simlap.habits import WORDS, find_habits, not_judged
from simlap.thresholds import default_thresholds

LAPS = range(1, 6)


def found(kind, limits=None, **driving):
    return kind in kinds(find_habits([sheet([trace(lap, **driving) for lap in LAPS])], limits))


def found_with_grip(kind, grip, **driving):
    """The same with the tyres' share in use given [1]."""
    traces = [trace(lap, **driving) for lap in LAPS]
    traces = [replace(each, grip=np.broadcast_to(grip, along.size)) for each in traces]
    return kind in kinds(find_habits([sheet(traces)]))


def evidence(kind, *traces):
    (finding,) = [each for each in find_habits([sheet(traces)]) if each.kind == kind]
    return finding.evidence


def test_a_brake_still_held_from_the_corner_before_is_not_this_corners_brake_point():
    # Pressure until 12 m into the zone, then the corner's own from 55 m.
    held_over = steps((-100, 20.0), (12, 0.0), (55, 60.0), (172, 0.0))
    assert not found("early braking", bar=held_over)
    assert found("early braking", bar=steps((0, 20.0), (12, 0.0), (55, 60.0), (172, 0.0)))  # touched anew at 0 m


def test_a_touch_of_the_brake_for_40_ms_is_noise():
    # 2 m at 50 m/s; a touch of 8 m, 0.16 s, is a touch.
    assert not found("early braking", bar=steps((10, 20.0), (12, 0.0), (55, 60.0), (172, 0.0)))
    assert found("early braking", bar=steps((10, 20.0), (18, 0.0), (55, 60.0), (172, 0.0)))


def test_slowing_down_a_hill_takes_brakes_where_slowing_up_the_same_hill_does_not():
    # 3 m/s² from 40 m to 55 m. Gravity on 8 %: 9.81 * 0.08 = 0.78 m/s². Brakes count from 3.5 m/s² of the tyres.
    v2 = 2500.0 - 2.0 * np.interp(along, [40.0, 55.0, 166.0], [0.0, 3.0 * 15.0, 3.0 * 15.0 + 9.0 * 111.0])
    v = np.where(along < 166.0, np.sqrt(v2), speed(55.0, 9.0, 19.8, 210.0, 4.0))
    bare = {"v": v, "without": ("throttle", "brake_pressure", "gear")}
    assert found("early braking", grade=-0.08, **bare)
    assert not found("early braking", grade=0.08, **bare)


def test_who_arrives_slower_may_brake_later_than_the_limit():
    # The limit brakes from 50 m/s at 60 m with 9 m/s² and is down to 45 m/s at 60 + (2500 - 2025)/18 = 86 m. A car
    # that arrives at 45 m/s and brakes at 66 m is 20 m early, 0.45 s, though 6 m after the limit's own brake point.
    slower = {"v": np.minimum(speed(66.0, 9.0, 19.8, 210.0, 4.0), 45.0), "bar": np.where(between(66, 180), 60.0, 0.0)}
    assert found("early braking", **slower)
    assert not found("early braking", **{**slower, "bar": np.where(between(80, 180), 60.0, 0.0)})  # 6 m early


def test_who_arrives_slower_may_lift_later_than_the_limit_brakes():
    # As above: 45 m/s asks for the brake at 86 m. Closed at 62 m is 24 m or 0.53 s ahead of that, though behind the
    # limit's own brake point at 60 m; the brake follows at 82 m, 0.44 s later. Closed at 66 m is 20 m, 0.44 s.
    slower = {"v": np.minimum(speed(82.0, 9.0, 19.8, 210.0, 4.0), 45.0), "bar": np.where(between(82, 180), 60.0, 0.0)}
    assert found("early lift", throttle=lifted(62), **slower)
    assert not found("early lift", throttle=lifted(66), **slower)


def test_minimum_speeds_of_a_finding_are_the_minimum_speeds():
    # As the table prints them: not the speed in the middle of the slow stretch, which is up to 1 % faster.
    dip = speed(60.0, 9.0, 20.0, 210.0, 4.0) - 0.15 * np.exp(-(((along - 185.0) / 6.0) ** 2))
    seen = evidence("low minimum speed", *(trace(lap, slow=18.0, limit_v=dip) for lap in LAPS))
    assert seen["limit_minimum_kmh"] == pytest.approx(3.6 * dip.min(), abs=1e-6)


def test_the_slowest_point_is_the_middle_of_the_stretch_held_at_that_speed():
    # 20 m/s from 177 to 210 m, and for one metre at its beginning 0.05 m/s less, which is the noise of a speed.
    v = np.where(between(178, 179), 19.95, trace().v)
    slowest = mark(trace(v=v), default_thresholds()).slowest
    assert along[slowest] == pytest.approx(0.5 * (177.0 + 210.0), abs=3.0)  # the 1 % reach 1 m beyond either end


@pytest.mark.parametrize("lag", [0.0, 0.0625, 0.125])
def test_grip_at_one_place_is_a_mean_over_the_ringing_of_the_motion(lag):
    # A ringing of 4 Hz by 10 %: over a quarter of a second, one of its periods, it is gone.
    lap = trace()
    ringing = replace(lap, grip=0.8 + 0.1 * np.sin(2.0 * np.pi * (lap.t - lag) / 0.25))
    apex = lap.at(190.0)
    assert grip_in(ringing, apex, apex + 1) == pytest.approx(0.8, abs=0.03)  # 0.05 s from value to value: a fifth


def test_a_ripple_of_the_limit_in_mid_corner_is_not_its_brake_release():
    # The limit eases by 1.5 m/s² from 190 m to 200 m once more: its braking still ends at 177 m.
    limit = speed(60.0, 9.0, 20.6, 210.0, 4.0)
    limit_v = np.sqrt(limit**2 - 2.0 * 1.5 * np.clip(along - 190.0, 0.0, 10.0))
    assert found("brake held past the release", slow=19.0, bar=HELD, limit_v=limit_v)


def test_brake_held_past_the_release_at_the_limits_speed_costs_nothing():
    # Grip to spare on both laps, so that the speed alone tells them apart.
    assert found_with_grip("brake held past the release", 0.8, slow=19.0, bar=HELD)
    assert not found_with_grip("brake held past the release", 0.8, slow=20.0, bar=HELD)


def test_a_dab_of_less_than_a_second_has_no_late_peak():
    # 50 to 42 m/s at 9 m/s²: 0.9 s, 41 m.
    dab = {"slow": 42.0, "bar": np.where(between(55, 96), 10.0 + 50.0 * (along - 55.0) / 41.0, 0.0)}
    assert not found("late brake peak", **dab)
    assert found("late brake peak", changed(peak_brake_s=0.8), **dab)


def test_a_bump_of_the_pressure_is_no_second_braking():
    # Eased to 30 bar, and 36 bar again: a tenth of the peak.
    assert not found("brake eased and re-applied", bar=steps((55, 60.0), (100, 30.0), (110, 36.0), (172, 0.0)))
    assert found("brake eased and re-applied", bar=steps((55, 60.0), (100, 30.0), (110, 46.0), (172, 0.0)))


def test_a_brake_below_its_channels_rest_reads_nought():
    # Eased to 0.3 bar below what the channel reads at rest.
    laps = [trace(lap, bar=steps((55, 60.0), (100, -0.3), (110, 46.0), (172, 0.0))) for lap in LAPS]
    (told,) = [each for each in find_habits([sheet(laps)]) if each.kind == "brake eased and re-applied"]
    assert "from 60 bar to 0 bar and pressed" in told.sentence


def test_a_wavering_engine_speed_is_no_down_shift():
    def share(jump):
        rising = np.where(along < 106.0, 500.0, 500.0 * jump)
        laps = [trace(lap, bar=EASED, engine_speed=rising, without=("gear",)) for lap in LAPS]
        return evidence("brake eased and re-applied", *laps)["with_downshift_share"]

    assert share(1.05) == 0.0
    assert share(1.3) == 1.0


def test_the_share_of_laps_with_a_down_shift_is_a_mean():
    low = np.where(along < 106.0, 4.0, 3.0)
    laps = [trace(lap, bar=EASED, gear=low if lap <= 2 else np.full(along.size, 4.0)) for lap in LAPS]
    assert evidence("brake eased and re-applied", *laps)["with_downshift_share"] == pytest.approx(0.4)


def test_part_throttle_that_is_never_closed_is_no_hesitation_before_the_brake():
    def pedals(then):
        return pedal((-200, 1.0), (20, 0.5), (50, then), (180, 0.3), (210, 1.0))

    assert found("part throttle, then lift", throttle=pedals(0.0))
    assert not found("part throttle, then lift", throttle=pedals(0.2))


def test_rolling_with_all_the_grip_in_use_or_at_one_speed_is_no_coasting():
    coasting = {"v": ROLLING, "slow": 18.5, "throttle": lifted(50, again=205)}
    assert found_with_grip("coasting", 0.8, **coasting)
    assert not found_with_grip("coasting", 0.95, **coasting)
    assert not found("coasting", slow=18.0, throttle=lifted(50, again=205))


def test_coasting_that_the_early_lift_explains_is_told_once():
    # Rolls from 20 m to 55 m and gives up 2 m/s² of speed there; then as ever.
    v = np.sqrt(
        speed(55.0, 9.0, 20.0, 210.0, 4.0) ** 2 - 2.0 * 2.0 * np.clip(along - 20.0, 0.0, 35.0) * (along < 166.0)
    )

    def session(throttle, **other):
        return kinds(find_habits([sheet([trace(lap, v=v, throttle=throttle, **other) for lap in LAPS])]))

    assert "early lift" in session(lifted(20))
    assert "coasting" not in session(lifted(20))
    late_limit = speed(45.0, 9.0, 20.0, 210.0, 4.0)  # brakes 25 m behind the lift: less than half a second
    assert "coasting" in session(lifted(22), limit_v=late_limit)
    assert "early lift" not in session(lifted(22), limit_v=late_limit)


def test_coasting_on_the_way_out_is_told_by_the_late_throttle_or_asks_for_an_earlier_one():
    # Neither pedal from 195 to 245 m, where the car loses 0.8 m/s² from 18 m/s on; the middle lies in the exit.
    v = np.sqrt(speed(55.0, 9.0, 18.0, 245.0, 4.0) ** 2 - 2.0 * 0.8 * np.clip(along - 195.0, 0.0, 50.0))
    late = {"v": v, "throttle": pedal((-200, 1.0), (50, 0.0), (186, 0.3), (195, 0.0), (245, 1.0))}
    assert found("late throttle", **late)
    assert not found("coasting", **late)
    quick = changed(late_throttle_s=9.0)
    (told,) = [
        each for each in find_habits([sheet([trace(lap, **late) for lap in LAPS])], quick) if each.kind == "coasting"
    ]
    assert told.phase == "exit"
    assert told.evidence["coast_m"] == pytest.approx(50.0, abs=1.0)  # grid of 1 m
    advice = WORDS["coasting"].act(told.evidence, default_thresholds(), 4.0)
    assert advice.startswith("Open the throttle about 10 m earlier")  # half of 50 m, 10 m at most
    assert "brake point" not in advice


def test_coasting_ahead_of_the_slowest_point_keeps_the_advice_for_both_ends_of_the_pause():
    # Neither pedal from 175 to 205 m, where the limit is slowest from 177 to 210 m; its middle is 193 m. With the
    # limit's turn moved back by 20 m the same pause lies behind that.
    rolls = {"v": ROLLING, "slow": 18.5, "throttle": lifted(50, again=205)}

    def advice(limit_v):
        numbers = evidence("coasting", *(trace(lap, **rolls, limit_v=limit_v) for lap in LAPS))
        return WORDS["coasting"].act(numbers, default_thresholds(), 4.0)

    assert "hold the throttle longer before your brake point" in advice(speed(60.0, 9.0, 20.0, 225.0, 4.0))
    assert advice(speed(40.0, 9.0, 20.0, 190.0, 4.0)).startswith("Open the throttle about 10 m earlier")


@pytest.mark.parametrize(
    ("kind", "driving"),
    [
        ("full throttle before the apex", {"slow": 17.0, "throttle": pedal((-200, 1.0), (50, 0.0), (180, 1.0))}),
        ("late throttle", {"slow": 17.0, "throttle": LATE}),
        ("part throttle on the exit", {"slow": 17.0, "throttle": OUT}),
    ],
)
def test_with_all_the_grip_in_use_the_throttle_could_not_do_better(kind, driving):
    assert found_with_grip(kind, 0.8, **driving)
    assert not found_with_grip(kind, 0.95, **driving)


FLAT = {"limit_v": np.full(along.size, 50.0), "bar": np.zeros(along.size), "braking_stop": 150.0, "mid_stop": 230.0}


def flat_lift(slowing, radius):
    v = np.sqrt(50.0**2 - 2.0 * slowing * np.clip(along - 150.0, 0.0, 20.0))
    return {**FLAT, "v": v, "radius": radius, "throttle": pedal((-200, 1.0), (150, 0.0), (170, 1.0))}


def test_a_gear_change_or_a_straight_is_no_lift_where_none_is_needed():
    assert found("lift where none is needed", **flat_lift(4.0, 320.0))
    assert not found("lift where none is needed", **flat_lift(0.5, 320.0))  # 0.2 m/s given up
    assert not found("lift where none is needed", **flat_lift(4.0, 1e6))


def test_a_dab_of_the_brake_in_a_flat_corner_is_told_as_a_brake_and_not_as_a_lift():
    # 40 bar over 20 m from 50 m/s at 4 m/s²: v² = 2500 - 160, 1.6 m/s or 5.9 km/h given up in 0.41 s.
    kind, lift = "brake where none is needed", flat_lift(4.0, 320.0)
    dab = {**lift, "bar": np.where(between(150, 170), 40.0, 0.0)}
    seen = evidence(kind, *(trace(lap, **dab) for lap in LAPS))
    assert seen["peak_bar"] == pytest.approx(40.0)
    assert seen["speed_given_up_kmh"] == pytest.approx(3.6 * (50.0 - np.sqrt(2340.0)), abs=1e-6)
    assert seen["brake_s"] == pytest.approx(0.41, abs=0.03)  # grid of 1 m
    assert not found("lift where none is needed", **dab)
    assert found("lift where none is needed", **lift)
    assert not found(kind, **lift)
    assert not found_with_grip(kind, 0.95, **dab)
    assert not found(kind, **{**dab, "radius": 1e6})  # on a straight
    assert not found(kind, **{**dab, "bar": np.where(along >= 150, 40.0, 0.0)})  # held on for the next corner
    assert not found(kind, **{**dab, "limit_v": speed(150.0, 4.0, 45.0, 260.0, 4.0)})  # the limit brakes as well


def test_a_lift_before_a_corner_that_takes_hardly_any_slowing_is_told_where_it_happens():
    # The limit gives up 1.4 m/s at 190 m; the driver has lifted from 150 to 170 m and slowed by 4 m/s² there, in the
    # braking phase. Where the limit gives up 6 m/s, this is a question of the brake point.
    def phases(slows):
        limit_v = np.sqrt(50.0**2 - 2.0 * 6.0 * np.clip(along - 190.0, 0.0, slows * (100.0 - slows) / 12.0))
        driving = {**flat_lift(4.0, 320.0), "limit_v": limit_v, "braking_stop": 195.0}
        seen = find_habits([sheet([trace(lap, **driving) for lap in LAPS])])
        return [each.phase for each in seen if each.kind == "lift where none is needed"]

    assert phases(1.4) == ["braking"]
    assert phases(6.0) == []


def test_half_throttle_at_the_limit_of_grip_behind_a_lift_does_not_hide_the_lift():
    # Off the throttle to 170 m, then held at 80 % for 60 m with all the grip in use.
    held = {**flat_lift(4.0, 320.0), "throttle": pedal((-200, 1.0), (150, 0.0), (170, 0.8), (230, 1.0))}
    full = np.where((along > 171.0) & (along < 231.0), 0.99, 0.5)
    assert found_with_grip("lift where none is needed", full, **held)
    assert not found_with_grip("lift where none is needed", 0.99, **held)


def test_closing_the_throttle_where_the_limit_slows_as_well_is_no_double_opening():
    limit_v = np.sqrt(speed(60.0, 9.0, 20.0, 203.0, 4.0) ** 2 - 2.0 * 5.5 * np.clip(along - 208.0, 0.0, 12.0))
    assert found("throttle opened twice", throttle=TWICE)
    assert not found("throttle opened twice", throttle=TWICE, limit_v=limit_v)


def reclosed(start, stop):
    """Open from 215 m on, where the car still turns (to 230 m), and closed once more from `start` to `stop`."""
    return pedal((-200, 1.0), (50, 0.0), (185, 0.3), (215, 1.0), (start, 0.0), (stop, 1.0))


def test_throttle_closed_once_more_just_behind_the_turn_is_a_double_opening():
    # Closed from 240 to 256 m at 26 m/s: 0.6 s, 0.4 s behind the turn. From 340 to 355 m it is 3.6 to 4 s behind it.
    kind = "throttle opened twice"
    assert found(kind, throttle=reclosed(240, 256), gear=np.full(along.size, 3.0))
    assert not found(kind, throttle=reclosed(340, 355), gear=np.full(along.size, 3.0))
    assert found(kind, changed(way_out_s=5.0), throttle=reclosed(340, 355), gear=np.full(along.size, 3.0))


def test_a_change_of_gear_by_hand_behind_the_turn_is_no_double_opening():
    # 0.6 s is longer than the table's change of gear; with the gear rising meanwhile it is one all the same.
    kind, slow = "throttle opened twice", reclosed(240, 256)
    assert not found(kind, throttle=slow, gear=np.where(along < 248.0, 3.0, 4.0))
    assert not found(kind, throttle=slow, without=("gear",))
    assert found(kind, throttle=reclosed(240, 275), without=("gear",))  # 1.2 s


DRAG = {"bar": steps((55, 60.0), (172, 0.0), (240, 8.0), (300, 0.0))}


def test_both_pedals_are_told_with_pressure_length_and_opening():
    # 8 bar from 240 to 300 m with the throttle open all the way: v² = 400 + 8 * 30 to 400 + 8 * 90, at 4 m/s²
    # (33.47 - 25.30) / 4 = 2.04 s.
    seen = evidence("both pedals at once", *(trace(lap, **DRAG) for lap in LAPS))
    assert seen["both_m"] == pytest.approx(60.0, abs=1.0)  # grid of 1 m
    assert seen["both_s"] == pytest.approx(2.04, abs=0.05)
    assert seen["braked_bar"] == pytest.approx(8.0)
    assert seen["opening_percent"] == pytest.approx(100.0)


@pytest.mark.parametrize(
    "explained",
    [
        {"bar": steps((55, 60.0), (172, 0.0), (240, 2.0), (300, 0.0))},  # the channel's rest: 3 bar count
        {"throttle": pedal((-200, 1.0), (50, 0.0), (180, 0.3), (320, 1.0))},  # hardly open: balanced on both pedals
        {"bar": steps((-100, 8.0), (-20, 0.0), (55, 60.0), (172, 0.0))},  # in the exit of the corner before
        {"without": ("brake_pressure",)},
    ],
)
def test_a_closed_pedal_or_another_corners_is_not_both_pedals(explained):
    assert found("both pedals at once", **DRAG)
    assert not found("both pedals at once", **{**DRAG, **explained})


def test_one_spike_of_the_throttle_channel_does_not_move_the_opening():
    # 0.8 from 235 m on; a spike of 1 at 400 m.
    held = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (235, 0.8), (400, 1.0), (401, 0.8))
    laps = [trace(lap, slow=17.0, throttle=held) for lap in LAPS]
    assert evidence("late throttle", *laps)["delay_m"] == pytest.approx(235.0 - 210.0, abs=1.0)


def test_a_brake_that_trails_off_long_into_the_turn_does_not_make_its_late_peak_early():
    # 25 bar from 55 m on, 60 bar from 125 m: 1.64 s later at 9 m/s². Below half of that from 150 m on, 2.43 s after the
    # first touch, and off at 200 m after 4.7 s.
    trails = ramp(135, 150, 60.0, 30.0) + ramp(150, 200, 29.0, 3.0)
    late = steps((55, 25.0), (125, 60.0), (135, 0.0)) + trails
    numbers = evidence("late brake peak", *(trace(lap, bar=late) for lap in LAPS))
    assert numbers["peak_after_s"] == pytest.approx((50.0 - np.sqrt(50.0**2 - 18.0 * 70.0)) / 9.0, abs=0.03)
    assert numbers["braking_s"] == pytest.approx((50.0 - np.sqrt(50.0**2 - 18.0 * 95.0)) / 9.0, abs=0.05)
    assert not found("late brake peak", bar=steps((55, 25.0), (65, 60.0), (135, 0.0)) + trails)


# The limit's drive grows from nothing at 210 m to 4 m/s² at 240 m, as in a turn that opens up slowly: half of it is
# there at 225 m, 93 % at 237.9 m.
GROWS = np.clip((along - 210.0) / 30.0, 0.0, 1.0) * 4.0
SLOWLY = np.sqrt(np.minimum(speed(60.0, 9.0, 20.0, 420.0, 4.0) ** 2 + 2.0 * np.cumsum(GROWS), 50.0**2))


def test_a_throttle_that_opens_as_the_limits_drive_grows_is_not_late():
    # Fully open at 240 m, 1.8 s behind 210 m at 17 m/s.
    with_it = {"slow": 17.0, "throttle": pedal((-200, 1.0), (50, 0.0), (210, 0.3), (225, 0.6), (240, 1.0))}
    assert found("late throttle", **with_it)
    assert not found("late throttle", **with_it, limit_v=SLOWLY)


@pytest.mark.parametrize(
    ("pedals", "late_m"),
    [
        ([(210, 0.3), (225, 0.6), (255, 1.0)], 255.0 - 237.9),  # begun in time, finished late
        ([(210, 0.1), (243, 1.0)], 243.0 - 225.0),  # begun late, and then all at once
    ],
)
def test_a_throttle_is_late_by_what_it_lies_behind_the_limits_drive(pedals, late_m):
    own = pedal((-200, 1.0), (50, 0.0), *pedals)
    numbers = evidence("late throttle", *(trace(lap, slow=17.0, throttle=own, limit_v=SLOWLY) for lap in LAPS))
    assert numbers["delay_m"] == pytest.approx(late_m, abs=1.0)  # grid of 1 m


def test_a_throttle_that_hardly_opens_before_the_next_corner_is_late_all_the_way():
    # 15 % from 185 m to the end of the zone at 419 m, slow in a turn of 60 m radius with half of the grip: 209 m from
    # the limit's drive at 210 m on. At 60 % the way out is on part throttle, and the throttle opened in time.
    closed = {"slow": 17.0, "drive": 0.2, "radius": 60.0, "throttle": pedal((-200, 1.0), (50, 0.0), (185, 0.15))}
    (told,) = [
        each for each in find_habits([sheet([trace(lap, **closed) for lap in LAPS])]) if each.kind == "late throttle"
    ]
    assert told.evidence["delay_m"] == pytest.approx(419.0 - 210.0, abs=1.0)  # grid of 1 m
    assert "throttle hardly opened in the" in told.sentence
    assert "before the next corner" in WORDS["late throttle"].act(told.evidence, default_thresholds(), 4.0)
    part = {**closed, "throttle": pedal((-200, 1.0), (50, 0.0), (185, 0.6))}
    assert not found("late throttle", **part)
    late = evidence("late throttle", *(trace(lap, slow=17.0, throttle=LATE) for lap in LAPS))
    assert late["not_opened_share"] == 0.0


def test_a_throttle_hardly_open_is_late_and_not_held_on_the_way_out():
    # 15 % until 240 m, from 210 m on at 17 m/s: 1.7 s.
    hardly = {"slow": 17.0, "drive": 0.2, "throttle": pedal((-200, 1.0), (50, 0.0), (185, 0.15), (240, 1.0))}
    assert found("late throttle", **hardly)
    assert not found("part throttle on the exit", **hardly)
    assert found("part throttle on the exit", changed(part_open_share=0.1), **hardly)


def slowed(metres, rate=3.0, start=300.0):
    """Lap 3 slows with `rate` m/s² over `metres` where the others gain 4 m/s²."""
    normal = speed(55.0, 9.0, 20.0, 210.0, 4.0)
    lost = 2.0 * (4.0 + rate) * np.clip(along - start, 0.0, metres)
    return [sheet([trace(lap, v=np.sqrt(normal**2 - lost) if lap == 3 else normal) for lap in LAPS])]


def test_held_up_needs_time_lost_and_a_much_lower_speed():
    assert "held up" in kinds(find_habits(slowed(40.0)))
    # Hard on the brakes at the very end: 15 % slower, and hardly any time lost in this zone.
    late = slowed(19.0, rate=10.0, start=400.0)
    assert "held up" not in kinds(find_habits(late))
    assert "held up" in kinds(find_habits(late, changed(traffic_lost_s=0.0)))
    # A short lift: 0.2 s lost, and 5 to 10 % slower.
    short = slowed(10.0)
    assert "held up" not in kinds(find_habits(short, changed(traffic_lost_s=0.1)))
    assert "held up" in kinds(find_habits(short, changed(traffic_lost_s=0.1, traffic_speed_share=0.05)))


def test_brake_points_within_7_m_are_not_spread_though_one_lap_is_6_m_off():
    # Quantiles of 49, 52, 55, 56, 58 m: 50.2 and 57.2 m.
    laps = [trace(lap, brake_m=point) for lap, point in enumerate([49.0, 52.0, 55.0, 56.0, 58.0], 1)]
    assert "brake point spread" not in kinds(find_habits([sheet(laps)]))
    assert "brake point spread" in kinds(find_habits([sheet(laps)], changed(spread_m=6.0)))


def test_the_line_of_brake_peaks_never_asks_for_more_than_was_shown():
    # Zone A asks for most, 62 bar on the line; the largest peak of the others is the 57.5 bar of zone B.
    sheets = zones_with_peaks(57.5)
    weak = [replaced(each, brake_pressure=0.7 * each.channels["brake_pressure"]) for each in sheets[0].traces]
    session = [replace(sheets[0], traces=tuple(weak)), *sheets[1:]]
    (low,) = [each for each in find_habits(session) if each.kind == "low brake peak"]
    assert low.corner == "A"
    assert low.evidence["line_bar"] == pytest.approx(57.5, abs=0.1)


def test_two_of_six_laps_are_too_few():
    laps = [trace(lap, brake_m=30.0 if lap <= 2 else 55.0) for lap in range(1, 7)]  # a third, below 0.4
    assert not [each for each in find_habits([sheet(laps)]) if each.kind == "early braking" and not each.occasional]


def test_laps_without_the_brake_channel_are_not_measured_beside_those_with_it():
    # The peak comes late on laps 1 to 3, where it reads in bar; laps 4 and 5 hold the deceleration alone.
    late = np.where(between(55, 172), 10.0 + 50.0 * (along - 55.0) / 117.0, 0.0)
    laps = [trace(lap, bar=late, without=("brake_pressure",) if lap > 3 else ()) for lap in LAPS]
    (found_late,) = [each for each in find_habits([sheet(laps)]) if each.kind == "late brake peak"]
    assert (found_late.laps, found_late.of_laps) == ((1, 2, 3), 3)
    assert set(found_late.evidence) == {"peak_after_s", "braking_s", "peak_bar"}
    (line,) = not_judged([sheet(laps)])
    assert line.startswith("Not judged on laps 4 and 5, where the brake pressure or brake pedal channel has gaps: ")
    assert "late brake peak; " in line


def test_a_brake_point_read_from_the_deceleration_is_not_spread_against_those_of_the_pressure():
    # The pressure comes 20 m before the deceleration, on four laps of eight: a foot that builds it up slowly.
    early = np.where(between(35, 172), 60.0, 0.0)
    laps = [trace(lap, bar=early, without=() if lap <= 4 else ("brake_pressure",)) for lap in range(1, 9)]
    assert "brake point spread" not in kinds(find_habits([sheet(laps)]))


def test_zones_whose_brake_is_read_from_another_channel_are_no_points_of_the_line():
    # Zone D alone is read from the deceleration: 9 m/s² beside 57.5 bar is no low peak, and the rest are too few.
    sheets = zones_with_peaks(45.0)
    bare = [replace(each, channels={}) for each in sheets[3].traces]
    assert "low brake peak" in kinds(find_habits(sheets))
    assert "low brake peak" not in kinds(find_habits([*sheets[:3], replace(sheets[3], traces=tuple(bare))]))


def test_without_a_throttle_channel_a_car_that_slows_in_a_flat_corner_is_told_by_its_speed():
    # From 50 to 48.4 m/s over 20 m at 4 m/s², where the limit runs at 50 m/s: 174 km/h against 180.
    kind, bare = "low minimum speed", {"without": ("throttle",)}
    slows = flat_lift(4.0, 320.0)
    seen = evidence(kind, *(trace(lap, **slows, **bare) for lap in LAPS))
    assert seen["minimum_kmh"] == pytest.approx(3.6 * np.sqrt(2500.0 - 160.0), abs=1e-6)
    assert seen["limit_minimum_kmh"] == pytest.approx(180.0)
    assert not found(kind, **slows)  # there the lift tells
    assert not found_with_grip(kind, 0.95, **slows, **bare)
    arrives = {**slows, "v": np.full(along.size, 48.4)}  # slow from the corner before, and never slower
    assert not found(kind, **arrives, **bare)


def test_advice_on_an_eased_brake_lets_it_go_towards_the_turn():
    # 60 bar eased to 30 and pressed again: not to be held at 60 bar while the speed falls.
    for gear in (np.full(along.size, 4.0), np.where(along < 106.0, 4.0, 3.0)):
        numbers = evidence("brake eased and re-applied", *(trace(lap, bar=EASED, gear=gear) for lap in LAPS))
        advice = WORDS["brake eased and re-applied"].act(numbers, default_thresholds(), 4.0)
        assert "without a release in the middle, easing off smoothly towards the turn-in" in advice
        assert "bar" not in advice


def test_one_lift_is_told_with_one_size_of_speed_given_up():
    # Off the throttle for 20 m from 50 m/s at 4 m/s²: 1.6 m/s or 5.9 km/h given up. The limit gains 1.2 m/s meanwhile,
    # so that 2.8 m/s or 10.1 km/h are lost to it: that is no speed given up.
    gains = np.sqrt(2500.0 + 2.0 * 3.0 * np.clip(along - 150.0, 0.0, 20.0))
    lift = {**flat_lift(4.0, 320.0), "limit_v": gains}
    (told,) = [
        each
        for each in find_habits([sheet([trace(lap, **lift) for lap in LAPS])])
        if each.kind == "lift where none is needed"
    ]
    assert "10 km/h lost against it" in told.sentence
    assert "given up" not in told.sentence
