"""Reference line from laps: mean of known paths, curvature kept, seam, elevation only where the laps agree."""

import math
import re

import numpy as np
import pytest

from simlap.circuits import invented_circuit, invented_layout
from simlap.errors import NotEnoughData
from simlap.layout import Bend, Straight, closed_layout
from simlap.line import Line
from simlap.projection import Curve
from simlap.reference import CUT, ELEVATION_SPREAD, low_pass, mean_of_laps


def laps_beside(curve, offsets, step=0.8):
    """One path per offset function of the share of the lap, from start line to start line."""
    station = np.append(np.arange(0.0, curve.length, step), curve.length)
    paths = []
    for offset in offsets:
        off = offset(station / curve.length)
        paths.append(curve.at(station) + off[:, None] * curve.normal(station))
    return station, paths


def beside(line, other):
    """Offset of one line's points from another line, both of about the same length from the same start line on."""
    curve, points = Curve(other), np.column_stack([line.x, line.y])
    return curve.offset(points, curve.foot(points, line.station * (other.length / line.length)))


@pytest.mark.parametrize(("aside", "waves"), [(2.0, 5.0), (6.0, 10.0)])
def test_mean_of_laps_that_lie_evenly_about_a_line_is_that_line(aside, waves):
    # Source: two laps at offsets +d and -d of an invented circuit, d of up to 2 or 6 m changing along the lap;
    # at 6 m a single round would leave 12 m (0.115 rad)² / 2 = 8 cm, as the laps' normals differ from the line's.
    # Tolerance: the low-pass rounds corners of the piecewise linear curvature; 1 cm is far below a tyre's width.
    track = invented_circuit("club")
    curve = Curve(track.line)

    def wave(share):
        return aside * np.sin(2.0 * np.pi * waves * share)

    _, paths = laps_beside(curve, (wave, lambda s: -wave(s)))
    line = mean_of_laps([tuple(path.T) for path in paths]).line
    assert np.abs(beside(line, track.line)).max() < 0.01
    flat = np.hypot(np.diff(track.line.x, append=track.line.x[0]), np.diff(track.line.y, append=track.line.y[0])).sum()
    assert line.length == pytest.approx(flat, rel=2e-4)
    assert np.hypot(line.x[0] - track.line.x[0], line.y[0] - track.line.y[0]) < 0.02  # station 0 on the start line


@pytest.mark.parametrize("name", ["club", "kart"])
def test_curvature_at_the_apex_is_not_flattened_by_the_mean(name):
    # Source: the plan's closed form at the middle of each arc, and kappa / (1 - kappa d) for a line d beside it. Laps
    # up to 1.5 m beside it with 1 cm of noise left by the motion. The bar "apex curvature" is 5 %; here 2 %.
    track, plan = invented_circuit(name), invented_layout(name)
    curve = Curve(track.line)
    rng = np.random.default_rng(3)
    phases = rng.uniform(0.0, 2.0 * np.pi, 6)

    def wander(share, phase):
        return 0.8 * np.sin(2.0 * np.pi * share + phase) + 0.7 * np.sin(4.0 * np.pi * share + 3.0 * phase)

    station, paths = laps_beside(curve, [lambda s, p=p: wander(s, p) for p in phases])
    noisy = []
    for path in paths:
        rough = rng.normal(size=(station.size, 2))
        kernel = np.exp(-0.5 * (np.arange(-40, 41) * 0.8 / 6.0) ** 2)
        smooth = np.stack([np.convolve(c, kernel / kernel.sum(), mode="same") for c in rough.T], axis=1)
        noisy.append(path + 0.01 * smooth / smooth.std())
    line = mean_of_laps([tuple(path.T) for path in noisy]).line
    scale = line.length / plan.length
    for _, middle, _ in plan.bends:
        drawn = plan.curvature(np.array([middle]))[0]
        true = drawn / (1.0 - drawn * np.mean([wander(middle / plan.length, p) for p in phases]))
        near = line.kappa[np.abs(line.station - middle * scale) < 3.0]
        assert near.mean() == pytest.approx(true, rel=0.02 if abs(true) > 0.01 else 0.06)


def test_reference_has_no_kink_where_the_laps_begin():
    # Each lap ends 3 m to the side of where it began, as when the driver moves over from lap to lap.
    track = invented_circuit("club")
    _, paths = laps_beside(Curve(track.line), [lambda s: 3.0 * s - 1.5, lambda s: 3.0 * s - 2.0])
    line = mean_of_laps([tuple(path.T) for path in paths]).line
    around = np.minimum(line.station, line.length - line.station) < 60.0
    assert np.abs(line.kappa[around]).max() < 1.0 / 5000.0  # the start line lies on a straight


def test_one_lap_is_its_own_reference():
    track = invented_circuit("kart")
    _, (path,) = laps_beside(Curve(track.line), [lambda s: 0.0 * s + 0.5])
    found = mean_of_laps([tuple(path.T)])
    assert np.abs(beside(found.line, track.line) - 0.5).max() < 0.02
    assert np.abs(found.offset).max() < 0.02


