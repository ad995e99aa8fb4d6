"""Corners found from curvature: known plans, rotation, mirror image, direction, wiggles."""

import math
from pathlib import Path

import numpy as np
import pytest

from simlap.corners import find_corners
from simlap.layout import Bend, Straight, closed_layout, layout
from simlap.line import Line

CIRCUITS = Path(__file__).parents[2] / "shared" / "data" / "circuits"


def line_of(elements, spacing=2.0, close=True):
    plan = closed_layout(elements) if close else layout(elements)
    count = math.ceil(plan.length / spacing)
    return Line.from_points(*plan.positions(plan.length / count * np.arange(count))), plan


OVAL = [Straight(150), Bend(180, 60), Straight(300), Bend(180, 60), Straight(150)]
# Left, right, hairpin and a double apex: two arcs of 40 m with an arc of 160 m between them, one direction.
MIXED = [
    Straight(200),
    Bend(90, 40, 15, 15),
    Straight(120),
    Bend(-70, 60, 15, 15),
    Straight(80),
    Bend(160, 20, 10, 10),
    Straight(250),
    Bend(60, 40, 10, 0),
    Bend(15, 160),
    Bend(60, 40, 0, 10),
    Straight(100),
    Bend(45, 40, 10, 10),
    Straight(200),
]


def test_oval_has_two_left_corners_with_apexes_in_the_middle_of_its_arcs():
    # Source: closed form; arcs of pi 60 m begin behind straights of 150 m.
    line, plan = line_of(OVAL)
    corners = find_corners(line)
    assert [(c.name, c.direction) for c in corners] == [("1", "left"), ("2", "left")]
    arc = math.pi * 60.0
    for corner, middle in zip(corners, (150.0 + arc / 2, 450.0 + 1.5 * arc), strict=True):
        assert corner.apex_m == pytest.approx(middle, abs=1.0)  # half a station
        # LEAVE is 6 % of the arc's curvature: the smoothing of 3 m moves the ends out by less than 3 stations
        assert corner.entry_m == pytest.approx(middle - arc / 2, abs=6.0)
        assert corner.exit_m == pytest.approx(middle + arc / 2, abs=6.0)
    assert plan.length == pytest.approx(600.0 + 2.0 * arc, rel=1e-12)


def test_changes_of_turn_and_a_clear_minimum_part_corners():
    line, plan = line_of(MIXED)
    corners = find_corners(line)
    assert [c.direction for c in corners] == ["left", "right", "left", "left", "left", "left"]
    middles = [b[1] for b in plan.bends if b not in (plan.bends[4],)]
    for corner, middle in zip(corners, middles, strict=True):
        assert corner.apex_m == pytest.approx(middle, abs=4.0)
    # between the two arcs of the double apex, one corner ends where the other begins
    assert corners[3].exit_m == corners[4].entry_m
    assert plan.bends[4][0] < corners[3].exit_m < plan.bends[4][2]


def test_moving_the_start_line_moves_no_corner():
    line, _ = line_of(MIXED)
    before = find_corners(line)
    for shift in (1, 60, 123, 290, 501):
        turned = find_corners(line.rolled(shift))
        moved = line.station[shift]
        order = sorted(turned, key=lambda c: (c.apex_m + moved) % line.length)
        assert len(turned) == len(before)
        for a, b in zip(before, order, strict=True):
            assert a.direction == b.direction
            for end in ("entry_m", "apex_m", "exit_m"):
                gap = (getattr(a, end) - getattr(b, end) - moved + 0.5 * line.length) % line.length - 0.5 * line.length
                assert abs(gap) < 1e-6  # rounding of the spectrum


def test_corners_are_numbered_in_driving_order_from_the_start_line():
    line, _ = line_of(MIXED)
    for shift in (0, 123, 290):
        corners = find_corners(line.rolled(shift))
        assert [c.name for c in corners] == [str(k) for k in range(1, 7)]
        assert np.all(np.diff([c.apex_m for c in corners]) > 0.0)


def test_mirrored_track_has_the_mirrored_corners():
    line, _ = line_of(MIXED)
    swap = {"left": "right", "right": "left"}
    for a, b in zip(find_corners(line), find_corners(line.mirrored()), strict=True):
        assert swap[a.direction] == b.direction
        assert (a.entry_m, a.apex_m, a.exit_m) == pytest.approx((b.entry_m, b.apex_m, b.exit_m), abs=1e-9)


