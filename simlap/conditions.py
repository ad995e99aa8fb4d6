"""Signs that the laps of an analysis were driven in unlike conditions: on the whole lap, or in one corner alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simlap.chance import SCATTER
from simlap.lap_types import Aside, Lap
from simlap.lapsteps import LEAST_GROUP, Step, Trend, lap_list, scatter_about, step_in, unlike_laps
from simlap.phases import PHASES
from simlap.spread import slowest_speed

if TYPE_CHECKING:
    from simlap.results import Analysis, CornerResult

# A best lap that beats the limit lap by less than this is as fast as it: lap times are printed to a hundredth.
SAME_TIME = 0.01  # [s]
# Slow laps are driven at a pace of their own where they are as alike as this share of their time: a driver at speed
# varies by half as much, laps of warming up or cooling down by several times as much (common practice, no source).
SLOW_ALIKE = 0.02  # [1]
# A step that one corner holds more than this share of is told there, and not of the whole lap.
IN_ONE_PLACE = 0.5
# Step in one phase of a corner that is told: in seconds, and as a share of the faster laps' time there, where the
# later laps are slower and where they are faster (a driver who finds the right line gains a lot in one phase).
LEAST_STEP, LET_GO, LEARNT = 0.3, 0.05, 0.15  # [s], [1], [1]
# Another corner changed with the same laps where it did so by half of such a step, and by so many standard errors.
ELSEWHERE, SURE = 0.15, 4.0  # [s], [1]
# A slowest speed of the limit below the driven one by more than this is no bound: the noise of the speed. [m/s]
BELOW_DRIVEN = 0.1


@dataclass(frozen=True)
class CornerStep:
    """A step in the time through one corner."""

    corner: str
    step: Step
    elsewhere: tuple[str, ...] = ()  #: other corners whose times change between the same laps

    @property
    def question(self) -> str:
        """What was seen, and what may be behind it, where the corner is plain."""
        words = self.step.words(" here")
        return f"{words[0].upper()}{words[1:]}: was there a flag, rain, other tyres?"


@dataclass(frozen=True)
class SlowGroup:
    """Consecutive laps, each set aside as slow, that are as alike as laps at speed are."""

    laps: tuple[int, ...]  #: their numbers
    spread_s: float  #: from the fastest to the slowest of them [s]
    slower_s: float  #: their median less that of the counted laps [s]

    @property
    def sentence(self) -> str:
        """What was seen, and what to do about it."""
        words = lap_list(self.laps)
        return (
            f"{words[0].upper()}{words[1:]} were set aside as slow, but are alike to {self.spread_s:.1f} s, "
            f"{self.slower_s:.1f} s slower than the counted laps: rain, other tyres, another driver? Nothing here "
            f"holds for such laps; judge them by themselves with --laps {','.join(map(str, self.laps))}."
        )


def told_by(numbers: np.ndarray, counted: np.ndarray, laps: Sequence[Lap]) -> np.ndarray:
    """Which of the laps `numbers` (m,) tell of the conditions: those that count, and those that were merely slow."""
    slow = {lap.number for lap in laps if lap.kind is Aside.SLOW}
    return np.asarray(counted, dtype=bool) | np.isin(numbers, list(slow))


def unlike_of(analysis: Analysis) -> Trend | Step | None:
    """What tells that the laps of an analysis were driven in unlike conditions; not what one corner alone explains."""
    table = analysis.table
    counted = np.asarray(table.counted, dtype=bool)
    rows = told_by(np.asarray(table.numbers), counted, analysis.lapset.laps)
    times = np.array([lap.lap_time for lap in analysis.lap_driven])
    found = unlike_laps(np.asarray(table.numbers)[rows], times[rows], counted[rows])
    if isinstance(found, Step):
        local = max((abs(each.step.change_s) for each in _corner_steps(analysis)), default=0.0)
        return found if local < IN_ONE_PLACE * abs(found.change_s) else None
    return found


def corner_steps(analysis: Analysis) -> tuple[CornerStep, ...]:
    """Corners whose times step between two groups of laps while the whole lap's do not, in track order."""
    return () if unlike_of(analysis) is not None else _corner_steps(analysis)