def test_low_pass_halves_the_wave_at_its_cut_and_keeps_long_waves():
    # Source: its gain 1 / (1 + (cut / wave)^6): 1/2 at the cut, 0.9998 at four times it.
    n, spacing = 800, 2.0
    along = np.arange(n) * spacing
    for wave, gain in ((CUT, 0.5), (4.0 * CUT, 1.0 / (1.0 + 0.25**6)), (CUT / 2.0, 1.0 / 65.0)):
        before = np.cos(2.0 * np.pi * along / wave)
        np.testing.assert_allclose(low_pass(before, spacing, CUT), gain * before, atol=1e-9)


def heights(track, station, spread, seed):
    """Altitudes of a lap: the track's, a constant error and a slow wander of about `spread` m."""
    rng = np.random.default_rng(seed)
    share = station / track.length
    wander = sum(rng.normal() * np.sin(2.0 * np.pi * (k * share + rng.uniform())) for k in (1, 2, 3)) / math.sqrt(1.5)
    return (
        np.interp(station, track.line.station, track.line.z, period=track.length)
        + 30.0 * rng.normal()
        + spread * wander
    )


def test_elevation_of_laps_that_agree_is_their_mean():
    # Source: the circuit's own heights; four laps with 0.5 m of wander each leave about 0.25 m. Constant errors of
    # tens of metres (a receiver's datum) do not count.
    track = invented_circuit("club")
    station, paths = laps_beside(Curve(track.line), [lambda s: 0.0 * s] * 4)
    laps = [(*path.T, heights(track, station, 0.5, seed)) for seed, path in enumerate(paths)]
    found = mean_of_laps(laps)
    assert found.has_elevation
    off = found.line.z - np.interp(found.line.station, track.line.station, track.line.z)
    assert (off - off.mean()).std() < 0.4
    grade = np.interp(found.line.station, track.line.station, track.line.grade)
    assert np.abs(found.line.grade - grade).max() < math.radians(0.3)
    assert found.notes[0].startswith("elevation from 4 laps, which agree within 0.")


def test_elevation_of_laps_that_disagree_is_left_out_and_said():
    track = invented_circuit("club")
    station, paths = laps_beside(Curve(track.line), [lambda s: 0.0 * s] * 4)
    laps = [(*path.T, heights(track, station, 2.0 * ELEVATION_SPREAD, seed)) for seed, path in enumerate(paths)]
    found = mean_of_laps(laps)
    assert not found.has_elevation
    told = float(re.search(r"altitudes differ by (\S+) m rms", found.notes[0]).group(1))
    # three waves of random size on each of four laps, less their mean: nine sizes tell a deviation to 24 %, twice that
    assert told == pytest.approx(2.0 * ELEVATION_SPREAD, rel=0.48)
    assert np.ptp(found.line.z) == 0.0
    assert "the road is taken as level" in found.notes[0]


def test_elevation_on_one_lap_only_is_left_out():
    track = invented_circuit("club")
    station, paths = laps_beside(Curve(track.line), [lambda s: 0.0 * s] * 2)
    found = mean_of_laps([(*paths[0].T, heights(track, station, 0.1, 1)), tuple(paths[1].T)])
    assert not found.has_elevation
    assert found.notes == (
        "no elevation: fewer than two counted laps have an altitude throughout; the road is taken as level",
    )


def test_reckoned_laps_that_drift_and_turn_are_laid_over_each_other():
    # Each lap turned by up to 3 degrees about the origin, shifted by tens of metres, ending 8 m from its start.
    track = invented_circuit("club")
    station, paths = laps_beside(Curve(track.line), [lambda s: 0.3 * np.sin(7.0 * s)] * 4)
    moved = []
    for k, path in enumerate(paths):
        turn = math.radians(1.0 * k)
        rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        drift = np.outer(station / track.length, (6.0 * (k % 2), -5.0))
        moved.append((path + drift) @ rotation.T + (20.0 * k, -30.0 * k))
    line = mean_of_laps([tuple(path.T) for path in moved], drifting=True).line
    assert line.length == pytest.approx(track.length, rel=2e-3)
    plan = invented_layout("club")
    for _, middle, _ in plan.bends:
        true = plan.curvature(np.array([middle]))[0]
        near = line.kappa[np.abs(line.station - middle * line.length / plan.length) < 4.0]
        assert near.mean() == pytest.approx(true, rel=0.03 if abs(true) > 0.01 else 0.15)


def test_a_figure_of_eight_is_drawn_from_its_laps():
    plan = closed_layout([Straight(60), Bend(270, 40), Straight(120), Bend(-270, 40), Straight(60)])
    line = Line.from_points(*plan.positions(np.linspace(0.0, plan.length, 310, endpoint=False)))
    _, paths = laps_beside(Curve(line), [lambda s: 1.5 + 0.0 * s, lambda s: -1.5 * np.cos(2 * np.pi * s)])
    seen = mean_of_laps([tuple(path.T) for path in paths]).line
    expected = 0.75 - 0.75 * np.cos(2.0 * np.pi * seen.station / seen.length)
    assert np.abs(beside(seen, line) - expected).max() < 0.05


def test_no_lap_gives_no_line():
    with pytest.raises(NotEnoughData, match="No counted lap to draw a reference line from"):
        mean_of_laps([])
