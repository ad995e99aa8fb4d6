"""Laps beside the track's line, or beside each other: which left it, which were held up, which had no run-up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.corners import Corner, find_corners
from simlap.lap_types import Aside, Lap, Why
from simlap.lappath import SPACING, lap_path, line_of_lap
from simlap.line import Line
from simlap.motion_types import Motion
from simlap.projection import Curve
from simlap.spans import true_spans
from simlap.stationing import not_followed, pinned, station_of_path
from simlap.track import Track, inside
from simlap.units import MS_TO_KMH

OFF_DISTANCE = 15.0  # [m] from the reference where no width is known: as wide as the widest club circuits
WIDTH_SLACK = 3.0  # [m] on top of a known width: errors of position
TRAFFIC_SHARE = 0.10  # speed on a straight this far below the median lap, where the others do not brake
TRAFFIC_LOSS = 0.06  # ... and at least so much of it lost on the straight itself, not brought along from the corner
TRAFFIC_LENGTH = 40.0  # [m] over at least this length
NORMAL_SHARE = 0.03  # before and behind a stretch on which it was held up a lap is this near to the median lap
STRAIGHT_KAPPA = 1.0 / 300.0  # [1/m]
NOT_BRAKING = -1.0  # [m/s²] where the median lap slows more than this, brake points differ and nothing is judged
RUN_UP_SHARE = 0.15  # speed at the line this far below the others' behind a lap that does not count: no flying lap


def compare_laps(
    motion: Motion, laps: Sequence[Lap], rest: Sequence[int], track: Track | None
) -> tuple[dict[int, Why], dict[int, float]]:
    """Hold some laps against the track's line, or against the median one of them, and against each other.

    Parameters
    ----------
    motion : Motion
    laps : sequence of Lap
        All of the session.
    rest : sequence of int
        Which of them to compare, at least one.
    track : Track, optional
        On the plane of the motion.

    Returns
    -------
    reasons, places : dicts
        By index, why a lap does not count, and the station that the reason names. [m]
    """
    reasons: dict[int, Why] = {}
    places: dict[int, float] = {}
    if track is not None and not motion.closes:
        track = None  # a path that drifts cannot be laid under it
    line = _median_lap(motion, [laps[i] for i in rest]) if track is None else track.line
    station = np.arange(0.0, line.length, SPACING)
    beside = _beside(motion, [laps[i] for i in rest], line, station)
    left, right = (OFF_DISTANCE, OFF_DISTANCE) if track is None else _room(track, station)
    offset, tie = beside.offset, ""
    if track is None:
        alike, tie = _alike(offset, np.array([laps[i].time_s for i in rest]))
        offset = offset - np.median(offset[alike], axis=0)
    ratio = beside.v / np.median(beside.v, axis=0)
    at_line = float(np.quantile(beside.v[:, 0], 0.75))  # most laps may stand behind a cool-down lap
    judged = _where_judged(line, station, beside.a_lon, track.corners if track is not None else ())
    for row, i in enumerate(rest):
        beyond = np.maximum(offset[row] - left, -offset[row] - right)
        worst = int(np.argmax(beyond))
        no_run_up = i - 1 not in rest and beside.v[row][0] < (1.0 - RUN_UP_SHARE) * at_line
        if beyond[worst] > 0.0:
            places[i] = float(station[worst])
            reasons[i] = _off(float(abs(offset[row][worst])), places[i], tie, motion.closes)
        elif (place := beside.lost[row]) is not None:
            reasons[i] = Why(Aside.PATH, f"it cannot be followed along the reference at {place:.0f} m")
        elif len(rest) > 2 and no_run_up:
            reasons[i] = Why(
                Aside.NO_RUN_UP,
                f"crossed the line at {beside.v[row][0] * MS_TO_KMH:.0f} km/h, the other laps at "
                f"{at_line * MS_TO_KMH:.0f} km/h",
            )
        elif len(rest) > 2 and (held := _traffic(ratio[row], judged, station)) is not None:
            places[i], reasons[i] = held
    return reasons, places


@dataclass(frozen=True, eq=False)
class _Beside:
    """Laps beside a line, at its stations: arrays of shape (laps, stations)."""

    v: np.ndarray  #: [m/s]
    a_lon: np.ndarray  #: [m/s²]
    offset: np.ndarray  #: to the left of the line [m]
    lost: list[float | None]  #: per lap the station from which it cannot be followed, None where it can [m]


def _beside(motion: Motion, laps: Sequence[Lap], line: Line, station: np.ndarray) -> _Beside:
    """The laps at each `station` (n,) of a line. [m]"""
    curve = Curve(line)
    v, off, a_lon, lost = [], [], [], []
    for lap in laps:
        t, x, y, s = lap_path(motion, lap)
        where, x, y = station_of_path(curve, x, y, s, motion.closes)
        lost.append(not_followed(where, s))
        where = pinned(where, line.length)
        at = np.interp(station, where, t)
        v.append(motion.at("v", at))
        a_lon.append(motion.at("a_lon", at))
        points = np.column_stack([np.interp(at, t, x), np.interp(at, t, y)])
        off.append(curve.offset(points, station))
    return _Beside(np.array(v), np.array(a_lon), np.array(off), lost)


def _where_judged(line: Line, station: np.ndarray, a_lon: np.ndarray, corners: Sequence[Corner]) -> np.ndarray:
    """Where a lap slower than the others was held up, bool (n,): straights on which the median lap does not brake.

    `a_lon` (laps, n) [m/s²]. The driver's own lift in a corner that is taken flat on other laps is no traffic.
    """
    kappa = np.interp(station, line.station, line.kappa)
    judged = np.asarray((np.abs(kappa) < STRAIGHT_KAPPA) & (np.median(a_lon, axis=0) > NOT_BRAKING))
    for corner in corners or find_corners(line):
        judged &= ~inside(station, corner.entry_m, corner.exit_m, line.length)
    return judged


def _off(beside: float, place: float, tie: str, closes: bool) -> Why:
    """That a lap lies `beside` the reference [m] at the station `place` [m]."""
    if closes:
        return Why(Aside.OFF, f"{beside:.0f} m from the reference at {place:.0f} m{tie}")
    return Why(Aside.PATH, f"{beside:.0f} m beside that of the counted laps at {place:.0f} m{tie}")


def _traffic(ratio: np.ndarray, judged: np.ndarray, station: np.ndarray) -> tuple[float, Why] | None:
    """Where a lap was held up on a straight, or over more than one [m], and that it was; None where it was not.

    `ratio` and `judged` as in `_held_up`, (n,) as `station` [m].
    """
    worst = _held_up(ratio, judged)
    if worst >= 0:
        place = float(station[worst])
        words = f"slowed on the straight at {place:.0f} m, {100 * (1 - ratio[worst]):.0f} % below the other laps"
        return place, Why(Aside.TRAFFIC, words)
    held = _held_up_long(ratio, judged)
    if held is None:
        return None
    place, stop = float(station[held.start]), float(station[held.stop - 1])
    share = 1.0 - float(np.median(ratio[held]))
    words = (
        f"slowed from {place:.0f} to {stop:.0f} m, over more than one straight, {100 * share:.0f} % below the other "
        "laps, and as fast as they are before and behind"
    )
    return place, Why(Aside.TRAFFIC, words)


def _median_lap(motion: Motion, laps: Sequence[Lap]) -> Line:
    """Line through the lap of the median time; of two in the middle the faster."""
    return line_of_lap(motion, sorted(laps, key=lambda lap: lap.time_s)[(len(laps) - 1) // 2])


def _alike(offset: np.ndarray, times: np.ndarray) -> tuple[np.ndarray, str]:
    """Which laps (m,) drove one way, and words on it where as many drove another.

    `offset` (m, n) [m]. The largest group within `OFF_DISTANCE` of one lap all along; of two as large the one with the
    faster lap, `times` (m,) [s].
    """
    near = np.abs(offset[:, None, :] - offset).max(axis=2) < OFF_DISTANCE
    size = near.sum(axis=1)
    fastest = np.array([times[group].min() for group in near])
    group = near[np.lexsort((fastest, -size))[0]]
    apart = ~(near & group).any(axis=1)
    if (size[apart] < group.sum()).all():
        return group, ""
    return group, "; as many laps lie on either path, and those with the fastest lap are counted"


def _room(track: Track, station: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance allowed to the left and right of the track's line."""
    sides = []
    for width in (track.width_left, track.width_right):
        sides.append(
            np.full(station.size, OFF_DISTANCE)
            if width is None
            else np.interp(station, track.line.station, width) + WIDTH_SLACK
        )
    return sides[0], sides[1]


