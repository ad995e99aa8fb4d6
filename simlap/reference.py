"""Reference line from driven laps: the periodic, smooth mean of their paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import CubicSpline

from simlap.corners import find_corners
from simlap.errors import NotEnoughData
from simlap.frozen import own
from simlap.lappath import lap_path
from simlap.line import Line
from simlap.projection import Curve
from simlap.stationing import pinned, station_of_lap
from simlap.track import Track, crossing_once, start_line_across

if TYPE_CHECKING:
    from simlap.lap_types import LapSet
    from simlap.motion_types import Motion

# Distance of the reference line's stations: a spline through them follows a kart hairpin of 8 m radius to 1 mm.
SPACING = 2.0  # [m]

# Wave length at which the smoothing of the mean path has fallen to one half, by gain 1 / (1 + (CUT/wave)^6). The laps
# come with a bandwidth of about 2 Hz, 10 m at 20 m/s: what is left below 8 m is noise and seams. A hairpin of 8 m
# radius has waves of 40 m and more, whose curvature loses less than 0.01 %.
CUT = 8.0  # [m]
ORDER = 6  # flat over the pass band, so that curvature is not lost; steeper only rings

# Samples of a lap closer than this are left out, for speed: between them the offset from a line that follows the
# lap is straight to better than 1 mm.
THINNED = 1.5  # [m]

# Wave length of one half for elevation. Receivers err in height by a metre over half a minute and more; real slopes
# change over 100 m. Vertical curvature goes with the wave length to the power of -2, so this one decides about its
# noise.
ELEVATION_CUT = 120.0  # [m]

# Elevation is used when the laps, each set to the same mean height, agree within this rms: then the mean of four
# laps has a slope error of about 1 m over 600 m, 0.016 m/s². More means a receiver that loses height.
ELEVATION_SPREAD = 2.0  # [m]

# Rounds of projecting all laps on the mean of the round before; the mean moves by less than `SETTLED` after three.
ROUNDS = 6
SETTLED = 0.005  # [m]

HALF_WIDTH = 7.5  # [m] half the length of a start line drawn where the laps have none

Path = tuple[np.ndarray, ...]  #: x, y and, where logged, altitude of one lap, each shape (k,) [m]


@dataclass(frozen=True, eq=False)
class Reference:
    """A reference line and how well the laps agree on it."""

    line: Line
    offset: np.ndarray  #: of each lap, left of the line, shape (m, n) [m]
    has_elevation: bool  #: whether `line.z` is known
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        own(self, "offset")


def mean_of_laps(paths: Sequence[Path], *, drifting: bool = False) -> Reference:
    """Periodic smooth mean of laps that each run from start line to start line.

    Parameters
    ----------
    paths : sequence of (x, y) or (x, y, altitude)
        One lap each, dense (a metre or two between samples), from the first to the next crossing of one start line.
        [m]
    drifting : bool
        Paths are reckoned without positions: each is closed on itself and laid over the first before the mean.

    Raises
    ------
    NotEnoughData
        When there is no lap.

    Notes
    -----
    Each round projects every lap on the line of the round before and moves that line by the mean offset at equal
    station. Averaging offsets at equal station keeps the curvature, where averaging positions at equal time or
    share of the lap would flatten corners. Between the two ends of a lap the offset differs (the laps' first
    crossing and last one are different ones); this step is spread over the lap.
    """
    if not paths:
        raise NotEnoughData("No counted lap to draw a reference line from. Count one, or give a track file.")
    thin = [_thinned(path) for path in paths]
    laps = [np.stack(path[:2], axis=1) for path in thin]
    if drifting:
        laps = _laid_over(laps)
    driven = [np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(lap, axis=0), axis=1)))) for lap in laps]
    middle = int(np.argsort([d[-1] for d in driven])[len(laps) // 2])
    line = _first(laps[middle], driven[middle])
    for _ in range(ROUNDS):
        curve = Curve(line)
        offset = np.stack([_offsets(curve, lap, run) for lap, run in zip(laps, driven, strict=True)])
        change = _without_step(offset.mean(axis=0))
        moved = curve.points + change[:, None] * curve.normal(curve.station)
        line = _begin_at(_smoothed(moved), np.mean([lap[0] for lap in laps], axis=0))
        if np.abs(change).max() < SETTLED:
            break
    return _with_elevation(line, thin, laps, driven)


def path_of_laps(motion: Motion, lapset: LapSet) -> Track:
    """The circuit as the counted laps drew it: reference line, start line, corners, elevation if they agree.

    Raises
    ------
    NotEnoughData
        When no lap counts.
    """
    return build_from_laps(motion, lapset)[0]


def build_from_laps(motion: Motion, lapset: LapSet) -> tuple[Track, tuple[str, ...]]:
    """Like `path_of_laps`, with what there is to say about it in plain words."""
    paths: list[Path] = []
    for lap in lapset.laps:
        if lap.counted:
            t, x, y, _ = lap_path(motion, lap)
            paths.append((x, y) if motion.altitude is None else (x, y, motion.at("altitude", t)))
    found = mean_of_laps(paths, drifting=not motion.closes)
    start = lapset.start_line
    across = start_line_across(found.line, HALF_WIDTH)
    if start is not None and motion.closes:
        across = crossing_once(found.line, ((start.x1, start.y1), (start.x2, start.y2)))
    track = Track(
        name="circuit of the laps",
        line=found.line,
        start_line=across,
        corners=find_corners(found.line),
        origin=motion.origin,
        has_elevation=found.has_elevation,
        heights_logged=found.has_elevation,
    )
    spread = float(np.sqrt(np.mean(np.var(found.offset, axis=0))))
    drawn_by = f"mean of {len(paths)} laps, which lie {spread:.2f} m rms beside each other"
    if len(paths) == 1:
        drawn_by = "the path of the one lap that counts: its own wander is in the line"
    return track, (drawn_by, *found.notes)


def _thinned(path: Path) -> Path:
    """A lap with samples about `THINNED` apart, its two ends among them."""
    columns = [np.asarray(column, dtype=float) for column in path]
    driven = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(columns[0]), np.diff(columns[1])))))
    _, first = np.unique(np.floor(driven / THINNED), return_index=True)
    kept = np.union1d(first, [0, driven.size - 1])
    return tuple(column[kept] for column in columns)


def _first(lap: np.ndarray, driven: np.ndarray) -> Line:
    """One lap as a closed line: the step between its ends is spread over its length."""
    share = driven / driven[-1]
    closed = lap - share[:, None] * (lap[-1] - lap[0])
    station = np.linspace(0.0, driven[-1], max(int(driven[-1] / SPACING), 16), endpoint=False)
    return _smoothed(np.stack([np.interp(station, driven, column) for column in closed.T], axis=1))


def _smoothed(points: np.ndarray) -> Line:
    """Closed line through about evenly spaced points, low-passed at `CUT` and evened out."""
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    knots = np.concatenate(([0.0], np.cumsum(step)))
    spline = CubicSpline(knots, np.vstack((points, points[:1])), bc_type="periodic")
    count = max(round(float(knots[-1]) / SPACING), 16)
    even = spline(np.linspace(0.0, knots[-1], count, endpoint=False))
    x, y = (low_pass(column, knots[-1] / count, CUT) for column in even.T)
    return Line.from_points(x, y)


def low_pass(values: np.ndarray, spacing: float, cut: float) -> np.ndarray:
    """Periodic low-pass of values at even `spacing`, one half at the wave length `cut`. [m]"""
    ratio = np.fft.rfftfreq(values.shape[0], spacing) * cut
    return np.fft.irfft(np.fft.rfft(values) / (1.0 + ratio**ORDER), values.shape[0])


def _offsets(curve: Curve, lap: np.ndarray, driven: np.ndarray) -> np.ndarray:
    """Offset of one lap at the curve's stations, shape (n,)."""
    return _at_stations(curve, lap, driven, None)


