"""Which phases of which corners are raised for the next step, and how far."""

from dataclasses import dataclass

import numpy as np

from simlap.chance import Outlook
from simlap.phases import BRAKING, MID_CORNER, PHASES
from simlap.results import CornerResult
from simlap.target_blend import Bench, Moves, joined, wanted_shares
from simlap.target_marks import MARKS_OF_PHASE, fast_corners_within, visible, within
from simlap.target_types import Steps

BLENDS = np.linspace(0.0, 1.0, 11)  # shares of the way from the shown phase to the limit that are tried
HELD_BY = ("chance", "lap_share", "steps", "")  # what may hold the next step back, the first that does
SMALLEST_WORTH = 0.025  # [s] a corner that gains less is not worth a driver's attention: common practice, no source
# A corner that gains as much is named even where no mark shows how: a throttle that is never quite open on a long exit
# moves neither the place of full drive nor the speed at the far end, and the notes tell of it (common practice, no
# source).
UNSEEN_WORTH = 0.1  # [s]


@dataclass(frozen=True, eq=False)
class Plan:
    """What is looked at while the moves are chosen."""

    bench: Bench
    shown_v: np.ndarray  #: the shown lap's speed, (n,) [m/s]
    shown_s: float
    ahead: Outlook  #: lap times to come
    steps: Steps
    outing: int

    def refused(self, lap_time: float) -> str:
        """Why a lap is no realistic step: "chance", where it is less likely than the least chance, or "lap_share",
        where it asks for more than the outings' share of the lap; empty where it is one."""
        if self.ahead.chance_of(lap_time) < self.steps.least_chance:
            return "chance"
        most = self.outing * self.steps.lap_share * self.shown_s
        return "lap_share" if self.shown_s - lap_time > most else ""


def raised(plan: Plan, before: dict[int, Moves]) -> tuple[dict[int, Moves], str]:
    """Per corner index the phases to raise, in the order in which they are worth working on; and what held them back.

    That is "chance" or "lap_share" of the whole lap where they stopped a corner, else the "steps" of the corners; empty
    where no corner shows a clear loss.

    Parameters
    ----------
    before : dict
        Moves of the outing before this one: nothing is asked for less than then.

    Notes
    -----
    One corner after the other is raised as far as its steps and what is realistic for the whole lap allow. One that
    then gains nothing worth naming, or little that no mark shows, is left out: few whole steps are better driven
    than many small ones.
    """
    wanted = wanted_shares(plan.bench.shown, plan.bench.goal, plan.bench.analysis.phases)
    chosen, stopped = dict(before), {""}
    for index, most in _worth_working_on(plan, wanted, before).items():
        stopped.add("steps")
        found, refused = _largest(plan, index, chosen, most)
        stopped.add(refused)
        if found:
            chosen[index] = found
    order = sorted(chosen, key=lambda index: _order(plan.bench.analysis.corners[index]))
    held_by = next(reason for reason in HELD_BY if reason in stopped)
    return {index: chosen[index] for index in order}, held_by


def _order(corner: CornerResult) -> tuple[bool, int]:
    """Most to gain first, but fast corners never lead."""
    return corner.build_up, corner.rank


def _worth_working_on(plan: Plan, wanted: np.ndarray, before: dict[int, Moves]) -> dict[int, Moves]:
    """What the steps allow in the corners of the outing before, then in those with a clear loss to be had."""
    analysis = plan.bench.analysis
    found = {index: _within_steps(plan, index, wanted, floor) for index, floor in before.items()}
    for result in analysis.ranked:
        index = analysis.corners.index(result)
        if len(found) >= plan.steps.corners:
            break
        if result.clear and index not in found:
            most = _within_steps(plan, index, wanted, {})
            found |= {index: most} if most else {}
    return {index: found[index] for index in sorted(found, key=lambda index: _order(analysis.corners[index]))}


def _within_steps(plan: Plan, index: int, wanted: np.ndarray, floor: Moves) -> Moves:
    """The moves of one corner that its own steps allow, its dearest phase first; never less than `floor`."""
    analysis = plan.bench.analysis
    result, length = analysis.corners[index], float(analysis.line.length)
    now = plan.bench.now(index, plan.shown_v)
    gains = [phase.gain_alone.value for phase in result.phases]
    own = dict(floor)
    for kind in sorted(range(PHASES), key=lambda k: -gains[k]):
        phase = PHASES * index + kind
        goal = float(wanted[phase])
        if kind == MID_CORNER and gains[kind] == max(gains):
            goal = 1.0  # the corner's largest loss: what the steps allow, as in the notes
        if kind == BRAKING and index in plan.bench.lifts and (goal > 0.0 or gains[kind] == max(gains)):
            goal = plan.bench.lifts[index].share(plan.steps, plan.outing, result.build_up)
        least = own.get(phase, 0.0)
        if goal <= least:  # a phase that is not raised has no part in what the marks show
            continue
        tried = [own | {phase: least + float(share) * (goal - least)} for share in BLENDS]
        v, _ = plan.bench.solve(tried)
        fits = [
            i
            for i, row in enumerate(v)
            if within(result, length, now, plan.bench.marks(index, now, tried[i], row), plan.steps, plan.outing)
            and fast_corners_within(analysis, plan.shown_v, row, plan.steps, plan.outing)
        ]
        if fits and fits[-1] > 0:
            own = tried[fits[-1]]
    return own


def _largest(plan: Plan, index: int, chosen: dict[int, Moves], most: Moves) -> tuple[Moves, str]:
    """As much of `most` as is realistic with the moves chosen so far, and why not more (as `Plan.refused`).

    Empty where it changes nothing to name.
    """
    analysis, bench = plan.bench.analysis, plan.bench
    floor = chosen.get(index, {})
    tried = [
        {phase: floor.get(phase, 0.0) + float(share) * (move - floor.get(phase, 0.0)) for phase, move in most.items()}
        for share in BLENDS
    ]
    v, lap_times = bench.solve([joined(chosen | {index: own}) for own in tried])
    alone, _ = bench.solve(tried)
    result, length = analysis.corners[index], float(analysis.line.length)
    now = plan.bench.now(index, plan.shown_v)
    refused = [plan.refused(float(lap_time)) for lap_time in lap_times]
    why = next(filter(None, refused[1:]), "")
    fits = [
        i
        for i in range(1, len(tried))
        if not refused[i]
        and within(result, length, now, bench.marks(index, now, tried[i], alone[i]), plan.steps, plan.outing)
        and fast_corners_within(analysis, plan.shown_v, v[i], plan.steps, plan.outing)
    ]
    for row in reversed(fits):
        own = tried[row]
        seen = visible(now, bench.marks(index, now, own, alone[row]), length, bench.told_to)
        asked = {phase: move for phase, move in own.items() if seen & MARKS_OF_PHASE[phase % PHASES]}
        told = floor | asked
        lap_time = float(lap_times[row])
        if asked and told != own:  # nothing is booked that no mark asks for
            own = told
            lap_time = float(bench.solve([joined(chosen | {index: own})])[1][0])
            seen = visible(now, bench.marks(index, now, own, bench.solve([own])[0][0]), length, bench.told_to)
            if plan.refused(lap_time):  # what is left out made the lap slower
                continue
        if not floor and lap_times[0] - lap_time < (SMALLEST_WORTH if seen else UNSEEN_WORTH):
            return {}, why
        return own, why
    return floor, why
