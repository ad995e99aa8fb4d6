"""From vertices of a closed line, drawn or written by others, to a smooth Line that begins at the start line."""

from __future__ import annotations

from typing import Any

import numpy as np

from simlap.elevation import rounding_of, without_noise
from simlap.errors import OptionError
from simlap.line import Line
from simlap.track import Point

# Vertices further apart than this on average are filled up along a cubic spline, so that corners are found on a
# line drawn by hand too; at 3 m a kart hairpin still has eight stations.
COARSEST = 3.0  # [m]
FILLED = 2.0  # spacing of the filled line [m]

# Vertices closer than this are thinned out: the curvature of a log at 10 Hz and walking pace is its noise alone.
DENSEST = 1.0  # [m]

LONGEST = 100_000.0  # [m] the longest circuit on public roads has 73 km; more is a slip, and would fill the memory
FEWEST = 8  # vertices; with fewer the smooth line through them is a guess

# A crossing this near to a vertex is that vertex: a file written by simlap keeps its vertices when it is read.
AT_VERTEX = 0.005  # [m]

# Curvature noise that rounded vertices may have before a smoothing spline takes it out: 1e-4 1/m is 0.36 m/s² at
# 60 m/s. Second differences of rounding errors have sqrt(6) times their standard deviation.
CURVATURE_NOISE = 1.0e-4  # [1/m]
SECOND_DIFFERENCE = 6.0**0.5  # [1]

LINEAR = ("width_left_m", "width_right_m", "banking_deg")  # columns that are interpolated linearly between vertices

Columns = dict[str, np.ndarray]


def line_from_vertices(
    points: np.ndarray, columns: Columns, start_line: tuple[Point, Point] | None, *, rounding: float = 0.0
) -> tuple[Line, Columns]:
    """A smooth closed line through vertices, beginning at the start line.

    Parameters
    ----------
    points : float64 array, shape (n, 2)
        Vertices in driving order; the last leads back to the first. [m]
    columns : dict of float64 arrays, shape (n,)
        Values at the vertices: "z" [m], whose noise and rounding are taken out, and any of `LINEAR`.
    start_line : two points, optional
        In the plane of the line; without it the line begins at its first vertex. [m]
    rounding : float
        Standard deviation of the vertices by rounding; a smoothing spline takes it out where it would show in the
        curvature. [m]

    Returns
    -------
    Line
        With banking from the column "banking_deg".
    dict
        The width columns at the stations of the line.

    Raises
    ------
    OptionError
        When the start line crosses the line never or more than once, or there are too few vertices.
    """
    step = rounding_of(columns["z"]) if "z" in columns else 0.0
    points, columns = _thinned(points, columns)
    if len(points) < FEWEST:
        raise OptionError(
            f"the line has {len(points)} vertices that lie {DENSEST:g} m apart; a circuit needs at least {FEWEST}."
        )
    run = float(np.linalg.norm(np.diff(points, axis=0, append=points[:1]), axis=1).sum())
    if run > LONGEST:
        raise OptionError(f"the line is {run / 1000.0:.0f} km long; a circuit has at most {LONGEST / 1000.0:g} km.")
    if start_line is not None:
        points, columns = cut_at_start_line(points, columns, start_line)
    if "z" in columns:
        columns = {**columns, "z": _height(points, columns["z"], step)}
    _, spline, knots = _spline(points, columns)
    spacing = float(knots[-1]) / len(points)
    if spacing > COARSEST:
        u = np.linspace(0.0, knots[-1], int(np.ceil(knots[-1] / FILLED)), endpoint=False)
        filled = spline(u)
        columns = {
            name: np.interp(u, knots, np.append(values, values[0])) if name in LINEAR else filled[:, 2 + k]
            for k, (name, values) in enumerate(columns.items())
        }
        points, knots, spacing = filled[:, :2], np.append(u, knots[-1]), float(knots[-1]) / u.size
    noise = SECOND_DIFFERENCE * rounding / spacing**2
    bank = np.radians(columns["banking_deg"]) if "banking_deg" in columns else None
    line = Line.from_points(
        points[:, 0], points[:, 1], columns.get("z"), bank, smoothing=rounding if noise > CURVATURE_NOISE else None
    )
    at = line.station / line.length * knots[-1]
    widths: Columns = {
        name: np.interp(at, knots, np.append(columns[name], columns[name][0]))
        for name in ("width_left_m", "width_right_m")
        if name in columns
    }
    return line, widths


