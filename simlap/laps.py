"""The laps of a motion: cut at the start line, and counted or set aside."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import NotEnoughData, OptionError
from simlap.lap_types import CLOSED_ONLY, Aside, Lap, LapSet, StartLine, Why
from simlap.lapcut import Cut, cut
from simlap.lapjudge import judge
from simlap.motion_types import Motion
from simlap.session import Session

if TYPE_CHECKING:
    from simlap.track import Track

SHORTEST_LAP_M = 150.0  # [m] shorter ones are refused: a corner and its straight are then hardly longer than its blur
LEAST_PIECE = 0.5  # [s] before the first or after the last crossing: a shorter one is not listed
NOT_CROSSED = 1.5  # usual laps: a first piece that is longer is no out-lap, a last one no in-lap
# Where a log ends at this share of the usual speed of the place or more, the car was not on its way to the pits: who
# cools down lifts on every straight, and who comes in slows to the speed of the pit lane. Common practice, no source.
AT_SPEED = 0.85  # [1]


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
    where = cut(motion, session, start_line, track)
    _long_enough(motion, where.times)
    laps = _pieces(motion, where)
    judged, told = judge(motion, laps, track)
    notes = (*where.notes, *told)
    if all_with_gaps(judged):
        notes = (*notes, f"Every lap has a gap. {CLOSED_ONLY}")
    return LapSet(_overruled(judged, choose, drop), where.line, where.found_by, notes)


def _pieces(motion: Motion, where: Cut) -> list[Lap]:
    """All laps, full ones as counted, with the pieces before the first and after the last crossing."""
    times, numbers = where.times, where.numbers
    laps: list[Lap] = []
    if times[0] - motion.t[0] > LEAST_PIECE:
        why = _why_first(motion, times)
        laps.append(Lap(numbers[0] - 1, float(motion.t[0]), float(times[0]), False, why.reason, False, kind=why.kind))
    for i in range(times.size - 1):
        laps.append(Lap(numbers[i], float(times[i]), float(times[i + 1]), True, "", True))
    if float(motion.t[-1] - times[-1]) > LEAST_PIECE:
        why = _why_last(motion, times)
        laps.append(Lap(numbers[-1], float(times[-1]), float(motion.t[-1]), False, why.reason, False, kind=why.kind))
    return laps


def _why_first(motion: Motion, times: np.ndarray) -> Why:
    """Why the piece before the first of the crossings `times` [s] is no lap."""
    way = np.interp(times, motion.t, motion.s)
    driven = way[0] - motion.s[0]
    if driven > NOT_CROSSED * float(np.median(np.diff(way))):  # by its way: it may have stood long
        return Why(Aside.NOT_CROSSED_BEFORE, f"{driven:.0f} m driven to there, longer than a lap")
    if _at_speed(motion, times, float(motion.s[0] - way[0]), float(motion.v[0])):
        return Why(Aside.CUT_OFF, "the log begins at speed, behind the line")
    return Why(Aside.BEFORE, "starts before the first crossing of the line")


def _why_last(motion: Motion, times: np.ndarray) -> Why:
    """Why the piece behind the last of the crossings `times` [s] is no lap."""
    left = float(motion.t[-1] - times[-1])
    if left > NOT_CROSSED * float(np.median(np.diff(times))):
        return Why(Aside.NOT_CROSSED_AGAIN, f"{left:.0f} s from there to the end of the log, longer than a lap")
    way = float(motion.s[-1] - np.interp(times[-1], motion.t, motion.s))
    if _at_speed(motion, times, way, float(motion.v[-1])):
        return Why(Aside.CUT_OFF, "the log ends before the line")
    return Why(Aside.BEHIND, "ends before the next crossing of the line")


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
    return len(flying) > 1 and all(lap.kind is Aside.GAP for lap in flying)


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
            lap = replace(lap, counted=False, reason=Aside.DROPPED.value, kind=Aside.DROPPED)
        elif lap.flying and chosen is not None:
            kind = None if lap.number in chosen else Aside.NOT_CHOSEN
            lap = replace(lap, counted=kind is None, reason=kind.value if kind else "", kind=kind)
        out.append(lap)
    return tuple(out)


def _long_enough(motion: Motion, times: np.ndarray) -> None:
    driven = float(np.median(np.diff(np.interp(times, motion.t, motion.s))))
    if driven < SHORTEST_LAP_M:
        raise NotEnoughData(
            f"Laps of {driven:.0f} m: too short, a lap that simlap judges has {SHORTEST_LAP_M:.0f} m at least. "
            "Check the start line if the circuit is longer."
        )
