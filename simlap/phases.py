"""Phases of the corners: which one each station of the lap belongs to."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simlap.errors import NotEnoughData
from simlap.frozen import own
from simlap.zones import Zone

BRAKING, MID_CORNER, EXIT = 0, 1, 2
PHASE_NAMES = ("braking", "mid_corner", "exit")
PHASE_WORDS = {"braking": "braking", "mid_corner": "mid-corner", "exit": "exit"}
WHERE_WORDS = {"braking": "under braking", "mid_corner": "in mid-corner", "exit": "on the exit"}
PHASES = len(PHASE_NAMES)


@dataclass(frozen=True, eq=False)
class PhaseMap:
    """Which phase each station (and the path from it to the next one) belongs to.

    Phase ``3 * corner + k`` is braking, mid-corner, exit for k = 0, 1, 2; phases may be empty.
    """

    phase: np.ndarray  #: phase of each station, int, shape (n,)
    order: np.ndarray  #: all phases in track order from the start line, int, shape (p,)
    limit_a: np.ndarray | None = None  #: acceleration of the limit profile, shape (n,) [m/s²]

    def __post_init__(self) -> None:
        own(self, "phase", "order", dtype=int)
        own(self, "limit_a")

    @property
    def count(self) -> int:
        """Number of phases, three for each corner."""
        return int(self.order.size)

    @property
    def kind(self) -> np.ndarray:
        """BRAKING, MID_CORNER or EXIT at each station, shape (n,)."""
        return self.phase % PHASES

    @property
    def flat(self) -> np.ndarray:
        """Whether each corner has a mid-corner phase alone: the limit profile takes it flat. Bool, (corners,)."""
        sizes = np.bincount(self.phase, minlength=self.count).reshape(-1, PHASES)
        return (sizes[:, BRAKING] == 0) & (sizes[:, EXIT] == 0)

    @cached_property
    def stretches(self) -> tuple[np.ndarray, ...]:
        """Stations of each phase in driving order; asked for by every draw."""
        return tuple(self.stretch(phase) for phase in range(self.count))

    def stretch(self, *phases: int) -> np.ndarray:
        """Stations of a phase, or of neighbouring ones, in driving order, also where they cross the start line."""
        where = np.flatnonzero(np.isin(self.phase, phases))
        gaps = np.flatnonzero(np.diff(where) > 1)
        return np.roll(where, -(gaps[0] + 1)) if gaps.size else where

    def sums(self, per_station: np.ndarray) -> np.ndarray:
        """Sum `per_station` (..., n) over the stations of each phase; returns (..., p)."""
        flat = np.atleast_2d(per_station)
        out = np.zeros((flat.shape[0], self.count))
        for row, values in enumerate(flat):
            out[row] = np.bincount(self.phase, weights=values, minlength=self.count)
        return out.reshape(*per_station.shape[:-1], self.count)


def map_phases(
    zones: Sequence[Zone], station: np.ndarray, length: float, limit_a: np.ndarray | None = None
) -> PhaseMap:
    """Give every station to the phase whose half-open stretch holds it.

    Parameters
    ----------
    zones : sequence of Zone
        Corner zones that tile the lap.
    station : float64 array, shape (n,)
        Common stations. [m]
    length : float
        Length of the lap. [m]
    limit_a : float64 array, shape (n,), optional
        Acceleration of the limit profile: tells a speed held in a flat corner from a slow exit carried into it. [m/s²]

    Raises
    ------
    NotEnoughData
        When there are no zones.
    """
    if not zones:
        raise NotEnoughData(
            "No corner was found on this circuit, so that no loss can be placed. "
            "Give a track file that names the corners."
        )
    phase = np.full(station.size, -1)
    first_station = np.zeros(PHASES * len(zones))
    for index, zone in enumerate(zones):
        for k, (_, start, stop) in enumerate(zone.phases()):
            extent = (stop - start) % length if stop != start else 0.0
            phase[(station - start) % length < extent] = PHASES * index + k
            first_station[PHASES * index + k] = start % length
    if (phase < 0).any():
        missing = float(station[np.argmax(phase < 0)])
        raise AssertionError(f"corner zones leave station {missing:.1f} m in no phase")
    order = np.lexsort((np.arange(first_station.size), first_station))
    return PhaseMap(phase, order, limit_a)