def _thinned(points: np.ndarray, columns: Columns) -> tuple[np.ndarray, Columns]:
    """Leave vertices out that lie closer than `DENSEST` to the last one kept."""
    kept = [0]
    for index in range(1, len(points)):
        far = float(np.hypot(*(points[index] - points[kept[-1]]))) >= DENSEST
        if (far and float(np.hypot(*(points[index] - points[0]))) >= DENSEST) or (far and index < len(points) // 2):
            kept.append(index)
    return points[kept], {name: values[kept] for name, values in columns.items()}


def cut_at_start_line(
    points: np.ndarray, columns: Columns, start_line: tuple[Point, Point]
) -> tuple[np.ndarray, Columns]:
    """Make the crossing of the start line the first vertex of a closed line.

    Parameters
    ----------
    points : float64 array, shape (n, 2)
        Vertices; the last leads back to the first. [m]
    columns : dict of float64 arrays, shape (n,)
        Values at the vertices ("z" and those of `LINEAR`).
    start_line : two points
        In the plane of the line. [m]

    Raises
    ------
    OptionError
        When the start line crosses the line never or more than once.
    """
    a, b = np.array(start_line[0]), np.array(start_line[1])
    across = b - a
    size = float(np.hypot(*across))
    if size == 0.0:
        raise OptionError("the two points of the start line are the same. Put one on each side of the track.")
    here, step = points, np.roll(points, -1, axis=0) - points
    normal = np.array([-across[1], across[0]]) / size
    beside = (here - a) @ normal  # signed distance from the (endless) start line
    ahead = np.roll(beside, -1)
    cuts = np.flatnonzero((beside < 0.0) != (ahead < 0.0))
    share = beside[cuts] / (beside[cuts] - ahead[cuts])
    along = ((here[cuts] + share[:, None] * step[cuts] - a) @ across) / size
    on = (along >= 0.0) & (along <= size)
    if on.sum() != 1:
        near = float(np.min(np.hypot(*(points - 0.5 * (a + b)).T)))
        raise OptionError(
            f"the start line ({size:.1f} m long) crosses the reference line {int(on.sum())} times; it must cross it "
            f"once. Its middle lies {near:.1f} m from the nearest vertex: move it, or change its length."
        )
    cut, at = int(cuts[on][0]), float(share[on][0])
    run = float(np.hypot(*step[cut]))
    for vertex, away in ((cut, at * run), (cut + 1, (1.0 - at) * run)):
        if away <= AT_VERTEX:
            shift = vertex % len(points)
            return np.roll(points, -shift, axis=0), {k: np.roll(v, -shift) for k, v in columns.items()}
    return _insert(points, columns, cut, at, a, normal)


def _insert(
    points: np.ndarray, columns: Columns, cut: int, share: float, a: np.ndarray, normal: np.ndarray
) -> tuple[np.ndarray, Columns]:
    """Begin at the point between two vertices where the smooth line through them crosses the start line."""
    from scipy.optimize import brentq

    table, spline, knots = _spline(points, columns)
    low, high = knots[cut], knots[cut + 1]
    u = low + share * (high - low)

    def gap(at: float) -> float:
        return float((spline(at)[:2] - a) @ normal)

    if gap(low) * gap(high) < 0.0:
        u = float(brentq(gap, low, high, xtol=1e-9))
    first = spline(u)
    names = list(columns)
    for k, name in enumerate(names):
        if name in LINEAR:
            first[2 + k] = np.interp(u, knots, np.append(columns[name], columns[name][0]))
    order = np.roll(table[:-1], -(cut + 1), axis=0)
    if knots[cut + 1] - u < DENSEST and len(order) > 1:  # a vertex right beside the new one bends the spline
        order = order[1:]
    if u - knots[cut] < DENSEST and len(order) > 1:
        order = order[:-1]
    rows = np.vstack((first, order))
    return rows[:, :2], {name: rows[:, 2 + k] for k, name in enumerate(names)}


def _height(points: np.ndarray, z: np.ndarray, rounding: float) -> np.ndarray:
    """Heights (n,) at the vertices without their noise; `rounding` is the step that they were rounded to. [m]"""
    from scipy.interpolate import CubicSpline

    _, spline, knots = _spline(points, {"z": z})
    run = float(knots[-1])
    even = run / len(z) * np.arange(len(z))
    smooth = without_noise(spline(even)[:, 2], run / len(z), rounding)
    around = CubicSpline(np.append(even, run), np.append(smooth, smooth[0]), bc_type="periodic")
    return np.asarray(around(knots[:-1]))


def _spline(points: np.ndarray, columns: Columns) -> tuple[np.ndarray, Any, np.ndarray]:
    """Closed table of vertices, a periodic cubic spline through them over chord length, and its knots."""
    from scipy.interpolate import CubicSpline

    table = np.column_stack((points, *columns.values()))
    table = np.vstack((table, table[:1]))
    knots = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(table[:, :2], axis=0).T))))
    return table, CubicSpline(knots, table, bc_type="periodic"), knots
