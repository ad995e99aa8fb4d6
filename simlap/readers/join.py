"""Joining several files of one outing into one session."""

import itertools
from collections.abc import Sequence

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.table import UNKNOWN_PAUSE
from simlap.session import Column, Session

# Files that share this many times with equal values hold the same rows; two different drives agree in a few rows
# (standing still) at most.
SHARED_ROWS = 20
SHARED_SHARE = 0.9  # of the shared times


def join(sessions: Sequence[Session]) -> Session:
    """One session from the files of an outing; channels that a file lacks are NaN there.

    Clocks that follow one another are kept, and the files put in their order. Clocks that overlap were started
    anew with each file: each is offset behind the one before, in the order given, with a note.

    Raises
    ------
    LogFormatError
        When two files hold the same rows.
    """
    if len(sessions) == 1:
        return sessions[0]
    for first, second in itertools.combinations(sessions, 2):
        if share_rows(first, second):
            raise LogFormatError(f"{second.source}: holds the same rows as {first.source}. Name each part once.")
    notes = [f"{session.source}: {note}" for session in sessions for note in session.notes]
    by_clock = sorted(sessions, key=lambda session: float(session.t[0]))
    if all(first.t[-1] < second.t[0] for first, second in itertools.pairwise(by_clock)):
        if [id(session) for session in by_clock] != [id(session) for session in sessions]:
            notes.append("files put in the order of their clocks: " + ", ".join(one.source for one in by_clock))
        sessions = by_clock
        times = [session.t for session in sessions]
    else:
        times = _offset(sessions, notes)
    names = dict.fromkeys(name for session in sessions for name in session.channels)
    channels = {name: np.concatenate([_values(session, name) for session in sessions]) for name in names}
    columns: dict[tuple[str, str | None], Column] = {}
    for session in sessions:
        for column in session.columns:
            columns.setdefault((column.name, column.channel), column)
    source = " + ".join(session.source for session in sessions)
    return Session(np.concatenate(times), channels, tuple(columns.values()), source, tuple(notes))


def _offset(sessions: Sequence[Session], notes: list[str]) -> list[np.ndarray]:
    times = [sessions[0].t]
    for session in sessions[1:]:
        shift = float(times[-1][-1] + UNKNOWN_PAUSE - session.t[0])
        times.append(session.t + shift)
        notes.append(
            f"{session.source}: its clock starts anew, {shift:.2f} s added; the pause of {UNKNOWN_PAUSE:.0f} s "
            f"before it is assumed"
        )
    return times


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