def _at_stations(curve: Curve, lap: np.ndarray, driven: np.ndarray, values: np.ndarray | None) -> np.ndarray:
    """A lap's `values` (its offset, if None) at the curve's stations."""
    rising = driven + 1e-9 * np.arange(driven.size)
    station = station_of_lap(curve, lap[:, 0], lap[:, 1], rising)
    if values is None:
        values = curve.offset(lap, station)
    return np.interp(curve.station, pinned(station, curve.length), values)


def _without_step(offset: np.ndarray) -> np.ndarray:
    """Spread the step between the last and the first station over the lap."""
    ahead = 1.5 * offset[-1] - 0.5 * offset[-2]  # half a station behind the last one, where the seam is
    behind = 1.5 * offset[0] - 0.5 * offset[1]
    share = (np.arange(offset.size) + 0.5) / offset.size - 0.5
    return offset - (ahead - behind) * share


def _begin_at(line: Line, point: np.ndarray) -> Line:
    """The closed line, its station 0 moved to the foot of `point`."""
    curve = Curve(line)
    start, _ = curve.nearest(point, 0.0)
    x, y = curve.at(start + curve.station).T
    return Line.from_points(x, y)


def _laid_over(laps: list[np.ndarray]) -> list[np.ndarray]:
    """Close each lap on itself and turn and shift it so that it lies over the first as well as it can."""
    closed = []
    for lap in laps:
        share = np.linspace(0.0, 1.0, len(lap))
        closed.append(lap - share[:, None] * (lap[-1] - lap[0]))
    count = len(closed[0])
    target = closed[0] - closed[0].mean(axis=0)
    out = []
    for lap in closed:
        even = np.stack([np.interp(np.linspace(0, 1, count), np.linspace(0, 1, len(lap)), c) for c in lap.T], axis=1)
        middle = even.mean(axis=0)
        moved = even - middle
        turn = np.arctan2(
            np.sum(moved[:, 0] * target[:, 1] - moved[:, 1] * target[:, 0]), np.sum(moved * target)
        )  # least squares rotation of the plane
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        out.append((lap - middle) @ rotation.T + closed[0].mean(axis=0))
    return out


