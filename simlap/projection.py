"""A reference line as a smooth curve: points, normals, and the foot of a point on it."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from simlap.line import Line

# Legs of a line that come as near to a point as this are told apart by a hint: a marked place is 1 m wide.
SAME_PLACE = 1.0  # [m]

NEWTON_STEPS = 8  # the foot converges quadratically from a start within half a station
NEWTON_LIMIT = 3.0  # longest step [m]: near the centre of curvature the step is unbounded


class Curve:
    """A closed line as a smooth curve over its station: periodic cubic splines through its points."""

    def __init__(self, line: Line) -> None:
        self.station = np.asarray(line.station)
        self.length = float(line.length)
        self.points = np.stack((line.x, line.y), axis=1)
        knots = np.append(self.station, self.length)
        self.spline = CubicSpline(knots, np.vstack((self.points, self.points[:1])), bc_type="periodic")
        tangent = self.spline(self.station, 1)
        self.tangent = tangent / np.linalg.norm(tangent, axis=1)[:, None]

    def at(self, station: np.ndarray, derivative: int = 0) -> np.ndarray:
        """Point [m] or derivative with respect to the station, shape (m, 2); stations beyond the lap repeat it."""
        return np.asarray(self.spline(station % self.length, derivative))

    def normal(self, station: np.ndarray) -> np.ndarray:
        """Unit normal to the left, shape (m, 2)."""
        d = self.at(station, 1)
        return np.stack((-d[:, 1], d[:, 0]), axis=1) / np.linalg.norm(d, axis=1)[:, None]

    def foot(self, point: np.ndarray, start: np.ndarray) -> np.ndarray:
        """Station of the foot of each point (m, 2) by Newton's method from the stations `start`."""
        s = np.array(start, dtype=float)
        for _ in range(NEWTON_STEPS):
            gap = point - self.at(s)
            d1, d2 = self.at(s, 1), self.at(s, 2)
            slope = np.sum(d1 * d1, axis=1) - np.sum(gap * d2, axis=1)
            along = np.sum(gap * d1, axis=1)
            step = along / np.maximum(np.abs(slope), 1e-3 * np.sum(d1 * d1, axis=1))
            s += np.clip(step, -NEWTON_LIMIT, NEWTON_LIMIT)
        return s

    def nearest(self, point: np.ndarray, hint: float | None = None) -> tuple[float, float]:
        """Station of the nearest place on the curve to one point (2,), and its distance. [m]

        Where several legs come nearly as close (within `SAME_PLACE`), the one closest along the line to the station
        `hint` is taken, if there is a hint.
        """
        gap = np.linalg.norm(point - self.points, axis=1)
        low = gap <= np.minimum(np.roll(gap, 1), np.roll(gap, -1))
        start = self.station[low & (gap < gap.min() + SAME_PLACE + self.length / gap.size)]
        feet = self.foot(np.broadcast_to(point, (start.size, 2)), start)
        away = np.linalg.norm(point - self.at(feet), axis=1)
        order = away
        if hint is not None:
            along = np.abs((feet - hint + 0.5 * self.length) % self.length - 0.5 * self.length)
            order = np.where(away <= away.min() + SAME_PLACE, along, np.inf)
        best = int(np.argmin(order))
        return float(feet[best] % self.length), float(away[best])

    def offset(self, point: np.ndarray, station: np.ndarray) -> np.ndarray:
        """Distance of each point left of the curve at its station."""
        return np.sum((point - self.at(station)) * self.normal(station), axis=1)
