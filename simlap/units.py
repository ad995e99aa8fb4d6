"""Units: the only place where one turns into SI.

A log states its unit, in the header, in a row of units, or through the user; nothing here looks at the size of
numbers. Factors: SI Brochure, 9th edition (BIPM 2019), tables 4 and 8, and NIST SP 811 (2008), appendix B.
"""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from math import pi

#: Standard acceleration of free fall, 3rd CGPM (1901). [m/s²]
G = 9.80665
#: Kilometres per hour in one metre per second, exact.
MS_TO_KMH = 3.6
#: Degrees in one radian.
RAD_TO_DEG = 180.0 / pi
#: Bar in one pascal, exact.
PA_TO_BAR = 1e-5
#: International mile [m], exact (1959 agreement; NIST SP 811 B.8).
MILE = 1609.344
#: International nautical mile [m], exact (SI Brochure, 8th edition, table 8).
NAUTICAL_MILE = 1852.0
#: International foot [m], exact.
FOOT = 0.3048
#: Pound-force per square inch [Pa]: 0.45359237 kg * G / (0.0254 m)², NIST SP 811 B.8.
PSI = 0.45359237 * G / 0.0254**2


def written_number(text: str) -> float:
    """The number that a user wrote; ValueError where it is none."""
    return float(_written(text))


def written_integer(text: str) -> int:
    """The whole number that a user wrote; ValueError where it is none."""
    return int(_written(text))


def _written(text: str) -> str:
    """The text, without an underscore: Python takes ``1_5`` for fifteen, which may be a slip for ``1.5``."""
    if "_" in text:
        raise ValueError(f"{text!r} is not a number")
    return text


SPEED, ACCELERATION, PRESSURE, ANGLE = "speed", "acceleration", "pressure", "angle"
ANGULAR_VELOCITY, RATIO, LENGTH, TIME, NUMBER = "angular velocity", "ratio", "length", "time", "number"


@dataclass(frozen=True)
class Unit:
    """One unit: a value in it times `factor` is the value in SI (geodetic degrees stay degrees)."""

    symbol: str
    quantity: str
    factor: float
    spellings: tuple[str, ...]


#: Every unit that a log may state. Spellings are compared in lower case without blanks.
UNITS = (
    Unit("m/s", SPEED, 1.0, ("m/s", "mps", "m_s", "ms", "ms-1", "ms^-1", "m/sec", "metrespersecond")),
    Unit("km/h", SPEED, 1 / 3.6, ("km/h", "kmh", "kph", "km_h", "kmph", "km/hr", "kmh-1")),
    Unit("mph", SPEED, MILE / 3600, ("mph", "mi/h", "mile/h", "miles/h", "milesperhour")),
    Unit("kn", SPEED, NAUTICAL_MILE / 3600, ("kn", "kt", "kts", "knot", "knots")),
    Unit("g", ACCELERATION, G, ("g", "gee")),
    Unit("m/s²", ACCELERATION, 1.0, ("m/s2", "m/s^2", "m/s**2", "m/s/s", "mps2", "m_s2", "ms2", "ms-2", "m/sec2")),
    Unit("Pa", PRESSURE, 1.0, ("pa", "pascal")),
    Unit("kPa", PRESSURE, 1e3, ("kpa",)),
    Unit("MPa", PRESSURE, 1e6, ("mpa",)),
    Unit("bar", PRESSURE, 1e5, ("bar", "bars")),
    Unit("psi", PRESSURE, PSI, ("psi", "lbf/in2", "lb/in2")),
    Unit("deg", ANGLE, pi / 180, ("deg", "°", "degree", "degrees")),
    Unit("rad", ANGLE, 1.0, ("rad", "radian", "radians")),
    Unit(
        "deg/s",
        ANGULAR_VELOCITY,
        pi / 180,
        ("deg/s", "°/s", "deg_s", "degs", "dps", "degps", "deg/sec", "degree/s", "degrees/s"),
    ),
    Unit("rad/s", ANGULAR_VELOCITY, 1.0, ("rad/s", "rad_s", "rads", "rad/sec", "radps")),
    Unit("1/min", ANGULAR_VELOCITY, 2 * pi / 60, ("1/min", "rpm", "r/min", "min-1", "min^-1", "rev/min")),
    Unit("%", RATIO, 0.01, ("%", "pct", "percent")),
    Unit("0..1", RATIO, 1.0, ("0..1", "0-1", "0_1", "0to1", "1", "-", "ratio", "fraction", "frac")),
    Unit("m", LENGTH, 1.0, ("m", "metre", "metres", "meter", "meters")),
    Unit("km", LENGTH, 1e3, ("km",)),
    Unit("ft", LENGTH, FOOT, ("ft", "foot", "feet")),
    Unit("s", TIME, 1.0, ("s", "sec", "secs", "second", "seconds")),
    Unit("ms", TIME, 1e-3, ("ms", "msec", "millisecond", "milliseconds", "millis")),
    Unit("min", TIME, 60.0, ("min", "minute", "minutes")),
    Unit("hh:mm:ss", TIME, 1.0, ("hh:mm:ss", "hh:mm:ss.s", "hh:mm:ss.ss", "hh:mm:ss.sss", "mm:ss.sss", "clock")),
    Unit("us", TIME, 1e-6, ("us", "µs", "μs", "usec", "microsecond", "microseconds", "micros")),
    Unit("ns", TIME, 1e-9, ("ns", "nsec", "nanosecond", "nanoseconds", "nanos")),
    Unit("1", NUMBER, 1.0, ("1", "-", "", "count", "number", "no", "#", "none")),
)