def _with_elevation(line: Line, paths: Sequence[Path], laps: list[np.ndarray], driven: list[np.ndarray]) -> Reference:
    """Final offsets, and heights where the laps agree on them."""
    curve = Curve(line)
    offset = np.stack([_offsets(curve, lap, run) for lap, run in zip(laps, driven, strict=True)])
    heights = [np.asarray(path[2], dtype=float) for path in paths if len(path) > 2]
    if len(heights) < max(2, len(paths)) or not all(np.isfinite(z).all() for z in heights):
        note = "no elevation: fewer than two counted laps have an altitude throughout; the road is taken as level"
        return Reference(line, offset, False, (note,))
    rows = np.stack(
        [_without_step(_at_stations(curve, lap, run, z)) for lap, run, z in zip(laps, driven, heights, strict=True)]
    )
    rows = rows - rows.mean(axis=1, keepdims=True)
    spread = float(np.sqrt(np.mean(np.var(rows, axis=0, ddof=1))))
    if spread > ELEVATION_SPREAD:
        note = (
            f"no elevation: the laps' altitudes differ by {spread:.1f} m rms (at most {ELEVATION_SPREAD:g} m are "
            "used); the road is taken as level"
        )
        return Reference(line, offset, False, (note,))
    level = float(np.mean([z.mean() for z in heights]))
    z = level + low_pass(rows.mean(axis=0), curve.length / rows.shape[1], ELEVATION_CUT)
    note = f"elevation from {len(rows)} laps, which agree within {spread:.1f} m rms"
    return Reference(Line.from_points(line.x, line.y, z), offset, True, (note,))
