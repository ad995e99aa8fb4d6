"""What the road adds to the weight on the tyres before limits are read, in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest

from simlap.envelope_samples import NORMAL_FLOOR, road_samples
from simlap.units import G

STATIONS = 60


def laps_over(radius, *, corners=()):
    """Samples of two laps at 40 m/s, 9 m/s² across and -4 along, over a level road bent up (`radius` > 0) or down."""
    each = np.ones((2, STATIONS))
    noise = 0.3 * np.random.default_rng(1).standard_normal((2, 2, STATIONS))
    table = SimpleNamespace(
        counted=np.ones(2, dtype=bool), numbers=np.arange(2), station=np.arange(float(STATIONS)),
        t=np.cumsum(np.full((2, STATIONS + 1), 1.0 / 40.0), axis=1), v=40.0 * each, a_lon=-4.0 * each, a_lat=9.0 * each,
        noise_a_lon=noise, noise_a_lat=noise, channels={}, bandwidth_hz=2.0,
    )  # fmt: skip
    flat = np.zeros(STATIONS)
    line = SimpleNamespace(
        grade=flat, bank=flat, kappa_v=flat + 1.0 / radius, length=float(STATIONS), bank_stated=True, bank_doubt=0.0
    )
    return road_samples(table, line, corners=corners), noise


@pytest.mark.parametrize("radius", [400.0, -400.0])
def test_a_dip_presses_the_car_down_and_a_crest_lifts_it_by_v2_over_the_radius(radius):
    # Circular motion in the vertical plane: the road carries g + v² / R, here 9.81 ± 4 m/s². What the tyres hold is as
    # much more or less; the engine's pull is not.
    samples, noise = laps_over(radius)
    weight = 1.0 + 40.0**2 / radius / G
    assert samples.normal == pytest.approx(weight, rel=1e-12)
    assert samples.lateral == pytest.approx(9.0 / weight, rel=1e-12)
    assert samples.along == pytest.approx(-4.0 / weight, rel=1e-12)
    assert samples.pull == pytest.approx(-4.0, rel=1e-12)
    # an error of the motion counts as what it makes of the limit
    assert samples.noise_lateral == pytest.approx(noise / weight, rel=1e-12)
    assert samples.noise_along == pytest.approx(noise / weight, rel=1e-12)


def test_a_crest_that_nearly_throws_the_car_up_tells_of_no_boundless_grip():
    # v² / R = 9.76 m/s² of 9.81: half a hundredth of the weight is left, and 9 m/s² would pass for 1900.
    samples, _ = laps_over(-164.0)
    assert samples.lateral == pytest.approx(9.0 / NORMAL_FLOOR)


def test_a_corner_stated_to_have_less_grip_says_as_much_more_of_the_tyres():
    slippery = SimpleNamespace(entry_m=50.0, exit_m=10.0, grip=0.8)  # across the start line
    samples, _ = laps_over(1e9, corners=[slippery])
    there = (np.arange(STATIONS) >= 50) | (np.arange(STATIONS) < 10)
    assert samples.lateral[:, there] == pytest.approx(9.0 / 0.8, rel=1e-6)  # v² / R of a radius of 1e9 m
    assert samples.lateral[:, ~there] == pytest.approx(9.0, rel=1e-6)
    assert samples.along[:, there] == pytest.approx(-4.0 / 0.8, rel=1e-6)
    assert samples.pull == pytest.approx(-4.0)  # no engine knows of it
