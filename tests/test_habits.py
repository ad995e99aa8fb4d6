"""Each finding: one set of traces that must raise it, and one near-miss that must not.

The traces are those of habit_builder: a corner of 40 m radius with the physics written out there. Each near-miss is
also run with the one threshold moved across it, and is then raised: so nothing else holds it back.
"""

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from habit_builder import STOP, acceleration, along, between, seconds, sheet, speed, trace

from simlap.habit_traces import CornerSheet
from simlap.habits import WORDS, find_habits, not_judged
from simlap.thresholds import Thresholds, default_thresholds

LAPS = range(1, 6)
FLAT_OUT = np.full(along.size, 50.0)


def changed(**values):
    return Thresholds(MappingProxyType({**default_thresholds().values, **values}))


def pedal(*steps):
    """Pedal over along: (from [m], value) pairs, the first value from the beginning."""
    out = np.zeros(along.size)
    for start, value in steps:
        out[start <= along] = value
    return out


def ramp(a, b, low, high):
    """Linear from low at a to high at b, 0 outside."""
    return np.where(between(a, b), low + (high - low) * (along - a) / (b - a), 0.0)


def lifted(at, again=180.0):
    return pedal((-200, 1.0), (at, 0.0), (again, 0.3), (210, 1.0))


def part(start):
    return pedal((-200, 1.0), (start, 0.5), (50, 0.0), (180, 0.3), (210, 1.0))


def steps(*pairs):
    return pedal((-200, 0.0), *pairs)


FLAT = {"limit_v": FLAT_OUT, "bar": np.zeros(along.size), "braking_stop": 150.0, "mid_stop": 230.0}


def flat_lift(stop, radius):
    """Fast corner: off the throttle from 150 m to `stop` and slowing by 4 m/s² there."""
    v = np.sqrt(50.0**2 - 2.0 * 4.0 * np.clip(along - 150.0, 0.0, stop - 150.0))
    return {**FLAT, "v": v, "radius": radius, "throttle": pedal((-200, 1.0), (150, 0.0), (stop, 1.0))}


HELD = steps((55, 60.0), (174, 8.0), (200, 0.0))
HELD_SHORT = steps((55, 60.0), (174, 8.0), (184, 0.0))
EASED = steps((55, 60.0), (100, 30.0), (110, 55.0), (172, 0.0))
EASED_LITTLE = steps((55, 60.0), (100, 42.0), (110, 55.0), (172, 0.0))
TWICE = pedal((-200, 1.0), (50, 0.0), (180, 0.3), (205, 0.7), (212, 0.2), (218, 1.0))
TWICE_LITTLE = pedal((-200, 1.0), (50, 0.0), (180, 0.3), (205, 0.7), (212, 0.45), (218, 1.0))
LATE = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (235, 1.0))
NOT_LATE = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (220, 1.0))
OUT = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (205, 0.8), (300, 1.0))
OUT_SHORT = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (205, 0.8), (225, 1.0))
# Rolls from 175 m to 205 m and gives up 1.2 m/s² of speed: from 18.5 m/s to 16.4 m/s.
ROLLING = np.sqrt(speed(55.0, 9.0, 18.5, 210.0, 4.0) ** 2 - 2.0 * 1.2 * np.clip(along - 175.0, 0.0, 30.0))

# Pressure of the corner itself, released where the throttle opens.
DRAG = steps((55, 60.0), (172, 0.0))

