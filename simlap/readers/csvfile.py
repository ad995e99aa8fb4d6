"""Delimited text: delimiter, decimal sign, preamble, header and row of units are found from the content."""

import codecs
import csv
import io
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from simlap.errors import LogFormatError
from simlap.readers.choices import ColumnChoice
from simlap.readers.clock import is_clock
from simlap.readers.columns import Assigned, assign
from simlap.readers.convert import COMMA_NUMBER, EMPTY, NUMBER, convert
from simlap.readers.headers import names_a_channel
from simlap.readers.table import HEAD_BYTES, RawLog, Request, shown
from simlap.units import find_units

DELIMITERS = (",", ";", "\t", "|")
#: The header is looked for in this many first lines; a longer preamble is not believed.
HEADER_LINES = 300
#: Letters that tell the sign of a coordinate written without one (as NMEA 0183 does), and what such a column is called.
HEMISPHERES = {
    "latitude": ("NS", r"lat|north|south|hemi|\bn\s*/?\s*s\b"),
    "longitude": ("EW", r"lon|east|west|hemi|\be\s*/?\s*w\b"),
}
#: Rows looked at to tell the decimal sign, columns of clock times and columns of such letters.
SAMPLE_ROWS = 200
#: A header of quoted names with line breaks in them may fill so many lines; more is a quote that was never closed.
MOST_BROKEN = 100


class _Header(NamedTuple):
    """A line that may be the header, cut with one delimiter. Line numbers count from 0."""

    known: int  #: cells that name a channel or a chosen column
    cells: list[str]
    delimiter: str
    below: int  #: line behind it
    rows: list[list[str]]  #: all lines cut with this delimiter


@dataclass(frozen=True)
class Layout:
    """How a text file is cut into cells. Line numbers count from 0."""

    encoding: str
    delimiter: str
    decimal: str
    headers: tuple[str, ...]
    units: tuple[str | None, ...]
    first_line: int  #: line of the first row of data
    clocks: frozenset[int]
    sides: dict[str, int]  #: column of the letters N and S, or E and W, by the channel whose sign they tell


def decode_head(head: bytes, source: str) -> tuple[str, str]:
    """Text of the first bytes of a file, and its encoding (UTF-8, UTF-16, else Latin-1).

    Raises
    ------
    LogFormatError
        When the bytes are no text.
    """
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif head.startswith(codecs.BOM_UTF8):
        encoding = "utf-8-sig"
    elif len(head) > 3 and head[1:40:2].count(0) * 2 >= len(head[1:40:2]) and 0 not in head[0:40:2]:
        encoding = "utf-16-le"
    elif len(head) > 3 and head[0:40:2].count(0) * 2 >= len(head[0:40:2]) and 0 not in head[1:40:2]:
        encoding = "utf-16-be"
    else:
        encoding = "utf-8"
    decoder = codecs.getincrementaldecoder(encoding)
    try:
        text = decoder("strict").decode(head, final=False)
    except UnicodeDecodeError:
        encoding = "latin-1"
        text = head.decode(encoding)
    text = text.rstrip("\x00")  # what a logger leaves that lost its power while writing
    control = re.search(r"[\x00-\x08\x0e-\x19\x1c-\x1f\x7f]", text)
    if control:
        raise LogFormatError(
            f"{source}: not a text file (byte {ord(control.group()):#04x} at {control.start()}), and no other log "
            f"format known here. Export the log as CSV, GPX, NMEA 0183, ASAM MDF 4, Parquet or Feather."
        )
    return text, encoding


def _is_number(cell: str) -> bool:
    cell = cell.strip()
    return bool(NUMBER.fullmatch(cell) or COMMA_NUMBER.fullmatch(cell) or is_clock(cell))


def _split(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    """Each line cut into cells; quotes are honoured within a line."""
    cells = []
    for line in lines:
        try:
            cells.append(next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), []))
        except csv.Error:
            cells.append([])
    return cells


