"""What a rule is: a plain name, the channels it needs, a check of one trace, and its words."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from simlap.habit_marks import BRAKE_UNITS, Marks
from simlap.habit_traces import CornerTrace
from simlap.placing import PLACED_M, told
from simlap.thresholds import Thresholds

Numbers = Mapping[str, float]


@dataclass(frozen=True)
class Seen:
    """One occurrence in one trace."""

    index: int  #: where in the trace
    numbers: Numbers  #: evidence; keys end in their unit
    phase: str = ""  #: phase that it belongs to, where the rule itself does not say


@dataclass(frozen=True)
class Rule:
    """One kind of finding."""

    kind: str
    phase: str  #: phase that the finding is booked in; the occurrences say where it is ""
    check: Callable[[CornerTrace, Marks, Thresholds], tuple[Seen, ...]]  #: no or one occurrence in a trace
    say: Callable[[Numbers], str]  #: the observation, no full stop
    act: Callable[[Numbers, Thresholds, float], str]  #: advice; the last argument is a step in speed [km/h]
    needs: tuple[tuple[str, ...], ...] = field(default=())  #: one channel of each group must be recorded
    reads_brake: bool = False  #: looks at laps on which the brake is read alike only, see `read_alike`


NOTHING: tuple[Seen, ...] = ()
THROTTLE = ("throttle",)
BRAKE = ("brake_pressure", "brake")


def brake_number(name: str, marks: Marks, value: float) -> dict[str, float]:
    """A brake reading as evidence, in the unit that it is printed in: bar, percent of travel or g."""
    unit, factor = BRAKE_UNITS[marks.brake_channel]
    return {f"{name}_{unit}": value * factor}


def brake_words(numbers: Numbers, name: str) -> str:
    """A brake reading of the evidence in words."""
    for unit, words in (("bar", "{:.0f} bar"), ("percent", "{:.0f} % of pedal travel"), ("g", "{:.2f} g")):
        if f"{name}_{unit}" in numbers:
            return words.format(max(0.0, numbers[f"{name}_{unit}"]))  # less than the channel's rest is no pressure
    raise KeyError(name)


#: Name of the evidence that says to how many metres places are told; it stands only where that is coarse.
TOLD_TO = "told_to_m"


def as_told(numbers: Numbers, to: float) -> Numbers:
    """Evidence with its ways and places no finer than the log tells them, to so many metres."""
    if to <= PLACED_M:
        return numbers
    rounded = {name: told(value, to) if name.endswith("_m") else value for name, value in numbers.items()}
    return {**rounded, TOLD_TO: to}


# Notes and target ask for this share of the way to the limit in one outing at most. Common practice, no source.
HALF_WAY = 0.5  # [1]


def metres_step(numbers: Numbers, name: str, limits: Thresholds) -> float:
    """Half of a distance of the evidence, at most the largest step advised for one outing [m].

    Where the evidence says what the log tells places to (`TOLD_TO`), rounded down to that, but not to nothing: a step
    is never longer than half of the way.
    """
    to, half = numbers.get(TOLD_TO, 0.0), HALF_WAY * numbers[name]
    step = half // to * to if 0.0 < to <= half else half
    return max(1.0, min(step, limits["advice_metres"]))


def speed_step(gap_kmh: float, step_kmh: float) -> float:
    """Half of a gap in speed, at most the largest step advised for one outing [km/h]."""
    return max(1.0, min(HALF_WAY * gap_kmh, step_kmh))
