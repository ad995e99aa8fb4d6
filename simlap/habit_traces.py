"""What one lap did through one corner zone, beside the limit profile; the findings read nothing else."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from simlap.frozen import own
from simlap.placing import PLACED_M
from simlap.results import Interval

#: Channels that a trace may hold: throttle and brake from 0 to 1, brake_pressure [Pa], gear [1], engine_speed [rad/s].
CHANNELS = ("throttle", "brake_pressure", "brake", "gear", "engine_speed")


@dataclass(frozen=True, eq=False)
class CornerTrace:
    """One corner zone of one lap, its run-in included; arrays float64, shape (n,).

    `along` counts from the start of the zone: the run-in is negative, braking ends at `braking_stop`, mid-corner
    at `mid_stop`, the exit with the last value. `channels` holds the recorded ones of `CHANNELS`, throttle
    divided by the driver's own widest opening.
    """

    corner: str
    lap: int
    along: np.ndarray  #: distance from the start of the zone, strictly rising [m]
    t: np.ndarray  #: clock of the log [s]
    v: np.ndarray  #: of the car on its own line [m/s]
    a_lon: np.ndarray  #: [m/s²]
    a_lat: np.ndarray  #: left positive [m/s²]
    grip: np.ndarray  #: share of the envelope in use
    drive: np.ndarray  #: acceleration that engine and tyres had left at the speed driven [m/s²]
    grade: np.ndarray  #: slope of the road, uphill positive [rad]
    limit_v: np.ndarray  #: of the limit profile [m/s]
    limit_a_lon: np.ndarray  #: of the limit profile [m/s²]
    braking_stop: float  #: [m]
    mid_stop: float  #: [m]
    zone_start: float = 0.0  #: station of the start of the zone [m]
    lap_length: float = np.inf  #: [m]
    channels: Mapping[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = ("along", "t", "v", "a_lon", "a_lat", "grip", "drive", "grade", "limit_v", "limit_a_lon")
        own(self, *names)
        copies = {name: np.array(values, dtype=float) for name, values in self.channels.items()}
        for values in copies.values():
            values.setflags(write=False)
        object.__setattr__(self, "channels", MappingProxyType(copies))
        for name in names:
            assert getattr(self, name).shape == self.along.shape, name
        for name, values in copies.items():
            assert values.shape == self.along.shape, name

    def has(self, *names: str) -> bool:
        """True where all these channels are recorded."""
        return all(name in self.channels for name in names)

    def at(self, along: float) -> int:
        """Index of the first value at or past `along`, the last one if there is none."""
        return min(int(np.searchsorted(self.along, along)), self.along.size - 1)

    def station(self, index: int) -> float:
        """Station of a value on the lap [m]."""
        return float((self.zone_start + self.along[index]) % self.lap_length)


def phase_at(trace: CornerTrace, index: int) -> str:
    """Name of the phase that a value of the trace lies in; the run-in counts as braking."""
    if trace.along[index] < trace.braking_stop:
        return "braking"
    return "mid_corner" if trace.along[index] < trace.mid_stop else "exit"


@dataclass(frozen=True, eq=False)
class CornerSheet:
    """One corner: what its phases are worth, and the traces of the counted laps through it."""

    corner: str
    gains: Mapping[str, Interval]  #: gain if fixed alone [s], for braking, mid_corner and exit
    traces: tuple[CornerTrace, ...]
    step_kmh: float = 4.0  #: largest step in minimum speed per outing [km/h]
    throttle_unused: str = ""  #: why a throttle channel that the log holds is left out; "" where it is not
    told_to: float = PLACED_M  #: what the log tells places to [m]
