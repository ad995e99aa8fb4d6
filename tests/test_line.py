"""Lines against curves whose curvature, slope and length are known in closed form."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import fresnel
from solver_cases import circuit, hilly_line

from simlap.errors import OptionError
from simlap.line import CLIMB, LAT_BANK, LAT_SLOPE, NORMAL, NORMAL_SLOPE, Line, _spline

G = 9.80665  # [m/s²] CGPM 1901


def circle_points(radius, n, noise=0.0):
    angle = 2.0 * math.pi * np.arange(n) / n
    wobble = np.random.default_rng(5).normal(size=(2, n)) * noise
    return radius * np.cos(angle) + wobble[0], radius * np.sin(angle) + wobble[1]


def test_circle_has_the_curvature_of_its_radius_and_its_circumference():
    line = Line.from_points(*circle_points(50.0, 157))  # points every 2 m
    assert line.length == pytest.approx(2.0 * math.pi * 50.0, rel=1e-8)
    assert line.kappa == pytest.approx(1.0 / 50.0, rel=1e-6)  # spline of degree 5: (h/R)^4 / 120 = 2e-8 and rounding
    assert line.ds == pytest.approx(line.length / 157, rel=1e-9)
    assert (line.z == 0.0).all()


def test_clockwise_is_a_right_turn():
    x, y = circle_points(30.0, 100)
    assert Line.from_points(x, -y).kappa == pytest.approx(-1.0 / 30.0, rel=1e-6)


def test_ellipse_has_the_curvature_of_the_closed_form_at_uneven_points():
    # Source: kappa = a b / (a² sin² + b² cos²)^(3/2) at (a cos, b sin).
    a, b = 120.0, 60.0
    angle = 2.0 * math.pi * np.arange(300) / 300
    line = Line.from_points(a * np.cos(angle), b * np.sin(angle))
    at = np.arctan2(line.y / b, line.x / a)
    expected = a * b / (a**2 * np.sin(at) ** 2 + b**2 * np.cos(at) ** 2) ** 1.5
    assert line.kappa == pytest.approx(expected, rel=1e-5)
    assert np.hypot(np.diff(line.x), np.diff(line.y)) == pytest.approx(line.length / 300, rel=1e-3)  # chord, not arc


def test_clothoid_has_curvature_that_rises_linearly():
    # Source: x = integral cos(c s² / 2), y = integral sin(c s² / 2), so kappa = c s (Fresnel integrals).
    c, s = 2e-4, np.linspace(0.0, 120.0, 61)
    sine, cosine = fresnel(s * math.sqrt(c / math.pi))
    line = Line.from_points(cosine * math.sqrt(math.pi / c), sine * math.sqrt(math.pi / c), closed=False)
    assert line.length == pytest.approx(120.0, abs=1e-6)
    inner = slice(6, -6)  # an open spline has no neighbour to lean on at its ends
    assert line.kappa[inner] == pytest.approx(c * line.station[inner], abs=1e-6)
    assert line.kappa == pytest.approx(c * line.station, abs=2e-5)


def test_helix_climbs_evenly_and_curves_as_seen_from_above():
    # Source: radius R, grade g: length 2 pi R / cos g per turn; v² kappa is the horizontal acceleration
    # (v cos g)² / R, so kappa = cos² g / R; the grade does not change, so there is no vertical curvature.
    radius, grade = 40.0, 0.1
    angle = np.linspace(0.0, 3.0 * math.pi, 251)
    rise = radius * angle * math.tan(grade)
    line = Line.from_points(radius * np.cos(angle), radius * np.sin(angle), rise, closed=False)
    assert line.length == pytest.approx(3.0 * math.pi * radius / math.cos(grade), rel=1e-7)
    inner = slice(8, -8)
    assert line.kappa[inner] == pytest.approx(math.cos(grade) ** 2 / radius, rel=1e-5)
    assert line.grade[inner] == pytest.approx(grade, rel=1e-5)
    assert line.kappa_v[inner] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("side", [1.0, -1.0], ids=["dip", "crest"])
def test_arc_in_the_vertical_plane_has_vertical_curvature(side):
    # Source: circle of 300 m; a dip curves upwards (positive), a crest downwards.
    angle = np.linspace(-0.15, 0.15, 61)
    x, z = 300.0 * np.sin(angle), side * 300.0 * (1.0 - np.cos(angle))
    line = Line.from_points(x, np.zeros(61), z, closed=False)
    inner = slice(6, -6)
    assert line.kappa_v[inner] == pytest.approx(side / 300.0, rel=1e-4)
    assert line.grade[inner] == pytest.approx(side * np.arcsin(line.x[inner] / 300.0), abs=1e-6)
    assert line.kappa == pytest.approx(0.0, abs=1e-12)


def test_first_point_repeated_at_the_end_changes_nothing():
    x, y = circle_points(50.0, 100)
    once, twice = Line.from_points(x, y), Line.from_points(np.append(x, x[0]), np.append(y, y[0]))
    assert twice.station.size == 100
    assert twice.length == pytest.approx(once.length, rel=1e-12)
    assert twice.kappa == pytest.approx(once.kappa, rel=1e-9)


def test_point_written_twice_is_one_point():
    x, y = circle_points(50.0, 100)
    line = Line.from_points(np.insert(x, 40, x[40]), np.insert(y, 40, y[40]))
    assert line.station.size == 100
    assert line.kappa == pytest.approx(1.0 / 50.0, rel=1e-5)


def test_points_apart_by_rounding_alone_are_one_point():
    # 1e-9 m is what carrying a position from degrees to metres and back leaves; no road turns within it.
    x, y = circle_points(50.0, 100)
    near = [np.insert(values, [21, 41, 61], values[[20, 40, 60]] + 1e-9) for values in (x, y)]
    line = Line.from_points(*near)
    assert line.station.size == 100
    assert line.kappa == pytest.approx(1.0 / 50.0, rel=1e-5)


def test_a_line_a_thousand_times_smaller_is_as_much_shorter_and_bends_as_much_more():
    x, y = circle_points(50.0, 200)
    large, small = Line.from_points(x, y), Line.from_points(x / 1000.0, y / 1000.0)  # points 1.6 mm apart
    assert small.length == pytest.approx(large.length / 1000.0, rel=1e-9)
    assert small.kappa == pytest.approx(large.kappa * 1000.0, rel=1e-6)


def test_stations_are_laid_along_the_curve_to_a_billionth_of_its_length():
    # A flat ellipse with few points, unevenly apart: the length of the spline by adaptive quadrature (QUADPACK).
    angle = 2.0 * math.pi * np.arange(61) / 60
    points = np.stack([200.0 * np.cos(angle), 20.0 * np.sin(angle), np.zeros(61)], axis=1)
    knots = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    points[-1] = points[0]
    curve = _spline(knots, points, True, None)
    length = sum(
        quad(lambda u: np.linalg.norm(curve(u, 1)), a, b, epsrel=1e-12)[0] for a, b in itertools.pairwise(knots)
    )
    assert Line.from_points(*points[:-1].T).length == pytest.approx(length, rel=1e-9)


def test_bank_follows_its_points():
    x, y = circle_points(50.0, 100)
    bank = 0.1 * np.sin(2.0 * math.pi * np.arange(100) / 100)
    line = Line.from_points(x, y, bank=bank)
    assert line.bank == pytest.approx(0.1 * line.y / 50.0, abs=1e-4)


def test_smoothing_takes_the_noise_out_of_the_curvature():
    x, y = circle_points(50.0, 314, noise=0.05)
    rough, smooth = Line.from_points(x, y), Line.from_points(x, y, smoothing=0.05)
    error = [np.abs(line.kappa - 0.02).max() for line in (rough, smooth)]
    assert error[1] < 0.1 * error[0]
    assert error[1] < 0.01
    assert smooth.length == pytest.approx(100.0 * math.pi, rel=2e-3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"y": np.zeros(9)}, r"y has shape \(9,\), x \(100,\)"),
        ({"z": np.r_[np.zeros(99), np.nan]}, r"z\[99\] is nan"),
        ({"bank": np.zeros((100, 2))}, r"bank has shape \(100, 2\)"),
        ({"smoothing": -1.0}, r"smoothing -1.0 m"),
        ({"x": np.zeros(100), "y": np.zeros(100)}, "different points; at least 7 are needed"),
    ],
)
def test_points_that_make_no_line_are_named(change, message):
    x, y = circle_points(50.0, 100)
    with pytest.raises(OptionError, match=message):
        Line.from_points(**({"x": x, "y": y} | change))


def test_loads_of_a_banked_slope_are_those_of_vectors():
    # Textbook, by vectors (east, north, up): the tyres give the path's acceleration less gravity. On a straight course
    # east that climbs by g, T = (cos g, 0, sin g) and the level left is N = (0, 1, 0); a road that falls to the left
    # by b turns left and up about T: L = N cos b - U sin b, R = U cos b + N sin b with U = T x N.
    kappa, bank, grade, speed2 = 0.02, 0.15, 0.1, 400.0
    flat = np.zeros(3)
    line = Line(
        station=np.array([0.0, 1.0, 2.0]), x=flat, y=flat, z=flat, kappa=flat + kappa, kappa_v=flat, grade=flat + grade,
        bank=flat + bank, ds=flat + 1.0, length=3.0,
    )  # fmt: skip
    along, left = np.array([np.cos(grade), 0.0, np.sin(grade)]), np.array([0.0, 1.0, 0.0])
    up = np.cross(along, left)
    in_road, off_road = left * np.cos(bank) - up * np.sin(bank), up * np.cos(bank) + left * np.sin(bank)
    given = speed2 * kappa * left + np.array([0.0, 0.0, G])
    loads = line.road_loads[:, 0]
    assert loads[LAT_SLOPE] * speed2 - loads[LAT_BANK] == pytest.approx(given @ in_road, rel=1e-12)
    assert G * (loads[NORMAL] + loads[NORMAL_SLOPE] * speed2) == pytest.approx(given @ off_road, rel=1e-12)
    assert loads[CLIMB] == pytest.approx(G * along[2], rel=1e-12)
    # a dip of 1/200 1/m presses with v²/200 more
    dip = replace(line, kappa=flat, kappa_v=flat + 1.0 / 200.0, grade=flat, bank=flat).road_loads[:, 0]
    assert G * (dip[NORMAL] + dip[NORMAL_SLOPE] * speed2) == pytest.approx(G + speed2 / 200.0, rel=1e-12)


# -- curvature in, changed copies out


def test_integrating_the_curvature_of_a_circle_closes_it():
    n = 400
    line = Line.from_curvature(np.full(n, 0.02), 2.0 * math.pi * 50.0 / n)
    # The last segment leads back to the first station.
    assert np.hypot(line.x[0] - line.x[-1], line.y[0] - line.y[-1]) == pytest.approx(line.ds[0], rel=1e-3)
    assert line.length == pytest.approx(100.0 * math.pi, rel=1e-12)


def test_a_climbing_arc_is_as_long_on_the_map_as_its_slope_leaves_and_rises_by_it():
    # Quarter of a circle of 50 m on the map in 40 steps, climbing by 0.1 rad: path pi 25 / cos(0.1), height times its
    # sine. The trapezoidal heading is exact for a constant curvature; the chord of a step is short by (0.04)² / 24.
    path = 25.0 * math.pi / math.cos(0.1)
    line = Line.from_curvature(np.full(41, math.cos(0.1) / 50.0), path / 40, grade=0.1, closed=False)
    assert line.length == pytest.approx(path, rel=1e-12)
    assert line.z[-1] == pytest.approx(path * math.sin(0.1), rel=1e-12)
    assert (line.x[-1], line.y[-1]) == pytest.approx((50.0, 50.0), rel=2e-4)


def test_heading_turns_by_the_mean_of_the_curvatures_at_both_ends_of_a_step():
    # Clothoid kappa = 2 s / 100² to 100 m: at its end the heading is 1 rad, whatever the step (the rule is exact).
    steps = 5
    s = np.linspace(0.0, 100.0, steps + 1)
    line = Line.from_curvature(2.0 * s / 100.0**2, 100.0 / steps, closed=False)
    before, end = (s[-2] / 100.0) ** 2, 1.0
    last = math.atan2(line.y[-1] - line.y[-2], line.x[-1] - line.x[-2])
    assert last == pytest.approx(0.5 * (before + end), rel=1e-12)


def test_positions_and_stations_that_are_given_win_over_those_of_the_line_that_it_is_like():
    line = circuit("kart")
    x, y = np.asarray(line.x) + 1.0, np.asarray(line.y) - 2.0
    moved = Line.from_curvature(line.kappa, line.ds, like=line, x=x, y=y)
    assert (moved.x == x).all()
    assert (moved.y == y).all()


def test_resampling_takes_the_number_of_steps_nearest_to_the_spacing():
    # 100 m in steps of about 2.9 m: 34.5 of them; 35 are 2.857 m, 34 would be 2.941 m. In steps of 3.1: 32.3, so 32.
    line = Line.from_curvature(np.full(100, 2.0 * math.pi / 100.0), 1.0)
    assert line.resample(2.89).station.size == 35
    assert line.resample(3.1).station.size == 32


def test_in_the_mirror_the_other_edge_of_the_road_is_lower():
    line = hilly_line(4)
    assert (line.mirrored().bank == -line.bank).all()
    assert (line.mirrored().kappa == -line.kappa).all()
    assert (line.mirrored().grade == line.grade).all()


@pytest.mark.parametrize("closed", [True, False])
def test_points_too_few_are_counted_without_the_closing_one(closed):
    x, y = circle_points(50.0, 6)
    with pytest.raises(OptionError, match=f"line: 6 different points; at least {7 if closed else 8} are needed"):
        Line.from_points(x, y, closed=closed)


def test_any_banking_counts_as_stated_and_flat_only_where_it_is_said():
    x, y = circle_points(50.0, 100)
    assert not Line.from_points(x, y).bank_stated
    assert Line.from_points(x, y, bank=np.zeros(100)).bank_stated
    assert Line.from_curvature(np.full(100, 0.02), 1.0, bank=0.01).bank_stated


def test_curvature_on_a_reference_line_keeps_its_stations_and_slopes():
    reference = hilly_line(1)
    own = Line.from_curvature(reference.kappa * 1.1, reference.ds * 0.99, like=reference)
    assert (own.station == reference.station).all()
    assert own.length == reference.length
    assert (own.grade == reference.grade).all()
    assert own.ds.sum() == pytest.approx(0.99 * reference.length, rel=1e-12)
    with pytest.raises(OptionError, match=r"curvature has shape \(3,\)"):
        Line.from_curvature(np.zeros(3), 1.0, like=reference)


@pytest.mark.parametrize("spacing", [1.0, 2.0, 7.0])
def test_resampling_keeps_length_and_turning_angle(spacing):
    line = circuit("fast")
    again = line.resample(spacing)
    assert again.length == line.length
    assert again.ds.sum() == pytest.approx(line.length, rel=1e-9)
    assert np.ptp(np.diff(again.station)) < 1e-9
    # Source: a closed path that does not cross itself turns through 2 pi (Hopf's Umlaufsatz).
    assert (again.kappa * again.ds).sum() == pytest.approx(math.copysign(2.0 * math.pi, line.kappa.sum()), abs=0.02)


def test_resampling_keeps_the_driven_path_of_uneven_segments():
    n = 300
    line = Line.from_curvature(np.full(n, 0.02), 1.0 + 0.3 * np.sin(2.0 * math.pi * np.arange(n) / n))
    again = line.resample(2.5)
    assert again.ds.sum() == pytest.approx(line.ds.sum(), rel=1e-9)


def test_turning_round_twice_is_the_line_itself():
    line = hilly_line(4)
    for twice in (line.reversed().reversed(), line.mirrored().mirrored(), line.rolled(150).rolled(-150)):
        for name in ("station", "kappa", "kappa_v", "grade", "bank", "ds", "z"):
            assert getattr(twice, name) == pytest.approx(getattr(line, name), abs=1e-9), name


def test_driven_the_other_way_uphill_is_downhill_and_left_is_right():
    line = hilly_line(4)
    back = line.reversed()
    assert back.grade[0] == -line.grade[-1]
    assert back.kappa[0] == -line.kappa[-1]
    assert back.bank[0] == -line.bank[-1]
    assert back.kappa_v[0] == line.kappa_v[-1]
    assert back.x[0] == line.x[-1]


def test_driven_the_other_way_each_segment_keeps_its_length():
    # From station 3 back to 2 it is 3 m, to 1 another 2 m, to 0 another 1 m, and on around to 3 the last 4 m.
    line = Line.from_curvature(np.full(4, 0.1), [1.0, 2.0, 3.0, 4.0])
    assert list(line.reversed().ds) == [3.0, 2.0, 1.0, 4.0]
    assert list(line.reversed().station) == [0.0, 3.0, 5.0, 6.0]


def test_opened_lap_ends_where_it_began():
    line = hilly_line(4)
    run = line.opened()
    assert not run.closed
    assert run.station.size == line.station.size + 1
    assert run.station[-1] == line.length
    assert run.kappa[-1] == line.kappa[0]
    assert run.opened() is run


def test_line_owns_its_arrays():
    kappa = np.full(50, 0.02)
    line = Line.from_curvature(kappa, 1.0)
    kappa[0] = 9.0
    assert line.kappa[0] == 0.02
    with pytest.raises(ValueError, match="read-only"):
        line.kappa[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        line.road_loads[0, 0] = 1.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda line: line.resample(0.0), "spacing 0.0 m"),
        (lambda line: line.resample(math.nan), "spacing nan m"),
        (lambda line: line.opened().rolled(3), "only a closed line"),
        (lambda line: Line.from_curvature([0.1, np.inf, 0.1], 1.0), r"kappa\[1\] is inf"),
        (lambda line: Line.from_curvature(np.zeros(4), [1.0, -1.0, 1.0, 1.0]), "stations must rise"),
        (lambda line: Line.from_curvature([0.1], 1.0), "1 stations"),
    ],
)
def test_bad_requests_are_named(call, message):
    with pytest.raises(OptionError, match=message):
        call(hilly_line(4))
