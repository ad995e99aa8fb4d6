"""Where a motion is cut into laps: at a start line that is given, by the log's own marks, or by the path alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import NotEnoughData
from simlap.lap_types import CLOSED_ONLY, StartLine
from simlap.lapcounter import Changes, a_lap_apart, counter_changes, numbered_on, numbering_notes
from simlap.motion_types import Motion
from simlap.session import Session
from simlap.startline import APART_S, FOUND_HALF_WIDTH, crossings, line_across, lined_up, start_line_of_path

if TYPE_CHECKING:
    from simlap.track import Track

MARK_LATE_S = 1.0  # [s] a lap channel or beacon tells of a crossing within this
# A path so far from the start line of its track lies on another circuit: the longest are no more across, and a few km
# off is also what a wrong datum or a slip of a digit make.
ELSEWHERE_M = 20_000.0  # [m]


@dataclass(frozen=True, eq=False)
class Cut:
    """Where a motion is cut into laps, and how that was found."""

    times: np.ndarray  #: of the crossings, rising, shape (n,) [s]
    line: StartLine | None
    found_by: str  #: as in `LapSet`
    numbers: list[int]  #: of the pieces that start at the crossings
    notes: tuple[str, ...] = ()  #: on the numbers


def cut(motion: Motion, session: Session, start_line: StartLine | None, track: Track | None) -> Cut:
    """Where to cut: at the start line that is given, else the track's, else at the log's marks, else where the path
    alone tells.

    Raises
    ------
    NotEnoughData
        When the line is not crossed twice, or nothing repeats.
    """
    if start_line is not None:
        times = crossings(motion, start_line)
        _need(times, motion, start_line, "The start line")
        return Cut(times, start_line, "start line", _counted_through(times))
    if track is not None and motion.closes:
        (x1, y1), (x2, y2) = track.start_line
        line = StartLine(float(x1), float(y1), float(x2), float(y2))
        times = crossings(motion, line, 0.5 * track.line.length)
        _need(times, motion, line, f"The start line of track {track.name!r}", of_track=True)
        return Cut(times, line, "track file", _counted_through(times))
    if session.has("lap"):
        changes = counter_changes(session).between(motion.t[0], motion.t[-1])
        times, across, kept = _on_the_line(motion, changes)
        if times.size >= 2:
            own = changes.to[kept]
            numbers = numbered_on(own)
            return Cut(times, across, "lap channel", numbers, numbering_notes(times, own, numbers))
    if session.has("beacon"):
        marks = _pulses(session)
        marks = marks[(marks > motion.t[0]) & (marks < motion.t[-1])]
        if marks.size >= 2:
            across = _line_at(motion, marks)
            times = _sharpened(motion, marks, across)
            return Cut(times, across, "beacon", _counted_through(times))
    line, times = start_line_of_path(motion)
    if not motion.closes:
        times = lined_up(motion, times)
    return Cut(times, line, "path alone", _counted_through(times))


def _counted_through(times: np.ndarray) -> list[int]:
    return list(range(1, times.size + 1))


def _need(times: np.ndarray, motion: Motion, line: StartLine, words: str, *, of_track: bool = False) -> None:
    if times.size >= 2:
        return
    x, y = line.middle
    near = float(np.min(np.hypot(motion.x - x, motion.y - y)))
    how = "is crossed once" if times.size else "is never crossed"
    place = f"{near:.0f} m" if near < 2000.0 else f"{near / 1000.0:.0f} km"
    if of_track and near > ELSEWHERE_M:
        raise NotEnoughData(
            f"{words} lies {place} away from the path: that is another circuit. Take the track of the one that was "
            "driven, or none."
        )
    raise NotEnoughData(
        f"{words} {how}; the path comes within {place} of its middle. Two crossings are "
        f"needed: check the coordinates (latitude first), or leave the line out. {CLOSED_ONLY}"
    )


def _pulses(session: Session) -> np.ndarray:
    """Times at which the beacon comes on. [s]"""
    value = session.channel("beacon")
    rows = np.flatnonzero(np.isfinite(value))
    t, value = session.t[rows], value[rows]
    on = value > 0.5 * np.max(value, initial=0.0)
    at = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    if at.size > 1:
        at = at[np.concatenate([[True], np.diff(t[at]) > APART_S])]
    return t[at]


def _line_at(motion: Motion, marks: np.ndarray) -> StartLine | None:
    """The line across the path at the median mark; None where the path drifts."""
    if not motion.closes:
        return None
    x, y = motion.at("x", marks), motion.at("y", marks)
    course = motion.at("course", marks)
    direction = np.angle(np.median(np.cos(course)) + 1j * np.median(np.sin(course)))
    return line_across(float(np.median(x)), float(np.median(y)), float(direction))


def _sharpened(motion: Motion, marks: np.ndarray, line: StartLine | None) -> np.ndarray:
    """Marks of a lap channel or beacon, moved to the crossings of the line that they agree on.

    A row comes every 0.01 to 0.2 s; the line across the path at the median mark is crossed to the millisecond. Marks
    that have no crossing within 1 s stay as they are.
    """
    times = crossings(motion, line) if line is not None else np.zeros(0)
    if times.size == 0:
        return marks
    nearest = times[np.argmin(np.abs(marks[:, None] - times), axis=1)]
    return np.where(np.abs(nearest - marks) < MARK_LATE_S, nearest, marks)


def _on_the_line(motion: Motion, changes: Changes) -> tuple[np.ndarray, StartLine | None, np.ndarray]:
    """Lap boundaries [s] among the changes of a lap counter, their line, and which changes they are.

    A counter that rises ends a lap. One that goes back may have been reset in the pits: it ends a lap where it does so
    on the line that the others agree on, or where the path drifts, a usual lap after or before its neighbours.
    """
    rises = changes.to > changes.was
    agreed = changes.t[rises] if rises.sum() >= 2 else changes.t
    if agreed.size < 2:
        return np.zeros(0), None, np.zeros(0, dtype=bool)
    line = _line_at(motion, agreed)
    times = _sharpened(motion, changes.t, line)
    if line is None:
        kept = rises | a_lap_apart(np.interp(changes.t, motion.t, motion.s), rises)
    else:
        x, y = line.middle
        near = np.hypot(motion.at("x", changes.t) - x, motion.at("y", changes.t) - y) < FOUND_HALF_WIDTH
        kept = rises | near | (times != changes.t)
    return times[kept], line, kept
