"""Zones and phases: they tile the lap, obey the design's definitions, and survive awkward corners."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from simlap.corners import find_corners
from simlap.envelope import Envelope
from simlap.errors import OptionError
from simlap.layout import Bend, Straight, closed_layout
from simlap.line import Line
from simlap.solver import LIMIT_NAMES, limit_profile
from simlap.track import Corner
from simlap.zones import LIFT_SPREAD, PLATEAU, BrakeOnsets, brake_onsets, cut_zones

SPACING = 2.0
CAR = Envelope.from_limits(
    lateral=(10.0, 0.0),
    braking=(9.0, 0.0),
    traction=(5.0, 0.0),
    engine=(np.array([0.0, 30.0, 70.0]), np.array([5.0, 3.0, 0.5])),
)


def line_of(elements):
    plan = closed_layout(elements)
    count = math.ceil(plan.length / SPACING)
    return Line.from_points(*plan.positions(plan.length / count * np.arange(count)))


OVAL = [Straight(250), Bend(180, 60, 20, 20), Straight(500), Bend(180, 60, 20, 20), Straight(250)]
KINKED = [
    Straight(300),
    Bend(90, 40, 15, 15),
    Straight(300),
    Bend(15, 450),
    Straight(500),
    Bend(90, 40, 15, 15),
    Straight(400),
    Bend(75, 50, 15, 15),
    Straight(300),
    Bend(90, 30, 10, 10),
    Straight(150),
]


def cut(line, onsets=None, counted=None):
    profile = limit_profile(line, CAR)
    corners = find_corners(line)
    return profile, corners, cut_zones(line, corners, profile, onsets, counted)


def holders(zones, station, length):
    """How many phases hold each station, by the half-open rule of Zone."""
    held = np.zeros(station.size, dtype=int)
    for zone in zones:
        for _, start, stop in zone.phases():
            held += (station - start) % length < (stop - start) % length
    return held


@pytest.mark.parametrize("elements", [OVAL, KINKED], ids=["oval", "kinked"])
@pytest.mark.parametrize("shift", [0, 37, 160, 333])
def test_every_station_lies_in_exactly_one_phase_wherever_the_lap_starts(elements, shift):
    line = line_of(elements).rolled(shift)
    _, corners, zones = cut(line)
    assert np.array_equal(holders(zones, line.station, line.length), np.ones(line.station.size))
    assert [z.corner for z in zones] == list(corners)
    assert all(a.stop == b.start for a, b in zip(zones, zones[1:] + zones[:1], strict=True))


def test_moving_the_start_line_moves_no_zone():
    line = line_of(KINKED)
    _, _, before = cut(line)
    for shift in (37, 160, 333):
        moved = line.station[shift]
        _, _, after = cut(line.rolled(shift))
        order = sorted(after, key=lambda z: (z.corner.apex_m + moved) % line.length)
        for a, b in zip(before, order, strict=True):
            for end in ("start", "braking_stop", "mid_stop", "stop"):
                gap = (getattr(a, end) - getattr(b, end) - moved + 0.5 * line.length) % line.length - 0.5 * line.length
                assert abs(gap) < 1e-6  # the same station


def test_an_apex_behind_the_last_station_of_the_lap_is_the_last_corners():
    line = line_of(OVAL)
    first, last = find_corners(line)
    corners = (first, replace(last, apex_m=line.length - 0.5, exit_m=first.entry_m - 1.0))
    zones = cut_zones(line, corners, limit_profile(line, CAR))
    assert np.array_equal(holders(zones, line.station, line.length), np.ones(line.station.size))
    assert [zone.corner for zone in zones] == list(corners)


def test_phases_of_an_oval_end_where_the_design_says():
    # Source: design, section 7, on the limit profile itself. A station is 2 m, so each end lies within one of them.
    line = line_of(OVAL)
    profile, _, zones = cut(line)
    v, station = profile.v, line.station

    def speed(place):
        return float(np.interp(place, station, v))

    for zone in zones:
        top, low = speed(zone.start), v[(station > zone.start) & (station < zone.mid_stop)].min()
        assert top == pytest.approx(v[(station > zone.start - 30) & (station < zone.braking_stop)].max(), abs=0.2)
        assert speed(zone.start + 3 * SPACING) < top - 0.5  # the brakes are on right behind the start
        assert speed(zone.braking_stop) <= top - 0.9 * (top - low) <= speed(zone.braking_stop - SPACING)
        assert speed(zone.mid_stop) <= low + PLATEAU < speed(zone.mid_stop + 2 * SPACING)
        assert profile.a_lon[np.searchsorted(station, zone.mid_stop + 2 * SPACING)] > 1.0  # the drive is in use


def test_a_kink_taken_flat_has_a_mid_corner_only():
    line = line_of(KINKED)
    profile, corners, zones = cut(line)
    kink = zones[1]
    assert line.kappa[int(kink.corner.apex_m / SPACING)] == pytest.approx(1.0 / 450.0, rel=0.02)
    inside = (line.station >= kink.corner.entry_m) & (line.station <= kink.corner.exit_m)
    assert {LIMIT_NAMES[k] for k in profile.active[inside]} == {"engine"}
    assert kink.start == kink.braking_stop
    assert kink.mid_stop == kink.stop == zones[2].start
    assert kink.start == pytest.approx(corners[1].entry_m, abs=SPACING)


@pytest.mark.parametrize(("on_traction", "flat"), [(0.05, True), (0.2, False)])
def test_a_kink_whose_first_metres_are_on_traction_is_flat_and_one_held_by_it_is_not(on_traction, flat):
    # Out of a slow corner close behind the first stations are still on traction; a fifth of the corner is more.
    line = line_of(KINKED)
    profile, corners, _ = cut(line)
    entry, leave = corners[1].entry_m, corners[1].exit_m
    held = (line.station >= entry) & (line.station < entry + on_traction * (leave - entry))
    active = np.where(held, LIMIT_NAMES.index("traction"), profile.active)
    kink = cut_zones(line, corners, replace(profile, active=active))[1]
    assert (kink.mid_stop == kink.stop) == flat


def test_banking_that_lets_the_speed_rise_in_mid_corner_does_not_cut_the_braking_off():
    # A long arc, banked in its middle: the limit speed has a hump of 1 m/s between two minima. The whole slowing
    # from the straight is this corner's braking.
    plan = closed_layout([Straight(400), Bend(180, 90, 30, 30), Straight(800), Bend(180, 90, 30, 30), Straight(400)])
    count = math.ceil(plan.length / SPACING)
    station = plan.length / count * np.arange(count)
    bank = sum(np.radians(5.0) * np.exp(-(((station - middle) / 40.0) ** 2)) for _, middle, _ in plan.bends)
    line = Line.from_points(*plan.positions(station), None, bank)
    profile, _, zones = cut(line)
    for zone in zones:
        inside = (line.station > zone.braking_stop) & (line.station < zone.mid_stop)
        hump = profile.v[inside].max() - profile.v[inside].min()
        assert hump > 0.8
        fastest = profile.v[np.searchsorted(line.station, zone.start)]
        assert fastest > profile.v[inside].max() + 10.0
        assert zone.mid_stop > zone.corner.apex_m + 60.0  # behind the second minimum


def banked_twice_slow(later):
    """The long arc banked in its middle, and banked by `later` degrees more from its apex on (less, when negative)."""
    plan = closed_layout([Straight(400), Bend(180, 90, 30, 30), Straight(800), Bend(180, 90, 30, 30), Straight(400)])
    count = math.ceil(plan.length / SPACING)
    station = plan.length / count * np.arange(count)
    bank = np.zeros(count)
    for _, middle, _ in plan.bends:
        bank += np.radians(5.0) * np.exp(-(((station - middle) / 40.0) ** 2))
        bank += np.radians(later) * 0.5 * (1.0 + np.tanh((station - middle) / 15.0)) * (station < middle + 300.0)
    return Line.from_points(*plan.positions(station), None, bank)


@pytest.mark.parametrize("later", [0.5, 1.0])
def test_a_second_dip_hardly_faster_than_the_first_still_belongs_to_mid_corner(later):
    # A banked turn on friction m: v² = g r (m + tan b) / (1 - m tan b), so that a small b raises v by b (1/m + m) / 2.
    # Half a degree and one raise the second minimum by 0.9 and 1.7 %: outside PLATEAU, and no place to drive away.
    profile, _, zones = cut(line := banked_twice_slow(later))
    for zone in zones:
        first = (line.station > zone.braking_stop) & (line.station < zone.corner.apex_m)
        second = (line.station > zone.corner.apex_m) & (line.station < zone.corner.exit_m)
        low, again = profile.v[first].min(), profile.v[second].min()
        raised = math.radians(later) * (9.81 / 10.0 + 10.0 / 9.81) / 2.0
        assert again / low - 1.0 == pytest.approx(raised, abs=0.003)  # curvature from points ripples by some tenths %
        bottom = line.station[second][np.argmin(profile.v[second])]
        assert bottom <= zone.mid_stop <= bottom + 20.0
        end = np.searchsorted(line.station, zone.mid_stop)
        assert profile.v[end] <= again + PLATEAU < profile.v[end + 2]


def test_a_second_dip_clearly_faster_than_the_first_is_on_the_way_out():
    # 5 degrees raise the second minimum by 9 %: between the two the limit drives, and the exit has begun.
    profile, _, zones = cut(line := banked_twice_slow(5.0))
    for zone in zones:
        assert zone.mid_stop < zone.corner.apex_m
        second = (line.station > zone.corner.apex_m) & (line.station < zone.corner.exit_m)
        assert np.diff(profile.v[second]).min() < 0.0  # it is a dip


def test_two_corners_with_braking_all_through_the_first_share_one_zone_border():
    # The limit brakes on through the first corner (110 m radius) into the second (15 m) right behind it.
    drawn = [Straight(500), Bend(30, 110, 10, 10), Bend(150, 15, 30, 10), Straight(900), Bend(180, 60, 10, 10)]
    drawn.append(Straight(300))
    line = line_of(drawn)
    profile = limit_profile(line, CAR)
    first, second, third = closed_layout(drawn).bends
    corners = (
        Corner("1", "left", first[0], first[1], first[2]),
        Corner("2", "left", second[0], second[1], second[2]),
        Corner("3", "left", third[0], third[1], third[2]),
    )
    falling = (line.station > first[0]) & (line.station < second[0])
    assert np.all(np.diff(profile.v[falling]) < 0.0)  # never speeds up between them
    one, two, three = cut_zones(line, corners, profile)
    assert one.start < one.corner.entry_m
    assert one.mid_stop == one.stop == two.start  # no exit
    assert two.start == pytest.approx(first[2], abs=2 * SPACING)
    assert two.start < two.braking_stop < two.mid_stop < two.stop
    # of its own slowing, counted from the border, 90 % are done at the end of its braking
    own = (line.station >= two.start) & (line.station <= two.mid_stop)
    level = profile.v[own].max() - 0.9 * np.ptp(profile.v[own])
    before, after = np.interp([two.braking_stop - line.station[1], two.braking_stop], line.station, profile.v)
    assert after <= level < before
    assert np.array_equal(holders((one, two, three), line.station, line.length), np.ones(line.station.size))


def speeds_of(profile, line, early):
    """Laps as fast as the limit, but slowing `early` [m] before it does for every corner."""
    return np.stack(
        [np.minimum(profile.v, np.interp(line.station + e, line.station, profile.v, period=line.length)) for e in early]
    )


def test_earliest_brake_point_of_the_counted_laps_starts_the_zone():
    # Source: laps made from the limit profile by min(v(s), v(s + e)): they slow from where the rising speed (at d)
    # meets the falling one (at b), e b / (b + d) before the limit does. The third lap is not counted.
    line = line_of(OVAL)
    profile, corners, plain = cut(line)
    table = SimpleNamespace(station=line.station, v=speeds_of(profile, line, (10.0, 30.0, 50.0)))
    onsets = brake_onsets(table, corners)
    assert onsets.slowed.all()
    index = np.searchsorted(line.station, plain[0].start)
    share = -profile.a_lon[index + 5] / (profile.a_lon[index - 5] - profile.a_lon[index + 5])
    assert 0.7 < share < 0.95
    for row, early in enumerate((10.0, 30.0, 50.0)):
        for column, zone in enumerate(plain):
            assert onsets.station[row, column] == pytest.approx(zone.start - share * early, abs=1.5 * SPACING)
    zones = cut_zones(line, corners, profile, onsets, np.array([True, True, False]))
    for before, after in zip(plain, zones, strict=True):
        spread = LIFT_SPREAD * np.interp(before.start, line.station, profile.v)  # the smooth motion shows it earlier
        assert after.start == pytest.approx(before.start - share * 30.0 - spread, abs=1.5 * SPACING)
        assert after.braking_stop == before.braking_stop  # the limit profile's, not the laps'
    assert np.array_equal(holders(zones, line.station, line.length), np.ones(line.station.size))


def test_no_zone_starts_before_the_corner_before_is_over():
    # A lift right behind the slowest place of the corner before shows in the smooth motion before it: the zone starts
    # where that corner ends its mid-corner.
    line = line_of(KINKED)
    profile, corners, plain = cut(line)
    station = np.array([[z.start for z in plain]])
    station[0, -1] = plain[-2].mid_stop + SPACING
    zones = cut_zones(line, corners, profile, BrakeOnsets(station, np.ones(station.shape, bool)))
    assert zones[-1].start == zones[-2].mid_stop == plain[-2].mid_stop


def test_speed_that_was_never_gained_is_the_exit_of_the_corner_before_not_a_lift():
    # From the slowest place of corner 4 the lap keeps the speed it has, all along the straight, and brakes for corner 5
    # from there: it slows no earlier for it than the limit does.
    line = line_of(KINKED)
    profile, corners, plain = cut(line)
    v = profile.v.copy()
    held = (line.station >= plain[-2].mid_stop) & (line.station < corners[-1].apex_m)
    v[held] = np.minimum(v[held], v[np.argmax(held)])
    onsets = brake_onsets(SimpleNamespace(station=line.station, v=v[None]), corners)
    assert onsets.slowed[0, -1]
    assert onsets.station[0, -1] < plain[-2].braking_stop  # the slowing that ends in corner 5 began before corner 4
    zones = cut_zones(line, corners, profile, onsets)
    assert zones[-1].start == plain[-1].start
    assert zones[-2].stop - zones[-2].mid_stop > 250.0  # the whole straight


def test_a_lift_for_a_kink_that_the_limit_takes_flat_belongs_to_the_kink():
    line = line_of(KINKED)
    profile, corners, plain = cut(line)
    v = profile.v.copy()
    dip = np.abs(line.station - corners[1].apex_m) < 90.0
    v[dip] -= 12.0 * np.cos((line.station[dip] - corners[1].apex_m) * math.pi / 180.0)
    onsets = brake_onsets(SimpleNamespace(station=line.station, v=v[None]), corners)
    assert onsets.slowed[0, 1]
    zones = cut_zones(line, corners, profile, onsets)
    spread = LIFT_SPREAD * profile.v.max()
    assert corners[1].apex_m - 92.0 - spread < zones[1].start < plain[1].start - 20.0
    assert zones[1].start == zones[1].braking_stop
    assert zones[0].stop == zones[1].start


@pytest.mark.parametrize("rise", [0.0, 0.02])  # [m/s per m], so that the approach begins slower than the dab ends
def test_a_dab_that_is_over_before_the_corner_belongs_to_it(rise):
    # 1.5 m/s given up from 60 to 30 m before a kink that the limit takes flat and won back by its entry. On a straight
    # far from any corner the same dab is the business of none.
    line = line_of(KINKED)
    profile, corners, plain = cut(line)
    entry = corners[1].entry_m

    def dabbed(ends):
        before = ends - line.station
        v = np.full(line.station.size, 50.0) - rise * np.clip(entry - line.station, 0.0, 300.0)
        v -= np.interp(before, [-30.0, 0.0, 30.0], [0.0, 1.5, 0.0])
        return brake_onsets(SimpleNamespace(station=line.station, v=v[None]), corners)

    onsets = dabbed(entry - 30.0)
    assert onsets.slowed[0, 1]
    assert onsets.station[0, 1] == pytest.approx(entry - 60.0, abs=7.0)  # 0.15 m/s below the top is still the top: 5 m
    zones = cut_zones(line, corners, profile, onsets)
    assert zones[1].start < entry - 55.0 < plain[1].start
    assert not dabbed(entry - 130.0).slowed[0, 1]  # 2 s before it


def test_a_lap_that_does_not_slow_says_so():
    line = line_of(KINKED)
    profile, corners, _ = cut(line)
    onsets = brake_onsets(SimpleNamespace(station=line.station, v=profile.v[None]), corners)
    assert onsets.slowed.tolist() == [[True, False, True, True, True]]


def test_corners_out_of_driving_order_are_refused():
    line = line_of(KINKED)
    profile, corners, _ = cut(line)
    with pytest.raises(OptionError, match=r"corners '3' and '1': the apexes at .* m and .* m are not in driving order"):
        cut_zones(line, (corners[2], corners[0], *corners[3:]), profile)
    wrong = Corner("9", "left", corners[0].exit_m, corners[0].apex_m, corners[0].entry_m)
    with pytest.raises(OptionError, match=r"corner '9': its apex at .* does not lie between its entry"):
        cut_zones(line, (wrong, *corners[1:]), profile)


def test_a_circle_is_one_zone():
    angle = np.linspace(0.0, 2.0 * math.pi, 300, endpoint=False)
    line = Line.from_points(100.0 * np.cos(angle), 100.0 * np.sin(angle))
    _, _, zones = cut(line)
    assert len(zones) == 1
    assert np.array_equal(holders(zones, line.station, line.length), np.ones(300))


def made(v, active="engine"):
    """A limit profile of speeds (n,) made by hand on stations of 1 m, and its line. [m/s]"""
    line = Line.from_curvature(np.full(v.size, 2.0 * math.pi / v.size), 1.0)
    return SimpleNamespace(v=v, a_lon=np.gradient(v**2 / 2.0), active=np.full(v.size, LIMIT_NAMES.index(active))), line


TWO = (Corner("1", "left", 150.0, 180.0, 210.0), Corner("2", "left", 450.0, 480.0, 510.0))


def along(places, speeds, n=600):
    return np.interp(np.arange(float(n)), places, speeds)


@pytest.mark.parametrize(("lost", "slows"), [(0.3, False), (0.8, True)])
def test_less_than_half_a_metre_per_second_is_no_slowing(lost, slows):
    # The second corner is slow; the limit loses 0.3 or 0.8 m/s before the first one.
    v = along([0, 100, 170, 190, 300, 400, 470, 490, 599], [40, 40, 40 - lost, 40 - lost, 40, 40, 20, 20, 40])
    profile, line = made(v, "lateral")
    first, _ = cut_zones(line, TWO, profile)
    assert (first.braking_stop > first.start) == slows
    assert (first.start < first.corner.entry_m) == slows


@pytest.mark.parametrize(("gained", "own"), [(1.0, True), (0.3, False)])
def test_a_slowing_begins_behind_the_corner_before_where_speed_was_gained_between(gained, own):
    # Before the second corner the limit falls from 40 to 38 m/s at 250 m (no corner of the list), gains a metre per
    # second by 350 m, and slows to 20: that slowing is its own. The 0.3 m/s of a ripple are part of one long slowing.
    v = along([0, 100, 200, 250, 350, 470, 490, 599], [40, 40, 40, 38, 38 + gained, 20, 20, 40])
    profile, line = made(v, "lateral")
    _, second = cut_zones(line, (replace(TWO[0], entry_m=60.0, apex_m=70.0, exit_m=80.0), TWO[1]), profile)
    assert second.start == pytest.approx(350.0 if own else 200.0, abs=3.0)


def test_mid_corner_ends_a_fifth_of_a_metre_per_second_above_the_lowest_speed():
    # From 190 m the limit gains 0.02 m/s per metre: 0.2 m/s after 10 m, before the corner is over.
    v = along([0, 100, 170, 190, 290, 400, 470, 490, 599], [40, 40, 30, 30, 32, 40, 20, 20, 40])
    profile, line = made(v, "lateral")
    first, _ = cut_zones(line, TWO, profile)
    assert first.mid_stop == pytest.approx(200.0, abs=1.0)


def test_the_only_corner_of_a_circuit_holds_the_lap_also_where_it_is_taken_flat():
    profile, line = made(np.full(600, 40.0))
    zones = cut_zones(line, TWO[:1], profile)
    assert np.array_equal(holders(zones, line.station, line.length), np.ones(600))
