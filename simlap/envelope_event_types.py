"""What an event is: a held window, the same stations on every lap, and the limits of the moment."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simlap.frozen import own


@dataclass(frozen=True, eq=False)
class Events:
    """J events on m laps: the level each lap reached, and where; arrays (m, J), `noise` (J,)."""

    value: np.ndarray  #: [m/s²], as if with no acceleration in the other direction
    speed2: np.ndarray  #: v² [m²/s²]
    noise: np.ndarray  #: standard deviation of the motion's error in `value` [m/s²]
    where: np.ndarray  #: index of the window's first station
    turn: np.ndarray  #: (J,) +1 left, -1 right, 0 straight
    load: np.ndarray  #: mean square of the lateral acceleration [m²/s⁴]
    stretch: np.ndarray  #: (J,) number of the corner or straight that holds it
    opened: np.ndarray  #: (J,) bool: `value` is what a fully opened throttle would have given
    flat: np.ndarray | None = None  #: (J,) bool: the throttle had been full for `FLAT_FOR` before; None: nowhere

    def __post_init__(self) -> None:
        own(self, "value", "speed2", "noise", "turn", "load")
        own(self, "where", "stretch", dtype=int)
        own(self, "opened", "flat", dtype=bool)

    @property
    def count(self) -> int:
        """Number of events J."""
        return int(self.noise.size)


@dataclass(frozen=True, eq=False)
class CombinedEvents:
    """Windows with both accelerations in use; arrays (m, J) unless said otherwise."""

    lateral: np.ndarray  #: mean |lateral| [m/s²]
    along: np.ndarray  #: mean of what the tyres brake or drive, positive [m/s²]
    use: np.ndarray  #: mean combined use of the tyres, by the limits of the moment
    speed2: np.ndarray  #: v² [m²/s²]
    noise_lateral: np.ndarray  #: (J,) standard deviation of the motion's error [m/s²]
    noise_along: np.ndarray  #: (J,) the same [m/s²]
    noise_use: np.ndarray  #: (J,) the same of `use`
    bend: np.ndarray  #: (P, J) mean of the combined use over the window by the use at the window's mean
    where: np.ndarray  #: index of the window's first station
    turn: np.ndarray  #: (J,) +1 left, -1 right

    def __post_init__(self) -> None:
        own(self, "lateral", "along", "use", "speed2", "noise_lateral", "noise_along", "noise_use", "bend", "turn")
        own(self, "where", dtype=int)

    @property
    def count(self) -> int:
        """Number of events J."""
        return int(self.turn.size)


Limit = Callable[[np.ndarray], np.ndarray]  # v² -> limit [m/s²]


@dataclass(frozen=True)
class Guess:
    """Limits of the moment, as functions of v²; exponents."""

    lateral: tuple[Limit, Limit]  #: left, right
    braking: Limit  #: the tyres' part
    traction: Limit  #: the same
    engine: Limit
    exponent_braking: float
    exponent_drive: float
    known: bool  #: False for the first guess