def find_layout(text: str, encoding: str, source: str, choices: Sequence[ColumnChoice] = ()) -> Layout:
    """Find delimiter, decimal sign, header, units and first row of data in the head of a file.

    The header is the line that names most channels (or chosen columns), has no number in it, and is followed by
    a row with numbers.

    Raises
    ------
    LogFormatError
        When the file is empty, has no header, or no row of data below it.
    """
    if not text.strip():
        raise LogFormatError(f"{source}: the file is empty.")
    lines = re.split(r"\r\n|\r|\n", text)[: HEADER_LINES + SAMPLE_ROWS]
    wanted = {choice.column.strip().casefold() for choice in choices if choice.column}
    best = _known_header(lines, wanted) or _unknown_header(lines)
    if best is None:
        raise LogFormatError(_no_header(lines, source))
    delimiter, first, rows = best.delimiter, best.below, best.rows
    headers = [cell.strip() for cell in best.cells]
    while headers and not headers[-1]:
        headers.pop()
    units: list[str | None] = [None] * len(headers)
    while first < len(rows) and not any(cell.strip() for cell in rows[first]):
        first += 1
    if first < len(rows) and _is_units_row(rows[first]):
        units = [cell.strip() or None for cell in rows[first]][: len(headers)]
        units += [None] * (len(headers) - len(units))
        first += 1
        while first < len(rows) and not any(cell.strip() for cell in rows[first]):
            first += 1
    sample = [row for row in rows[first : first + SAMPLE_ROWS] if any(cell.strip() for cell in row)]
    if not sample:
        raise LogFormatError(f"{source}: only a header (line {best.below}), no row of data below it.")
    decimal = _decimal(sample)
    clocks = frozenset(
        index for index in range(len(headers)) if _first_cell(sample, index) and is_clock(_first_cell(sample, index))
    )
    sides = {
        channel: index
        for channel, (letters, names) in HEMISPHERES.items()
        for index, header in enumerate(headers)
        if re.search(names, header, re.IGNORECASE) and _letters(sample, index) <= set(letters)
    }
    return Layout(encoding, delimiter, decimal, tuple(headers), tuple(units), first, clocks, sides)


def _letters(sample: Sequence[Sequence[str]], index: int) -> set[str]:
    """What stands in a column; a blank where nothing does, so that an empty column is no column of letters."""
    return {row[index].strip() for row in sample if len(row) > index} - {*EMPTY} or {""}


def _first_cell(sample: Sequence[Sequence[str]], index: int) -> str:
    return next((row[index].strip() for row in sample if len(row) > index and row[index].strip() not in EMPTY), "")


def _is_units_row(cells: Sequence[str]) -> bool:
    filled = [cell.strip().strip("[](){} ") for cell in cells if cell.strip()]
    return bool(filled) and not any(_is_number(cell) for cell in filled if cell != "1") and any(
        find_units(cell) for cell in filled if cell not in ("1", "-")
    )  # fmt: skip


def _decimal(sample: Sequence[Sequence[str]]) -> str:
    """Sign of the decimals: a comma only where some number has one and none a point."""
    cells = [cell.strip() for row in sample for cell in row]
    commas = any(COMMA_NUMBER.fullmatch(cell) for cell in cells)
    points = any("." in cell and NUMBER.fullmatch(cell) for cell in cells)
    return "," if commas and not points else "."


def _known_header(lines: Sequence[str], wanted: set[str]) -> _Header | None:
    """The line that names most channels, or `wanted` columns, and has no number in it."""
    best: _Header | None = None
    for delimiter in DELIMITERS:
        rows = _split(lines, delimiter)
        for number in range(min(len(rows), HEADER_LINES)):
            cells, below = _whole_names(lines, rows, number, delimiter)
            if len(cells) < 2 or any(_is_number(cell) for cell in cells):
                continue
            known = sum(names_a_channel(cell) or cell.strip().casefold() in wanted for cell in cells if cell.strip())
            if known and (best is None or (known, len(cells)) > (best.known, len(best.cells))):
                best = _Header(known, cells, delimiter, below, rows)
    return best