def _held_up(ratio: np.ndarray, judged: np.ndarray) -> int:
    """Index of the worst place of a held-up straight, -1 when there is none.

    `ratio` is the lap's speed over the median lap's. Within one straight it has to fall, from its best so far, by
    `TRAFFIC_LOSS` and stay below 1 - `TRAFFIC_SHARE` for `TRAFFIC_LENGTH`.
    """
    for start, stop in true_spans(judged):
        part = ratio[start:stop]
        low = (part < 1.0 - TRAFFIC_SHARE) & (np.maximum.accumulate(part) - part > TRAFFIC_LOSS)
        if low.sum() * SPACING >= TRAFFIC_LENGTH:
            return start + int(np.argmin(np.where(low, part, np.inf)))
    return -1


def _held_up_long(ratio: np.ndarray, judged: np.ndarray) -> slice | None:
    """The stretch over more than one straight on which a lap was held up all along; None where there is none.

    `ratio` and `judged` as in `_held_up`. Below 1 - `TRAFFIC_SHARE` without a break, over `TRAFFIC_LENGTH` of each of
    two straights and the corner between them, and with the rest of the lap as usual: a lift in one corner slows a lap
    up to the next corner that all laps slow for, and a lap that is slow from the start line on, or up to it, is no lap
    at speed.
    """
    for start, stop in true_spans(ratio < 1.0 - TRAFFIC_SHARE):
        rest = np.concatenate([ratio[:start], ratio[stop:]])
        lengths = SPACING * np.array([b - a for a, b in true_spans(judged[start:stop])])
        inside_lap = start > 0 and stop < ratio.size
        if inside_lap and (lengths >= TRAFFIC_LENGTH).sum() > 1 and np.median(rest) > 1.0 - NORMAL_SHARE:
            return slice(start, stop)
    return None
