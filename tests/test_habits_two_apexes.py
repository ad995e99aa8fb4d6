"""A corner with two apexes: what is right there and looks like a habit elsewhere.

The limit brakes with 9 m/s² from 60 m to 120 m (50 to 37.7 m/s), holds the speed for 40 m through the first part, and
brakes with 6 m/s² from 160 m to 245 m (to 20 m/s). Each test shows both sides: the driver who does the same, and the
same pedals against a limit that brakes once.
"""

from dataclasses import replace

import numpy as np
from habit_builder import acceleration, along, between, sheet, speed, trace
from test_habits import LAPS, changed, kinds, lifted, pedal, steps, zones_with_peaks

from simlap.habits import find_habits


def slowed(*pieces):
    """v over along: 50 m/s, and over each (from, to, deceleration) piece v² falls by 2 a ds; from 260 m drive."""
    v2 = np.full(along.size, 2500.0)
    for start, stop, a in pieces:
        v2 -= 2.0 * a * np.clip(along - start, 0.0, stop - start)
    return np.sqrt(np.where(along > 260.0, np.minimum(v2 + 8.0 * (along - 260.0), 2500.0), v2))


TWO = {"limit_v": slowed((60, 120, 9.0), (160, 245, 6.0)), "braking_stop": 235.0, "mid_stop": 260.0}
ONCE = {"limit_v": slowed((60, 146.5, 9.0), (160, 245, 3.2)), "braking_stop": 235.0, "mid_stop": 260.0}
PEDAL = steps((58, 60.0), (120, 0.0), (160, 45.0), (245, 0.0))
LIKE_THE_LIMIT = {"v": slowed((58, 118, 9.0), (159, 244, 6.0)), "bar": PEDAL, "throttle": lifted(55, again=262)}


def found(kind, grip=None, limits=None, **driving):
    traces = [trace(lap, **driving) for lap in LAPS]
    if grip is not None:
        traces = [replace(each, grip=np.full(along.size, grip)) for each in traces]
    return kind in kinds(find_habits([sheet(traces)], limits))


def test_a_brake_used_twice_where_the_limit_brakes_twice_is_no_easing():
    assert not found("brake eased and re-applied", grip=0.5, **LIKE_THE_LIMIT, **TWO)
    once = {**ONCE, "limit_v": slowed((60, 230, 6.2))}  # one braking all the way
    assert found("brake eased and re-applied", grip=0.5, **LIKE_THE_LIMIT, **once)


def test_a_brake_eased_but_not_let_go_where_the_limit_is_off_it_is_no_easing():
    # As above, with the foot left on the pedal between the two: one touch, eased where the limit eases.
    rests = {**LIKE_THE_LIMIT, "bar": steps((58, 60.0), (125, 8.0), (155, 45.0), (245, 0.0))}
    assert not found("brake eased and re-applied", grip=0.5, **rests, **TWO)
    assert found("brake eased and re-applied", grip=0.5, **rests, **{**TWO, "limit_v": slowed((60, 230, 6.2))})


def test_each_braking_is_held_against_the_limits_own():
    # Taken from the first touch, the brake would be on 100 m before the second braking, and held 125 m past the first.
    for kind in ("early braking", "long light braking", "brake held past the release"):
        assert not found(kind, grip=0.5, **LIKE_THE_LIMIT, **TWO), kind
    late = {**LIKE_THE_LIMIT, "v": slowed((28, 88, 9.0), (159, 244, 6.0)), "bar": steps((28, 60.0), (88, 0.0))}
    assert found("early braking", grip=0.5, **late, **TWO)  # once, and 30 m too early


def test_a_lift_before_the_first_braking_is_not_counted_up_to_the_second():
    # The main braking is the second one (37.7 to 20 m/s beside 50 to 46 m/s).
    limit = {**TWO, "limit_v": slowed((60, 80, 9.0), (160, 240, 11.0))}
    v = slowed((58, 78, 9.0), (158, 238, 11.0))
    both = steps((58, 60.0), (78, 0.0), (158, 60.0), (238, 0.0))
    assert not found("early lift", v=v, bar=both, throttle=lifted(55, again=262), **limit)
    assert found("early lift", v=v, bar=steps((158, 60.0), (238, 0.0)), throttle=lifted(55, again=262), **limit)