#: Spellings of units in German, French, Italian and Spanish. A "grad" is a degree: nobody logs in gradians.
NATIONAL: Mapping[str, tuple[str, ...]] = {
    "kn": ("knoten", "nœuds", "noeuds", "nodi", "nudos"),
    "deg": ("grad", "degré", "degrés", "degre", "degres", "gradi", "grado", "grados"),
    "deg/s": ("°/sek", "grad/s", "grad/sek", "degré/s", "degrés/s", "degres/s", "gradi/s", "grados/s"),
    "1/min": ("u/min", "upm", "umdr/min", "tr/min", "tr/mn", "tr_min", "tours/min", "giri/min", "r.p.m.", "r.p.m"),
    "%": ("prozent", "pourcent", "percento", "porciento"),
    "m": ("mètre", "mètres", "metri", "metro", "metros"),
    "s": ("sek", "sekunden", "seconde", "secondes", "secondi", "seg", "segundos"),
    "ms": ("millisekunden", "millisecondes", "millisecondi", "milisegundos"),
    "min": ("minuten",),
}

#: The SI unit that a converted channel is in, for messages.
SI_SYMBOL: Mapping[str, str] = {
    SPEED: "m/s", ACCELERATION: "m/s²", PRESSURE: "Pa", ANGLE: "rad", ANGULAR_VELOCITY: "rad/s",
    RATIO: "0..1", LENGTH: "m", TIME: "s", NUMBER: "1",
}  # fmt: skip


def _unit_key(text: str) -> str:
    """`text` as spellings are compared: NFKC (so that ² is 2 and ⁻ is -), lower case, no blanks."""
    plain = unicodedata.normalize("NFKC", text.replace("º", "°")).replace("·", "").replace("⋅", "").replace("−", "-")
    return re.sub(r"\s+", "", plain).lower()


_BY_SPELLING: dict[str, list[Unit]] = {}
for _unit in UNITS:
    for _spelling in (*_unit.spellings, *NATIONAL.get(_unit.symbol, ())):
        _BY_SPELLING.setdefault(_spelling, []).append(_unit)


def find_units(text: str) -> tuple[Unit, ...]:
    """All units that `text` may spell, one per quantity; empty when it spells none.

    "ms" is both m/s and milliseconds: the quantity of the channel tells which. "mPa" is not "MPa".
    """
    if text.strip() == "mPa":
        return ()
    return tuple(_BY_SPELLING.get(_unit_key(text), ()))


def unit_of(text: str, quantity: str) -> Unit | None:
    """The unit of `quantity` that `text` spells, or None when it is not one."""
    return next((unit for unit in find_units(text) if unit.quantity == quantity), None)


def units_of(quantity: str) -> tuple[str, ...]:
    """Symbols of all units of a quantity, for messages."""
    return tuple(unit.symbol for unit in UNITS if unit.quantity == quantity)