def test_track_driven_the_other_way_has_the_corners_in_reverse():
    line, _ = line_of(MIXED)
    last = line.station[-1]
    for a, b in zip(find_corners(line), reversed(find_corners(line.reversed())), strict=True):
        assert a.direction != b.direction
        assert b.apex_m == pytest.approx(last - a.apex_m, abs=1e-6)
        # a place between two stations where one corner becomes the next is rounded to a station
        assert b.entry_m == pytest.approx(last - a.exit_m, abs=1.01 * line.station[1])


def test_moving_over_and_back_on_a_straight_is_no_corner():
    # Source: y = 1.5 m (1 - cos(2 pi s / 120 m)), 3 m over and back: curvature 1.5 m (2 pi / 120 m)² = 1/243 m, far
    # beyond ENTER; turn between its steepest places 2 * 1.5 m * 2 pi / 120 m = 9.0 degrees.
    line, _ = line_of(OVAL)
    middle = 150.0 + math.pi * 60.0 + 150.0
    along = line.station - middle
    over = np.where(np.abs(along) < 60.0, 1.5 * (1.0 + np.cos(2.0 * math.pi * along / 120.0)), 0.0)
    heading = np.unwrap(np.arctan2(np.gradient(line.y), np.gradient(line.x)))
    wandering = Line.from_points(line.x - over * np.sin(heading), line.y + over * np.cos(heading))
    assert np.abs(wandering.kappa[np.abs(along) < 50.0]).max() > 1.0 / 300.0
    assert len(find_corners(wandering)) == 2


@pytest.mark.parametrize(("radius", "count"), [(420.0, 3), (650.0, 2)])
def test_a_sweep_is_a_corner_when_it_is_tighter_than_500_m(radius, count):
    # Source: the stated threshold of 1/500 1/m; 35 degrees of sweep each.
    sweep = [Straight(300), Bend(35, radius, 40, 40), Straight(300), Bend(145, 60), Straight(700), Bend(180, 200)]
    line, _ = line_of([*sweep, Straight(100)])
    assert len(find_corners(line)) == count


def test_a_circle_is_one_corner_of_the_whole_lap():
    angle = np.linspace(0.0, 2.0 * math.pi, 300, endpoint=False)
    (corner,) = find_corners(Line.from_points(100.0 * np.cos(angle), 100.0 * np.sin(angle)))
    assert corner.direction == "left"
    assert corner.entry_m == 0.0
    assert corner.exit_m == pytest.approx(2.0 * math.pi * 100.0 * 299 / 300, rel=1e-6)


def test_noise_of_a_measured_line_neither_adds_nor_loses_corners():
    # 1 cm of noise, correlated over 12 m, as the mean of some smoothed laps has it, seeded.
    line, plan = line_of(MIXED)
    rng = np.random.default_rng(7)
    wave = np.fft.rfftfreq(line.x.size, line.length / line.x.size)
    quiet = np.fft.irfft(np.fft.rfft(rng.normal(size=(2, line.x.size))) * np.exp(-((wave * 12.0) ** 2)), line.x.size)
    quiet *= 0.01 / quiet.std()
    noisy = Line.from_points(line.x + quiet[0], line.y + quiet[1])
    found = find_corners(noisy)
    assert [c.direction for c in found] == [c.direction for c in find_corners(line)]
    # apexes stay in the middle of the arcs, where the largest curvature is anywhere on them
    for corner, bend in zip(found, [b for b in plan.bends if b is not plan.bends[4]], strict=True):
        assert corner.apex_m == pytest.approx(bend[1], abs=6.0)


@pytest.mark.parametrize(
    ("name", "least", "most"), [("Norisring", 6, 8), ("Oschersleben", 11, 14), ("Spielberg", 7, 10)]
)
def test_minimum_curvature_lines_of_real_circuits_have_their_published_corners(name, least, most):
    # Source: the circuits' published maps count 8, 14 and 10 corners; on a minimum-curvature line some of them
    # merge (chicanes driven as one, flat kinks), none is added.
    path = CIRCUITS / f"{name}_line.csv"
    if not path.exists():
        pytest.skip(f"{path} is not there")
    x, y = np.loadtxt(path, delimiter=",", comments="#").T
    assert least <= len(find_corners(Line.from_points(x, y).resample(2.0))) <= most
