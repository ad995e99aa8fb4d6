"""Repairs of the clock of a log, each noted: rows astray, written twice or out of order, restarts, equal times."""

import itertools

import numpy as np

from simlap.errors import LogFormatError
from simlap.noted import Kind, Note
from simlap.readers.clock import DAY
from simlap.readers.table import UNKNOWN_PAUSE, RawLog, plural, repair_note
from simlap.spans import true_spans

# A step back of the clock up to this is rows written in the wrong order; a longer one may be a restart. Loggers
# buffer their channels for less than a second; nobody restarts one in less.
LATE_ROWS = 1.0  # [s]
# More restarts than this are no clock, but some other column. Laps of a day, by a lap timer, are fewer.
MOST_RESTARTS = 500
# So many rows on end that say what earlier ones said at the same times were written twice; so many different ones among
# them, for a car that stands or cruises says the same after a restart as well.
REPEATED_ROWS, REPEATED_KINDS = 20, 5
# A car faster than ROLLING on both sides of a restart, by nearly the same speed, drove on. SAME_SPEED is what full
# braking (10 m/s²) takes off in 0.2 s, two rows of the slowest receivers.
ROLLING = 3.0  # [m/s]
SAME_SPEED = 2.0  # [m/s]
# The speed at a restart is the nearest one within this: in a log of mixed rates not every row holds one. The slowest
# receivers give one each second.
SPEED_NEAR = 1.0  # [s]
# Neighbours of a row with a wild time lie two usual steps apart; some rows are longer.
ACROSS = 4.0  # steps
# A pause longer than this is noted as a gap. A car covers 50 m in it.
CLOCK_GAP = 1.0  # [s]
# Rows of one time stamp: above this share the stamps are too coarse, and the rows are spread between them.
COARSE_SHARE = 0.3
# A step of the median between joined or restarted clocks when there is only one row to tell it from.
LONE_STEP = 0.01  # [s]


def rising_clock(time: np.ndarray, log: RawLog) -> tuple[np.ndarray, np.ndarray]:
    """Order of the rows to keep, and their times, rising (equal ones may remain)."""
    notes = log.notes
    keep = np.flatnonzero(np.isfinite(time))
    filled = np.zeros(time.size, dtype=bool)
    for name, array in log.values.items():
        if name != "time":
            filled |= np.isfinite(array)
    lost = int(np.count_nonzero(filled & ~np.isfinite(time)))
    if lost:
        notes.append(repair_note(f"{plural(lost, 'row')} without a time left out"))
    time = time[keep].copy()
    if time.size < 2:
        return keep, time
    astray = _astray(time)
    if astray.any():
        text = f"{plural(int(astray.sum()), 'row')} with a time far from that of the rows around left out"
        notes.append(repair_note(text))
        keep, time = keep[~astray], time[~astray]
    steps = np.diff(time)
    if log.time_of_day:
        for index in np.flatnonzero(steps < -DAY / 2).tolist():
            time[index + 1 :] += DAY
            notes.append("the clock passes midnight: a day added from there on")
        steps = np.diff(time)
    back = np.flatnonzero(steps < -LATE_ROWS).tolist()
    again = _written_twice(time, [array[keep] for name, array in log.values.items() if name != "time"], back)
    if again.any():
        text = f"{plural(int(again.sum()), 'row')} left out that repeat earlier ones with the same times and values"
        notes.append(Note(text, Kind.WRITTEN_TWICE))
        keep, time = keep[~again], time[~again]
        steps = np.diff(time)
        back = np.flatnonzero(steps < -LATE_ROWS).tolist()
    if len(back) > MOST_RESTARTS:
        raise LogFormatError(
            f"{log.source}: its clock goes back by more than {LATE_ROWS:.0f} s at {len(back)} rows. Is its column of "
            f'time the right one? Choose another: --column time="NAME":s'
        )
    if log.dated and _apart(time, back):
        back = []  # parts of a day in another order: they are sorted
    time = _carried_on(time, keep, back, log)
    late = int(np.count_nonzero(time < np.maximum.accumulate(time)))
    if late:
        order = np.argsort(time, kind="stable")
        keep, time = keep[order], time[order]
        notes.append(repair_note(f"{plural(late, 'row')} out of order sorted by time"))
    return keep, time


def _carried_on(time: np.ndarray, keep: np.ndarray, back: list[int], log: RawLog) -> np.ndarray:
    """Times (n,) [s] that go on where the clock restarts, behind the rows `back`; each restart is noted.

    `keep` (n,) are the rows of the log.
    """
    time = time.copy()
    steps = np.diff(time)
    forward = steps[steps > 0]
    step = float(np.median(forward)) if forward.size else LONE_STEP
    for index in back:
        high = time[: index + 1].max()
        if time[index + 1] >= high or _fits(time, index + 1, high, step):
            continue
        rolling = _drives_on(log, keep, time, index + 1)
        shift = high + (step if rolling else UNKNOWN_PAUSE) - time[index + 1]
        time[index + 1 :] += shift
        text = f"the clock restarts after {high:.2f} s: {shift:.2f} s added to the rows from there on"
        text += "" if rolling else f"; the pause of {UNKNOWN_PAUSE:.0f} s is assumed"
        log.notes.append(Note(text, Kind.CLOCK_RESTARTS))
    return time


