"""Vertical curvature from rounded and noisy heights, against roads whose curvature is known in closed form."""

import json

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from simlap.circuits import invented_circuit
from simlap.elevation import rounding_of, without_noise
from simlap.solver import limit_profile
from simlap.synthetic import club_car
from simlap.trackfile import track_to_geojson
from simlap.trackfile_read import track_from_geojson
from simlap.units import G

LENGTH = 3000.0  # [m]
# What a car feels at 45 m/s (162 km/h): 1 % of its weight.
ONE_PERCENT = 0.01 * G / 45.0**2  # [1/m]


def hills(s):
    """Height and its second derivative over the stations: waves of 600, 200 and 100 m; crests down to 280 m radius."""
    z, bend = np.zeros(s.size), np.zeros(s.size)
    for size, waves, phase in ((6.0, 5, 0.3), (1.5, 15, 1.1), (0.5, 30, 2.0)):
        k = 2.0 * np.pi * waves / LENGTH
        z += size * np.sin(k * s + phase)
        bend -= size * k**2 * np.sin(k * s + phase)
    return z, bend


def bend_of(z, spacing):
    s = spacing * np.arange(z.size + 1)
    return CubicSpline(s, np.append(z, z[0]), bc_type="periodic")(s[:-1], 2)


@pytest.mark.parametrize("spacing", [1.0, 3.0, 10.0])
@pytest.mark.parametrize(("step", "worst"), [(0.001, 0.5), (0.01, 2.0), (0.1, 4.0)])
def test_rounded_heights_have_the_roads_vertical_curvature(spacing, step, worst):
    # Rounding errs by step / sqrt(12), its second difference by sqrt(6) of that over spacing²: 0.1 m at every metre is
    # 0.07 1/m, 15 times the car's weight. Held against 1 % of the weight, that is 0.5, 2 and 4 % at most; what the
    # cubic spline of this test itself errs by (1 % at 10 m) is left out.
    s = spacing * np.arange(round(LENGTH / spacing))
    z, _ = hills(s)
    rounded = np.round(z / step) * step
    left = bend_of(without_noise(rounded, spacing, step), spacing) - bend_of(z, spacing)
    assert left.std() < worst * ONE_PERCENT
    assert np.std(without_noise(rounded, spacing, step) - z) < max(0.4 * step, 2e-4)  # of 0.29 steps that it was off


def test_whole_metres_still_tell_the_hills():
    # Stairs of up to 30 m length: the waves of 600 and 200 m can be told, those of 100 m and 0.5 m cannot.
    s = 3.0 * np.arange(1000)
    z, bend = hills(s)
    found = bend_of(without_noise(np.round(z), 3.0, 1.0), 3.0)
    assert np.std(found - bend) < np.std(bend)
    assert np.abs(bend_of(np.round(z), 3.0)).max() > 10.0 * np.abs(bend).max()
    assert np.abs(found).max() < 1.2 * np.abs(bend).max()


def test_exact_heights_stay_as_they_are():
    s = 2.0 * np.arange(1500)
    z, bend = hills(s)
    assert without_noise(z, 2.0) == pytest.approx(z, abs=1e-4)
    assert bend_of(without_noise(z, 2.0), 2.0) == pytest.approx(bend, abs=0.1 * ONE_PERCENT)
    flat = np.full(1500, 34.5)
    assert without_noise(flat, 2.0, 0.1) == pytest.approx(flat, abs=1e-12)


def test_white_noise_of_any_size_is_taken_out():
    rng = np.random.default_rng(5)
    s = 2.0 * np.arange(1500)
    z, bend = hills(s)
    for noise in (0.003, 0.05):
        left = bend_of(without_noise(z + rng.normal(0.0, noise, s.size), 2.0), 2.0) - bend
        assert left.std() < (1.0 if noise < 0.01 else 4.0) * ONE_PERCENT


@pytest.mark.parametrize(
    ("z", "step"),
    [([10.0, 20.0], 10.0), ([1.0, 12.0], 1.0), ([1.5, 2.25], 0.01), ([0.12345, 3.0], 1e-5), ([np.pi], 0.0)],
)
def test_the_step_of_rounding_is_read_from_the_decimals(z, step):
    assert rounding_of(np.array(z)) == pytest.approx(step)


@pytest.mark.parametrize("decimals", [3, 2, 1, 0])
def test_a_track_file_with_rounded_elevation_has_the_limit_lap_of_the_exact_one(decimals):
    # Before, elevation to 1 cm made limit laps 1 to 2 % wrong, and to 10 cm no speed profile obeyed the limits.
    track = invented_circuit("club")
    data = json.loads(track_to_geojson(track))
    for feature in data["features"]:
        if feature["properties"]["role"] == "reference line":
            for position in feature["geometry"]["coordinates"]:
                position[2] = round(position[2], decimals)
    read = track_from_geojson(data, "rounded.geojson")
    exact, found = (limit_profile(each.line.resample(2.0), club_car()).lap_time for each in (track, read))
    assert found == pytest.approx(exact, rel=0.0005 if decimals else 0.002)
