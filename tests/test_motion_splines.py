"""The spline, the common low-pass and the banded system against scipy and closed forms."""

import numpy as np
import pytest
from scipy.interpolate import BSpline

from simlap.smoother import BandedSystem, Rows, Wander
from simlap.splines import flat_lowpass, grid_over, lowpass


@pytest.mark.parametrize("derivative", [0, 1, 2, 3])
def test_spline_and_its_derivatives_are_those_of_scipy(derivative):
    # Source: scipy.interpolate.BSpline, an independent implementation of de Boor's recursion.
    grid = grid_over(2.0, 5.0, 0.1)
    c = np.random.default_rng(0).normal(size=grid.size)
    knots = 2.0 + 0.1 * np.arange(-5, grid.intervals + 6)
    t = np.linspace(2.0, 4.99, 57)
    want = BSpline(knots, c, 5)(t, derivative)
    assert grid.evaluate(c, t, derivative) == pytest.approx(want, rel=1e-9, abs=1e-9 * np.abs(want).max())


def test_roughness_is_the_integral_of_the_squared_third_derivative():
    # Source: quadrature of scipy's spline; 20000 points leave 1e-6.
    grid = grid_over(0.0, 1.0, 0.1)
    c = np.random.default_rng(1).normal(size=grid.size)
    gram = grid.jerk_gram()
    exact = sum(c[k : k + 6] @ gram @ c[k : k + 6] for k in range(grid.intervals))
    t = (np.arange(20000) + 0.5) / 20000
    third = BSpline(0.1 * np.arange(-5, grid.intervals + 6), c, 5)(t, 3)
    assert exact == pytest.approx(np.mean(third**2), rel=1e-5)


def test_low_pass_halves_the_power_at_its_bandwidth_and_keeps_a_straight_line():
    t = np.arange(0.0, 60.0, 0.02)
    for frequency, gain in ((0.2, 1.0), (2.0, np.sqrt(0.5)), (8.0, 1.0 / (1.0 + (np.sqrt(2.0) - 1.0) * 256.0))):
        assert flat_lowpass(np.array([frequency]), 2.0)[0] == pytest.approx(gain, rel=1e-4)
        out = lowpass(np.sin(2.0 * np.pi * frequency * t), 0.02, 2.0)[1000:2000]
        assert np.std(out) == pytest.approx(gain * np.sqrt(0.5), rel=2e-3)  # the window is no whole number of periods
    line = 3.0 + 50.0 * t
    assert lowpass(line, 0.02, 2.0) == pytest.approx(line, abs=1e-8)  # rounding of values up to 3000


def test_low_pass_keeps_the_radius_of_a_circle_driven_in_ten_seconds():
    # closed form: 1 / (1 + 0.414 (0.1 / 2)⁴) = 1 - 2.6e-6
    t = np.arange(0.0, 60.0, 0.02)
    out = lowpass(np.column_stack([np.cos(0.2 * np.pi * t), np.sin(0.2 * np.pi * t)]), 0.02, 2.0)
    assert np.hypot(*out[500:2500].T) == pytest.approx(np.full(2000, 1.0 - 2.6e-6), abs=1e-6)


def test_banded_solution_is_that_of_dense_least_squares():
    # Source: numpy.linalg.lstsq on the same rows, penalties written out densely.
    rng = np.random.default_rng(2)
    grid = grid_over(0.0, 2.0, 0.1)
    wander = Wander(0.3, 2.0)
    system = BandedSystem(grid, [wander], 5.0)
    t = np.sort(rng.uniform(0.0, 2.0, 80))
    _, first = grid.weights(t, 1)
    value = rng.normal(size=80)
    u = rng.normal(size=(80, 2))
    rows = Rows(t, first * u[:, :1], first * u[:, 1:], value, np.full(80, 4.0), 0)
    anchor = Rows(t, grid.weights(t)[1], None, value, np.full(80, 9.0))
    other = Rows(t, None, grid.weights(t)[1], -value, np.full(80, 9.0))
    for group in (rows, anchor, other):
        system.add(group)
    right = sum(system.right_hand_side(g, g.value) for g in (rows, anchor, other))
    got = system.solve(right)
    m, n = 3, grid.size
    dense, want = [], []
    index, u_in = grid.locate(t)
    for group in (rows, anchor, other):
        matrix = np.zeros((80, n * m))
        for r in range(80):
            for i in range(6):
                if group.x_weights is not None:
                    matrix[r, (index[r] + i) * m] = group.x_weights[r, i]
                if group.y_weights is not None:
                    matrix[r, (index[r] + i) * m + 1] = group.y_weights[r, i]
            if group.wander is not None:
                matrix[r, (index[r] + 2) * m + 2] = 1.0 - u_in[r]
                matrix[r, (index[r] + 3) * m + 2] = u_in[r]
        dense.append(matrix * np.sqrt(group.weight)[:, None])
        want.append(group.value * np.sqrt(group.weight))
    root = np.linalg.cholesky(grid.jerk_gram() / 5.0 + 1e-12 * np.eye(6)).T
    for k in range(grid.intervals):
        for component in (0, 1):
            block = np.zeros((6, n * m))
            block[:, [(k + i) * m + component for i in range(6)]] = root
            dense.append(block)
            want.append(np.zeros(6))
    steps = np.zeros((n - 1, n * m))
    for k in range(n - 1):
        steps[k, k * m + 2], steps[k, (k + 1) * m + 2] = -1.0, 1.0
    pull = np.zeros((n, n * m))
    pull[np.arange(n), np.arange(n) * m + 2] = 1.0
    dense += [steps / np.sqrt(0.3 * 0.1), pull * np.sqrt(0.1 * 0.3 / (4.0 * 2.0**2))]
    want += [np.zeros(n - 1), np.zeros(n)]
    reference = np.linalg.lstsq(np.vstack(dense), np.concatenate(want), rcond=None)[0].reshape(n, m)
    assert got == pytest.approx(reference, abs=1e-5 * np.abs(reference).max())  # conditioning of the dense problem
