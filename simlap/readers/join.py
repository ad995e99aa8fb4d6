"""Joining several files of one outing into one session."""

from collections.abc import Sequence

import numpy as np

from simlap.errors import LogFormatError
from simlap.session import Column, Session

# Pause put between files whose clocks both start anew: nobody knows the true one. Long enough to be a gap, so
# that no lap is timed across it.
UNKNOWN_PAUSE = 60.0  # [s]


def join(sessions: Sequence[Session]) -> Session:
    """One session from files in driving order; channels that a file lacks are NaN there.

    Where the clock of a file starts after the end of the one before, it continues; where it starts at or
    before the start of the one before, it was restarted, and is offset with a note.

    Raises
    ------
    LogFormatError
        When the clocks overlap without a restart: the files are copies, or given in the wrong order.
    """
    if len(sessions) == 1:
        return sessions[0]
    names = list(dict.fromkeys(name for session in sessions for name in session.channels))
    times: list[np.ndarray] = []
    notes: list[str] = []
    for number, session in enumerate(sessions):
        notes += [f"{session.source}: {note}" for note in session.notes]
        t = session.t
        if number:
            before, end = sessions[number - 1], float(times[-1][-1])
            if before.t.shape == t.shape and np.array_equal(before.t, t) and _same(before, session):
                raise LogFormatError(f"{session.source}: the same rows as {before.source}. Name each file once.")
            if t[0] <= end:
                if before.t[0] < t[0] and number == 1:
                    raise LogFormatError(
                        f"{session.source}: its clock starts at {t[0]:.2f} s, within {before.source} "
                        f"({before.t[0]:.2f} to {before.t[-1]:.2f} s). Join only files that follow one another."
                    )
                shift = end + UNKNOWN_PAUSE - t[0]
                notes.append(
                    f"{session.source}: its clock starts anew, {shift:.2f} s added; the pause of "
                    f"{UNKNOWN_PAUSE:.0f} s before it is assumed"
                )
                t = t + shift
        times.append(t)
    channels = {
        name: np.concatenate([
            session.channels[name] if session.has(name) else np.full(session.t.size, np.nan) for session in sessions
        ])
        for name in names
    }  # fmt: skip
    columns: dict[tuple[str, str | None], Column] = {}
    for session in sessions:
        for column in session.columns:
            columns.setdefault((column.name, column.channel), column)
    source = " + ".join(session.source for session in sessions)
    return Session(np.concatenate(times), channels, tuple(columns.values()), source, tuple(notes))


def _same(first: Session, second: Session) -> bool:
    return first.channels.keys() == second.channels.keys() and all(
        np.array_equal(first.channels[name], second.channels[name], equal_nan=True) for name in first.channels
    )
