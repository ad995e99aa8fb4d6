"""Penalised least squares for a path x(t), y(t) and slowly wandering sensor errors, solved as one banded system.

Unknowns at each knot: the two spline coefficients of the path, then one value per *wander*: a sensor error that is
linear between knots and walks at random from knot to knot (position error east and north, bias of an accelerometer, of
the yaw rate). All of them are estimated together, so a channel decides where it is the better one: a speed at 1 Hz, a
position at 0.01 Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simlap.splines import LOCAL, KnotGrid

# Rounding must not make the matrix indefinite where no channel says anything. Relative to each diagonal entry; 1e-9 was
# seen to pull a path of 500 m towards its middle by metres, 1e-13 moves it by less than a millimetre.
RIDGE = 1e-13
WANDER_AT = 2  # the wander on interval k lies between block entries k + 2 and k + 3: centred on its spline support


@dataclass(frozen=True, eq=False)
class Rows:
    """Measurements that are linear in the unknowns: sum of terms = value.

    ``x_weights``, ``y_weights`` (n, 6) or None: weights of the local spline coefficients; ``wander``: index of the
    wander that adds to the measurement, or None.
    """

    t: np.ndarray  #: time of each measurement, rising [s]
    x_weights: np.ndarray | None
    y_weights: np.ndarray | None
    value: np.ndarray
    weight: np.ndarray  #: 1 / variance
    wander: int | None = None


@dataclass(frozen=True)
class Wander:
    """First-order Gauss-Markov error: a random walk at short times, bounded at long ones."""

    intensity: float  #: variance gained per second [unit²/s]
    variance: float  #: stationary variance [unit²]


class BandedSystem:
    """Normal equations of one pass: assembled once, solved for any number of right-hand sides."""

    def __init__(self, grid: KnotGrid, wanders: list[Wander], jerk_density: float) -> None:
        self.grid = grid
        self.per_knot = 2 + len(wanders)
        self.size = grid.size * self.per_knot
        self.band = np.zeros((LOCAL * self.per_knot, self.size))
        gram = grid.jerk_gram() / jerk_density
        for component in (0, 1):
            for i in range(LOCAL):
                for j in range(i + 1):
                    self._add(i, component, j, component, np.full(grid.intervals, gram[i, j]))
        for number, wander in enumerate(wanders):
            self._add_wander(2 + number, wander)
        self._factor: np.ndarray | None = None

    def _add(self, i: int, a: int, j: int, b: int, values: np.ndarray) -> None:
        """Add `values` (intervals,) at the pair of local unknowns (i, a) and (j, b) of every interval."""
        m = self.per_knot
        high, low = max(i * m + a, j * m + b), min(i * m + a, j * m + b)
        self.band[high - low, low : low + m * self.grid.intervals : m] += values

    def _add_wander(self, component: int, wander: Wander) -> None:
        m, n = self.per_knot, self.grid.size
        stiffness = 1.0 / (wander.intensity * self.grid.step)
        diagonal = self.band[0, component::m]
        diagonal[:-1] += stiffness
        diagonal[1:] += stiffness
        # Gauss and Markov: (1/q) ∫ (b'² + b²/τ²) dt with τ = 2 variance / q
        diagonal += self.grid.step * wander.intensity / (4.0 * wander.variance**2)
        self.band[m, component : component + m * (n - 1) : m] -= stiffness

    def _terms(self, rows: Rows) -> tuple[np.ndarray, list[tuple[int, int, np.ndarray]]]:
        index, u = self.grid.locate(rows.t)
        terms: list[tuple[int, int, np.ndarray]] = []
        for component, weights in ((0, rows.x_weights), (1, rows.y_weights)):
            if weights is not None:
                terms += [(i, component, weights[:, i]) for i in range(LOCAL)]
        if rows.wander is not None:
            terms.append((WANDER_AT, 2 + rows.wander, 1.0 - u))
            terms.append((WANDER_AT + 1, 2 + rows.wander, u))
        return index, terms

    def add(self, rows: Rows) -> None:
        """Add measurements; their order is kept for `right_hand_side`."""
        index, terms = self._terms(rows)
        if index.size == 0:
            return
        starts = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        where = index[starts]
        sums = np.zeros(self.grid.intervals)
        for p, (i, a, left) in enumerate(terms):
            weighted = left * rows.weight
            for j, b, right in terms[: p + 1]:
                sums[:] = 0.0
                sums[where] = np.add.reduceat(weighted * right, starts)
                self._add(i, a, j, b, sums)
        self._factor = None

    def right_hand_side(self, rows: Rows, values: np.ndarray) -> np.ndarray:
        """Aᵀ W z for measurement values (n,) or (n, r) of these rows: (size,) or (size, r)."""
        index, terms = self._terms(rows)
        values2 = values if values.ndim == 2 else values[:, None]
        out = np.zeros((self.size, values2.shape[1]))
        if index.size == 0:
            return out if values.ndim == 2 else out[:, 0]
        starts = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        where = index[starts]
        weighted = values2 * rows.weight[:, None]
        for i, a, left in terms:
            out[(where + i) * self.per_knot + a] += np.add.reduceat(weighted * left[:, None], starts, axis=0)
        return out if values.ndim == 2 else out[:, 0]

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Coefficients (size of grid, per_knot) or (size of grid, per_knot, r)."""
        from scipy.linalg import cho_solve_banded, cholesky_banded

        if self._factor is None:
            band = self.band.copy()
            band[0] *= 1.0 + RIDGE
            self._factor = cholesky_banded(band, lower=True, overwrite_ab=True, check_finite=False)
        solution = cho_solve_banded((self._factor, True), right, check_finite=False)
        return solution.reshape((self.grid.size, self.per_knot, *right.shape[1:]))

    def simulate(self, rows: Rows, coefficients: np.ndarray) -> np.ndarray:
        """What `rows` would measure, given coefficients (size, per_knot[, r]): (n,) or (n, r)."""
        index, terms = self._terms(rows)
        shape = (-1,) + (1,) * (coefficients.ndim - 2)
        out = np.zeros((rows.t.size, *coefficients.shape[2:]))
        for i, a, left in terms:
            out = out + left.reshape(shape) * coefficients[index + i, a]
        return out