# kind, phase, the lap that must raise it, the near-miss, and the threshold that holds the near-miss back.
CASES = [
    ("early lift", "braking", {"throttle": lifted(20)}, {"throttle": lifted(37)}, {"early_lift_s": 0.4}),
    (
        "part throttle, then lift",
        "braking",
        {"throttle": part(20)},
        {"throttle": part(35)},
        {"part_throttle_s": 0.25},
    ),
    ("early braking", "braking", {"brake_m": 30.0}, {"brake_m": 47.0}, {"early_brake_s": 0.2}),
    (
        "early and light braking",
        "braking",
        {"brake_m": 30.0, "brake": 7.6},  # 0.84 of the limit's 9 m/s²
        {"brake_m": 30.0, "brake": 8.5},
        {"firm_share": 0.97},
    ),
    (
        "long light braking",
        "braking",
        {"brake_m": 10.0, "brake": 6.0},
        {"brake_m": 10.0, "brake": 7.5},
        {"light_share": 0.9, "long_time_share": 1.1},
    ),
    (
        "late brake peak",
        "braking",
        {"bar": ramp(55, 170, 10.0, 60.0)},
        {"bar": np.minimum(ramp(55, 170, 40.0, 90.0), 60.0)},
        {"peak_late_share": 0.2},
    ),
    ("brake eased and re-applied", "braking", {"bar": EASED}, {"bar": EASED_LITTLE}, {"eased_share": 0.75}),
    (
        "brake held past the release",
        "mid_corner",
        {"slow": 19.0, "bar": HELD},
        {"slow": 19.0, "bar": HELD_SHORT},
        {"held_m": 5.0},
    ),
    (
        "both pedals at once",
        "exit",
        {"bar": DRAG + steps((240, 8.0), (300, 0.0))},
        {"bar": DRAG + steps((240, 8.0), (262, 0.0))},
        {"both_s": 0.7},
    ),
    (
        "coasting",
        "mid_corner",
        {"v": ROLLING, "slow": 18.5, "throttle": lifted(50, again=205)},
        {"v": ROLLING, "slow": 18.5, "throttle": lifted(50, again=183)},
        {"coast_s": 0.1, "coast_slower_ms": 0.1},
    ),
    (
        "low minimum speed",
        "mid_corner",
        {"slow": 18.0},
        {"slow": 19.7, "radius": 45.0},
        {"slow_share": 0.01},
    ),
    (
        "full throttle before the apex",
        "mid_corner",
        {"slow": 17.0, "throttle": pedal((-200, 1.0), (50, 0.0), (180, 1.0))},
        {"slow": 17.0, "throttle": pedal((-200, 1.0), (50, 0.0), (192, 1.0))},
        {"before_apex_s": 0.05},
    ),
    (
        "fast in, slow out",
        "mid_corner",
        {"brake_m": 66.0, "slow": 19.0},
        {"brake_m": 66.0, "slow": 19.7},
        {"slow_exit_share": 0.01},
    ),
    (
        # by the end of braking, at 170 m, 0.9 % above the limit: v² = 50² - 18 * 109.5 against 50² - 18 * 110
        "fast in, slow out",
        "mid_corner",
        {"brake_m": 66.0, "slow": 19.0},
        {"brake_m": 60.5, "slow": 19.0},
        {"fast_entry_share": 0.005},
    ),
    ("lift where none is needed", "mid_corner", flat_lift(170, 320), flat_lift(160, 320), {"flat_lift_s": 0.15}),
    (
        "brake where none is needed",
        "mid_corner",
        {**flat_lift(170, 320), "bar": steps((150, 40.0), (170, 0.0))},
        {**flat_lift(155, 320), "bar": steps((150, 40.0), (155, 0.0))},
        {"flat_slower_ms": 0.2},
    ),
    ("throttle opened twice", "exit", {"throttle": TWICE}, {"throttle": TWICE_LITTLE}, {"reopened_share": 0.2}),
    (
        "part throttle on the exit",
        "exit",
        {"slow": 17.0, "radius": 60.0, "throttle": OUT},
        {"slow": 17.0, "radius": 60.0, "throttle": OUT_SHORT},
        {"part_out_s": 0.5},
    ),
    (
        "late throttle",
        "exit",
        {"slow": 17.0, "throttle": LATE},
        {"slow": 17.0, "throttle": NOT_LATE},
        {"late_throttle_s": 0.4},
    ),
]
NAMES = [case[0] for case in CASES]


def kinds(findings):
    return {finding.kind for finding in findings}


