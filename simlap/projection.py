"""Where a driven path lies along a reference line: station and offset, within a moving window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from simlap.errors import NotEnoughData
from simlap.frozen import own
from simlap.line import Line

# The path is projected in blocks of this driven length; within one, odometer and station differ by a few metres.
BLOCK = 20.0  # [m]
BLOCK_SAMPLES = 1000  # longest block of a car that stands still, bounds the memory

# How far from the expected station the foot may lie. Legs of a circuit that come near each other are further apart
# along the line than this; a driver who cuts or runs wide loses a few metres in a block.
WINDOW = 30.0  # [m]

# Pull towards the expected station: a foot 20 m from it must be 7 m nearer to win. Without it the far leg of a
# hairpin wins where an error of position reaches beyond the middle; the foot itself is not moved by it.
PULL = 0.35  # [1]

# Beyond this distance from the line the search starts anew over the whole line, if that finds a nearer place where
# the line runs the same way: after a gap in the log, or when the car rejoins elsewhere.
LOST = 30.0  # [m]

# Shortest driven length over which the direction of the path is measured when a place is looked for.
DIRECTION_LENGTH = 2.0  # [m]

# Legs of a line that come as near to a point as this are told apart by a hint: a marked place is 1 m wide.
SAME_PLACE = 1.0  # [m]

NEWTON_STEPS = 8  # the foot converges quadratically from a start within half a station
NEWTON_LIMIT = 3.0  # longest step [m]: near the centre of curvature the step is unbounded
# Where the line runs more than 60 degrees across the way the car moves, a place counts as so much further away.
ACROSS = 10.0  # [m]


@dataclass(frozen=True, eq=False)
class Projection:
    """A path seen from a line; both arrays float64, shape (m,)."""

    station: np.ndarray  #: foot on the line, counted on over the laps (not wrapped) [m]
    offset: np.ndarray  #: left of the line positive [m]

    def __post_init__(self) -> None:
        own(self, "station", "offset")


class Curve:
    """A line as a smooth curve over its station: periodic cubic splines through the points of a closed line."""

    def __init__(self, line: Line) -> None:
        self.station = np.asarray(line.station)
        self.length = float(line.length)
        self.closed = bool(line.closed)
        points = np.stack((line.x, line.y), axis=1)
        if self.closed:
            knots = np.append(self.station, self.length)
            self.spline = CubicSpline(knots, np.vstack((points, points[:1])), bc_type="periodic")
        else:
            self.spline = CubicSpline(self.station, points)
        self.points = points
        tangent = self.spline(self.station, 1)
        self.tangent = tangent / np.linalg.norm(tangent, axis=1)[:, None]

    def at(self, station: np.ndarray, derivative: int = 0) -> np.ndarray:
        """Point or derivative with respect to the station, shape (m, 2); closed lines repeat."""
        place = station % self.length if self.closed else np.clip(station, 0.0, self.length)
        return np.asarray(self.spline(place, derivative))

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
        return s if self.closed else np.clip(s, 0.0, self.length)

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


def project_path(line: Line, x: np.ndarray, y: np.ndarray, *, window: float = WINDOW) -> Projection:
    """Station and offset of a driven path, in driving order.

    Parameters
    ----------
    line : Line
        Reference line, closed or open.
    x, y : float64 arrays, shape (m,)
        The path in the plane of the line, finite. [m]
    window : float
        Largest distance of the foot from the station expected from the driven length. [m]

    Returns
    -------
    Projection
        ``station`` starts in [0, length) and runs on from lap to lap.

    Raises
    ------
    NotEnoughData
        When the path has no point or one that is not finite.

    Notes
    -----
    A crossing or a straight alongside lies outside the window, so it is never taken for the place where the car
    is. Only the first point, and those behind a gap, are looked for on the whole line; there the line has to run
    the way the car moves.
    """
    return project_on(Curve(line), x, y, window=window)


def project_on(curve: Curve, x: np.ndarray, y: np.ndarray, *, window: float = WINDOW) -> Projection:
    """Like `project_path`, on a curve that is already made."""
    points = np.stack((np.asarray(x, dtype=float), np.asarray(y, dtype=float)), axis=1)
    if points.shape[0] == 0 or not np.isfinite(points).all():
        raise NotEnoughData("A path to project has no points, or one without a position.")
    hops = np.linalg.norm(np.diff(points, axis=0), axis=1)
    driven = np.concatenate(([0.0], np.cumsum(hops)))
    station = np.empty(points.shape[0])
    now, place = 0, _acquire(curve, points, driven, 0, 0.0)
    while now < points.shape[0]:
        stop = int(np.searchsorted(driven, driven[now] + BLOCK, side="right"))
        stop = max(now + 1, min(stop, now + BLOCK_SAMPLES))
        block = slice(now, stop)
        station[block] = _block(curve, points[block], place + driven[block] - driven[now], window)
        last = stop - 1
        gap = np.linalg.norm(points[last] - curve.at(station[last : last + 1])[0])
        if gap > LOST:
            fresh = _acquire(curve, points, driven, last, station[last])
            if np.linalg.norm(points[last] - curve.at(np.array([fresh]))[0]) < 0.5 * gap:
                station[last] = fresh
        place = station[last] + (driven[stop] - driven[last] if stop < points.shape[0] else 0.0)
        now = stop
    return Projection(station, curve.offset(points, station))


def _block(curve: Curve, points: np.ndarray, expected: np.ndarray, window: float) -> np.ndarray:
    """Feet of a few points near their expected stations."""
    n = curve.station.size
    spacing = curve.length / n
    first = int(np.floor((expected.min() - window) / spacing))
    last = int(np.ceil((expected.max() + window) / spacing))
    if curve.closed:
        index = np.arange(first, min(last, first + n) + 1)
    else:
        index = np.arange(max(0, min(first, n - 2)), min(n - 1, max(last, 1)) + 1)
    candidate = index * spacing if curve.closed else curve.station[index]
    gap = points[:, None, :] - curve.points[index % n][None, :, :]
    away = candidate[None, :] - expected[:, None]
    cost = np.sum(gap * gap, axis=2) + (PULL * away) ** 2
    cost[np.abs(away) > window + spacing] = np.inf
    return curve.foot(points, candidate[np.argmin(cost, axis=1)])


def _acquire(curve: Curve, points: np.ndarray, driven: np.ndarray, index: int, near: float) -> float:
    """Station nearest to a point among those where the line runs the way the car moves, as close to `near` as laps
    allow."""
    ahead = min(int(np.searchsorted(driven, driven[index] + DIRECTION_LENGTH)), points.shape[0] - 1)
    behind = index if ahead > index else max(0, int(np.searchsorted(driven, driven[index] - DIRECTION_LENGTH)))
    moved = points[ahead] - points[behind]
    gap = np.linalg.norm(points[index] - curve.points, axis=1)
    along = curve.tangent @ moved
    gap = np.where(along >= 0.5 * np.linalg.norm(moved), gap, gap + ACROSS)
    gap = np.where(along >= 0.0, gap, np.inf)
    foot = float(curve.foot(points[index : index + 1], curve.station[[int(np.argmin(gap))]])[0])
    if not curve.closed:
        return foot
    return foot + curve.length * round((near - foot) / curve.length) if near else foot % curve.length
