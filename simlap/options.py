"""What the user may choose for an analysis, checked where it is stated."""

import math
import operator
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from simlap.envelope_fit import DRAWS, QUANTILE
from simlap.errors import OptionError
from simlap.thresholds import Thresholds

# Stations of an analysis. Halving it moves the limit lap of a 3 km circuit by less than 2 ms (see
# tests/test_analysis.py); doubling it blurs the brake point.
SPACING = 2.0  # [m]
# From 10 m on the limit lap of that circuit moves by 0.1 s and more; below 0.2 m an analysis takes a minute or longer.
SPACINGS = (0.2, 10.0)  # [m]
# Resamplings: one alone has no spread. The command line asks for more, for its users want intervals to rely on.
DRAWS_ALLOWED = (2, 5000)
QUANTILES = (0.5, 0.99)


@dataclass(frozen=True)
class Options:
    """What the user may choose; every field is written into the result.

    Raises
    ------
    OptionError
        When a field has another type or lies outside its range.
    """

    start_line: tuple[float, float, float, float] | None = None  #: lat1, lon1, lat2, lon2 [deg]
    laps: tuple[int, ...] | None = None  #: count exactly these laps
    drop: tuple[int, ...] = ()  #: never count these laps
    spacing: float = SPACING  #: distance of the common stations [m], in `SPACINGS`
    quantile: float = QUANTILE  #: level of the envelope, in `QUANTILES`
    draws: int = DRAWS  #: lap bootstrap, in `DRAWS_ALLOWED`
    seed: int = 0  #: of the bootstrap, from 0 on
    thresholds: Thresholds | None = None  #: of the findings, from `read_thresholds`; the usual ones where left out
    corner_grip: bool = False  #: take the grip factors that single corners show, where the track file states none

    def __post_init__(self) -> None:
        own: dict[str, Any] = {
            "start_line": None if self.start_line is None else _line_ends(self.start_line),
            "laps": None if self.laps is None else _lap_numbers("laps", self.laps),
            "drop": _lap_numbers("drop", self.drop),
            "spacing": _number("spacing", self.spacing, SPACINGS, f"metres, such as {SPACING:g}"),
            "quantile": _number("quantile", self.quantile, QUANTILES, f"a level, such as {QUANTILE:g}"),
            "draws": _draws(self.draws),
            "seed": _seed(self.seed),
        }
        if not isinstance(self.thresholds, Thresholds | None):
            raise OptionError(f"thresholds {self.thresholds!r}: read them from a TOML file with simlap.thresholds.")
        if not isinstance(self.corner_grip, bool):
            raise OptionError(f"corner_grip {self.corner_grip!r}: write True or False.")
        for name, value in own.items():
            object.__setattr__(self, name, value)


def _whole(value: object) -> int | None:
    """A whole number, of numpy as well; None for anything else."""
    try:
        return None if isinstance(value, bool) else operator.index(value)  # type: ignore[arg-type]
    except TypeError:
        return None


def _draws(value: object) -> int:
    least, most = DRAWS_ALLOWED
    count = _whole(value)
    if count is None or not least <= count <= most:
        raise OptionError(
            f"draws {value!r}: the intervals need resamplings of the laps. Write a whole number from {least} to "
            f"{most}; {DRAWS} is usual."
        )
    return count


def _seed(value: object) -> int:
    seed = _whole(value)
    if seed is None or seed < 0:
        raise OptionError(f"seed {value!r}: write a whole number from 0 on.")
    return seed


def _finite(value: Any) -> float:
    """A finite number as a float, NaN for anything else; text and truth values are no numbers."""
    try:
        number = math.nan if isinstance(value, str | bytes | bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        return math.nan
    return number if math.isfinite(number) else math.nan


def _number(name: str, value: object, allowed: tuple[float, float], what: str) -> float:
    number = _finite(value)
    if not allowed[0] <= number <= allowed[1]:
        raise OptionError(f"{name} {value!r}: write {what}, from {allowed[0]:g} to {allowed[1]:g}.")
    return number


def _lap_numbers(name: str, value: object) -> tuple[int, ...]:
    numbers = [_whole(one) for one in value] if isinstance(value, Iterable) else [None]
    known = tuple(number for number in numbers if number is not None)
    if len(known) < len(numbers):
        raise OptionError(f"{name} {value!r}: write lap numbers in brackets, such as {name}=(3, 4).")
    return known


def _line_ends(value: object) -> tuple[float, float, float, float]:
    ends = tuple(_finite(one) for one in value) if isinstance(value, Iterable) else ()
    if len(ends) != 4 or any(math.isnan(one) for one in ends):
        raise OptionError(f"start_line {value!r}: write two points in degrees, such as (47.1, 8.2, 47.2, 8.3).")
    for one, (what, most) in zip(ends, (("latitude", 90), ("longitude", 180)) * 2, strict=True):
        if abs(one) > most:
            raise OptionError(f"start_line {value!r}: {one:g} is no {what}; it runs from -{most} to {most} degrees.")
    return ends[0], ends[1], ends[2], ends[3]