@pytest.mark.parametrize(("kind", "phase", "raising", "near", "moved"), CASES, ids=NAMES)
def test_a_habit_on_every_lap_is_raised_in_its_phase(kind, phase, raising, near, moved):
    found = find_habits([sheet([trace(lap, **raising) for lap in LAPS])])
    (finding,) = [each for each in found if each.kind == kind]
    assert finding.phase == phase
    assert (finding.occurrences, finding.of_laps, finding.laps) == (5, 5, (1, 2, 3, 4, 5))
    assert finding.worth_s == {"braking": 0.21, "mid_corner": 0.12, "exit": 0.08}[phase]
    assert f"part of the {finding.worth_s:.2f} s in this phase" in finding.sentence


@pytest.mark.parametrize(("kind", "phase", "raising", "near", "moved"), CASES, ids=NAMES)
def test_a_near_miss_is_held_back_by_its_threshold_alone(kind, phase, raising, near, moved):
    traces = [trace(lap, **near) for lap in LAPS]
    assert kind not in kinds(find_habits([sheet(traces)]))
    assert kind in kinds(find_habits([sheet(traces)], changed(**moved)))


def test_a_lap_on_the_limit_raises_nothing():
    # Brakes 5 m before the limit, same deceleration, same corner speed, same drive, pedals changed in 0.4 s at most.
    assert find_habits([sheet([trace(lap) for lap in LAPS])]) == ()


def test_two_of_five_laps_make_a_habit_and_one_does_not():
    def session(early):
        return [sheet([trace(lap, brake_m=30.0 if lap <= early else 55.0) for lap in LAPS])]

    (finding,) = [each for each in find_habits(session(2)) if each.kind == "early braking"]
    assert (finding.laps, finding.occurrences, finding.of_laps) == ((1, 2), 2, 5)  # 0.4 of 5 laps
    assert "early braking" not in kinds(find_habits(session(1)))


def test_what_two_of_six_laps_do_is_told_where_they_lose_by_it_and_not_where_they_do_not():
    # A lap that brakes d m earlier for the same speed does those metres at 20 m/s that the others do at 50 m/s:
    # (1/20 - 1/50) d = 0.75 s for 25 m. With the brake on as early, and the speed of the others, it loses nothing.
    def told(**early):
        laps = [trace(lap, **(early if lap <= 2 else {})) for lap in range(1, 7)]
        return [each for each in find_habits([sheet(laps)]) if each.kind == "early braking"]

    (finding,) = told(brake_m=30.0)
    assert (finding.laps, finding.of_laps, finding.occasional) == ((1, 2), 6, True)
    assert finding.evidence["slower_s"] == pytest.approx(0.75, abs=0.01)  # 1 m between the stations
    assert "(2 of 6 laps; they are 0.75 s slower here than the others)" in finding.sentence
    assert told(bar=steps((30, 60.0), (172, 0.0))) == []


def test_an_occasional_habit_is_none_where_one_of_its_laps_is_as_quick_as_the_others():
    laps = [trace(lap, brake_m=30.0 if lap <= 2 else 55.0) for lap in range(1, 6)]
    quick = [*laps, trace(6, brake_m=62.0, bar=steps((30, 60.0), (172, 0.0)))]
    found = find_habits([sheet(quick)], changed(occurs_share=0.6))
    assert "early braking" not in kinds(found)


def test_light_brakes_are_told_once():
    # At 6 m/s² of the limit's 9 from 10 m on: long and light; that it is early as well follows from it.
    found = find_habits([sheet([trace(lap, brake_m=10.0, brake=6.0) for lap in LAPS])])
    assert "long light braking" in kinds(found)
    assert "early and light braking" not in kinds(found)


def test_part_throttle_behind_a_throttle_held_fully_open_is_no_matter_of_the_way_out():
    # Full from 212 m to 240 m, at 17 to 24 m/s 1.4 s; 60 % from there to 300 m, 2.3 s.
    way = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (212, 1.0), (240, 0.6), (300, 1.0))
    never = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (212, 0.6), (300, 1.0))

    def raised(throttle):
        laps = [trace(lap, throttle=throttle, slow=17.0, radius=60.0) for lap in LAPS]
        return "part throttle on the exit" in kinds(find_habits([sheet(laps)]))

    assert raised(never)
    assert not raised(way)


