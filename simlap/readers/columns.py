"""Which column is which channel, in which unit: from the header, a row of units, and the user's choices."""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from simlap.errors import LogFormatError, OptionError
from simlap.session import Column
from simlap.units import BY_NAME, CHANNELS, Channel, Unit, factor_of, find_units, si_symbol, unit_of, units_of

#: Name of the file beside a log that says how its columns are read.
COLUMNS_FILE = "columns.toml"
#: What stands in place of a column's name to leave a channel unread.
UNREAD = "-"
_MOST_NAMES_SHOWN = 20  # column names in one message; effect: length of the line only


@dataclass(frozen=True)
class ColumnChoice:
    """What the user says about one channel.

    `column` is a header as the file writes it, ``#5`` for the fifth column, or None to leave the channel unread;
    `unit` is None when the header states it.
    """

    channel: str
    column: str | None
    unit: str | None = None
    origin: str = "--column"
    optional: bool = False  #: a name that the log does not have is noted, not an error (COLUMNS_FILE)


@dataclass(frozen=True)
class Assigned:
    """One column that is read: its place in the file, its channel, and what to multiply by."""

    index: int
    channel: str
    factor: float
    unit: str


def parse_column_option(text: str) -> ColumnChoice:
    """Read ``speed="GPS Spd":km/h``, ``speed=GPS Spd:km/h``, ``speed=#3``, ``speed=-``.

    Raises
    ------
    OptionError
        When there is no ``=``, the channel is none of the canonical ones, or the unit does not fit it.
    """
    channel, equals, rest = text.partition("=")
    if not equals or not rest.strip():
        raise OptionError(f'--column {text!r}: write CHANNEL="COLUMN NAME":UNIT, for instance speed="GPS Spd":km/h.')
    return _choice(channel.strip(), rest.strip(), f"--column {text}")


def _choice(channel: str, rest: str, origin: str) -> ColumnChoice:
    spec = _channel(channel, origin)
    if rest == UNREAD:
        return ColumnChoice(channel, None, None, origin)
    quoted = re.fullmatch(r'"(.*)"(?::(.*))?', rest) or re.fullmatch(r"'(.*)'(?::(.*))?", rest)
    if quoted:
        name, unit = quoted.group(1), quoted.group(2)
    elif ":" in rest:
        name, unit = re.fullmatch(r"(.*?):(hh:mm:ss\S*|[^:]*)", rest, re.DOTALL).groups()  # type: ignore[union-attr]
    else:
        name, unit = rest, None
    return ColumnChoice(channel, name, _checked_unit(spec, unit, origin), origin)


def _channel(name: str, origin: str) -> Channel:
    if name not in BY_NAME:
        raise OptionError(f"{origin}: {name!r} is no channel. Channels: {', '.join(BY_NAME)}.")
    return BY_NAME[name]


def _checked_unit(spec: Channel, unit: str | None, origin: str) -> str | None:
    if unit is None:
        return None
    known = unit_of(unit, spec.quantity)
    if known is None:
        raise OptionError(
            f"{origin}: {unit!r} is no unit of {spec.name}. Write one of {', '.join(units_of(spec.quantity))} "
            f"behind the last colon, and a column name that holds a colon in quotes."
        )
    return known.symbol


def choices_of(columns: Iterable[ColumnChoice | str] | Mapping[str, str] | None) -> tuple[ColumnChoice, ...]:
    """Choices from option texts, ready choices, or a mapping such as ``{"speed": "GPS Spd:km/h"}``."""
    if columns is None:
        return ()
    if isinstance(columns, str):
        columns = [columns]
    if isinstance(columns, Mapping):
        choices = [_choice(channel, rest, f"columns[{channel!r}]") for channel, rest in columns.items()]
    else:
        choices = [item if isinstance(item, ColumnChoice) else parse_column_option(item) for item in columns]
    _refuse_repeats(choices)
    return tuple(choices)


def _refuse_repeats(choices: Sequence[ColumnChoice]) -> None:
    seen: dict[str, ColumnChoice] = {}
    for choice in choices:
        _channel(choice.channel, choice.origin)
        if choice.channel in seen:
            raise OptionError(
                f"channel {choice.channel} is chosen twice: {seen[choice.channel].column!r} and {choice.column!r}. "
                f"Keep one."
            )
        seen[choice.channel] = choice


