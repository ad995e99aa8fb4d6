"""How much faster a car reaches the fast corners behind a phase that is driven better."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simlap.habits import spoken
from simlap.kept import kept_limits
from simlap.phases import PHASE_NAMES, PHASES
from simlap.results import Analysis, CornerResult, Priority
from simlap.solver import solve_batch
from simlap.units import MS_TO_KMH


@dataclass(frozen=True)
class Arrival:
    """A fast corner that is reached faster."""

    corner: CornerResult
    faster_kmh: float  #: at the start of its zone, with the phase before it at the limit


def behind(corners: Sequence[CornerResult], index: int) -> tuple[int, ...]:
    """The fast corners that follow corner `index` without another kind of corner between, in driving order."""
    found = []
    for step in range(1, len(corners)):
        following = (index + step) % len(corners)
        if not corners[following].build_up:
            break
        found.append(following)
    return tuple(found)


def arrivals(analysis: Analysis, index: int, phase: int) -> tuple[Arrival, ...]:
    """Fast corners behind a phase that the typical lap reaches faster, by more than their step, once it is fixed.

    Parameters
    ----------
    index, phase : int
        Corner, and BRAKING, MID_CORNER or EXIT of it.
    """
    fast = behind(analysis.corners, index)
    if not fast:
        return ()
    phases = analysis.phases
    kept = np.ones((2, phases.count), dtype=bool)
    kept[1, PHASES * index + phase] = False
    limits = kept_limits(analysis.typical, phases, kept, grip=analysis.grip)
    packed = analysis.fit.envelope.pack()[None, :]
    now, then = np.asarray(solve_batch(analysis.line, packed, limits).v) * MS_TO_KMH
    found = []
    for following in fast:
        first = phases.stretch(*range(PHASES * following, PHASES * (following + 1)))[0]
        faster = float(then[first] - now[first])
        if faster >= analysis.corners[following].step_kmh:
            found.append(Arrival(analysis.corners[following], faster))
    return tuple(found)


def warned(analysis: Analysis, priorities: Sequence[Priority]) -> tuple[Priority, ...]:
    """The priorities, each with the fast corners that it makes the driver reach faster."""
    names = [corner.corner.name for corner in analysis.corners]
    out = []
    for priority in priorities:
        found = arrivals(analysis, names.index(priority.corner), PHASE_NAMES.index(priority.phase))
        words = "".join(f" {arrival_words(each)}" for each in found)
        out.append(replace(priority, sentence=priority.sentence + words))
    return tuple(out)


def arrival_words(arrival: Arrival) -> str:
    """One sentence for the driver."""
    where = spoken(arrival.corner.corner.name, begins=False)
    return (
        f"You will arrive up to {arrival.faster_kmh:.0f} km/h faster at {where}, a "
        f"fast corner: build up there, by at most {arrival.corner.step_kmh:.0f} km/h per outing."
    )