def test_one_lap_makes_no_habit_however_clear():
    one = [sheet([trace(1, brake_m=30.0)])]
    assert find_habits(one, changed(occurs_share=0.1)) == ()
    assert any("1 counted lap" in line for line in not_judged(one))


def test_evidence_of_early_braking_is_where_and_when_it_happened():
    # On 60 - 30 = 30 m early at 50 m/s: 0.6 s, 180 km/h. The first value on the brake is at 30 m: the station is
    # 1000 + 30 m, and the clock 100 s + 130 m / (50 m/s).
    (finding,) = find_habits([sheet([trace(lap, brake_m=30.0, clock=100.0 * lap) for lap in (1, 2)])])
    assert finding.evidence["early_m"] == pytest.approx(30.0, abs=1.0)  # grid of 1 m
    assert finding.evidence["early_s"] == pytest.approx(0.6, abs=0.02)
    assert finding.evidence["speed_kmh"] == pytest.approx(180.0, abs=0.5)  # 1 m of braking is 0.65 km/h
    assert finding.stations_m == pytest.approx((1030.0, 1030.0), abs=1.0)
    assert finding.session_times_s == pytest.approx((102.6, 202.6), abs=0.02)


def test_evidence_of_several_laps_is_that_of_the_middle_one():
    # Brake points at 32, 30 and -40 m: as `early_m` the middle lap's 30, not the mean of 28, 30 and 100.
    traces = [trace(lap, brake_m=at) for lap, at in ((1, 32.0), (2, 30.0), (3, -40.0))]
    (finding,) = [each for each in find_habits([sheet(traces)]) if each.kind == "early braking"]
    assert finding.evidence["early_m"] == pytest.approx(30.0, abs=1.5)  # values stand 1 m apart


def test_stations_wrap_at_the_start_line():
    # The apex at 193 m lies 1000 + 193 - 1200 < 0 before the line, 215 m lies 15 m behind it.
    found = find_habits([sheet([trace(lap, throttle=TWICE) for lap in LAPS])])
    (finding,) = [each for each in found if each.kind == "throttle opened twice"]
    assert finding.stations_m[0] == pytest.approx(1000.0 + 212.0 - 1200.0, abs=1.0)


def test_light_braking_is_left_alone_where_the_road_falls():
    # 5 % downhill is beyond the 4 % of the table: the zone asks for long braking by itself.
    light = {"brake_m": 10.0, "brake": 6.0}
    downhill = [trace(lap, grade=math.atan(-0.05), **light) for lap in LAPS]
    slightly = [trace(lap, grade=math.atan(-0.02), **light) for lap in LAPS]
    assert "long light braking" not in kinds(find_habits([sheet(downhill)]))
    assert "long light braking" in kinds(find_habits([sheet(slightly)]))


def test_early_and_light_braking_is_left_alone_where_the_road_falls():
    # 0.84 of the limit's 9 m/s² from 30 m on, where 60 m would do.
    early = {"brake_m": 30.0, "brake": 7.6}
    steep, slight = ([trace(lap, grade=math.atan(fall), **early) for lap in LAPS] for fall in (-0.05, -0.02))
    told = {"early and light braking", "early braking"}
    assert not told & kinds(find_habits([sheet(steep)]))
    assert told & kinds(find_habits([sheet(slight)])) == {"early and light braking"}


def test_light_braking_is_left_alone_in_a_long_zone():
    # The limit takes (50 - 20) m/s at 9 m/s² in 3.3 s: long only when the table says that 3.2 s is long.
    traces = [trace(lap, brake_m=10.0, brake=6.0) for lap in LAPS]
    assert "long light braking" not in kinds(find_habits([sheet(traces)], changed(long_zone_s=3.2)))


