"""Joining several files of one outing into one session."""

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simlap.errors import LogFormatError
from simlap.geodesy import origin_of
from simlap.noted import behind
from simlap.readers.clock import DAY
from simlap.readers.repair_positions import METRES_PER_DEGREE
from simlap.readers.table import UNKNOWN_PAUSE
from simlap.report.plain import joined_by_and
from simlap.session import POSITIONS, Column, Session

# Files that share this many times with equal values hold the same rows; two different drives agree in a few rows
# (standing still) at most.
SHARED_ROWS = 20
SHARED_SHARE = 0.9  # of the shared times
# Parts of one outing drive over the same ground, in squares of this size or one beside it; receivers err by 10 m.
SQUARE = 50.0  # [m]
# Two layouts of one circuit share more of it, two circuits with one paddock less.
SAME_GROUND = 0.1  # of the squares of the part that has fewer
PADDOCK = 6  # squares: a part with fewer has hardly left its place, which may lie beside the circuit
# A logger that begins a new file while driving leaves a step of some metres between the two; a car that was let out
# again elsewhere, or stood, a longer one.
DRIVEN_ON = 2.0  # [s] longest pause that the way between two files is taken to say
AT_THE_ENDS = 1.0  # [s] over which the speed beside the pause is read
MOVING = 5.0  # [m/s] slower than this the way between two files says nothing of the time between them


def join(sessions: Sequence[Session]) -> Session:
    """One session from the files of an outing; channels that a file lacks are NaN there.

    Clocks that follow one another are kept, and the files put in their order; clocks of the day may pass midnight
    between two of them. Clocks that overlap were started anew with each file: each is offset behind the one before, in
    the order given, with a note.

    Raises
    ------
    LogFormatError
        When two files hold the same rows, some lack the positions that others hold, or the files lie on more than
        one circuit.
    """
    if len(sessions) == 1:
        return sessions[0]
    for first, second in itertools.combinations(sessions, 2):
        if share_rows(first, second):
            raise LogFormatError(f"{second.source}: holds the same rows as {first.source}. Name each part once.")
    unplaced = _without_positions(sessions)
    if unplaced:
        raise LogFormatError(unplaced)
    elsewhere = grounds_apart(sessions)
    if elsewhere:
        raise LogFormatError(elsewhere)
    notes = [behind(f"{session.source}: ", note) for session in sessions for note in session.notes]
    by_clock = _past_midnight(sorted(sessions, key=lambda session: float(session.t[0])), notes)
    if _follow(by_clock):
        if [one.source for one in by_clock] != [one.source for one in sessions]:
            notes.append("files put in the order of their clocks: " + ", ".join(one.source for one in by_clock))
        sessions = by_clock
        times, kept = [session.t for session in sessions], True
    else:
        times, kept = _offset(sessions, notes), False
    names = dict.fromkeys(name for session in sessions for name in session.channels)
    channels = {name: np.concatenate([_values(session, name) for session in sessions]) for name in names}
    columns: dict[tuple[str, str | None], Column] = {}
    for session in sessions:
        for column in session.columns:
            columns.setdefault((column.name, column.channel), column)
    source = " + ".join(session.source for session in sessions)
    parts = tuple(float(clock[0]) for clock in times)
    repaired = float(np.average([one.repaired_share for one in sessions], weights=[one.t.size for one in sessions]))
    of_day = kept and all(session.time_of_day for session in sessions)
    return Session(
        np.concatenate(times), channels, tuple(columns.values()), source, tuple(notes), parts, of_day, repaired
    )


def _past_midnight(by_clock: Sequence[Session], notes: list[str]) -> Sequence[Session]:
    """The files in driving order: where clocks of the day run over midnight, those behind it are a day on."""
    if not all(session.time_of_day for session in by_clock) or by_clock[-1].t[-1] - by_clock[0].t[0] <= DAY / 2:
        return by_clock
    for count in range(1, len(by_clock)):
        after = [replace(session, t=session.t + DAY) for session in by_clock[:count]]
        order = [*by_clock[count:], *after]
        if _follow(order) and order[-1].t[-1] - order[0].t[0] <= DAY / 2:
            names = joined_by_and([session.source for session in after])
            notes.append(f"{names}: begin{'s' if count == 1 else ''} after midnight, a day added")
            return order
    return by_clock


def _follow(sessions: Sequence[Session]) -> bool:
    """Whether each clock begins behind the end of the one before."""
    return all(first.t[-1] < second.t[0] for first, second in itertools.pairwise(sessions))


def _offset(sessions: Sequence[Session], notes: list[str]) -> list[np.ndarray]:
    times = [sessions[0].t]
    for before, session in itertools.pairwise(sessions):
        driven = _driven_on(before, session)
        pause = UNKNOWN_PAUSE if driven is None else driven
        shift = float(times[-1][-1] + pause - session.t[0])
        times.append(session.t + shift)
        told = (
            f"the pause of {UNKNOWN_PAUSE:.0f} s before it is assumed"
            if driven is None
            else f"{pause:.2f} s before it, for the car drove on from where the file before ends"
        )
        notes.append(f"{session.source}: its clock starts anew, {shift:.2f} s added; {told}")
    return times


