"""A lap on the common path, and the driver's typical lap made of many.

A lap is brought to the common path by its times at the common stations: its speed there is path length per time, so
that its lap time is kept to the last digit whatever line was driven. It is not the speed of the car, which is
`LapTable.v`: a lap on a wider line covers more than the common path in that time.
"""

from dataclasses import dataclass

import numpy as np

from simlap.frozen import own
from simlap.line import Line
from simlap.phases import PhaseMap

# The smooth factors settle to this in about ten rounds; what is left goes in one factor per phase, a step in speed
# of a millimetre per second that no figure shows.
SCALE_SETTLED = 1e-5  # share of a phase's time
SCALE_ROUNDS = 60


@dataclass(frozen=True, eq=False)
class Driven:
    """A lap on the common path: time and speed at its stations."""

    dt: np.ndarray  #: time from each station to the next, shape (n,) [s]
    v: np.ndarray  #: speed at the stations, shape (n,) [m/s]
    a: np.ndarray  #: mean acceleration from each station to the next, shape (n,) [m/s²]

    def __post_init__(self) -> None:
        own(self, "dt", "v", "a")

    @property
    def t(self) -> np.ndarray:
        """Time at the stations since the first one, shape (n,) [s]."""
        return np.concatenate([[0.0], np.cumsum(self.dt)[:-1]])

    @property
    def lap_time(self) -> float:
        """Sum of the segment times [s]."""
        return float(self.dt.sum())


def driven_on(line: Line, dt: np.ndarray) -> Driven:
    """Speed and acceleration on the common path of a lap that took `dt` (n,) s between its stations."""
    ds = line.ds
    v = (np.roll(ds, 1) + ds) / (np.roll(dt, 1) + dt)
    return Driven(dt, v, between_stations(line, v))


def between_stations(line: Line, v: np.ndarray) -> np.ndarray:
    """Mean acceleration from each station to the next of a closed lap with the speeds `v` (n,) m/s. [m/s²]"""
    return (np.roll(v, -1) ** 2 - v**2) / (2.0 * line.ds)


def typical_lap(line: Line, dt: np.ndarray, phases: PhaseMap) -> Driven:
    """The driver's typical lap: in each phase the median time of the laps.

    The time per station is the mean of the middle half of the laps, scaled by a factor that runs smoothly from
    phase to phase so that each phase takes exactly the median of the laps' times for it.

    Parameters
    ----------
    line, phases : Line, PhaseMap
        Common path of n stations, and the phase of each.
    dt : float64 array, shape (m, n)
        Time from each station to the next, one row a lap. [s]
    """
    laps = dt.shape[0]
    cut = laps // 4
    middle = np.sort(dt, axis=0)[cut : laps - cut].mean(axis=0)
    wanted = np.median(phases.sums(dt), axis=0)
    return driven_on(line, _scale_to(middle, wanted, phases, line))


def _scale_to(dt: np.ndarray, wanted: np.ndarray, phases: PhaseMap, line: Line) -> np.ndarray:
    """Scale `dt` (n,) by a continuous factor so that its phase sums become `wanted` (p,)."""
    filled = np.unique(phases.phase)
    station = np.asarray(line.station)
    length = float(line.length)
    angle = np.exp(2j * np.pi * station / length)
    centres = np.array([np.angle(angle[phases.phase == p].mean()) for p in filled]) % (2 * np.pi)
    by_place = np.argsort(centres)
    nodes = centres[by_place] * length / (2 * np.pi)
    factor = np.ones(filled.size)
    scaled = dt
    for _ in range(SCALE_ROUNDS):
        change = wanted[filled] / phases.sums(scaled)[filled]
        if np.abs(change - 1.0).max() < SCALE_SETTLED:
            break
        factor *= change
        scaled = dt * np.interp(station, nodes, factor[by_place], period=length)
    exact = np.ones(phases.count)
    exact[filled] = wanted[filled] / phases.sums(scaled)[filled]
    return scaled * exact[phases.phase]