def test_easing_for_long_while_the_tyres_are_at_their_limit_is_right():
    # 30 m at about 40 m/s are 0.75 s: long enough to show in the motion.
    eased = steps((55, 60.0), (90, 20.0), (120, 55.0), (172, 0.0))
    assert found("brake eased and re-applied", grip=0.7, bar=eased)
    assert not found("brake eased and re-applied", grip=0.97, bar=eased)


def test_a_brake_held_long_in_a_corner_that_takes_all_grip_is_no_overslowing():
    held = {"slow": 19.0, "bar": steps((55, 60.0), (174, 8.0), (200, 0.0))}
    assert found("brake held past the release", grip=0.8, **held)
    assert not found("brake held past the release", grip=0.97, **held)


def test_part_throttle_in_a_bend_that_takes_all_grip_is_no_habit():
    part = pedal((-200, 1.0), (20, 0.5), (50, 0.0), (180, 0.3), (210, 1.0))
    assert found("part throttle, then lift", grip=0.5, throttle=part)
    assert not found("part throttle, then lift", grip=0.97, throttle=part)


def test_light_braking_with_all_grip_in_use_is_not_light():
    light = {"brake_m": 10.0, "brake": 6.0}
    assert found("long light braking", grip=0.6, **light)
    assert not found("long light braking", grip=0.97, **light)


def test_the_throttle_closes_where_the_limits_drive_falls():
    # The limit drives with 4 m/s² from 210 m and with 0.5 m/s² from 208.. to 222 m, where the second part tightens.
    twice = pedal((-200, 1.0), (50, 0.0), (180, 0.3), (205, 0.7), (222, 0.2), (228, 1.0))
    assert found("throttle opened twice", throttle=twice)
    v2 = speed(60.0, 9.0, 20.0, 210.0, 4.0) ** 2 - 2.0 * 3.5 * np.clip(along - 220.0, 0.0, 12.0)
    assert acceleration(np.sqrt(v2))[between(222, 228)].max() < 1.0
    assert not found("throttle opened twice", throttle=twice, limit_v=np.sqrt(v2))


def test_a_lift_that_only_stops_the_gain_of_speed_is_seen():
    # A sweep that the limit takes flat, from 40 to 50 m/s; the driver lifts for 60 m (1.4 s) and holds 42 m/s there.
    gains = np.sqrt(np.clip(1600.0 + 2.0 * 2.0 * along, 1600.0, 2500.0))
    held = np.sqrt(gains**2 - 2.0 * 2.0 * np.clip(along - 41.0, 0.0, 60.0))
    assert np.diff(held).min() >= -1e-9  # never slower than before
    lift = pedal((-200, 1.0), (41, 0.1), (101, 1.0))
    flat = {"limit_v": gains, "radius": 400.0, "v": held, "mid_stop": 260.0, "bar": 0.0 * along}
    turn = {"limits": changed(turning_ms2=0.5)}
    assert found("lift where none is needed", throttle=lift, **flat, **turn)
    assert not found("lift where none is needed", throttle=lift, **{**flat, "v": gains}, **turn)


def test_a_zone_that_the_limit_itself_brakes_in_a_turn_is_no_point_of_the_line():
    # Zone B, 45 bar where the line says 57.5: left out with a limit that brakes with 5 m/s² there and 9 elsewhere.
    assert "low brake peak" in kinds(find_habits(zones_with_peaks(45.0)))
    turned = []
    for each in zones_with_peaks(45.0):
        if each.corner == "B":
            limit_v = speed(20.0, 5.0, 25.0, 210.0, 4.0)
            changes = {"limit_v": limit_v, "limit_a_lon": acceleration(limit_v)}
            each = replace(each, traces=tuple(replace(one, **changes) for one in each.traces))
        turned.append(each)
    assert "low brake peak" not in kinds(find_habits(turned))