def _whole_names(lines: Sequence[str], rows: Sequence[list[str]], number: int, delimiter: str) -> tuple[list[str], int]:
    """Cells of a line, a blank where a quoted one goes on in the lines below; and the line behind them."""
    for below in range(number + 1, min(number + MOST_BROKEN, len(lines)) + 1):
        text = " ".join(lines[number:below])
        try:  # strict: a quote that is still open is an error
            cells = next(csv.reader([text], delimiter=delimiter, skipinitialspace=True, strict=True), [])
        except csv.Error:
            continue
        return cells, below
    return rows[number], number + 1


def _unknown_header(lines: Sequence[str]) -> _Header | None:
    """The widest line of names that stands right above a row of numbers of the same width."""
    found: list[_Header] = []
    for delimiter in DELIMITERS:
        rows = _split(lines, delimiter)
        for number, (cells, below) in enumerate(itertools.pairwise(rows[:HEADER_LINES])):
            names = len(cells) > 1 and not any(_is_number(cell) for cell in cells)
            if names and len(below) == len(cells) and any(_is_number(cell) for cell in below):
                found.append(_Header(0, cells, delimiter, number + 1, rows))
    return max(found, key=lambda header: len(header.cells), default=None)


def _no_header(lines: Sequence[str], source: str) -> str:
    first = next(number for number, line in enumerate(lines) if line.strip())
    if lines[first].lstrip().startswith('"') and lines[first].count('"') % 2:
        return f"{source}, row {first + 1}: a quote is opened and never closed. Close or delete it."
    for delimiter in DELIMITERS:
        rows = [row for row in _split(lines, delimiter) if len(row) > 1]
        if rows and all(_is_number(cell) or not cell.strip() for cell in rows[0]):
            return (
                f"{source}: the first row holds numbers, so there is no header. Put a line of column names with "
                f"units above it, for instance time_s{delimiter}speed_kmh."
            )
    return (
        f"{source}: not a table: no line of column names such as time_s,speed_kmh was found. Between two cells stands "
        "a comma, semicolon, tab or bar."
    )


def read_csv(request: Request, head: bytes) -> RawLog:
    """Read one delimited text file.

    Raises
    ------
    LogFormatError
        As `find_layout` and `assign`; a cell of a read column that is no number.
    """
    source = request.source
    text, encoding = decode_head(head, source)
    layout = find_layout(text, encoding, source, request.choices)
    assigned, columns, notes = assign(source, layout.headers, layout.units, request.choices, layout.clocks)
    frame = _load(request.path, layout, assigned, source)
    _refuse_wide_rows(frame, layout, source)
    frame, again = _without_headers(frame, layout, assigned, source)
    log = convert(source, assigned, columns, notes, lambda item: frame[item.index].to_numpy(),
                  layout.first_line + 1, layout.decimal)  # fmt: skip
    for channel, index in layout.sides.items():
        if channel in log.values:
            negative = frame[index].str.strip().isin(("S", "W")).to_numpy(dtype=bool)
            log.values[channel] = np.where(negative, -np.abs(log.values[channel]), log.values[channel])
            log.notes.append(f"{channel}: its sign is read from column {layout.headers[index]!r}")
    if again:
        log.notes.append(f"the header stands again in {again} row{'s' * (again > 1)} further down, passed over")
    if layout.decimal == ",":
        log.notes.append("numbers are written with a decimal comma")
    return log


def _load(path: Path, layout: Layout, assigned: Sequence[Assigned], source: str) -> pd.DataFrame:
    """Columns that are read, by their place; float64, or text where a cell is no number.

    One more column than the header has stands for what lies beyond it.
    """
    texts: dict[int, type] = {item.index: str for item in assigned}
    texts[len(layout.headers)] = str
    texts |= dict.fromkeys(layout.sides.values(), str)
    numbers = {item.index: float for item in assigned if item.unit != "hh:mm:ss"}
    try:
        return _parse(path, layout, {**texts, **numbers}, source)
    except ValueError:
        # Some cell is no number: read all as text, so that the caller can name it.
        return _parse(path, layout, texts, source)


