"""Three ledgers of loss: lost here, caused here, gain if fixed alone.

All three compare what was driven with the limit profile of one envelope on one path, phase by phase.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.driven import Driven
from simlap.frozen import own
from simlap.kept import kept_limits
from simlap.line import Line
from simlap.phases import PHASES, PhaseMap
from simlap.solver import solve_batch


@dataclass(frozen=True, eq=False)
class Ledger:
    """The three ledgers of one lap; arrays per phase have shape (p,), in seconds."""

    lost: np.ndarray  #: lost here: driven minus reference time over the phase
    caused: np.ndarray  #: caused here, with its knock-on; sums to kept_s - reference_s
    gain_alone: np.ndarray  #: lap time won if this phase alone became perfect
    corner_gain: np.ndarray  #: lap time won if the corner's three phases became perfect, shape (corners,)
    driven_s: float  #: the lap as driven
    kept_s: float  #: the kernel's lap with every phase kept: it must reproduce driven_s
    reference_s: float  #: the limit lap, or the other lap that this one is held against

    def __post_init__(self) -> None:
        own(self, "lost", "caused", "gain_alone", "corner_gain")

    @property
    def unexplained_s(self) -> float:
        """What the kernel does not reproduce of the driven lap; never spread over phases. [s]"""
        return self.driven_s - self.kept_s


def ledger_masks(phases: PhaseMap) -> np.ndarray:
    """Kept phases of each run, bool, shape (1 + p + p + corners, p).

    Row 0 keeps all; the next p rows free the phases one after the other in track order; the next p free one
    phase alone; the last rows free the three phases of one corner.
    """
    p = phases.count
    everything = np.ones((1, p), dtype=bool)
    freed = np.ones((p, p), dtype=bool)
    for row, phase in enumerate(phases.order):
        freed[row:, phase] = False
    alone = ~np.eye(p, dtype=bool)
    corner = ~np.repeat(np.eye(p // PHASES, dtype=bool), PHASES, axis=1)
    return np.vstack([everything, freed, alone, corner])


def ledgers(
    line: Line,
    packed: np.ndarray,
    laps: Sequence[Driven],
    phases: PhaseMap,
    *,
    other: Driven | None = None,
    grip: np.ndarray | None = None,
) -> tuple[Ledger, ...]:
    """Compute the three ledgers of each lap against the limit, or against `other`.

    Parameters
    ----------
    line : Line
        The common path.
    packed : float64 array, shape (ENVELOPE_SIZE,) or (laps, ENVELOPE_SIZE)
        The envelope (`Envelope.pack()`), or one for each lap.
    laps : sequence of Driven
        Laps on `line`.
    other : Driven, optional
        Another lap on `line`: freed phases then do what it did, instead of what the envelope allows.
    phases : PhaseMap
        Phase of each station of `line`, p in all.
    grip : float64 array, shape (n,), optional
        Factor on the grip of each station, from the track file.

    Returns
    -------
    tuple of Ledger
        Gains are of the kernel's lap with every phase kept.
    """
    masks = ledger_masks(phases)
    p = phases.count
    packed = np.broadcast_to(np.atleast_2d(packed), (len(laps), np.shape(packed)[-1]))
    result = []
    for lap, envelope in zip(laps, packed, strict=True):
        runs = solve_batch(line, envelope[None, :], kept_limits(lap, phases, masks, other, grip))
        time = np.asarray(runs.lap_time)
        free = other.dt if other is not None else np.asarray(runs.segment_time)[p]
        caused = np.empty(p)
        caused[phases.order] = time[:p] - time[1 : p + 1]
        result.append(
            Ledger(
                lost=phases.sums(lap.dt) - phases.sums(free),
                caused=caused,
                gain_alone=time[0] - time[p + 1 : 2 * p + 1],
                corner_gain=time[0] - time[2 * p + 1 :],
                driven_s=lap.lap_time,
                kept_s=float(time[0]),
                reference_s=float(free.sum()),
            )
        )
    return tuple(result)
