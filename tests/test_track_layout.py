"""Plans of straights, clothoids and arcs against closed forms, and the three invented circuits."""

import math

import numpy as np
import pytest
from scipy.special import fresnel

from simlap.circuits import PLANS, invented_circuit, invented_layout
from simlap.corners import find_corners
from simlap.errors import OptionError
from simlap.layout import Bend, Straight, closed_layout, layout


def test_clothoid_follows_the_fresnel_integrals():
    # Source: a clothoid of curvature s / A² has x + iy = A sqrt(pi) (C + iS)(s / (A sqrt(pi))); scipy.special.fresnel
    # is the reference. Tolerance: rounding of sums of 100 pieces.
    ease, radius = 60.0, 45.0
    plan = layout([Bend(math.degrees(ease / radius), radius, ease, ease)])
    s = np.linspace(0.0, ease, 41)
    a = math.sqrt(radius * ease)
    sine, cosine = fresnel(s / (a * math.sqrt(math.pi)))
    x, y = plan.positions(s)
    np.testing.assert_allclose(x, a * math.sqrt(math.pi) * cosine, atol=1e-11)
    np.testing.assert_allclose(y, a * math.sqrt(math.pi) * sine, atol=1e-11)
    np.testing.assert_allclose(plan.curvature(s[:-1]), s[:-1] / a**2, atol=1e-15)


def test_full_right_hand_arc_is_a_circle_south_of_its_start():
    # Source: a circle of radius R driven clockwise from (0, 0) eastward has its middle at (0, -R).
    plan = layout([Bend(-360.0, 30.0)])
    x, y = plan.positions(np.linspace(0.0, plan.length, 50))
    np.testing.assert_allclose(np.hypot(x, y + 30.0), 30.0, atol=1e-11)
    assert plan.length == pytest.approx(2.0 * math.pi * 30.0, rel=1e-14)


def test_bend_with_clothoids_turns_by_its_angle():
    # Source: heading is the integral of curvature; each clothoid turns half as far as an arc of its length.
    plan = layout([Straight(10.0), Bend(-95.0, 42.0, 20.0, 30.0), Straight(5.0)])
    turned = plan.headings(np.array([plan.length]))[0]
    assert math.degrees(turned) == pytest.approx(-95.0, abs=1e-10)


@pytest.mark.parametrize("name", list(PLANS))
def test_invented_circuit_closes_exactly_and_turns_once_round(name):
    plan = invented_layout(name)
    (x,), (y,) = plan.positions(np.array([plan.length]))
    assert math.hypot(x, y) < 1e-9  # metres; rounding of 4 km summed up
    turned = plan.headings(np.array([plan.length]))[0] - plan.heading
    assert abs(math.degrees(turned)) == pytest.approx(360.0, abs=1e-9)


@pytest.mark.parametrize(("name", "low", "high"), [("club", 3000, 4000), ("fast", 4000, 6000), ("kart", 1100, 1300)])
def test_invented_circuit_has_the_length_and_the_corners_of_its_plan(name, low, high):
    # Source: the plan itself; corners that find_corners sees on the line are the bends that were drawn.
    track = invented_circuit(name)
    assert low < track.length < high
    found = find_corners(track.line)
    assert [c.direction for c in found] == [c.direction for c in track.corners]
    for seen, drawn in zip(found, track.corners, strict=True):
        assert seen.apex_m == pytest.approx(drawn.apex_m, abs=3.0)  # one and a half stations


def test_lines_of_invented_circuit_have_the_curvature_of_their_plan():
    # Source: the plan's closed form. Tolerance: corners of the piecewise linear curvature are rounded by the spline
    # within one station of 2 m, where it changes by 1e-3 1/m per station.
    track, plan = invented_circuit("club"), invented_layout("club")
    station = track.line.station / track.length * plan.length
    off = np.abs(track.line.kappa - plan.curvature(station))
    assert off.max() < 5e-4
    assert np.median(off) < 2e-6


def test_straights_that_cannot_close_are_refused():
    with pytest.raises(OptionError, match="bends add up to 350 degrees"):
        closed_layout([Straight(100), Bend(170, 20), Straight(100), Bend(180, 20)])
    # a half turn of 40 m cannot meet one of 160 m: the straight between its quarters would be -120 m
    with pytest.raises(OptionError, match=r"element 5 \(Straight\(length=-1[12].*negative length"):
        closed_layout([Straight(100), Bend(180, 20), Straight(1), Bend(90, 80), Straight(1), Bend(90, 80)])


def test_clothoids_longer_than_the_bend_are_refused():
    with pytest.raises(OptionError, match=r"element 1 \(Bend.*negative length"):
        layout([Bend(20, 30, 20, 20)])


def test_unknown_invented_circuit_lists_those_there_are():
    with pytest.raises(OptionError, match="no invented circuit 'oval'; there are club, fast, kart"):
        invented_circuit("oval")
