"""From a raw log to a session: every repair is counted and noted."""

import numpy as np

from simlap.errors import LogFormatError
from simlap.noted import Kind, of_kind
from simlap.readers.repair_clock import merge_equal_times, note_gaps, rising_clock
from simlap.readers.repair_positions import repair_positions
from simlap.readers.table import RawLog, drop_columns, mark_repaired, plural, repair_note
from simlap.session import Session


def assemble(log: RawLog) -> Session:
    """Repair a raw log and make the session.

    Raises
    ------
    LogFormatError
        Fewer than two rows with a time, latitude and longitude swapped, or nothing left of speed and position.
    """
    values = {name: np.asarray(array, dtype=float) for name, array in log.values.items()}
    notes = log.notes
    _infinite_cells(values, log)
    time = values.pop("time")
    order, time = rising_clock(time, log)
    values = {name: array[order] for name, array in values.items()}
    repaired = 0.0 if log.repaired is None else float(log.repaired.mean())
    time, values = merge_equal_times(time, values, notes)
    if time.size < 2:
        raise LogFormatError(f"{log.source}: {time.size} row with a time; at least two are needed.")
    log.repaired = None  # from here on the rows are others
    repair_positions(values, time, log)
    repaired += 0.0 if log.repaired is None else float(log.repaired.mean())
    note_gaps(time, notes)
    unread = {name: "no number in it" for name, array in values.items() if not np.any(np.isfinite(array))}
    notes += [f"{name}: no number in its column; not used" for name in unread]
    values = {name: array for name, array in values.items() if name not in unread}
    for first, second in (("latitude", "longitude"), ("longitude", "latitude"), ("x", "y"), ("y", "x")):
        if first in values and second not in values:
            unread[first] = f"{first} is of no use without {second}"
    values = {name: array for name, array in values.items() if name not in unread}
    if not {"speed", "wheel_speed", "latitude", "x"} & set(values):
        raise LogFormatError(f"{log.source}: the columns of speed and position hold no numbers.")
    _empty_cells(values, time.size, notes)
    of_day = (log.time_of_day or log.dated) and not of_kind(notes, Kind.CLOCK_RESTARTS)
    columns, done = drop_columns(log.columns, unread), min(repaired, 1.0)
    return Session(time, values, columns, log.source, tuple(notes), time_of_day=of_day, repaired_share=done)


def _infinite_cells(values: dict[str, np.ndarray], log: RawLog) -> None:
    for name, array in values.items():
        infinite = np.isinf(array)
        if np.any(infinite):
            values[name] = np.where(infinite, np.nan, array)
            mark_repaired(log, infinite)
            log.notes.append(
                repair_note(f"{name}: {plural(int(infinite.sum()), 'infinite value')} taken as not recorded")
            )


def _empty_cells(values: dict[str, np.ndarray], rows: int, notes: list[str]) -> None:
    counts = {name: int(np.isnan(array).sum()) for name, array in values.items()}
    listed = ", ".join(f"{name} {count}" for name, count in counts.items() if count)
    if listed:
        notes.append(f"rows without a value, of {rows}: {listed}")