def _driven_on(before: Session, after: Session) -> float | None:
    """Time from the last row of a file to the first of the next, where the car drove on between the two. [s]"""
    for names in POSITIONS:
        if not all(session.has(name) for session in (before, after) for name in names):
            continue
        (t1, p1), (t2, p2) = _fixes(before, names, before), _fixes(after, names, before)
        first, second = t1 > t1[-1] - AT_THE_ENDS, t2 < t2[0] + AT_THE_ENDS
        if first.sum() < 2 or second.sum() < 2:
            return None
        v1, v2 = (np.diff(p[:, [0, -1]], axis=1)[:, 0] / (t[-1] - t[0])
                  for t, p in ((t1[first], p1[:, first]), (t2[second], p2[:, second])))  # fmt: skip
        step, v = p2[:, 0] - p1[:, -1], 0.5 * (v1 + v2)
        if min(np.hypot(*v1), np.hypot(*v2), np.hypot(*v)) < MOVING:
            return None
        time = float(step @ v / (v @ v))
        beside = float(np.hypot(*(step - time * v)))
        if not 0.0 <= time <= DRIVEN_ON or beside > 0.5 * DRIVEN_ON * float(np.hypot(*v)):
            return None
        pause = time - float(before.t[-1] - t1[-1]) - float(t2[0] - after.t[0])
        return max(pause, float(np.median(np.diff(after.t))))
    return None


def _fixes(session: Session, names: Sequence[str], first: Session) -> tuple[np.ndarray, np.ndarray]:
    """Times (n,) [s] and places (2, n) [m] of the fixes of a part, each where it is first written."""
    there = np.isfinite(session.channel(names[0])) & np.isfinite(session.channel(names[1]))
    place = np.stack(_plane(session, names, first))
    new = np.concatenate([[True], np.any(np.diff(place, axis=1) != 0.0, axis=0)])
    return session.t[there][new], place[:, new]


def _values(session: Session, name: str) -> np.ndarray:
    return session.channels[name] if session.has(name) else np.full(session.t.size, np.nan)


def share_rows(first: Session, second: Session) -> bool:
    """Whether two logs hold the same rows: the same file, a copy of it, or parts that overlap."""
    common, in_first, in_second = np.intersect1d(first.t, second.t, assume_unique=True, return_indices=True)
    names = first.channels.keys() & second.channels.keys()
    if common.size < min(SHARED_ROWS, first.t.size, second.t.size) or not names:
        return False
    equal = np.ones(common.size, dtype=bool)
    for name in names:
        one, two = first.channels[name][in_first], second.channels[name][in_second]
        equal &= (one == two) | (np.isnan(one) & np.isnan(two))
    return bool(equal.mean() > SHARED_SHARE)


def _without_positions(sessions: Sequence[Session]) -> str:
    """What there is to say of files without the positions by which the others place their laps; else empty."""
    for names in POSITIONS:
        placed = [all(session.has(name) for name in names) for session in sessions]
        if not any(placed):
            continue
        lacking = [session.source for session, there in zip(sessions, placed, strict=True) if not there]
        if not lacking:
            return ""
        first = sessions[placed.index(True)].source
        return (
            f"{joined_by_and(lacking)}: no {joined_by_and(names)}, by which {first} places its laps. Join files that "
            "all hold them, and judge the others by themselves."
        )
    return ""


def grounds_apart(sessions: Sequence[Session]) -> str:
    """What there is to say of files on the ground of several circuits, each named with its circuit; else empty.

    Files without positions are passed over.
    """
    for names in POSITIONS:
        placed = [session for session in sessions if all(session.has(name) for name in names)]
        if len(placed) < 2:
            continue
        planes = [_plane(session, names, placed[0]) for session in placed]
        grounds = _grounds([_squares(x, y) for x, y in planes])
        if len(grounds) < 2:
            continue
        one, other = grounds[:2]
        middles = [np.median(np.hstack([planes[index] for index in ground]), axis=1) for ground in (one, other)]
        away = float(np.hypot(*(middles[1] - middles[0])))
        far = f"{away:.0f} m" if away < 2000.0 else f"{away / 1000.0:.0f} km"
        first, later = (joined_by_and([placed[index].source for index in ground]) for ground in (one, other))
        return (
            f"{later}: not on the circuit of {first}, {'their' if len(other) > 1 else 'its'} middle lies about {far} "
            "away. Name the files of one circuit only, and judge the others by themselves."
        )
    return ""


def _grounds(squares: Sequence[set[tuple[int, int]]]) -> list[list[int]]:
    """Which parts lie on the same ground, as groups of their indices; those that hardly left their place in none."""
    groups: list[list[int]] = []
    for index, here in enumerate(squares):
        if len(here) < PADDOCK:
            continue
        near = [group for group in groups if _shared(set().union(*(squares[k] for k in group)), here) >= SAME_GROUND]
        groups = [group for group in groups if group not in near]
        groups.append(sorted([index, *(k for group in near for k in group)]))
    return sorted(groups)


def _plane(session: Session, names: Sequence[str], first: Session) -> tuple[np.ndarray, np.ndarray]:
    """Finite positions of a part, in the plane of the first one. [m]"""
    one, two = (session.channel(name) for name in names)
    if names[0] == "latitude":  # plate carrée at the first part's place: a few per mille off within a circuit
        lat0, lon0 = origin_of(first.channel("latitude"), first.channel("longitude"))
        east = (two - lon0 + 180.0) % 360.0 - 180.0
        one, two = east * METRES_PER_DEGREE * np.cos(np.radians(lat0)), (one - lat0) * METRES_PER_DEGREE
    there = np.isfinite(one) & np.isfinite(two)
    return one[there], two[there]


def _squares(x: np.ndarray, y: np.ndarray) -> set[tuple[int, int]]:
    return set(zip(np.floor(x / SQUARE).astype(int).tolist(), np.floor(y / SQUARE).astype(int).tolist(), strict=True))


def _shared(one: set[tuple[int, int]], other: set[tuple[int, int]]) -> float:
    """Share of the squares of the smaller set that the larger one has, or has one beside."""
    few, many = sorted((one, other), key=len)
    around = list(itertools.product((-1, 0, 1), repeat=2))
    return sum(any((i + di, j + dj) in many for di, dj in around) for i, j in few) / len(few)
