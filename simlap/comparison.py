"""What a comparison of sets of laps holds."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simlap.analysis import Prepared
from simlap.envelope_fit import EnvelopeFit
from simlap.line import Line
from simlap.phases import PhaseMap
from simlap.results import Interval

PAID_OFF, NO_CLEAR_CHANGE, COST_TIME = "paid off", "no clear change", "cost time"


@dataclass(frozen=True, eq=False)
class Side:
    """One set of laps on the common path."""

    label: str
    prepared: tuple[Prepared, ...]
    fit: EnvelopeFit
    phase_times: np.ndarray  #: of each counted lap, shape (laps, p) [s]
    limit_phase_times: np.ndarray  #: of the limit lap, shape (p,) [s]
    draw_phase_times: np.ndarray  #: median lap of each draw, shape (draws, p) [s]
    draw_limit_phase_times: np.ndarray  #: limit lap of each draw, shape (draws, p) [s]

    @property
    def laps(self) -> int:
        """Number of counted laps."""
        return int(self.phase_times.shape[0])

    @property
    def typical(self) -> np.ndarray:
        """Median time of each phase, shape (p,) [s]."""
        return np.median(self.phase_times, axis=0)


@dataclass(frozen=True)
class PhaseChange:
    """Change over one phase of one corner; negative is faster. [s]"""

    name: str
    change: Interval
    limit_change: Interval
    execution_change: Interval


@dataclass(frozen=True)
class CornerChange:
    """Change over one corner zone; negative is faster. [s]"""

    name: str
    change: Interval
    limit_change: Interval
    execution_change: Interval
    phases: tuple[PhaseChange, ...]


@dataclass(frozen=True, eq=False)
class Comparison:
    """What changed between the sets of laps; negative seconds are faster."""

    sides: tuple[Side, ...]
    line: Line
    phase_map: PhaseMap
    change: Interval  #: typical lap [s]
    limit_change: Interval  #: limit lap [s]
    execution_change: Interval  #: typical lap less limit lap [s]
    drift: Interval | None  #: change of the typical lap per outing by the track, with three sets [s]
    by_limit: Mapping[str, Interval]  #: change of the limit lap by each limit alone [s]
    verdict: str  #: paid off, no clear change, cost time: of the car
    chance: float  #: that the car became faster
    detectable_s: float  #: smallest change of the limit that these laps would have shown [s]
    laps_needed: int | None  #: more laps a side that would settle a change of this size; None: no change to settle
    corners: tuple[CornerChange, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    moved_s: float = 0.0  #: what lap times moved within the sessions by, taken off the limit's change when judging [s]
