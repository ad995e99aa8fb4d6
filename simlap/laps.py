"""Cut a motion into laps at a start line that is given, logged, or found from the path."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import NotEnoughData, OptionError
from simlap.geodesy import Origin, to_plane
from simlap.lapcounter import Changes, a_lap_apart, counter_changes, numbered_on, numbering_notes
from simlap.lapjudge import GAP, judge
from simlap.motion_types import Motion
from simlap.turning import SLOW
from simlap.warp import lap_length_of, lap_lengths_of, shift_between

if TYPE_CHECKING:
    from simlap.track import Track
from simlap.session import Session

CLOSED_ONLY = "simlap judges laps of a closed circuit, not a course from one place to another such as a hill climb."
SHORTEST_LAP_M = 150.0  # [m] shorter ones are refused: a corner and its straight are then hardly longer than its blur
# Crossings between which the car does not get so far from the line are one: it stands there. Far below what the
# shortest lap takes, so that a shorter one is seen and refused, and two of them are not read as one.
AWAY_M, APART_S = 15.0, 4.0  # [m], [s]
APART = 0.5  # of a lap whose length is known: a line that a circuit's legs side by side cross twice counts once
FOUND_HALF_WIDTH = 15.0  # [m] of a start line that the path alone or a lap channel gives
# A start line that the path alone gives lies so far from other parts of the lap, where its straight allows it: at the
# crossing of a figure of eight both ways would cross it. Nearer along the lap than BESIDE is the straight itself.
CLEAR, BESIDE = FOUND_HALF_WIDTH + 5.0, 40.0  # [m], [m]
STRAIGHT_KAPPA = 1.0 / 800.0  # [1/m] flatter than this is straight enough for a start line
MARK_LATE_S = 1.0  # [s] a lap channel or beacon tells of a crossing within this
RETURN_SHARE, RETURN = 0.02, 10.0  # share of the lap, [m]: how near the path comes to where it was a lap before
NOT_CROSSED = 1.5  # usual laps: a first piece that is longer is no out-lap, a last one no in-lap
# Where a log ends at this share of the usual speed of the place or more, the car was not on its way to the pits: who
# cools down lifts on every straight, and who comes in slows to the speed of the pit lane. Common practice, no source.
AT_SPEED = 0.85  # [1]
CANDIDATES = 6  # longest straights tried as place of the start line
SPACING = 2.0  # [m]


@dataclass(frozen=True)
class StartLine:
    """Two points in the plane of the motion [m]; a lap starts where the path crosses between them."""

    x1: float
    y1: float
    x2: float
    y2: float

    @classmethod
    def from_geodetic(cls, lat1: float, lon1: float, lat2: float, lon2: float, origin: Origin | None) -> StartLine:
        """From latitudes and longitudes [deg].

        Raises
        ------
        OptionError
            When the motion has no place on the globe, or the two points are one.
        """
        if origin is None:
            raise OptionError(
                "A start line in latitude and longitude needs a log with latitude and longitude. "
                "Leave it out: laps are then found from the path."
            )
        x, y = to_plane(np.array([lat1, lat2]), np.array([lon1, lon2]), origin)
        if np.hypot(x[1] - x[0], y[1] - y[0]) < 0.5:
            raise OptionError(
                f"Start line {lat1},{lon1},{lat2},{lon2}: the two points are less than 0.5 m apart. "
                "Give the two edges of the track."
            )
        return cls(float(x[0]), float(y[0]), float(x[1]), float(y[1]))

    @property
    def middle(self) -> tuple[float, float]:
        """Point half-way. [m]"""
        return 0.5 * (self.x1 + self.x2), 0.5 * (self.y1 + self.y2)


@dataclass(frozen=True)
class Lap:
    """One lap, or the piece before the first or after the last crossing."""

    number: int  #: unique; 0 is the piece before the first crossing; a lap channel's own where they only rise
    start_s: float  #: session clock, interpolated [s]
    stop_s: float
    counted: bool
    reason: str  #: why it is set aside; empty when counted
    flying: bool  #: a full circuit from line to line
    place_m: float | None = None  #: station where it was held up or left the track; None for other reasons [m]

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""
        return self.stop_s - self.start_s


@dataclass(frozen=True)
class LapSet:
    """All laps in driving order."""

    laps: tuple[Lap, ...]
    start_line: StartLine | None
    found_by: str  #: 'start line', 'track file', 'lap channel', 'beacon' or 'path alone'
    notes: tuple[str, ...] = ()  #: what was decided about the laps' numbers, in plain words
    no_track: str = ""  #: why a track that was given does not lie under these laps; empty where it does, or none was

    @property
    def flying(self) -> tuple[Lap, ...]:
        """Full circuits."""
        return tuple(lap for lap in self.laps if lap.flying)

    @property
    def counted(self) -> tuple[Lap, ...]:
        """Laps that count."""
        return tuple(lap for lap in self.laps if lap.counted)


def crossings(motion: Motion, line: StartLine, lap_length: float = 0.0) -> np.ndarray:
    """Times [s] at which the path crosses the line in the direction of the majority, interpolated.

    Those less than half of `lap_length` [m] behind another are left out. Linear between samples of 50 Hz: at 10 m/s²
    the path leaves its chord by 0.5 mm, 0.03 ms at 20 m/s.
    """
    ex, ey = line.x2 - line.x1, line.y2 - line.y1
    length = np.hypot(ex, ey)
    side = (ex * (motion.y - line.y1) - ey * (motion.x - line.x1)) / length
    along = (ex * (motion.x - line.x1) + ey * (motion.y - line.y1)) / length
    hit = np.flatnonzero((side[:-1] < 0.0) != (side[1:] < 0.0))
    share = side[hit] / (side[hit] - side[hit + 1])
    where = along[hit] + share * (along[hit + 1] - along[hit])
    inside = (where >= 0.0) & (where <= length)
    hit, share = hit[inside], share[inside]
    if hit.size == 0:
        return np.zeros(0)
    sense = np.where(side[hit + 1] > side[hit], 1, -1)
    majority = 1 if np.sum(sense) >= 0 else -1
    hit, share = hit[sense == majority], share[sense == majority]
    times = motion.t[hit] + share * (motion.t[hit + 1] - motion.t[hit])
    s = np.interp(times, motion.t, motion.s)
    keep: list[int] = []
    for i in range(times.size):
        if not keep or (
            times[i] - times[keep[-1]] > APART_S
            and s[i] - s[keep[-1]] > APART * lap_length
            and _furthest(motion, times[keep[-1]], times[i]) > AWAY_M
        ):
            keep.append(i)
    return times[keep]


def _furthest(motion: Motion, start: float, stop: float) -> float:
    """How far the car gets between two times from where it was at the first. [m]"""
    first, last = np.searchsorted(motion.t, (start, stop))
    x, y = motion.x[first:last], motion.y[first:last]
    return float(np.max(np.hypot(x - x[0], y - y[0]), initial=0.0))


def find_laps(
    motion: Motion,
    session: Session,
    *,
    start_line: StartLine | None = None,
    track: Track | None = None,
    choose: Iterable[int] | None = None,
    drop: Iterable[int] | None = None,
) -> LapSet:
    """Laps between crossings, each counted or set aside with a reason.

    Parameters
    ----------
    motion : Motion
    session : Session
        For its lap or beacon channel.
    start_line : StartLine, optional
        In the plane of the motion. First choice.
    track : Track, optional
        Its start line is the second choice; its widths say when a lap has left the track.
    choose, drop : lap numbers, optional
        Count exactly these; never count these. Both overrule every reason.

    Raises
    ------
    NotEnoughData
        When the line is never crossed, nothing repeats, or the laps are too short.
    OptionError
        When a chosen or dropped number does not exist.
    """
    times, line, found_by, numbers, notes = _cut(motion, session, start_line, track)
    _long_enough(motion, times)
    laps: list[Lap] = []
    if times[0] - motion.t[0] > 0.5:
        reason = "out-lap: starts before the first crossing of the line"
        if _at_speed(motion, times, float(motion.s[0] - np.interp(times[0], motion.t, motion.s)), float(motion.v[0])):
            reason = "cut off: the log begins at speed, behind the line"
        way = np.interp(times, motion.t, motion.s)
        if way[0] - motion.s[0] > NOT_CROSSED * float(np.median(np.diff(way))):  # by its way: it may have stood long
            reason = f"line not crossed before: {way[0] - motion.s[0]:.0f} m driven to there, longer than a lap"
        laps.append(Lap(numbers[0] - 1, float(motion.t[0]), float(times[0]), False, reason, False))
    for i in range(times.size - 1):
        laps.append(Lap(numbers[i], float(times[i]), float(times[i + 1]), True, "", True))
    left = float(motion.t[-1] - times[-1])
    if left > 0.5:
        reason = "in-lap: ends before the next crossing of the line"
        if _at_speed(
            motion, times, float(motion.s[-1] - np.interp(times[-1], motion.t, motion.s)), float(motion.v[-1])
        ):
            reason = "cut off: the log ends before the line"
        if left > NOT_CROSSED * float(np.median(np.diff(times))):
            reason = f"line not crossed again: {left:.0f} s from there to the end of the log, longer than a lap"
        laps.append(Lap(numbers[-1], float(times[-1]), float(motion.t[-1]), False, reason, False))
    judged, told = judge(motion, laps, track)
    notes = (*notes, *told)
    if all_with_gaps(judged):
        notes = (*notes, f"Every lap has a gap. {CLOSED_ONLY}")
    return LapSet(_overruled(judged, choose, drop), line, found_by, notes)


def _at_speed(motion: Motion, times: np.ndarray, way: float, v: float) -> bool:
    """Whether a car that drives `v` [m/s] so far behind the line, `way` [m] (negative: before it), is as fast there as
    on the usual lap between these crossings `times` [s]."""
    crossed = np.interp(times, motion.t, motion.s)
    length = float(np.median(np.diff(crossed)))
    if not abs(way) < length:
        return False
    there = (crossed[:-1] if way > 0.0 else crossed[1:]) + way
    rising = motion.s + 1e-9 * np.arange(motion.s.size)
    return v > AT_SPEED * float(np.median(np.interp(there, rising, motion.v)))


def aside_by_reason(laps: Iterable[Lap]) -> dict[str, list[int]]:
    """Numbers of the full laps that were set aside, those of one reason together."""
    found: dict[str, list[int]] = {}
    for lap in laps:
        if lap.flying and not lap.counted:
            found.setdefault(lap.reason, []).append(lap.number)
    return found


def all_with_gaps(laps: Iterable[Lap]) -> bool:
    """Whether each of two full laps or more has a gap, as runs up a hill have that are logged one by one."""
    flying = [lap for lap in laps if lap.flying]
    return len(flying) > 1 and all(lap.reason.startswith(GAP) for lap in flying)


def _overruled(laps: list[Lap], choose: Iterable[int] | None, drop: Iterable[int] | None) -> tuple[Lap, ...]:
    known = {lap.number for lap in laps if lap.flying}
    chosen = None if choose is None else set(choose)
    dropped = set() if drop is None else set(drop)
    unknown = ((chosen or set()) | dropped) - known
    if unknown:
        raise OptionError(
            f"Lap {min(unknown)} is no full lap of this session; there are "
            f"{', '.join(str(n) for n in sorted(known)) or 'none'}."
        )
    out = []
    for lap in laps:
        if lap.flying and lap.number in dropped:
            lap = replace(lap, counted=False, reason="dropped by the user")
        elif lap.flying and chosen is not None:
            counted = lap.number in chosen
            lap = replace(lap, counted=counted, reason="" if counted else "not among the laps chosen by the user")
        out.append(lap)
    return tuple(out)


def _cut(
    motion: Motion, session: Session, start_line: StartLine | None, track: Track | None
) -> tuple[np.ndarray, StartLine | None, str, list[int], tuple[str, ...]]:
    """Crossing times, the line, how it was found, the number of each piece that starts at a crossing, and notes."""
    if start_line is not None:
        times = crossings(motion, start_line)
        _need(times, motion, start_line, "The start line")
        return times, start_line, "start line", _counted_through(times), ()
    if track is not None and motion.closes:
        (x1, y1), (x2, y2) = track.start_line
        line = StartLine(float(x1), float(y1), float(x2), float(y2))
        times = crossings(motion, line, 0.5 * track.line.length)
        _need(times, motion, line, f"The start line of track {track.name!r}")
        return times, line, "track file", _counted_through(times), ()
    if session.has("lap"):
        changes = counter_changes(session).between(motion.t[0], motion.t[-1])
        times, across, kept = _on_the_line(motion, changes)
        if times.size >= 2:
            own = changes.to[kept]
            numbers = numbered_on(own)
            return times, across, "lap channel", numbers, numbering_notes(times, own, numbers)
    if session.has("beacon"):
        marks = _pulses(session)
        marks = marks[(marks > motion.t[0]) & (marks < motion.t[-1])]
        if marks.size >= 2:
            across = _line_at(motion, marks)
            times = _sharpened(motion, marks, across)
            return times, across, "beacon", _counted_through(times), ()
    line, times = start_line_of_path(motion)
    if not motion.closes:
        times = lined_up(motion, times)
    return times, line, "path alone", _counted_through(times), ()


def _counted_through(times: np.ndarray) -> list[int]:
    return list(range(1, times.size + 1))


def _long_enough(motion: Motion, times: np.ndarray) -> None:
    driven = float(np.median(np.diff(np.interp(times, motion.t, motion.s))))
    if driven < SHORTEST_LAP_M:
        raise NotEnoughData(
            f"Laps of {driven:.0f} m: too short, a lap that simlap judges has {SHORTEST_LAP_M:.0f} m at least. "
            "Check the start line if the circuit is longer."
        )


def _need(times: np.ndarray, motion: Motion, line: StartLine, words: str) -> None:
    if times.size >= 2:
        return
    x, y = line.middle
    near = float(np.min(np.hypot(motion.x - x, motion.y - y)))
    how = "is crossed once" if times.size else "is never crossed"
    place = f"{near:.0f} m" if near < 2000.0 else f"{near / 1000.0:.0f} km"
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
    return _across(float(np.median(x)), float(np.median(y)), float(direction))


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


def _across(x: float, y: float, course: float, half_width: float = FOUND_HALF_WIDTH) -> StartLine:
    """Line across a path that runs in direction `course`, from its right edge to its left."""
    dx, dy = -half_width * np.sin(course), half_width * np.cos(course)
    return StartLine(x - dx, y - dy, x + dx, y + dy)


def lined_up(motion: Motion, times: np.ndarray) -> np.ndarray:
    """Crossings of a reckoned path, moved to where the curvature around them looks alike.

    Positions of a reckoned path are metres off, differently on each lap; its curvature over distance is not. Each
    crossing's surroundings, half a lap each way, are lined up with the mean of all.
    """
    s = np.interp(times, motion.t, motion.s)
    if s.size < 2:
        return times
    around = np.arange(-0.5, 0.5, SPACING / float(np.median(np.diff(s)))) * float(np.median(np.diff(s)))
    middle = around.size // 2
    rising = motion.s + 1e-9 * np.arange(motion.s.size)
    for _ in range(2):
        place = s[:, None] + around
        inside = (place > rising[0]) & (place < rising[-1])
        profiles = np.where(inside, np.interp(place, rising, motion.kappa), 0.0)
        mean = profiles.sum(axis=0) / np.maximum(inside.sum(axis=0), 1)
        moved = np.zeros(s.size)
        for k in range(s.size):
            there = np.flatnonzero(inside[k])
            shift = shift_between(mean[there], profiles[k, there], SPACING)
            moved[k] = np.interp(middle, there, shift)
        s = s + moved - moved.mean()
    return np.interp(s, rising, motion.t)


def _comes_back(x: np.ndarray, y: np.ndarray, length: float) -> bool:
    """Whether a path at every `SPACING` metres is mostly where it was `length` metres before.

    A circuit whose second half turns like its first one repeats its curvature after half a lap.
    """
    lag = round(length / SPACING)
    away = np.hypot(x[lag:] - x[:-lag], y[lag:] - y[:-lag])
    return bool(np.median(away) < RETURN_SHARE * length + RETURN)


def _clear_of_others(x: np.ndarray, y: np.ndarray, straight: np.ndarray, middle: int, length: float) -> int:
    """The place of a straight nearest its middle from which no other part of the lap lies within `CLEAR`; the middle
    where there is none. Places are indices of a path at every `SPACING` metres."""
    lap, beside = round(length / SPACING), round(BESIDE / SPACING)
    for place in straight[np.argsort(np.abs(straight - middle), kind="stable")].tolist():
        around = np.arange(max(place - lap, 0), min(place + lap, x.size))
        along = np.abs(around - place)
        others = around[(along > beside) & (along < lap - beside)]
        if others.size == 0 or np.min(np.hypot(x[others] - x[place], y[others] - y[place])) > CLEAR:
            return int(place)
    return int(middle)


def start_line_of_path(motion: Motion) -> tuple[StartLine, np.ndarray]:
    """Line across the middle of a long straight that is passed once a lap, and its crossings.

    Raises
    ------
    NotEnoughData
        When no place is passed twice at the distance after which the path repeats itself.
    """
    s = motion.s
    rising = np.concatenate([[True], np.diff(s) > 1e-6])
    grid = np.arange(0.0, s[-1], SPACING)
    t = np.interp(grid, s[rising], motion.t[rising])
    moves = motion.valid & (motion.v > SLOW)  # a car that is pushed into its place turns on the spot
    kappa = np.interp(t, motion.t, np.where(moves, motion.kappa, 0.0))
    if motion.closes:
        x, y = motion.at("x", t), motion.at("y", t)
        lengths, _ = lap_lengths_of(kappa, SPACING)
        length = float(next((one for one in lengths if _comes_back(x, y, one)), 0.0))
    else:
        length, _ = lap_length_of(kappa, SPACING)
    if length == 0.0:
        raise NotEnoughData(
            f"No lap repeats within the {s[-1]:.0f} m of this log. Two full laps are needed; give "
            f"--start-line LAT1,LON1,LAT2,LON2 if there are. {CLOSED_ONLY}"
        )
    straight = np.abs(kappa) < STRAIGHT_KAPPA
    edges = np.flatnonzero(np.diff(np.concatenate([[False], straight, [False]]).astype(int)))
    starts, stops = edges[::2], edges[1::2]
    order = np.argsort(starts - stops, kind="stable")[: 5 * CANDIDATES]
    best: tuple[int, StartLine, np.ndarray] | None = None
    tried: list[StartLine] = []
    for i in order:
        place = (starts[i] + stops[i]) // 2
        if motion.closes:
            place = _clear_of_others(x, y, np.arange(starts[i], stops[i]), place, length)
        at = t[place]
        line = _across(*(float(motion.at(n, np.array([at]))[0]) for n in ("x", "y", "course")))
        if any(np.hypot(line.middle[0] - o.middle[0], line.middle[1] - o.middle[1]) < 50.0 for o in tried):
            continue  # the same straight on another lap
        tried.append(line)
        times = crossings(motion, line, length)
        driven = np.diff(np.interp(times, motion.t, s))
        full = int(np.sum(np.abs(driven - length) < 0.1 * length))
        if full >= 1 and (best is None or full > best[0]):
            best = (full, line, times)
        if len(tried) == CANDIDATES:
            break
    if best is None:
        raise NotEnoughData(
            f"The path repeats itself every {length:.0f} m, but no straight of it is passed again after that way. Give "
            f"a start line with --start-line LAT1,LON1,LAT2,LON2 if it is a circuit. {CLOSED_ONLY}"
        )
    return best[1], best[2]