def choices_beside(log: Path) -> tuple[ColumnChoice, ...]:
    """Choices in `COLUMNS_FILE` in the log's folder; empty when there is none.

    One file serves all logs of the folder: names that a log does not have are noted and passed over::

        [columns]
        speed = "GPS Spd:km/h"
        brake_pressure = { column = "P1", unit = "bar" }
        steering = "-"

    Raises
    ------
    OptionError
        When the file is no TOML, holds other keys, or names an unknown channel or unit.
    """
    path = log.parent / COLUMNS_FILE
    if not path.is_file():
        return ()
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise OptionError(f"{path}: cannot be read as TOML ({error}).") from error
    table = content.get("columns")
    if not isinstance(table, dict) or set(content) != {"columns"}:
        raise OptionError(f"{path}: write one table [columns], with lines such as speed = \"GPS Spd:km/h\".")
    choices = []
    for channel, value in table.items():
        origin = f"{path}: {channel}"
        if isinstance(value, str) and value.strip():
            choice = _choice(channel, value.strip(), origin)
        elif isinstance(value, dict) and set(value) in ({"column"}, {"column", "unit"}) and all(
            isinstance(part, str) for part in value.values()
        ):
            spec = _channel(channel, origin)
            choice = ColumnChoice(channel, value["column"], _checked_unit(spec, value.get("unit"), origin), origin)
        else:
            raise OptionError(f'{origin}: {value!r} is not understood. Write "COLUMN NAME:UNIT", or '
                              f'{{ column = "COLUMN NAME", unit = "UNIT" }}.')  # fmt: skip
        choices.append(ColumnChoice(choice.channel, choice.column, choice.unit, origin, optional=True))
    return tuple(choices)


def merged(first: Sequence[ColumnChoice], second: Sequence[ColumnChoice]) -> tuple[ColumnChoice, ...]:
    """`first`, and those of `second` whose channel `first` does not speak of."""
    taken = {choice.channel for choice in first}
    return (*first, *(choice for choice in second if choice.channel not in taken))


# ---------------------------------------------------------------- headers


def _key(text: str) -> str:
    """A name as it is compared: letters and digits alone, lower case."""
    return re.sub(r"[\W_]+", "", text).lower()


_INDEX: dict[str, list[tuple[Channel, int, bool]]] = {}
for _spec in CHANNELS:
    for _rank, _group in enumerate(((_spec.name,), *_spec.names)):
        for _name in _group:
            _entry = (_spec, max(_rank - 1, 0), False)
            if _entry not in _INDEX.setdefault(_key(_name), []):
                _INDEX[_key(_name)].append(_entry)
    for _name in _spec.vague:
        _INDEX.setdefault(_key(_name), []).append((_spec, len(_spec.names), True))


def readings(header: str) -> list[tuple[str, str | None]]:
    """All ways to split a header into name and unit text, those with a known unit first."""
    header = header.strip()
    found: list[tuple[str, str | None]] = []
    unknown: list[tuple[str, str | None]] = []
    bracket = re.fullmatch(r"(.*?)\s*/?\s*[(\[{]\s*(.*?)\s*[)\]}]\s*", header, re.DOTALL)
    if bracket and bracket.group(1):
        target = found if find_units(bracket.group(2)) else unknown
        target.append((bracket.group(1), bracket.group(2)))
    spaced = re.fullmatch(r"(.*?)(?:\s*,\s*|\s+/\s+|\s+)(\S+)", header, re.DOTALL)
    if spaced and find_units(spaced.group(2)):
        found.append((spaced.group(1), spaced.group(2)))
    tokens = re.findall(r"%|[A-Z]+(?![a-z])\d*|[A-Z]?[^\W_\dA-Z]+\d*|\d+", header)
    for count in (3, 2, 1):
        if len(tokens) > count:
            for text in ("_".join(tokens[-count:]), "".join(tokens[-count:])):
                if find_units(text):
                    found.append((" ".join(tokens[:-count]), text))
                    break
    return [*found, (header, None), *unknown]


@dataclass(frozen=True)
class _Reading:
    """What a header says: a channel with its unit, or why it is not read."""

    channel: Channel | None
    rank: int = 0
    unit: Unit | None = None
    note: str = ""
    unknown: str | None = None  #: unit text that is in no table