def test_light_braking_is_left_alone_where_the_limit_brakes_into_the_turn():
    # From 50 m/s the limit gives 9 m/s² for 30 m and 2 m/s² for the next 145 m: mean 3.2 m/s² of a peak of 9.
    v2 = 2500.0 - 2.0 * np.interp(along, [60.0, 90.0, 235.0], [0.0, 9.0 * 30.0, 9.0 * 30.0 + 2.0 * 145.0])
    limit_v = np.sqrt(np.where(along > 260.0, v2 + 8.0 * (along - 260.0), v2))
    limit = {"limit_v": limit_v, "mid_stop": 260.0}
    traces = [trace(lap, brake_m=1.0, brake=2.2, slow=37.1, drive_m=260.0, **limit) for lap in LAPS]
    assert "long light braking" not in kinds(find_habits([sheet(traces)], changed(long_zone_s=10.0)))
    assert "long light braking" in kinds(find_habits([sheet(traces)], changed(long_zone_s=10.0, tapers_share=0.3)))


@pytest.mark.parametrize("channel", ["gear", "engine_speed"])
def test_easing_the_brake_at_a_downshift_says_so(channel):
    # The easing lies from 100 m to 110 m; the shift at 108 m, at 40 m/s 0.2 s behind the bottom of the easing.
    def shift(at):
        falling = 600.0 * speed(55.0, 9.0, 20.0, 210.0, 4.0) / 50.0  # engine speed in one gear [rad/s]
        return {"gear": np.where(along < at, 4.0, 3.0), "engine_speed": falling * np.where(at > along, 1.0, 1.3)}

    def share(at):
        without = {"gear", "engine_speed"} - {channel}
        traces = [trace(lap, bar=EASED, **shift(at), without=without) for lap in LAPS]
        (finding,) = [f for f in find_habits([sheet(traces)]) if f.kind == "brake eased and re-applied"]
        return finding.evidence["with_downshift_share"], finding.sentence

    assert share(108.0)[0] == 1.0
    assert ", together with a down-shift" in share(108.0)[1]
    assert share(150.0)[0] == 0.0
    assert "not together with" in share(150.0)[1]


def test_a_gear_change_at_full_throttle_is_no_second_opening():
    # Closed from 212 to 216 m at 21 m/s: 0.2 s, and the gear rises at 216 m.
    throttle = pedal((-200, 1.0), (50, 0.0), (180, 0.3), (205, 1.0), (212, 0.0), (216, 1.0))
    up, steady = np.where(along < 216.0, 3.0, 4.0), np.full(along.size, 3.0)

    def found(**more):
        return kinds(find_habits([sheet([trace(lap, throttle=throttle, **more) for lap in LAPS])]))

    assert "throttle opened twice" not in found(gear=up)
    assert "throttle opened twice" in found(gear=steady)
    assert "throttle opened twice" not in found(without=("gear",))


def test_slow_corner_at_full_grip_is_no_low_minimum_speed():
    # 18 m/s on a radius of 32.4 m is 10 m/s²: all the grip there is, so that the line is at fault, not the speed.
    assert "low minimum speed" not in kinds(find_habits([sheet([trace(lap, slow=18.0, radius=32.4) for lap in LAPS])]))


def test_brake_point_spread_over_25_m_is_raised_and_over_8_m_is_not():
    def session(points):
        return [sheet([trace(lap, brake_m=point) for lap, point in enumerate(points, 1)])]

    (finding,) = [f for f in find_habits(session([35.0, 45.0, 50.0, 55.0, 60.0])) if f.kind == "brake point spread"]
    # Quantiles of five values: 10 % lies 0.4 of the way from the first to the second, 90 % 0.6 from the fourth.
    assert finding.evidence["spread_m"] == pytest.approx(58.0 - 39.0, abs=1.0)
    assert (finding.laps, finding.of_laps) == ((1, 5), 5)  # off the median of 50 m by more than 5 m
    assert "brake point spread" not in kinds(find_habits(session([50.0, 52.0, 55.0, 56.0, 58.0])))
    assert "brake point spread" not in kinds(find_habits(session([35.0, 55.0, 60.0])))  # three laps are too few


def zones_with_peaks(weak):
    """Four zones from 50 m/s to 20, 25, 30 and 40 m/s, their peaks on the line 20 bar + 0.04 bar per m²/s²."""
    sheets = []
    for name, slow in (("A", 20.0), ("B", 25.0), ("C", 30.0), ("D", 40.0)):
        peak = 20.0 + 0.04 * (50.0**2 - slow**2) / 2.0
        limit_v = speed(60.0, 9.0, slow, 210.0, 4.0)
        pressure = weak if name == "B" else peak
        laps = [trace(lap, corner=name, slow=slow, limit_v=limit_v, pressure=pressure, radius=200.0) for lap in LAPS]
        sheets.append(sheet(laps, corner=name))
    return sheets


