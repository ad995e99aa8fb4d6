"""Station and offset of driven paths: closed forms, crossings, straights side by side, gaps."""

import math

import numpy as np
import pytest

from simlap.errors import NotEnoughData
from simlap.layout import Bend, Straight, closed_layout
from simlap.line import Line
from simlap.projection import Curve, project_path


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


def driven(line, offset, laps=1.0, step=0.7):
    """A path at a known station and offset (function of the station), from station 3 m on."""
    curve = Curve(line)
    station = 3.0 + np.arange(0.0, laps * line.length, step)
    off = offset(station)
    return station, off, curve.at(station) + off[:, None] * curve.normal(station)


def test_points_beside_a_circle_have_the_angle_as_station_and_the_radius_as_offset():
    # Source: on a circle of radius R driven anticlockwise, station = R * angle, offset = R - r (left is inside).
    # Tolerance: a cubic spline through 250 points of a circle is off by h⁴/384/R³ = 0.1 µm.
    angle = np.linspace(0.2, 6.0, 400)
    radius = 80.0 + 6.0 * np.sin(3.0 * angle)
    seen = project_path(circle(), radius * np.cos(angle), radius * np.sin(angle))
    np.testing.assert_allclose(seen.station, 80.0 * angle, atol=1e-4)
    np.testing.assert_allclose(seen.offset, 80.0 - radius, atol=1e-5)


def test_station_runs_on_from_lap_to_lap():
    line = circle()
    station, off, path = driven(line, lambda s: 2.0 * np.sin(s / 90.0), laps=3.4)
    seen = project_path(line, *path.T)
    np.testing.assert_allclose(seen.station, station, atol=1e-6)
    np.testing.assert_allclose(seen.offset, off, atol=1e-6)


@pytest.mark.parametrize("elements", [FIGURE_EIGHT, SIDE_BY_SIDE], ids=["figure of eight", "side by side"])
def test_parts_that_cross_or_lie_alongside_are_never_mixed_up(elements):
    # The path is 5 m beside the line, towards the neighbour (6 m to the middle between the straights) and away.
    # Tolerance: Newton's method to rounding.
    line = drawn(elements)
    for side in (-1.0, 1.0):
        station, off, path = driven(line, lambda s, side=side: side * 5.0 * np.sin(s / 130.0), laps=2.0)
        seen = project_path(line, *path.T)
        np.testing.assert_allclose(seen.station, station, atol=1e-6)
        np.testing.assert_allclose(seen.offset, off, atol=1e-6)


def test_a_path_that_starts_on_the_crossing_takes_the_leg_it_drives_along():
    line = drawn(FIGURE_EIGHT)
    curve = Curve(line)
    inner = np.abs(line.station[:, None] - line.station) > 100.0
    apart = np.hypot(line.x[:, None] - line.x, line.y[:, None] - line.y)
    one, two = np.unravel_index(np.argmin(np.where(inner, apart, np.inf)), apart.shape)
    for leg, other in ((one, two), (two, one)):
        begin = line.station[leg] + np.arange(0.0, 40.0, 0.5)
        path = curve.at(begin) + (curve.points[other] - curve.points[leg])  # begins on a point of the other leg
        seen = project_path(line, *path.T)
        np.testing.assert_allclose(seen.station, begin, atol=2.5)  # the shift is less than a station and a half


def test_a_position_error_beyond_the_middle_keeps_the_leg_that_is_driven():
    # All positions 7 m to the north, where the straights lie 12 m apart: the other straight is nearer everywhere.
    line = drawn(SIDE_BY_SIDE)
    station, _, path = driven(line, lambda s: 0.0 * s)
    seen = project_path(line, path[:, 0], path[:, 1] + 7.0)
    hairpin = np.pi * 6.0
    along = station % (400.0 + hairpin)
    straight = np.abs(along - 200.0 - 0.5 * hairpin) > 0.5 * hairpin + 3.0
    assert straight.sum() > 0.9 * station.size
    # the spline swings a little where the straight becomes an arc
    np.testing.assert_allclose(seen.station[straight], station[straight], atol=0.05)
    np.testing.assert_allclose(np.abs(seen.offset[straight]), 7.0, atol=0.05)


def test_after_a_gap_in_the_log_the_path_is_found_again():
    line = drawn([Straight(600), Bend(180, 50), Straight(1200), Bend(180, 50), Straight(600)])
    station, off, path = driven(line, lambda s: 1.0 + 0.0 * s)
    kept = (station < 150.0) | (station > 1210.0)  # 100 m across to the other straight
    seen = project_path(line, *path[kept].T)
    behind = slice(int(np.sum(station < 150.0)) + 40, None)  # it may take a block of 20 m until it is missed
    np.testing.assert_allclose(seen.offset[behind], off[kept][behind], atol=1e-6)
    np.testing.assert_allclose(seen.station[behind] % line.length, station[kept][behind] % line.length, atol=1e-6)


def test_a_car_that_stands_keeps_its_station():
    line = circle()
    x, y = Curve(line).at(np.array([100.0]))[0]
    seen = project_path(line, np.full(3000, x), np.full(3000, y))
    np.testing.assert_allclose(seen.station, 100.0, atol=1e-6)


def test_open_line_ends_hold_the_station():
    x = np.linspace(0.0, 200.0, 101)
    line = Line.from_points(x, np.zeros(101), closed=False)
    along = np.linspace(-5.0, 205.0, 300)
    seen = project_path(line, along, np.full(300, 2.0))
    np.testing.assert_allclose(seen.station, np.clip(along, 0.0, 200.0), atol=1e-6)
    np.testing.assert_allclose(seen.offset, 2.0, atol=1e-6)


def test_a_path_without_a_position_is_refused():
    with pytest.raises(NotEnoughData, match="no points, or one without a position"):
        project_path(circle(), np.array([80.0, np.nan]), np.array([0.0, 1.0]))
