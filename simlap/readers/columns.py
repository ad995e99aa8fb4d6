"""Which column is which channel, in which unit: from the header, a row of units, and the user's choices."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from simlap.channels import BY_NAME, Channel, factor_of, name_key, si_symbol
from simlap.errors import ColumnsError, LogFormatError
from simlap.readers.choices import COLUMNS_FILE, UNREAD, ColumnChoice
from simlap.readers.headers import Reading, also, default_note, read_header, readings, stated
from simlap.session import Column
from simlap.units import Unit, unit_of, units_of

_MOST_TOLD = 2  # columns without a unit that one message tells of in full; effect: length of the line only
_MOST_NAMES_SHOWN = 20  # column names in one message; effect: length of the line only
NESTED = "nested, so not read: write what is in it as columns of its own"


@dataclass(frozen=True)
class Assigned:
    """One column that is read: its place in the file, its channel, and what to multiply by."""

    index: int
    channel: str
    factor: float
    unit: str


def assign(
    source: str,
    headers: Sequence[str],
    units: Sequence[str | None],
    choices: Sequence[ColumnChoice] = (),
    clocks: frozenset[int] = frozenset(),
    unitless: frozenset[int] = frozenset(),
    nested: frozenset[int] = frozenset(),
) -> tuple[tuple[Assigned, ...], tuple[Column, ...], tuple[str, ...]]:
    """Decide which columns are read, as which channel, in which unit.

    Parameters
    ----------
    source : str
        File, for messages.
    headers, units : sequences, one entry per column
        Names, and the cells of a row of units (None or empty where there is none).
    choices : sequence of ColumnChoice
        What the user says; it wins over names.
    clocks : set of int
        Columns whose cells are times of day or dates (they need no unit).
    unitless : set of int
        Columns that the format gives no way to state a unit for: without one they are left unread, no error.
    nested : set of int
        Columns whose cells hold columns or lists of their own: told so where their names are no channel's.

    Returns
    -------
    assigned, columns, notes
        What to read; how each column of the file is read; remarks.

    Raises
    ------
    ColumnsError
        No unit where one is needed, two columns of one channel, no time, or neither speed nor position; it holds the
        columns, each with what is missing.
    LogFormatError
        A chosen column that is not there.
    """
    taken, settled, notes = _as_chosen(source, headers, units, choices, clocks)
    rivals, why, missed = _by_name(headers, units, taken, settled, clocks, unitless, nested)
    faults: list[str] = []
    for name, candidates in rivals.items():
        best = min(reading.rank for _, reading in candidates)
        equals = [(index, reading) for index, reading in candidates if reading.rank == best]
        if len(equals) > 1:
            faults.append(_two_columns(source, name, headers, [index for index, _ in equals]))
            for index, _ in candidates:
                why[index] = f"NOT CLEAR: one of several columns of {name}; {_choose(name, headers, index)}"
            continue
        taken[name] = equals[0]
        for index, _ in candidates:
            if index != equals[0][0]:
                why[index] = f"{name} is read from {headers[equals[0][0]]!r}, the more exact name"
    faults += [*_unitless(source, headers, taken), *([] if faults else _useless(source, headers, taken, nested))]
    assigned, columns = [], {}
    for name, (index, reading) in taken.items():
        spec, unit = BY_NAME[name], reading.unit
        if unit is None:
            wanted = f"{_choose(name, headers, index)}:UNIT, one of {', '.join(units_of(spec.quantity))}"
            columns[index] = Column(headers[index], name, None, f"UNIT MISSING: {wanted}")
            continue
        assigned.append(Assigned(index, name, factor_of(spec, unit), unit.symbol))
        columns[index] = Column(headers[index], name, unit.symbol, reading.note or _conversion(spec, unit))
    for index, note in why.items():
        columns[index] = Column(headers[index], None, None, note)
    for index, name in missed.items():
        if name not in taken and name not in settled:
            notes.append(f"column {headers[index].strip()!r} is not read: {why[index]}")
    if faults:
        raise ColumnsError(faults[0], source, [columns[index] for index in sorted(columns)])
    return tuple(assigned), tuple(columns[index] for index in sorted(columns)), tuple(notes)


def _as_chosen(
    source: str,
    headers: Sequence[str],
    units: Sequence[str | None],
    choices: Sequence[ColumnChoice],
    clocks: frozenset[int],
) -> tuple[dict[str, tuple[int, Reading]], set[str], list[str]]:
    """Columns by the channel that the user reads them as; channels that are settled so, read or left out; remarks."""
    taken: dict[str, tuple[int, Reading]] = {}
    settled: set[str] = set()
    notes: list[str] = []
    for choice in choices:
        if choice.column is None:
            settled.add(choice.channel)
            continue
        index = _find(source, headers, choice)
        if index is None:
            notes.append(f"{choice.origin}: this log has no column {choice.column!r}; passed over")
            continue
        if any(index == other for other, _ in taken.values()):
            raise LogFormatError(f"{source}: column {headers[index]!r} is chosen for two channels. Keep one.")
        settled.add(choice.channel)
        taken[choice.channel] = (index, _chosen(headers[index], units[index], choice, index in clocks))
    return taken, settled, notes


def _by_name(
    headers: Sequence[str],
    units: Sequence[str | None],
    taken: Mapping[str, tuple[int, Reading]],
    settled: set[str],
    clocks: frozenset[int],
    unitless: frozenset[int],
    nested: frozenset[int],
) -> tuple[dict[str, list[tuple[int, Reading]]], dict[int, str], dict[int, str]]:
    """All other columns by the channel that their header names; why the rest is left unread; whose name it bears."""
    rivals: dict[str, list[tuple[int, Reading]]] = {}
    why: dict[int, str] = {}
    missed: dict[int, str] = {}
    chosen = {index for index, _ in taken.values()}
    for index, header in enumerate(headers):
        if index in chosen:
            continue
        reading = read_header(header, units[index], index in clocks)
        if reading.channel is None:
            why[index] = NESTED if index in nested else reading.note
            if reading.named:
                missed[index] = reading.named
        elif reading.unit is None and index in unitless:
            why[index] = f"states no unit; to read it: --column {reading.channel.name}={_quoted(header)}:UNIT"
            missed[index] = reading.channel.name
        elif reading.channel.name in settled:
            name = reading.channel.name
            from_other = name in taken
            why[index] = (
                f"{name} is read from {headers[taken[name][0]]!r}, as chosen" if from_other else "left out as chosen"
            )
        else:
            rivals.setdefault(reading.channel.name, []).append((index, reading))
    return rivals, why, missed


def _conversion(spec: Channel, unit: Unit) -> str:
    target = si_symbol(spec.name)
    if unit.symbol in (target, "hh:mm:ss"):
        return ""
    return f"times {factor_of(spec, unit):.9g} gives {target}"


def _find(source: str, headers: Sequence[str], choice: ColumnChoice) -> int | None:
    assert choice.column is not None
    wanted = choice.column.strip()
    numbered = re.fullmatch(r"#(\d+)", wanted)
    if numbered and 1 <= int(numbered.group(1)) <= len(headers):
        return int(numbered.group(1)) - 1
    plain = [header.strip() for header in headers]
    attempts = (
        (wanted, plain),
        (wanted.casefold(), [header.casefold() for header in plain]),
        (wanted.casefold(), [readings(header)[0][0].strip().casefold() for header in plain]),  # without their units
    )
    for goal, names in attempts:
        matches = [index for index, name in enumerate(names) if name == goal]
        if len(matches) > 1:
            raise LogFormatError(_two_columns(source, choice.channel, headers, matches))
        if matches:
            return matches[0]
    if choice.optional:
        return None
    raise LogFormatError(f"{source}: no column {choice.column!r} ({choice.origin}). Columns: {_listed(headers)}.")


def _chosen(header: str, unit_cell: str | None, choice: ColumnChoice, clock: bool) -> Reading:
    spec = BY_NAME[choice.channel]
    if choice.unit is not None:
        return Reading(spec, 0, unit_of(choice.unit, spec.quantity), f"{choice.unit}, as stated by the user")
    for _name, text in stated(header, unit_cell):
        unit = unit_of(text, spec.quantity) if text is not None else None
        if unit is not None:
            return Reading(spec, 0, unit)
    if spec.name == "time" and clock:
        return Reading(spec, 0, unit_of("clock", spec.quantity))
    implied = (spec.implied or {}).get(name_key(header))
    if implied is not None or spec.default_unit is not None:
        text = implied or spec.default_unit or ""
        return Reading(spec, 0, unit_of(text, spec.quantity), default_note(spec) if implied is None else "")
    return Reading(spec, 0, None)


def _quoted(header: str) -> str:
    return f'"{header.strip()}"'


def _listed(headers: Sequence[str]) -> str:
    shown = ", ".join(repr(header.strip()) for header in headers[:_MOST_NAMES_SHOWN])
    more = len(headers) - _MOST_NAMES_SHOWN
    return f"{shown} and {more} more" if more > 0 else shown


def _two_columns(source: str, channel: str, headers: Sequence[str], indices: Sequence[int]) -> str:
    names = " and ".join(f"{headers[index].strip()!r} (column {index + 1})" for index in indices)
    first = indices[0]
    return f"{source}: columns {names} are both {channel}. Choose one: {_choose(channel, headers, first)}"


def _choose(channel: str, headers: Sequence[str], index: int) -> str:
    """The option that reads this column as `channel`, without a unit; by its number where names are not unique."""
    same = sum(header.strip() == headers[index].strip() for header in headers) > 1
    return f"--column {channel}={f'#{index + 1}' if same else _quoted(headers[index])}"


def _unitless(source: str, headers: Sequence[str], taken: Mapping[str, tuple[int, Reading]]) -> list[str]:
    """What is wrong where columns state no unit, if any does not."""
    missing = [(name, index, reading) for name, (index, reading) in taken.items() if reading.unit is None]
    if not missing:
        return []
    parts = []
    for name, index, reading in missing[: _MOST_TOLD if len(missing) > _MOST_TOLD + 1 else None]:
        spec = BY_NAME[name]
        units = ", ".join(units_of(spec.quantity))
        stated_text = "no unit" if reading.unknown is None else f"{reading.unknown!r}, which is no unit known here"
        others = "".join(
            f", or as {other.name} one of {', '.join(units_of(other.quantity))}" for other in also(headers[index], spec)
        )
        parts.append(f"column {headers[index].strip()!r} ({name}) states {stated_text}: give one of {units}{others}")
    if len(missing) > len(parts):
        parts.append(f"{len(missing) - len(parts)} more state none ('simlap channels' lists all)")
    options = " ".join(f"{_choose(name, headers, index)}:UNIT" for name, index, _ in missing)
    spare = [name for name, _, _ in missing if name not in ("time", "speed")]
    leave = f", or leave a channel unread: --column {spare[0]}={UNREAD}" if spare else "."
    return [f"{source}: {'; '.join(parts)}. State it: {options} (or in {COLUMNS_FILE} beside the log){leave}"]


def _useless(
    source: str, headers: Sequence[str], taken: Mapping[str, tuple[int, Reading]], nested: frozenset[int]
) -> list[str]:
    """What is wrong where neither time nor motion is read, if so."""
    columns = f"Columns: {_listed(headers)}."
    if nested:
        columns += f" Nested, so not read: {_listed([headers[index] for index in sorted(nested)])}."
    if "time" not in taken:
        return [f'{source}: no column of time. Say which it is: --column time="NAME":s. {columns}']
    motion = ({"speed"}, {"wheel_speed"}, {"latitude", "longitude"}, {"x", "y"})
    if not any(needed <= taken.keys() for needed in motion):
        return [
            f"{source}: neither speed nor position, so nothing can be analysed. Say which column holds one: "
            f'--column speed="NAME":km/h, or --column latitude="NAME" --column longitude="NAME". {columns}'
        ]
    return []
