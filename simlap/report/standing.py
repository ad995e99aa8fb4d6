"""What a caution is, and the cautions that stand whatever the numbers are."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class Caution:
    """One thing to know before acting on the numbers."""

    key: str  #: short plain name, stable
    text: str  #: one or two sentences


STANDING = (
    Caution(
        "limit is a bound",
        "The limit lap is a bound computed from grip that this driver has shown in this car on this day. It is not "
        "a target and not an instruction: it does not know traffic, wear, nerve or run-off.",
    ),
    Caution(
        "small steps",
        "Build up in small steps, lap by lap, above all in corners marked 'build up': they are fast. Never try the "
        "computed speed at once.",
    ),
    Caution(
        "people first",
        "Closed courses only. The marshals, the organiser's rules and your coach come before any number here; local "
        "law and licensed practice decide.",
    ),
    Caution(
        "point mass",
        "The car is taken as a point on the driven line: no weight shift, no kerbs, no time to change pedals or gears. "
        "A few hundredths between corners mean nothing.",
    ),
    Caution(
        "conditions",
        "It holds for the tyres, fuel, weather and track of these laps. Another day is another limit.",
    ),
)
NUMBERING = Caution(
    "numbering",
    "Neither a start line nor a track file was given: laps and corner numbers count from a point that was "
    "chosen on a long straight. With --start-line or --track they are the circuit's own.",
)
SHOWN_ONLY = (
    "The limit is what was shown. A driver who uses more of the grip everywhere shows more of it, and that reads as a "
    "faster car; so do other tyres, another track surface or another driver. Compare the same driver only"
)
DRIVE_AGAIN = ", and drive A-B-A: the change, then back to the state before."
DRIVEN_AGAIN = "; A driven again takes out what drifts evenly from outing to outing, and nothing else."


def compared(again: bool) -> Caution:
    """What a comparison cannot tell apart; `again`: the state before was driven again behind the change."""
    return Caution("car or driver", SHOWN_ONLY + (DRIVEN_AGAIN if again else DRIVE_AGAIN))


def cautions_to_dicts(found: Iterable[Caution]) -> list[dict[str, str]]:
    """Cautions for JSON: key and text."""
    return [asdict(caution) for caution in found]
