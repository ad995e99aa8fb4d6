"""What a column header says: name and unit, taken apart and looked up in the table of channels."""

import re
from dataclasses import dataclass

from simlap.channels import CHANNELS, Channel, name_key
from simlap.readers.languages import BESIDE_A_UNIT, FOREIGN, SOURCES
from simlap.units import Unit, find_units, unit_of

#: Key of a name -> the channels it may mean: channel, rank (0 is the most exact name), and whether it is vague.
_INDEX: dict[str, list[tuple[Channel, int, bool]]] = {}
for _spec in CHANNELS:
    for _rank, _group in enumerate(_spec.names):
        for _name in _group:
            _INDEX.setdefault(name_key(_name), []).append((_spec, _rank, False))
    for _rank, _group in enumerate(_spec.vague, len(_spec.names)):
        for _name in _group:
            _INDEX.setdefault(name_key(_name), []).append((_spec, _rank, True))
    if not any(_spec is _known for _known, _, _ in _INDEX.get(name_key(_spec.name), [])):
        _INDEX.setdefault(name_key(_spec.name), []).append((_spec, 0, False))
for _spec in CHANNELS:
    for _name in FOREIGN.get(_spec.name, ()):
        _entry = (_spec, len(_spec.names) + len(_spec.vague), _spec.default_unit is None and _spec.name != "speed")
        _INDEX.setdefault(name_key(_name), [_entry])  # an English name comes first
    for _name in BESIDE_A_UNIT.get(_spec.name, ()):
        _INDEX.setdefault(name_key(_name), [(_spec, len(_spec.names) + len(_spec.vague) + 1, True)])
#: "Speed in km/h", "vitesse en km/h": the word before the unit belongs to neither.
_BEFORE_A_UNIT = re.compile(r"(?<=.)[\s_]+(?:in|en)$", re.IGNORECASE)


def _meanings(name: str) -> list[tuple[Channel, int, bool]]:
    """Channels that a name may mean; a word before it that tells the source alone is passed over."""
    key = name_key(name)
    found = _INDEX.get(key)
    if found is None:
        source = next((word for word in SOURCES if key.startswith(word)), "")
        return _INDEX.get(key[len(source) :], []) if source else []
    return found


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
    found = [(_BEFORE_A_UNIT.sub("", name), unit) for name, unit in found]
    return [*found, (header, None), *unknown]


@dataclass(frozen=True)
class Reading:
    """What a header says: a channel with its unit, or why it is not read."""

    channel: Channel | None
    rank: int = 0
    unit: Unit | None = None
    note: str = ""
    unknown: str | None = None  #: unit text that is in no table
    named: str = ""  #: channel whose name a column bears that is not read for its unit


def stated(header: str, unit_cell: str | None) -> list[tuple[str, str | None]]:
    """Splits of a header, each with the unit of the row of units where the header states none."""
    cell = (unit_cell or "").strip().strip("[](){} ").strip()
    return [(name, unit if unit is not None else (cell or None)) for name, unit in readings(header)]


def read_header(header: str, unit_cell: str | None, clock: bool) -> Reading:
    """What one header says.

    Parameters
    ----------
    header : str
        The name as the file writes it, with or without a unit.
    unit_cell : str or None
        Its cell in a row of units.
    clock : bool
        Whether the cells below are times of day or dates: they state their unit themselves.
    """
    named = [
        (spec, rank, vague, name, unit)
        for name, unit in stated(header, unit_cell)
        for spec, rank, vague in _meanings(name)
    ]
    for spec, rank, _vague, _name, text in named:
        if spec.name == "time" and clock:
            return Reading(spec, rank, unit_of("clock", spec.quantity))
        unit = unit_of(text, spec.quantity) if text is not None else None
        if unit is not None:
            return Reading(spec, rank, unit)
    for spec, rank, vague, name, text in named:
        if vague or text is not None:
            continue
        implied = (spec.implied or {}).get(name_key(name))
        if implied is not None:
            return Reading(spec, rank, unit_of(implied, spec.quantity), f"the name states {implied}")
        if spec.default_unit is not None:
            return Reading(spec, rank, unit_of(spec.default_unit, spec.quantity), default_note(spec))
        return Reading(spec, rank, None)
    for spec, rank, vague, _name, text in named:
        if vague or text is None:
            continue
        if find_units(text):
            bears = "" if spec.default_unit == "1" else spec.name  # a lap in seconds is a lap time
            return Reading(None, note=f"{text} is no unit of {spec.name}", named=bears)
        if spec.default_unit == "1":
            return Reading(spec, rank, unit_of("1", spec.quantity), f"a number; {text!r} is not used")
        return Reading(spec, rank, None, unknown=text)
    if named:
        spec = named[0][0]
        return Reading(None, note=f"read as {spec.name} only with a unit of {spec.quantity} in the header")
    return Reading(None, note="no channel of this name")


def default_note(spec: Channel) -> str:
    """What is said of a column read in its channel's default unit; nothing of plain numbers."""
    if spec.geodetic:
        return "states no unit: degrees, the universal convention for positions"
    return ""


def names_a_channel(header: str) -> bool:
    """Whether a header is the name of a channel, with or without a unit."""
    return any(_meanings(name) for name, _ in readings(header))


def also(header: str, channel: Channel) -> tuple[Channel, ...]:
    """Other channels that this header could mean if it stated a unit of theirs."""
    found = {spec.name: spec for name, _ in readings(header) for spec, _, _ in _meanings(name)}
    return tuple(spec for name, spec in found.items() if name != channel.name)