def _corner_steps(analysis: Analysis) -> tuple[CornerStep, ...]:
    rows = list(analysis.counted)
    if len(rows) < 2 * LEAST_GROUP:
        return ()
    numbers = np.asarray(analysis.table.numbers)[rows]
    times = analysis.phases.sums(np.array([analysis.lap_driven[row].dt for row in rows]))
    filled = np.flatnonzero((times > 0.0).all(axis=0))
    # the phases share the scatter of a lap
    usual = SCATTER * analysis.typical_lap_s / np.sqrt(max(filled.size, 1))
    found = []
    corners = {
        corner.corner.name: times[:, PHASES * index : PHASES * (index + 1)].sum(axis=1)
        for index, corner in enumerate(analysis.corners)
    }
    for index, corner in enumerate(analysis.corners):
        own = [phase for phase in range(PHASES * index, PHASES * (index + 1)) if phase in filled]
        steps = [step_in(numbers, times[:, phase], usual, places=filled.size) for phase in own]
        clear = [step for step in steps if step is not None and _is_foreign(step)]
        if clear:
            step = max(clear, key=lambda step: abs(step.change_s))
            name = corner.corner.name
            also = [n for n, own_s in corners.items() if n != name and _changes_with(step, numbers, own_s, usual)]
            found.append(CornerStep(name, _over(step, numbers, times[:, own].sum(axis=1)), tuple(also)))
    return tuple(found)


def _changes_with(step: Step, numbers: np.ndarray, times: np.ndarray, usual: float) -> bool:
    """Whether the times (m,) of another corner differ clearly between the two groups of laps of a step. [s]"""
    run, others = (times[np.isin(numbers, laps)] for laps in (step.run, step.others))
    squares = float(run.var() * run.size + others.var() * others.size)
    error = scatter_about(squares, run.size + others.size - 2, usual) * np.sqrt(1.0 / run.size + 1.0 / others.size)
    return bool(abs(run.mean() - others.mean()) >= max(ELSEWHERE, SURE * float(error)))


def _over(step: Step, numbers: np.ndarray, times: np.ndarray) -> Step:
    """The step between the same groups in other times (m,) of the laps."""
    run, others = (float(times[np.isin(numbers, laps)].mean()) for laps in (step.run, step.others))
    return replace(step, change_s=run - others, share=(run - others) / min(run, others))


def _is_foreign(step: Step) -> bool:
    """Whether a step in one phase is larger than what a driver changes by driving otherwise."""
    least = LEARNT if step.is_progress else LET_GO
    return abs(step.change_s) >= LEAST_STEP and abs(step.share) >= least


def below_driven(analysis: Analysis) -> tuple[CornerResult, ...]:
    """Corners whose slowest speed at the limit lies below the driven one: the limit is no bound there.

    Where some laps lift and most do not, the typical lap is faster there than any that was driven (its shape is a mean
    of laps, its time a median), so the median lap has to be faster as well.
    """
    found = []
    for index, corner in enumerate(analysis.corners):
        here = np.isin(analysis.phases.phase, PHASES * index + np.arange(PHASES))
        rows = np.asarray(analysis.table.v)[list(analysis.counted)]
        median = float(np.median([slowest_speed(row, here, analysis.phases.kind) for row in rows]))
        if min(corner.min_speed_typical, median) - corner.min_speed_limit > BELOW_DRIVEN:
            found.append(corner)
    return tuple(found)


def beats_limit(analysis: Analysis) -> bool:
    """Whether the best counted lap is faster than the limit lap, which is then no bound."""
    return analysis.best_lap_s < analysis.limit_lap.value - SAME_TIME


def slow_group(laps: Sequence[Lap]) -> SlowGroup | None:
    """The longest run of slow laps that are alike, None where fewer than `LEAST_GROUP` follow each other."""
    counted = [lap.time_s for lap in laps if lap.counted]
    slow = [lap for lap in laps if lap.kind is Aside.SLOW]
    best: list[Lap] = []
    for start, first in enumerate(slow):
        run = [first]
        for lap in slow[start + 1 :]:
            times = [each.time_s for each in (*run, lap)]
            if lap.number != run[-1].number + 1 or max(times) - min(times) > SLOW_ALIKE * min(times):
                break
            run.append(lap)
        best = max(best, run, key=len)
    if len(best) < LEAST_GROUP or not counted:
        return None
    times = [lap.time_s for lap in best]
    slower = float(np.median(times) - np.median(counted))
    return SlowGroup(tuple(lap.number for lap in best), max(times) - min(times), slower)