def _astray(time: np.ndarray) -> np.ndarray:
    """Which single rows hold a time far from all others, while their neighbours follow one another: a damaged cell.

    A time among the others' may be a row that was written late or early; it is sorted.
    """
    astray = np.zeros(time.size, dtype=bool)
    steps = np.diff(time)
    usual = steps[(steps > 0.0) & (steps <= LATE_ROWS)]
    if not usual.size:
        return astray
    across = time[2:] - time[:-2]
    astray[1:-1] = (np.abs(steps[:-1]) > LATE_ROWS) & (across > 0.0) & (across < ACROSS * np.median(usual))
    others = time[~astray]
    return astray & ((time < others.min() - LATE_ROWS) | (time > others.max() + LATE_ROWS))


def _written_twice(time: np.ndarray, values: list[np.ndarray], back: list[int]) -> np.ndarray:
    """Which rows, where the clock steps back, repeat rows before them in every cell."""
    again = np.zeros(time.size, dtype=bool)
    if not back:
        return again
    _, which, count = np.unique(time, return_inverse=True, return_counts=True)
    twice = np.flatnonzero(count[which] > 1)
    rows = np.column_stack([time, *values])[twice] + 0.0  # a nought is a nought whatever its sign
    rows[np.isnan(rows)] = np.inf  # a cell without a value equals another; infinite ones are not recorded either
    _, first, kind = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    kind = kind.ravel()
    again[twice] = first[kind] < np.arange(twice.size)
    said = np.zeros(time.size, dtype=int)
    said[twice] = np.unique(rows[:, 1:], axis=0, return_inverse=True)[1].ravel()
    for start, stop in true_spans(again):
        if stop - start < REPEATED_ROWS or np.unique(said[start:stop]).size < REPEATED_KINDS:
            again[start:stop] = False
    return again


def _apart(time: np.ndarray, back: list[int]) -> bool:
    """Whether the parts of a clock that goes back at `back` share no time, and lie within a day of each other."""
    parts = np.split(time, np.array(back, dtype=int) + 1)
    spans = sorted((float(part.min()), float(part.max())) for part in parts)
    return all(first[1] < second[0] < first[1] + DAY for first, second in itertools.pairwise(spans))


def _drives_on(log: RawLog, keep: np.ndarray, time: np.ndarray, start: int) -> bool:
    """Whether the car rolled through a restart of the clock, as it does when a lap timer is reset.

    `keep` (n,) are the rows of the log, `time` (n,) their times [s]; the clock restarts at `start`. The first speed
    decides that has values on both sides.
    """
    sides = [_near(keep[:start][::-1], time[:start][::-1]), _near(keep[start:], time[start:])]
    for name in ("speed", "wheel_speed"):
        if name in log.values:
            known = [values[np.isfinite(values)] for values in (log.values[name][rows] for rows in sides)]
            if all(values.size for values in known):
                before, behind = known[0][0], known[1][0]
                return bool(min(before, behind) > ROLLING and abs(behind - before) < SAME_SPEED)
    return False


def _near(rows: np.ndarray, time: np.ndarray) -> np.ndarray:
    """The leading ones of `rows` (n,) whose `time` (n,) [s] lies up to `SPEED_NEAR` from that of the first."""
    beyond = np.abs(time - time[0]) > SPEED_NEAR
    return rows[: int(np.argmax(beyond))] if beyond.any() else rows


def _fits(time: np.ndarray, start: int, high: float, step: float) -> bool:
    """Whether the rows from `start` that lie before `high` fit between the rows before them (late, no restart)."""
    stop = start + int(np.argmax(np.append(time[start:], np.inf) >= high))
    if stop == time.size and stop - start > 1:
        return False
    before = np.sort(time[:start])
    block = time[start:stop]
    place = np.searchsorted(before, block)
    earlier, later = before[np.clip(place - 1, 0, None)], before[np.clip(place, None, before.size - 1)]
    nearest = np.minimum(np.abs(block - earlier), np.abs(later - block))
    return bool(np.median(nearest) > 0.5 * step) or block.size * step < LATE_ROWS


def merge_equal_times(
    time: np.ndarray, values: dict[str, np.ndarray], notes: list[str]
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """One row per time: the first value of each channel; coarse stamps are spread instead."""
    if time.size < 2:
        return time, values
    first = np.append(True, np.diff(time) > 0)
    doubles = int(time.size - first.sum())
    if not doubles:
        return time, values
    starts = np.flatnonzero(first)
    clash = 0
    merged = {}
    for name, array in values.items():
        finite = np.isfinite(array)
        counts = np.add.reduceat(finite, starts)
        clash = max(clash, int(np.count_nonzero(counts > 1)))
        place = np.where(finite, np.arange(time.size), time.size)
        where = np.minimum.reduceat(place, starts)
        padded = np.append(array, np.nan)
        merged[name] = padded[where]
    if clash > COARSE_SHARE * starts.size and starts.size > 2:
        spread = np.interp(np.arange(time.size), starts, time[starts])
        tail = np.arange(time.size) > starts[-1]
        step = (time[starts[-1]] - time[starts[-2]]) / (starts[-1] - starts[-2])
        spread[tail] = time[starts[-1]] + step * (np.arange(time.size)[tail] - starts[-1])
        notes.append(
            f"{doubles} of {time.size} rows repeat the time of the row before (coarse time stamps): "
            f"rows spread evenly between the stamps"
        )
        return spread, values
    notes.append(f"{plural(doubles, 'row')} with the time of the row before merged into it")
    return time[starts], merged


def note_gaps(time: np.ndarray, notes: list[str]) -> None:
    """Tell of pauses in the clock, `time` (n,) [s]."""
    steps = np.diff(time)
    gaps = np.flatnonzero(steps > max(CLOCK_GAP, 10 * float(np.median(steps))))
    if gaps.size:
        notes.append(
            f"{plural(int(gaps.size), 'gap')} in the clock, first after {time[gaps[0]]:.2f} s, "
            f"longest {steps.max():.2f} s"
        )
