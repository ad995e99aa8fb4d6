"""How much faster a car reaches the fast corners behind a phase that is driven better."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simlap.habit_drive import WEAK_DRIVE
from simlap.habits import WORDS, spoken
from simlap.kept import kept_limits
from simlap.phases import MID_CORNER, PHASE_NAMES, PHASES
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


#: Steps without a measure of their own: before and in a fast corner only a first part of them is told.
FIRST_PART = {
    "part throttle on the exit": "Open the throttle a little wider than now once the steering unwinds",
    WEAK_DRIVE: "Open the throttle a little sooner than now once the steering unwinds, unless it is fully open there",
}


def warned(analysis: Analysis, priorities: Sequence[Priority]) -> tuple[Priority, ...]:
    """The priorities, each with the fast corners that it makes the driver reach faster, and no more than their step.

    The cap stands in the step itself, so that it is read wherever the step is.
    """
    names = [corner.corner.name for corner in analysis.corners]
    out = []
    for priority in priorities:
        found = arrivals(analysis, names.index(priority.corner), PHASE_NAMES.index(priority.phase))
        out.append(_capped(priority, found) if found else priority)
    return tuple(out)


def _capped(priority: Priority, found: Sequence[Arrival]) -> Priority:
    """The priority with what it may bring at the fast corners behind it, in its step and behind its sentence."""
    whole = priority.step
    asks_no_speed = priority.kind not in WORDS and priority.phase != PHASE_NAMES[MID_CORNER]  # only where to look
    first, cap = whole, ""
    if not (priority.build_up or asks_no_speed):  # a fast corner's step is capped already
        caps = " and ".join(
            f"{each.corner.step_kmh:.0f} km/h faster at {spoken(each.corner.corner.name, begins=False)}"
            for each in found
        )
        first, cap = FIRST_PART.get(priority.kind, whole), f", but arrive at most {caps}"
    head, _, behind_it = priority.sentence.rpartition(whole)
    aside, _, doubts = behind_it.partition(".")  # what the next step takes of it; doubts of what the step is worth
    capped = f"{head}{first}{aside}{cap}. {arrival_words(found, coach=not priority.build_up)}{doubts}"
    return replace(priority, sentence=capped, step=first + cap)


def arrival_words(found: Sequence[Arrival], *, coach: bool = True) -> str:
    """Why no more than a part of a step is taken, for the driver; `coach` False where the step names the coach."""
    places = " and ".join(
        f"{each.faster_kmh:.0f} km/h faster at {spoken(each.corner.corner.name, begins=False)}" for each in found
    )
    many = len(found) > 1
    with_coach = ", and only with your coach's agreement" if coach else ""
    return (
        f"All that is to be had there would bring you up to {places}, {'fast corners' if many else 'a fast corner'}: "
        f"build up over several outings{with_coach}."
    )
