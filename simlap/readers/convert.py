"""From the columns of a file to channels in SI, the same for every format with named columns."""

import re
from collections.abc import Callable, Sequence

import numpy as np

from simlap.noted import Kind, Note
from simlap.readers.clock import DAY, SHEET_ERROR, clock_column
from simlap.readers.columns import Assigned
from simlap.readers.table import RawLog, cell_error, drop_columns, mark_repaired, optional, shown
from simlap.session import Column

#: Cells that mean "not recorded".
EMPTY = (
    *("", "-", "--", "---", "?", "NA", "N/A", "n/a", "#N/A", "<NA>", "null", "NULL", "None", "none"),
    *("nan", "NaN", "NAN", "-nan", "1.#QNAN", "-1.#IND"),
)
#: Numbers that loggers write where they have none, and channels in which they may be right or are looked at elsewhere.
NO_VALUE = (
    *(sign * (10.0**digits - 1.0) for digits in (3, 4, 5, 6) for sign in (-1.0, 1.0)),
    -32768.0,
    32767.0,
    65535.0,
)
NO_MARKS = ("time", "latitude", "longitude", "x", "y")
# All other values of the channel are smaller than this share of a mark, and so many are left: else it may be a value.
MARK_FAR, MARK_FEW = 0.5, 0.5  # [1]
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(inf|infinity)", re.IGNORECASE)
COMMA_NUMBER = re.compile(r"[+-]?(\d+,\d*|,\d+)([eE][+-]?\d+)?")
#: Letters that a gearbox writes instead of a number: neutral, park, reverse.
GEAR_LETTERS = {"N": 0.0, "P": 0.0, "R": -1.0}


def convert(
    source: str,
    assigned: Sequence[Assigned],
    columns: Sequence[Column],
    notes: Sequence[str],
    fetch: Callable[[Assigned], np.ndarray],
    first_row: int,
    decimal: str = ".",
) -> RawLog:
    """Fetch the assigned columns and bring them to SI.

    Parameters
    ----------
    source, columns, notes
        As `simlap.readers.columns.assign` gave them.
    fetch : function of Assigned
        The cells of one column: float64, or objects (texts; anything else counts as empty), shape (n,).
    first_row : int
        Row of the first cell, as a spreadsheet counts it.
    decimal : str
        Decimal sign of numbers in texts.

    Raises
    ------
    LogFormatError
        For the first cell that is no number; counters and marks are left unread instead, with a note.
    """
    values: dict[str, np.ndarray] = {}
    unread: dict[str, str] = {}
    time_of_day = dated = False
    log = RawLog(source, values, tuple(columns), list(notes))
    for item in assigned:
        cells = fetch(item)
        header = next(column.name for column in columns if column.channel == item.channel)
        if item.unit == "hh:mm:ss":
            array, dated = _seconds(cells, source, header, first_row)
            time_of_day = not dated
        elif cells.dtype == object:
            array, bad = _numbers(cells, item.channel, decimal)
            if bad is not None and optional(item.channel):
                unread[item.channel] = f"row {first_row + bad}: {shown(cells[bad])} is not a number"
                continue
            if bad is not None:
                raise cell_error(source, first_row + bad, header, cells[bad], item.unit)
        else:
            array = cells.astype(float, copy=False)
        if cells.dtype == object:
            _tell_errors(log, item.channel, cells)
        if item.channel not in NO_MARKS and not optional(item.channel):
            array = _without_marks(log, item.channel, array)
        values[item.channel] = array * item.factor
    log.columns, log.time_of_day, log.dated = drop_columns(columns, unread), time_of_day, dated
    return log


def _tell_errors(log: RawLog, channel: str, cells: np.ndarray) -> None:
    """Note the cells of a spreadsheet's errors, which are read as empty."""
    errors = np.array([isinstance(cell, str) and _is_error(cell.strip()) for cell in cells], dtype=bool)
    if errors.any():
        count = int(errors.sum())
        what = f"{count} error cell{'s' * (count > 1)} of a spreadsheet ({shown(cells[int(np.argmax(errors))])})"
        log.notes.append(Note(f"{channel}: {what} taken as not recorded", Kind.REPAIRED))
        mark_repaired(log, errors)


def _is_error(text: str) -> bool:
    return text not in EMPTY and SHEET_ERROR.fullmatch(text) is not None


def _without_marks(log: RawLog, channel: str, array: np.ndarray) -> np.ndarray:
    """The numbers of a column, in its own unit, without those that stand for "not recorded", noted."""
    for mark in NO_VALUE:
        there = array == mark
        if not there.any():
            continue
        others = np.abs(array[np.isfinite(array) & ~np.isin(array, NO_VALUE)])
        if others.size <= MARK_FEW * np.isfinite(array).sum() or others.max() >= MARK_FAR * abs(mark):
            continue
        count = int(there.sum())
        text = f"{channel}: {count} cell{'s' * (count > 1)} of {mark:g} (a mark of no value) taken as not recorded"
        log.notes.append(Note(text, Kind.REPAIRED))
        mark_repaired(log, there)
        array = np.where(there, np.nan, array)
    return array


def _seconds(cells: np.ndarray, source: str, header: str, first_row: int) -> tuple[np.ndarray, bool]:
    """Seconds of a clock column, and whether it carries dates (ready seconds since 1970 are taken as they are)."""
    if cells.dtype == object:
        return clock_column(cells.tolist(), source, header, first_row)
    finite = cells[np.isfinite(cells)]
    dated = bool(finite.size and finite[0] >= DAY)
    return (cells - np.floor(finite[0] / DAY) * DAY if dated else cells), dated


def _numbers(cells: np.ndarray, channel: str, decimal: str) -> tuple[np.ndarray, int | None]:
    """Numbers of a column of texts, and the place of the first cell that is none."""
    array = np.full(cells.size, np.nan)
    for index, cell in enumerate(cells):
        if isinstance(cell, (int, float)):
            array[index] = cell
            continue
        text = cell.strip().replace("\u2212", "-") if isinstance(cell, str) else ""  # the sign that typesetters use
        if text in EMPTY or _is_error(text):
            continue
        if channel == "gear" and text.upper() in GEAR_LETTERS:
            array[index] = GEAR_LETTERS[text.upper()]
        elif NUMBER.fullmatch(text):
            array[index] = float(text)
        elif decimal == "," and COMMA_NUMBER.fullmatch(text):
            array[index] = float(text.replace(",", "."))
        else:
            return array, index
    return array, None
