"""Penalised least squares for a path x(t), y(t) and slowly wandering sensor errors, solved as one banded system.

Unknowns at each knot: the two spline coefficients of the path, then one value per *wander*: a sensor error that is
linear between knots and walks at random from knot to knot (position error east and north, bias of an accelerometer, of
the yaw rate). All of them are estimated together, so a channel decides where it is the better one: a speed at 1 Hz, a
position at 0.01 Hz.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlap.splines import LOCAL, KnotGrid

if TYPE_CHECKING:
    from scipy.sparse import csr_array

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
                    one, other = i * self.per_knot + component, j * self.per_knot + component
                    self._add(one, other, np.full(grid.intervals, gram[i, j]))
        for number, wander in enumerate(wanders):
            self._add_wander(2 + number, wander)
        self._factor: np.ndarray | None = None
        self._matrices: dict[int, tuple[Rows, csr_array]] = {}

    def _add(self, one: int, other: int, values: np.ndarray) -> None:
        """Add `values` (intervals,) at a pair of local unknowns of every interval."""
        low, apart = min(one, other), abs(one - other)
        self.band[apart, low : low + self.per_knot * self.grid.intervals : self.per_knot] += values

    def _add_wander(self, component: int, wander: Wander) -> None:
        m, n = self.per_knot, self.grid.size
        stiffness = 1.0 / (wander.intensity * self.grid.step)
        diagonal = self.band[0, component::m]
        diagonal[:-1] += stiffness
        diagonal[1:] += stiffness
        # Gauss and Markov: (1/q) ∫ (b'² + b²/τ²) dt with τ = 2 variance / q
        diagonal += self.grid.step * wander.intensity / (4.0 * wander.variance**2)
        self.band[m, component : component + m * (n - 1) : m] -= stiffness

    def _terms(self, rows: Rows) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Interval of each measurement (n,), unknown of each term within it (p,), and the terms' weights (p, n)."""
        index, u = self.grid.locate(rows.t)
        unknown: list[int] = []
        weights: list[np.ndarray] = []
        for component, local in ((0, rows.x_weights), (1, rows.y_weights)):
            if local is not None:
                unknown += [i * self.per_knot + component for i in range(LOCAL)]
                weights += list(local.T)
        if rows.wander is not None:
            unknown += [i * self.per_knot + 2 + rows.wander for i in (WANDER_AT, WANDER_AT + 1)]
            weights += [1.0 - u, u]
        return index, np.array(unknown), np.array(weights)

    def matrix(self, rows: Rows) -> csr_array:
        """The measurements as a sparse matrix (n, size), made once for each set of rows."""
        from scipy.sparse import csr_array

        key = id(rows)
        if key not in self._matrices:
            index, unknown, weights = self._terms(rows)
            columns = index[:, None] * self.per_knot + unknown
            ends = unknown.size * np.arange(index.size + 1)
            made = csr_array((weights.T.ravel(), columns.ravel(), ends), shape=(index.size, self.size))
            self._matrices[key] = (rows, made)  # the rows are kept, so that their id stays theirs
        return self._matrices[key][1]

    def add(self, rows: Rows) -> None:
        """Add measurements to the normal equations; their times must not fall."""
        index, unknown, weights = self._terms(rows)
        if index.size == 0:
            return
        starts = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        where = index[starts]
        sums = np.zeros(self.grid.intervals)
        for p in range(unknown.size):
            products = np.add.reduceat((weights[p] * rows.weight) * weights[: p + 1], starts, axis=1)
            for q in range(p + 1):
                sums[where] = products[q]
                self._add(unknown[p], unknown[q], sums)
        self._factor = None

    def right_hand_side(self, rows: Rows, values: np.ndarray) -> np.ndarray:
        """Aᵀ W z for measurement values (n,) or (n, r) of these rows: (size,) or (size, r)."""
        weight = rows.weight if values.ndim == 1 else rows.weight[:, None]
        return np.asarray(self.matrix(rows).T @ (values * weight))

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
        flat = coefficients.reshape((self.size, *coefficients.shape[2:]))
        return np.asarray(self.matrix(rows) @ flat)