def test_a_brake_peak_clearly_below_the_line_of_the_other_zones_is_raised_there_alone():
    # Zone B asks for (50² - 25²) / 2 = 937.5 m²/s²: 57.5 bar on the line. 45 bar is 0.78 of it, 53 bar 0.92.
    low = [f for f in find_habits(zones_with_peaks(45.0)) if f.kind == "low brake peak"]
    assert [(f.corner, f.phase, f.occurrences) for f in low] == [("B", "braking", 5)]
    assert low[0].evidence["line_bar"] == pytest.approx(57.5, abs=0.1)  # 1 m of the limit's braking is 0.4 bar
    assert low[0].evidence["peak_bar"] == pytest.approx(45.0, rel=1e-12)  # rounding of bar to Pa and back
    assert "45 bar" in low[0].sentence
    assert "low brake peak" not in kinds(find_habits(zones_with_peaks(53.0)))


def test_low_brake_peak_needs_four_zones():
    assert "low brake peak" not in kinds(find_habits(zones_with_peaks(45.0)[:3]))


def test_the_zone_with_least_slowing_is_not_judged_by_the_line():
    # D, from 50 to 40 m/s, lies below the other zones' range: a line drawn beyond its points proves nothing.
    sheets = zones_with_peaks(57.5)
    limit_v = speed(60.0, 9.0, 40.0, 210.0, 4.0)
    light = [trace(lap, corner="D", slow=40.0, limit_v=limit_v, pressure=10.0) for lap in LAPS]
    assert "low brake peak" not in kinds(find_habits([*sheets[:3], sheet(light, corner="D")]))


def held_up_session(lowest_lap_3):
    """Five laps; lap 3 brakes on the straight from 300 m with 3 m/s² over `lowest_lap_3` metres, then drives on."""
    normal = speed(55.0, 9.0, 20.0, 210.0, 4.0)
    slowing = np.clip(along - 300.0, 0.0, lowest_lap_3)
    lost = 2.0 * (4.0 + 3.0) * slowing
    return [sheet([trace(lap, v=np.sqrt(normal**2 - lost) if lap == 3 else normal) for lap in LAPS])]


def test_a_lap_slowed_on_a_straight_is_named_and_not_charged_to_the_driver():
    (finding,) = find_habits(held_up_session(40.0))
    assert (finding.kind, finding.phase, finding.laps, finding.worth_s) == ("held up", "exit", (3,), 0.0)
    assert "not charged to the driver" in finding.sentence
    # The lost time is that of the zone from its start: path over speed, compared with the others.
    normal = speed(55.0, 9.0, 20.0, 210.0, 4.0)
    slow = np.sqrt(normal**2 - 14.0 * np.clip(along - 300.0, 0.0, 40.0))
    assert finding.evidence["lost_s"] == pytest.approx(seconds(slow)[-1] - seconds(normal)[-1], abs=1e-9)
    assert find_habits(held_up_session(10.0)) == ()  # 0.2 s: a longer look at the mirror


def test_a_held_up_lap_does_not_count_among_the_drivers_habits():
    def lap_of(number):
        v = speed(30.0, 9.0, 20.0, 210.0, 4.0)
        if number == 3:
            v = np.sqrt(v**2 - 14.0 * np.clip(along - 300.0, 0.0, 40.0))
        return trace(number, v=v, bar=np.where(between(30, 146), 60.0, 0.0))

    found = {f.kind: f for f in find_habits([sheet([lap_of(number) for number in LAPS])])}
    assert found["early braking"].laps == (1, 2, 4, 5)
    assert found["early braking"].of_laps == 4
    assert found["held up"].laps == (3,)