def _stated(header: str, unit_cell: str | None) -> list[tuple[str, str | None]]:
    """Splits of a header, each with the unit of the row of units where the header states none."""
    cell = (unit_cell or "").strip().strip("[](){} ").strip()
    return [(name, unit if unit is not None else (cell or None)) for name, unit in readings(header)]


def _read_header(header: str, unit_cell: str | None, clock: bool) -> _Reading:
    named = [
        (spec, rank, vague, name, unit)
        for name, unit in _stated(header, unit_cell)
        for spec, rank, vague in _INDEX.get(_key(name), [])
    ]
    for spec, rank, _vague, _name, text in named:
        unit = unit_of(text, spec.quantity) if text is not None else None
        if unit is not None:
            return _Reading(spec, rank, unit)
    for spec, rank, vague, name, text in named:
        if vague or text is not None:
            continue
        implied = (spec.implied or {}).get(_key(name))
        if implied is not None:
            return _Reading(spec, rank, unit_of(implied, spec.quantity), f"the name states {implied}")
        if spec.name == "time" and clock:
            return _Reading(spec, rank, unit_of("clock", spec.quantity))
        if spec.default_unit is not None:
            return _Reading(spec, rank, unit_of(spec.default_unit, spec.quantity), _default_note(spec))
        return _Reading(spec, rank, None)
    for spec, rank, vague, _name, text in named:
        if vague or text is None:
            continue
        if spec.default_unit == "1":
            return _Reading(spec, rank, unit_of("1", spec.quantity), f"a number; {text!r} is not used")
        if spec.name == "time" and clock:
            return _Reading(spec, rank, unit_of("clock", spec.quantity))
        if find_units(text):
            return _Reading(None, note=f"{text} is no unit of {spec.name}")
        return _Reading(spec, rank, None, unknown=text)
    if named:
        spec = named[0][0]
        return _Reading(None, note=f"read as {spec.name} only with a unit of {spec.quantity} in the header")
    return _Reading(None, note="no channel of this name")


def _default_note(spec: Channel) -> str:
    if spec.geodetic:
        return "states no unit: degrees, the universal convention for positions"
    return ""


def names_a_channel(header: str) -> bool:
    """Whether a header is the name of a channel, with or without a unit."""
    return any(_key(name) in _INDEX for name, _ in readings(header))


# ---------------------------------------------------------------- assignment


