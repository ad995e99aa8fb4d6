"""Station and offset of a driven lap: closed forms, crossings, straights side by side."""

import math

import numpy as np
import pytest

from simlap.layout import Bend, Straight, closed_layout
from simlap.line import Line
from simlap.projection import SAME_PLACE, Curve
from simlap.stationing import LEAST_ADVANCE, station_of_lap


def circle(radius=80.0, count=250):
    angle = np.linspace(0.0, 2.0 * math.pi, count, endpoint=False)
    return Line.from_points(radius * np.cos(angle), radius * np.sin(angle))


def drawn(elements, spacing=2.0):
    plan = closed_layout(elements)
    count = math.ceil(plan.length / spacing)
    return Line.from_points(*plan.positions(plan.length / count * np.arange(count)))


# Two loops of 270 degrees, one left, one right: the straights cross at a right angle in the middle.
FIGURE_EIGHT = [Straight(60), Bend(270, 40), Straight(120), Bend(-270, 40), Straight(60)]
# Two straights of 400 m, 12 m apart, joined by hairpins of 6 m radius.
SIDE_BY_SIDE = [Straight(200), Bend(180, 6), Straight(400), Bend(180, 6), Straight(200)]


def driven(line, offset, step=0.7):
    """A lap at known stations (n,) and offsets (function of the station) [m]: curve, stations, offsets, x, y, s."""
    curve = Curve(line)
    station = np.linspace(0.0, line.length, math.ceil(line.length / step))
    off = offset(station)
    x, y = (curve.at(station) + off[:, None] * curve.normal(station)).T
    return curve, station, off, x, y, np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y))))


def test_points_beside_a_circle_have_the_angle_as_station_and_the_radius_as_offset():
    # Source: on a circle of radius R driven anticlockwise, station = R * angle, offset = R - r (left is inside).
    # Tolerance: a cubic spline through 250 points of a circle is off by h⁴/384/R³ = 0.1 µm.
    angle = np.linspace(0.0, 2.0 * math.pi, 700)
    radius = 80.0 + 6.0 * np.sin(3.0 * angle)
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    curve = Curve(circle())
    station = station_of_lap(curve, x, y, np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y)))))
    np.testing.assert_allclose(station, 80.0 * angle, atol=1e-4)
    np.testing.assert_allclose(curve.offset(np.column_stack([x, y]), station), 80.0 - radius, atol=1e-5)


@pytest.mark.parametrize("elements", [FIGURE_EIGHT, SIDE_BY_SIDE], ids=["figure of eight", "side by side"])
@pytest.mark.parametrize("aside", [-5.0, -3.0, 0.0, 3.0, 5.0])
def test_parts_that_cross_or_lie_alongside_are_never_mixed_up(elements, aside):
    # The path is up to 5 m beside the line, towards the neighbour (6 m to the middle between the straights) and away.
    # Tolerance: Newton's method to rounding.
    line = drawn(elements)
    curve, station, off, x, y, s = driven(line, lambda at: aside * np.sin(np.pi * at / line.length) ** 2)
    found = station_of_lap(curve, x, y, s)
    np.testing.assert_allclose(found, station, atol=1e-6)
    np.testing.assert_allclose(curve.offset(np.column_stack([x, y]), found), off, atol=1e-6)


def test_a_position_error_beyond_the_middle_keeps_the_leg_that_is_driven():
    # All positions 7 m to the north, where the straights lie 12 m apart: the other straight is nearer everywhere.
    line = drawn(SIDE_BY_SIDE)
    curve, station, _, x, y, s = driven(line, lambda at: 0.0 * at)
    found = station_of_lap(curve, x, y + 7.0, s)
    hairpin = np.pi * 6.0
    along = station % (400.0 + hairpin)
    straight = np.abs(along - 200.0 - 0.5 * hairpin) > 0.5 * hairpin + 3.0
    assert straight.sum() > 0.9 * station.size
    # the spline swings a little where the straight becomes an arc
    np.testing.assert_allclose(found[straight], station[straight], atol=0.05)
    away = curve.offset(np.column_stack([x, y + 7.0]), found)
    np.testing.assert_allclose(np.abs(away[straight]), 7.0, atol=0.05)


def test_a_car_that_stands_keeps_its_station():
    # Half a minute at 100 samples a second on one point, as a stop logs it: the odometer creeps by 1 mm in all.
    line = circle()
    curve, station, _, x, y, s = driven(line, lambda at: 0.0 * at)
    stop = int(np.searchsorted(station, 100.0))
    x, y, s, expected = (np.insert(one, stop, np.full(3000, one[stop])) for one in (x, y, s, station))
    s = s + np.clip(np.arange(s.size) - stop, 0, 3000) * (1e-3 / 3000)
    found = station_of_lap(curve, x, y, s)
    # Stations rise strictly by at least LEAST_ADVANCE a sample, and so ahead of the car for as long as it stands
    assert np.all(np.diff(found) > 0.0)
    assert np.abs(found - expected).max() <= 3001 * LEAST_ADVANCE
    behind = station > station[stop] + 2 * 3001 * LEAST_ADVANCE
    np.testing.assert_allclose(found[3000:][behind], station[behind], atol=1e-6)


def test_the_nearest_place_is_told_apart_by_a_hint_where_legs_cross():
    # The straights of the figure of eight cross: a point there lies on both, each at its own station.
    line = drawn(FIGURE_EIGHT)
    curve = Curve(line)
    inner = np.abs(line.station[:, None] - line.station) > 100.0
    apart = np.hypot(line.x[:, None] - line.x, line.y[:, None] - line.y)
    one, two = np.unravel_index(np.argmin(np.where(inner, apart, np.inf)), apart.shape)
    assert apart[one, two] < SAME_PLACE
    for leg in (line.station[one], line.station[two]):
        station, distance = curve.nearest(curve.points[one], float(leg))
        assert station == pytest.approx(leg, abs=SAME_PLACE)
        assert distance <= apart[one, two] + 1e-9
