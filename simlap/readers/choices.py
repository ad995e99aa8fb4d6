"""What the user says about columns: options, and a TOML file beside the log."""

import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from simlap.channels import BY_NAME, Channel
from simlap.errors import OptionError
from simlap.units import unit_of, units_of

#: Name of the file beside a log that says how its columns are read.
COLUMNS_FILE = "columns.toml"
#: What stands in place of a column's name to leave a channel unread.
UNREAD = "-"


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
        reason = getattr(error, "strerror", None) or error
        raise OptionError(f"{path}: cannot be read as TOML ({reason}).") from error
    table = content.get("columns")
    if not isinstance(table, dict) or set(content) != {"columns"}:
        raise OptionError(f'{path}: write one table [columns], with lines such as speed = "GPS Spd:km/h".')
    choices = []
    for channel, value in table.items():
        origin = f"{path}: {channel}"
        if isinstance(value, str) and value.strip():
            choice = _choice(channel, value.strip(), origin)
        elif (
            isinstance(value, dict)
            and set(value) in ({"column"}, {"column", "unit"})
            and all(isinstance(part, str) for part in value.values())
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