def assign(
    source: str,
    headers: Sequence[str],
    units: Sequence[str | None],
    choices: Sequence[ColumnChoice] = (),
    clocks: frozenset[int] = frozenset(),
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

    Returns
    -------
    assigned, columns, notes
        What to read; how each column of the file is read; remarks.

    Raises
    ------
    LogFormatError
        No unit where one is needed, two columns of one channel, a chosen column that is not there, no time, or
        neither speed nor position.
    """
    taken: dict[str, tuple[int, _Reading]] = {}
    why: dict[int, str] = {}
    notes: list[str] = []
    settled: set[str] = set()
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
    rivals: dict[str, list[tuple[int, _Reading]]] = {}
    chosen = {index for index, _ in taken.values()}
    for index, header in enumerate(headers):
        if index in chosen:
            continue
        reading = _read_header(header, units[index], index in clocks)
        if reading.channel is None:
            why[index] = reading.note
        elif reading.channel.name in settled:
            name = reading.channel.name
            why[index] = (f"{name} is read from {headers[taken[name][0]]!r}, as chosen" if name in taken
                          else f"{name} is left unread, as chosen")  # fmt: skip
        else:
            rivals.setdefault(reading.channel.name, []).append((index, reading))
    for name, candidates in rivals.items():
        best = min(reading.rank for _, reading in candidates)
        equals = [(index, reading) for index, reading in candidates if reading.rank == best]
        if len(equals) > 1:
            raise LogFormatError(_two_columns(source, name, headers, [index for index, _ in equals]))
        taken[name] = equals[0]
        for index, _ in candidates:
            if index != equals[0][0]:
                why[index] = f"{name} is read from {headers[equals[0][0]]!r}, the more exact name"
    _refuse_unitless(source, headers, taken)
    _refuse_useless(source, headers, taken)
    assigned, columns = [], {}
    for name, (index, reading) in taken.items():
        spec, unit = BY_NAME[name], reading.unit
        assert unit is not None  # _refuse_unitless has raised
        assigned.append(Assigned(index, name, factor_of(spec, unit), unit.symbol))
        columns[index] = Column(headers[index], name, unit.symbol, reading.note or _conversion(spec, unit))
    for index, note in why.items():
        columns[index] = Column(headers[index], None, None, note)
    return tuple(assigned), tuple(columns[index] for index in sorted(columns)), tuple(notes)


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
    for fold in (str.strip, lambda text: text.strip().casefold(), lambda text: readings(text)[0][0].strip().casefold()):
        goal = fold(wanted) if fold is str.strip else wanted.casefold()
        matches = [index for index, header in enumerate(headers) if fold(header) == goal]
        if len(matches) > 1:
            raise LogFormatError(_two_columns(source, choice.channel, headers, matches))
        if matches:
            return matches[0]
    if choice.optional:
        return None
    raise LogFormatError(
        f"{source}: no column {choice.column!r} ({choice.origin}). Columns: {_listed(headers)}."
    )


def _chosen(header: str, unit_cell: str | None, choice: ColumnChoice, clock: bool) -> _Reading:
    spec = BY_NAME[choice.channel]
    if choice.unit is not None:
        return _Reading(spec, 0, unit_of(choice.unit, spec.quantity), f"{choice.unit}, as stated by the user")
    for _name, text in _stated(header, unit_cell):
        unit = unit_of(text, spec.quantity) if text is not None else None
        if unit is not None:
            return _Reading(spec, 0, unit)
    if spec.name == "time" and clock:
        return _Reading(spec, 0, unit_of("clock", spec.quantity))
    implied = (spec.implied or {}).get(_key(header))
    if implied is not None or spec.default_unit is not None:
        text = implied or spec.default_unit or ""
        return _Reading(spec, 0, unit_of(text, spec.quantity), _default_note(spec) if implied is None else "")
    return _Reading(spec, 0, None)


def _quoted(header: str) -> str:
    return f'"{header.strip()}"'


def _listed(headers: Sequence[str]) -> str:
    shown = ", ".join(repr(header.strip()) for header in headers[:_MOST_NAMES_SHOWN])
    more = len(headers) - _MOST_NAMES_SHOWN
    return f"{shown} and {more} more" if more > 0 else shown


def _two_columns(source: str, channel: str, headers: Sequence[str], indices: Sequence[int]) -> str:
    names = " and ".join(f"{headers[index].strip()!r} (column {index + 1})" for index in indices)
    first = indices[0]
    same = sum(header.strip() == headers[first].strip() for header in headers) > 1
    pick = f"#{first + 1}" if same else _quoted(headers[first])
    return f"{source}: columns {names} are both {channel}. Choose one: --column {channel}={pick}"


def _refuse_unitless(source: str, headers: Sequence[str], taken: Mapping[str, tuple[int, _Reading]]) -> None:
    missing = [(name, index, reading) for name, (index, reading) in taken.items() if reading.unit is None]
    if not missing:
        return
    parts = []
    for name, index, reading in missing:
        units = ", ".join(units_of(BY_NAME[name].quantity))
        stated = "no unit" if reading.unknown is None else f"{reading.unknown!r}, which is no unit known here"
        parts.append(f"column {headers[index].strip()!r} ({name}) states {stated}: give one of {units}")
    options = " ".join(f"--column {name}={_quoted(headers[index])}:UNIT" for name, index, _ in missing)
    first = missing[0][0]
    raise LogFormatError(
        f"{source}: {'; '.join(parts)}. State it: {options} (or in {COLUMNS_FILE} beside the log), "
        f"or leave a channel unread: --column {first}={UNREAD}"
    )


def _refuse_useless(source: str, headers: Sequence[str], taken: Mapping[str, tuple[int, _Reading]]) -> None:
    if "time" not in taken:
        raise LogFormatError(
            f'{source}: no column of time. Say which it is: --column time="NAME":s. Columns: {_listed(headers)}.'
        )
    if not ({"speed", "wheel_speed"} & set(taken) or {"latitude", "longitude"} <= set(taken) or {"x", "y"} <= set(taken)):
        raise LogFormatError(
            f"{source}: neither speed nor position, so nothing can be analysed. Say which column holds one: "
            f'--column speed="NAME":km/h, or --column latitude="NAME" --column longitude="NAME". '
            f"Columns: {_listed(headers)}."
        )