def test_slowing_on_a_straight_on_most_laps_is_the_drivers_own_way():
    normal = speed(55.0, 9.0, 20.0, 210.0, 4.0)
    slow = np.sqrt(normal**2 - 14.0 * np.clip(along - 300.0, 0.0, 40.0))
    session = [sheet([trace(lap, v=slow if lap in (1, 3) else normal) for lap in LAPS])]
    assert "held up" not in kinds(find_habits(session))


def test_without_pedal_channels_braking_is_judged_from_the_deceleration_and_the_rest_is_named():
    bare = [sheet([trace(lap, brake_m=30.0, without=("throttle", "brake_pressure", "gear")) for lap in LAPS])]
    (finding,) = find_habits(bare)
    assert finding.kind == "early braking"
    assert finding.evidence["early_m"] == pytest.approx(30.0, abs=1.0)  # 9 m/s² at once: the first value shows it
    lines = not_judged(bare)
    throttle = next(line for line in lines if "throttle channel" in line)
    for kind in ("coasting", "early lift", "throttle opened twice", "full throttle before the apex"):
        assert kind in throttle
    assert "brake eased and re-applied" in next(line for line in lines if "brake pressure or brake pedal" in line)
    assert any("light braking is not seen" in line for line in lines)


def test_nothing_is_left_unjudged_when_all_channels_are_there():
    assert not_judged([sheet([trace(lap) for lap in LAPS])]) == ()


def test_laps_where_the_throttle_has_gaps_are_named_and_not_counted():
    traces = [trace(lap, throttle=lifted(20), without=("throttle",) if lap == 2 else ()) for lap in LAPS]
    (finding,) = [f for f in find_habits([sheet(traces)]) if f.kind == "early lift"]
    assert (finding.laps, finding.of_laps) == ((1, 3, 4, 5), 4)
    assert any(line.startswith("Not judged on lap 2") for line in not_judged([sheet(traces)]))


def test_a_pedal_channel_from_0_to_1_is_told_in_percent():
    stroke = steps((55, 0.6), (100, 0.3), (110, 0.55), (172, 0.0))
    traces = [trace(lap, without=("brake_pressure",)) for lap in LAPS]
    traces = [replaced(each, brake=stroke) for each in traces]
    (finding,) = [f for f in find_habits([sheet(traces)]) if f.kind == "brake eased and re-applied"]
    assert finding.evidence["eased_to_percent"] == pytest.approx(30.0)
    assert "60 % of pedal travel" in finding.sentence


def replaced(each, **channels):
    return replace(each, channels={**each.channels, **channels})


def test_a_phase_with_nothing_to_gain_says_so():
    quiet = sheet([trace(lap, brake_m=30.0) for lap in LAPS], gains=(-0.01, 0.0, 0.0))
    (finding,) = find_habits([quiet])
    assert finding.worth_s == 0.0
    assert "no time lost in this phase" in finding.sentence


def test_a_corner_name_from_the_user_stays_as_it_is():
    name = "<b>T{0}%s</b>"
    (finding,) = find_habits([sheet([trace(lap, corner=name, brake_m=30.0) for lap in LAPS], corner=name)])
    assert finding.corner == name
    assert finding.sentence.startswith(name + ": ")


def test_every_kind_has_words_for_observation_and_advice():
    # tests/test_habits_drive.py
    by_drive = {
        "full throttle, weak drive",
        "rolling before the brake",
        "weak drive in a flat corner",
        "weak drive on the exit",
    }
    tested = {*NAMES, *by_drive, "low brake peak", "brake point spread"}
    assert tested == set(WORDS)


def test_the_builder_obeys_its_own_physics():
    # The limit lap of habit_builder: 50 to 20 m/s at 9 m/s² takes (50 - 20) / 9 = 3.33 s.
    v = speed(60.0, 9.0, 20.0, 210.0, 4.0)
    t = seconds(v)
    braking = t[along == 177.0][0] - t[along == 60.0][0]
    assert braking == pytest.approx(30.0 / 9.0, abs=0.02)  # ends within 1 m at 20 m/s
    assert acceleration(v)[along == 120.0][0] == pytest.approx(-9.0)
    assert along[-1] < STOP
    assert isinstance(sheet([]), CornerSheet)
