"""From the columns of a file to channels in SI, the same for every format with named columns."""

import re
from collections.abc import Callable, Sequence

import numpy as np

from simlap.readers.clock import DAY, clock_column
from simlap.readers.columns import Assigned
from simlap.readers.table import RawLog, cell_error, drop_columns, optional, shown
from simlap.session import Column

#: Cells that mean "not recorded".
EMPTY = (
    *("", "-", "--", "---", "?", "NA", "N/A", "n/a", "#N/A", "<NA>", "null", "NULL", "None", "none"),
    *("nan", "NaN", "NAN", "-nan", "1.#QNAN", "-1.#IND"),
)
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
        values[item.channel] = array * item.factor
    return RawLog(source, values, drop_columns(columns, unread), list(notes), time_of_day, dated)


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
        if text in EMPTY:
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
