"""Noise read from positions alone, against the noise that was put in."""

import numpy as np
import pytest
from motion_cases import drive, wander
from scipy.interpolate import CubicSpline

from simlap.fixnoise import fix_noise

TAU = 30.0  # [s] of the wander
WHITE = 0.02  # [m]


@pytest.mark.parametrize("circuit", ["kart", "club", "fast"])
@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("deviation", [0.3, 1.5])
def test_white_noise_and_wander_are_told_from_the_path(circuit, rate, deviation):
    driven = drive(circuit, laps=6)
    path = CubicSpline(driven.t[::2], np.column_stack([driven.x, driven.y])[::2])
    t = np.arange(0.0, driven.t[-1], 1.0 / rate)
    rng = np.random.default_rng(17)
    x, y = (
        path(t)[:, i] + wander(rng, t.size, 1.0 / rate, deviation, TAU) + WHITE * rng.standard_normal(t.size)
        for i in (0, 1)
    )
    found = fix_noise(t, x, y)
    # A Gauss-Markov error gains 2 sd² / tau of variance per second at short times (Gelb 1974, Applied Optimal
    # Estimation, 3.8). Within a factor of 2: the accelerations' error goes with the root, and 5 Hz of small wander
    # hardly rises above the path's own spectrum.
    assert 0.5 < found.intensity / (2.0 * deviation**2 / TAU) < 2.0
    if deviation < 1.0 or rate > 5.0:  # below 2.4 Hz a wander of 1.5 m buries a white error of 0.02 m
        assert found.white == pytest.approx(WHITE, rel=0.5)
