"""Labels of the map: free of one another and of the path wherever there is room."""

import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from report_case import circle_case

from simlap.figures_lap import plot_loss_map
from simlap.labels import laid_down, place_labels
from simlap.report.maps import loss_map
from simlap.traces import traces

ANGLE = np.linspace(0.0, 2 * np.pi, 400, endpoint=False)
CIRCLE = 100.0 * np.stack([np.cos(ANGLE), np.sin(ANGLE)], axis=1)


def overlap(centres: np.ndarray, sizes: np.ndarray) -> bool:
    """True where two boxes share some area."""
    for i in range(len(centres)):
        for j in range(i):
            if (np.abs(centres[i] - centres[j]) < (sizes[i] + sizes[j]) / 2).all():
                return True
    return False


@pytest.mark.parametrize("count", [4, 12, 20])
def test_labels_around_a_circle_cover_neither_it_nor_one_another(count):
    points = CIRCLE[:: 400 // count][:count]
    sizes = np.tile([24.0, 12.0], (count, 1))
    centres = place_labels(points, CIRCLE, sizes.tolist(), 6.0)
    assert not overlap(centres, sizes)
    for centre, size in zip(centres, sizes, strict=True):
        assert not (np.abs(CIRCLE - centre) < size / 2).all(axis=1).any()


def test_labels_of_points_that_lie_together_are_spread():
    points = CIRCLE[[0, 1, 2, 3, 4]]
    sizes = np.tile([24.0, 12.0], (5, 1))
    assert not overlap(place_labels(points, CIRCLE, sizes.tolist(), 6.0), sizes)


def test_a_free_label_keeps_its_least_distance_and_goes_no_further():
    # One point and no path near: the nearest place is `nearest` from the edge of the box.
    far = np.array([[1e6, 1e6]])
    (centre,) = place_labels(np.array([[0.0, 0.0]]), far, [(20.0, 10.0)], 6.0)
    gap = np.abs(centre) - np.array([10.0, 5.0])
    assert np.hypot(*np.maximum(gap, 0.0)) == pytest.approx(6.0, abs=1.0)  # the gap runs aslant at most directions


def test_a_label_stands_on_the_side_that_is_asked_for_unless_the_path_is_there():
    point, far = np.array([[0.0, 0.0]]), np.array([[1e6, 1e6]])
    for side in ([0.0, 1.0], [0.0, -1.0], [1.0, 0.0], [-1.0, 0.0]):
        (centre,) = place_labels(point, far, [(20.0, 10.0)], 6.0, np.array([side]))
        assert centre / np.hypot(*centre) == pytest.approx(side, abs=1e-9)
    wall = np.stack([np.linspace(-60.0, 60.0, 61), np.full(61, 12.0)], axis=1)
    (centre,) = place_labels(point, wall, [(20.0, 10.0)], 6.0, np.array([[0.0, 1.0]]))
    assert not (np.abs(wall - centre) < (10.0, 5.0)).all(axis=1).any()


def test_a_tall_circuit_is_turned_a_quarter_to_the_left_and_a_wide_one_is_not():
    points, turned = laid_down(np.array([0.0, 1.0]), np.array([0.0, 10.0]))
    assert turned
    assert points.tolist() == [[0.0, 0.0], [-10.0, 1.0]]  # what lay north lies left
    points, turned = laid_down(np.array([0.0, 10.0]), np.array([0.0, 1.0]))
    assert not turned
    assert points.tolist() == [[0.0, 0.0], [10.0, 1.0]]


def test_north_is_shown_only_where_the_path_knows_it():
    case = circle_case()
    rebuilt = replace(case, motion=replace(case.motion, closes=False))
    assert ">N<" in str(loss_map(case, traces(case)).drawing)
    assert ">N<" not in str(loss_map(rebuilt, traces(rebuilt)).drawing)
    titles = []
    for one in (case, rebuilt):
        ax = Figure().subplots()
        plot_loss_map(one, ax)
        titles.append(ax.get_title(loc="left"))
    assert ["north is up" in title for title in titles] == [True, False]


def test_all_of_the_map_lies_inside_its_drawing():
    case = circle_case()
    made = loss_map(case, traces(case))
    left, top, width, height = (float(v) for v in str(made.drawing).split('viewBox="')[1].split('"')[0].split())
    assert (made.x > left).all()
    assert (made.x < left + width).all()
    assert (made.y > top).all()
    assert (made.y < top + height).all()


def test_no_leader_of_the_map_runs_over_the_seconds_beside_its_disc():
    # Corners all round the circle: labels stand above, below and beside their apexes.
    case = circle_case()
    many = [
        replace(one, corner=replace(one.corner, apex_m=at)) for at in range(0, 1200, 100) for one in case.corners[:1]
    ]
    drawing = str(loss_map(replace(case, corners=tuple(many)), traces(case)).drawing)
    leaders = re.findall(r'class="leader" d="M([-\d.]+),([-\d.]+) ([-\d.]+),([-\d.]+)"', drawing)
    seconds = re.findall(r'class="worth" x="([-\d.]+)" y="([-\d.]+)"', drawing)
    assert len(leaders) == len(seconds) == 12
    for ends, at in zip(leaders, seconds, strict=True):
        x1, y1, x2, y2 = map(float, ends)
        x, base = map(float, at)
        along = np.linspace(0.0, 1.0, 200)
        px, py = x1 + along * (x2 - x1), y1 + along * (y2 - y1)
        # on a phone the digits are 22 px, their height 0.73 of it, and "0.00 s" is six letters of half that wide
        assert not ((np.abs(px - x) < 33.0) & (py > base - 16.0) & (py < base)).any()


def test_a_label_keeps_further_from_a_path_that_is_drawn_wide():
    path = np.stack([np.arange(-200.0, 200.0, 2.0), np.zeros(200)], axis=1)
    size = (20.0, 10.0)
    (thin,) = place_labels(np.array([[0.0, 0.0]]), path, [size], 4.0)
    (thick,) = place_labels(np.array([[0.0, 0.0]]), path, [size], 4.0, half_widths=np.full(200, 8.0))
    assert abs(thick[1]) - size[1] / 2 >= 8.0 > abs(thin[1]) - size[1] / 2