def _without_headers(
    frame: pd.DataFrame, layout: Layout, assigned: Sequence[Assigned], source: str
) -> tuple[pd.DataFrame, int]:
    """The frame with empty cells where the header, or its units, stands again, as in logs put behind one another.

    Only where every column that is read has the very name it has at the top; and how many headers there were.

    Raises
    ------
    LogFormatError
        When a row names the columns in another order: cells below it would be taken for what they are not.
    """
    read = [item.index for item in assigned]
    texts = frame[read]
    if any(pd.api.types.is_numeric_dtype(dtype) for dtype in texts.dtypes):
        return frame, 0
    texts = texts.apply(
        lambda column: column.str.replace("\n", " ", regex=False).str.strip()
    )  # names broken over lines
    names = (texts == [layout.headers[index] for index in read]).all(axis=1)
    other = texts.isin(layout.headers).all(axis=1) & ~names
    if other.any():
        raise LogFormatError(
            f"{source}, row {layout.first_line + 1 + int(np.argmax(other.to_numpy()))}: another header, with its "
            f"columns in another order. Split the file there, and name both parts."
        )
    if not names.any():
        return frame, 0
    units = names.shift(fill_value=False) & (texts.fillna("") == [layout.units[i] or "" for i in read]).all(axis=1)
    frame = frame.copy()
    frame.loc[names | units, read] = None
    return frame, int(names.sum())


class _Led(io.TextIOBase):
    """A text stream behind one line of empty cells, which tells the parser how wide a row may be."""

    def __init__(self, stream: io.TextIOBase, line: str) -> None:
        self._stream = stream
        self._lead = f"{line}\n"

    def read(self, size: int | None = -1, /) -> str:
        if self._lead:
            lead, self._lead = self._lead, ""
            return lead
        return self._stream.read(size)


def _reads_in_chunks() -> bool:
    """Whether the parser may go chunk by chunk, which takes half the memory; before 3.1 it refused a chunk whose rows
    are all narrower than the line of empty cells at the top."""
    return tuple(int(part) for part in pd.__version__.split(".")[:2]) >= (3, 1)


def _parse(path: Path, layout: Layout, dtypes: dict[int, type], source: str) -> pd.DataFrame:
    width = len(layout.headers) + 1
    try:
        with path.open(encoding=layout.encoding, errors="replace") as stream:
            for _ in range(layout.first_line):
                stream.readline()
            frame = pd.read_csv(
                _Led(stream, layout.delimiter * (width - 1)),
                sep=layout.delimiter,
                decimal=layout.decimal,
                header=None,
                names=list(range(width)),
                usecols=sorted(dtypes),
                dtype=dtypes,
                skip_blank_lines=False,
                skipinitialspace=True,
                na_values=list(EMPTY),
                keep_default_na=False,
                index_col=False,
                engine="c",
                low_memory=_reads_in_chunks(),
            )
            return frame.iloc[1:].reset_index(drop=True)
    except pd.errors.ParserError as error:
        text = " ".join(str(error).split())
        quote = re.search(r"EOF inside string starting at row (\d+)", text)
        if quote:
            row = layout.first_line + int(quote.group(1))
            raise LogFormatError(
                f"{source}, row {row}: a quote is opened and never closed. Close or delete it."
            ) from None
        raise LogFormatError(f"{source}: cannot be cut into cells ({text}).") from None


def _refuse_wide_rows(frame: pd.DataFrame, layout: Layout, source: str) -> None:
    """A row with more cells than the header has shifted cells somewhere: nobody knows which."""
    width = len(layout.headers)
    beyond = frame[width].notna().to_numpy()
    if np.any(beyond):
        row = int(np.argmax(beyond))
        raise LogFormatError(
            f"{source}, row {layout.first_line + 1 + row}: more cells than the {width} columns of the header "
            f"({shown(frame[width].iloc[row])} lies beyond). A cell with {layout.delimiter!r} in it needs quotes; "
            f"a number needs a decimal point."
        )


def whole_text(path: Path, source: str) -> str:
    """All text of a file, in the encoding that its first bytes show."""
    data = path.read_bytes()
    _, encoding = decode_head(data[:HEAD_BYTES], source)
    return data.decode(encoding, errors="replace")
