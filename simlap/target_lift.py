"""Throttles that close well before the brake: what a target asks for there is the way that they stay open longer."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.frozen import own
from simlap.habit_rules import HALF_WAY
from simlap.phases import BRAKING, PHASE_NAMES
from simlap.results import Analysis, Finding
from simlap.target_types import Steps

EARLY_LIFT = "early lift"
# The note on these comes first in a braking phase, and it asks for less speed on the way in.
FIRST = "fast in, slow out"
# The advice of an early lift speaks of a brake point where so many of the laps with it have one.
BRAKED = 0.5  # [1]


@dataclass(frozen=True, eq=False)
class Lift:
    """A way without throttle before the driver's own brake point."""

    station: float  #: where the throttle closes [m]
    coast_m: float  #: from there to the brake
    early_m: float  #: from there to where the speed of that moment asks for the brake
    since_m: np.ndarray  #: way from `station` to each station of the lap, (n,)
    ds: float  #: from one station to the next [m]

    def __post_init__(self) -> None:
        own(self, "since_m")

    def share(self, steps: Steps, outing: int, fast: bool) -> float:
        """Largest part of the way that outings up to this one ask the driver to stay on the throttle for. [1]

        As in the notes: half of the way to where the brake is asked for, one step of the throttle at most.
        """
        step = outing * steps.full_throttle_m * (steps.fast_share if fast else 1.0)
        return min(step, (1.0 - HALF_WAY**outing) * self.early_m, self.coast_m) / self.coast_m

    def held(self, share: float) -> np.ndarray:
        """Share of the stretch behind each station, (n,), that is driven with the throttle kept open."""
        return np.clip((share * self.coast_m - self.since_m) / self.ds, 0.0, 1.0)

    def moved(self, share: float) -> float:
        """Where the throttle then closes. [m]"""
        return self.station + share * self.coast_m


def lifts_of(analysis: Analysis, findings: Sequence[Finding]) -> dict[int, Lift]:
    """The early lifts that the `findings` of an analysis see before a brake, per index of a corner."""
    findings = [each for each in findings if each.phase == PHASE_NAMES[BRAKING]]
    names = {result.corner.name: index for index, result in enumerate(analysis.corners)}
    taken = {each.corner for each in findings if each.kind == FIRST}
    station, length = np.asarray(analysis.line.station), float(analysis.line.length)
    found = {}
    for each in findings:
        if each.kind != EARLY_LIFT or each.occasional or each.corner in taken or each.evidence["brakes_share"] < BRAKED:
            continue
        index = names[each.corner]
        start = analysis.corners[index].zone.start
        behind = [(place - start + 0.5 * length) % length for place in each.stations_m]
        place = (start - 0.5 * length + float(np.median(behind))) % length
        found[index] = Lift(
            place,
            each.evidence["before_brake_m"],
            each.evidence["early_m"],
            (station - place) % length,
            length / station.size,
        )
    return found
