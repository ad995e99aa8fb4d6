"""What to tell the driver: at most three priorities, one thing to keep, and what could not be judged."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simlap.arrival import FIRST_PART, warned
from simlap.asked import (
    ASKS_SPEED,
    FEW_LAPS,
    TIME_LOST,
    as_asked,
    asked_phases,
    asked_speeds,
    by_laps,
    left_alone,
    order_of_work,
    rests_on,
)
from simlap.conditions import below_driven, corner_steps, unlike_of
from simlap.envelope_grip import corner_grip
from simlap.habit_corner import BOTH_PEDALS, BRAKE_IN_FLAT
from simlap.habit_link import sheets_of
from simlap.habit_rules import speed_step
from simlap.habit_traces import CornerSheet, CornerTrace
from simlap.habits import PRECEDENCE, WORDS, find_habits, not_judged, spoken
from simlap.keep import best_used, phase_uses
from simlap.lapsteps import Step, lap_list
from simlap.phases import PHASE_WORDS
from simlap.results import Advice, CornerResult, Finding, PhaseResult, Priority
from simlap.target_claim import too_poor
from simlap.target_worth import step_worths
from simlap.thresholds import Thresholds, thresholds_of
from simlap.units import MS_TO_KMH

if TYPE_CHECKING:
    from simlap.results import Analysis

__all__ = ["FEW_LAPS", "PRIORITIES", "TIME_LOST", "advise", "by_laps", "choose_priorities", "plain_loss", "questioned"]

PRIORITIES = 3
# A step that brings less is not worth one of the few priorities, whatever its whole phase holds: it prints as 0.01 s or
# less. Common practice, no source.
LEAST_STEP = 0.01  # [s]
#: Kinds that rest on the limit profile's speed more than on what the feet did: no reason to be faster in a fast corner.
MODEL_SAYS = (TIME_LOST, "low minimum speed", "fast in, slow out")
#: Kinds whose advice holds no speed, and stands in a fast corner as well.
SAFER_AT_ONCE = (BOTH_PEDALS, BRAKE_IN_FLAT)
PLACED_BY_SHAPE = (
    "The log holds no usable position: brake points of different laps are placed by the likeness of the paths, so that "
    "their spread from lap to lap holds that error as well."
)
# A finding on fewer of the laps gives way to one on more when both explain the same phase: common practice, no source.
ON_MOST_LAPS = 0.75  # [1]
# A loss without a finding counts this much in the order of advice: part of it is the time to change pedals and gears,
# which the limit profile does not need, and the driver cannot act on it as well. A finding on some of the laps counts
# by its share of them, for it explains the typical lap no better; never less than a loss without one. Common practice,
# no source.
UNEXPLAINED = 0.5  # [1]
# A habit that holds more than this many times what the phases hold on which the target works is told before them: a
# second is not kept silent for the tenth that fits into the next step. Common practice, no source.
OUTWEIGHS = 2.0  # [1]
# A lap is worth comparing with where it wins this share of what the usual lap lacks. Common practice, no source.
CLEARLY_AHEAD = 0.25  # [1]
ALIKE = "No lap of yours is clearly quicker there to compare with: look for the reason with your coach first"
SLIPPERY = (
    "All laps hold the same level there, {:.0f} % of the grip shown elsewhere: if the road is slippery there, do not "
    "go faster, but state its grip in the track file."
)
SLOWER_ALONE = "Only slower laps show it ({}): was the track wet then, or another driver at the wheel? If so, leave it."
WORTH_UNSURE = "What it is worth is unsure: the limit lies below what you drove in that corner."
# The speed of an exit is compared this far behind its start, or at its end: far enough for the throttle to show.
INTO_EXIT = 80.0  # [m]


def advise(analysis: "Analysis", thresholds: Thresholds | None = None) -> Advice:
    """Findings of an analysis and the advice that follows from them.

    Parameters
    ----------
    analysis : Analysis
    thresholds : Thresholds, optional
        From `read_thresholds`; those of the analysis' options when left out.

    Returns
    -------
    Advice
        With nothing but the reason where the data are rated 'not enough'.
    """
    refused = too_poor(analysis)
    if refused:
        return Advice(refused=refused)
    limits = thresholds or thresholds_of(analysis.options)
    sheets, remarks = sheets_of(analysis, limits)
    findings = find_habits(sheets, limits)
    corners = by_laps(analysis.corners, len(analysis.counted))
    priorities = choose_priorities(
        corners,
        findings,
        sheets,
        limits,
        asked_speeds(analysis),
        phases=asked_phases(analysis),
        step_worth=step_worths(analysis, findings, limits),
        no_bound=[each.corner.name for each in below_driven(analysis)],
    )
    return Advice(
        findings=findings,
        priorities=of_slower_laps(
            analysis, findings, questioned(analysis, slippery(analysis, warned(analysis, priorities)))
        ),
        keep=best_used(phase_uses(analysis), findings, priorities),
        order=order_of_work(analysis, priorities),
        not_judged=(*remarks, *not_judged(sheets), *([] if analysis.motion.closes else [PLACED_BY_SHAPE])),
    )


def slippery(analysis: "Analysis", priorities: Sequence[Priority]) -> tuple[Priority, ...]:
    """The priorities; one that asks for more speed where all laps hold one level says that the road may grip less."""
    faster = {each.corner for each in priorities if each.phase == "mid_corner" and each.kind in ASKS_SPEED}
    if not faster:
        return tuple(priorities)
    shown = corner_grip(analysis.table, analysis.line, analysis.track.corners, analysis.fit.envelope)
    stated = {corner.name for corner in analysis.track.corners if corner.grip != 1.0}
    level = {each.name: each.used for each in shown if each.steady and each.name in faster - stated}
    return tuple(
        replace(each, sentence=f"{each.sentence} {SLIPPERY.format(100.0 * level[each.corner])}")
        if each.corner in level
        else each
        for each in priorities
    )


def questioned(analysis: "Analysis", priorities: Sequence[Priority]) -> tuple[Priority, ...]:
    """The priorities; one in a corner where groups of laps differ ends with the question what changed there."""
    asked = {one.corner: f" {one.question}" for one in corner_steps(analysis)} if priorities else {}
    return tuple(replace(each, sentence=each.sentence + asked.get(each.corner, "")) for each in priorities)


def of_slower_laps(
    analysis: "Analysis", findings: Sequence[Finding], priorities: Sequence[Priority]
) -> tuple[Priority, ...]:
    """The priorities; where the laps fall into a faster and a slower group, one that no lap of the faster group shows
    ends with the question what was other then: what a wet track costs is no habit."""
    step = unlike_of(analysis) if priorities else None
    if not isinstance(step, Step):
        return tuple(priorities)
    faster = set(step.others if step.change_s > 0.0 else step.run)
    shown = {(one.corner, one.phase, one.kind): one.laps for one in findings}
    told = []
    for each in priorities:
        laps = shown.get((each.corner, each.phase, each.kind), ())
        if laps and faster.isdisjoint(laps):
            each = replace(each, sentence=f"{each.sentence} {SLOWER_ALONE.format(lap_list(sorted(laps)))}")
        told.append(each)
    return tuple(told)


def choose_priorities(
    corners: Sequence[CornerResult],
    findings: Sequence[Finding],
    sheets: Sequence[CornerSheet],
    limits: Thresholds,
    asked: Mapping[str, float] | None = None,
    *,
    phases: Mapping[str, Sequence[str]] | None = None,
    step_worth: Callable[[Priority], float | None] | None = None,
    no_bound: Collection[str] = (),
) -> tuple[Priority, ...]:
    """At most three things to do, one a corner, by what fixing the phase alone is worth.

    Only corners and phases whose interval lies above zero count. A fast corner never heads the list before
    another corner; where there are fast corners alone, only those with a habit seen in the channels are named.
    Where the target asks for less than a corner allows, `asked` above the typical lap's slowest speed [km/h], both
    are told. In a corner that it works on, its own `phases` come first, unless a habit in another one outweighs
    them. With `step_worth`, the lap time of a priority's step [s], each priority holds it, and none is chosen whose
    step brings less than `LEAST_STEP`. In corners where the limit is `no_bound`, slower than what was driven, nothing
    is asked for that rests on it alone, and of what the feet did the worth is questioned.
    """
    asked, phases = asked or {}, phases or {}
    by_name = {sheet.corner: sheet for sheet in sheets}
    own = {(corner.corner.name, phase.name): _drivers_own(phase) for corner in corners for phase in corner.phases}

    def weight(priority: Priority) -> float:
        told = 0.0 if priority.kind == TIME_LOST else priority.on_laps
        return own[priority.corner, priority.phase] * max(told, UNEXPLAINED)

    chances: dict[str, list[Priority]] = {}
    for corner in corners:
        name, sheet = corner.corner.name, by_name[corner.corner.name]
        here = [
            chance
            for phase in corner.phases
            if corner.clear and phase.gain_alone.low > 0.0 and _drivers_own(phase) >= limits["worth_s"]
            for chance in _candidate(corner, phase, findings, sheet, limits, asked)
            if not (left_alone(corner, asked) and chance.phase == "mid_corner" and chance.kind in ASKS_SPEED)
            and not (name in no_bound and chance.kind in MODEL_SAYS)
        ]
        chances[name] = _in_order(sorted(here, key=weight, reverse=True), phases.get(name, ()), weight)
    chosen = _that_bring_something(chances, weight, step_worth or (lambda _: None))
    return tuple(
        replace(each, sentence=f"{each.sentence} {WORTH_UNSURE}") if each.corner in no_bound else each
        for each in chosen
    )


def _in_order(here: list[Priority], worked_on: Sequence[str], weight: Callable[[Priority], float]) -> list[Priority]:
    """Of one corner, heaviest first, those in phases that the target works on before the others.

    But a habit that holds far more than they do stays first: a target's small steps may leave the largest loss alone.
    """
    first = [each for each in here if each.phase in worked_on]
    if first and here[0].kind != TIME_LOST and weight(here[0]) > OUTWEIGHS * max(one.worth.value for one in first):
        return here
    return [*first, *(each for each in here if each.phase not in worked_on)]


def _that_bring_something(
    chances: dict[str, list[Priority]],
    weight: Callable[[Priority], float],
    step_worth: Callable[[Priority], float | None],
) -> tuple[Priority, ...]:
    """Priorities among the `chances` of each corner, best first; the next best for one whose step brings nothing."""
    worths: dict[tuple[str, str], float | None] = {}
    while True:
        chosen = _heads(chances, weight)
        for each in chosen:
            key = (each.corner, each.phase)
            if key not in worths:
                worths[key] = step_worth(each)
            brings = worths[key]
            if brings is not None and brings < LEAST_STEP:
                chances = {**chances, each.corner: [one for one in chances[each.corner] if one != each]}
                break
        else:
            return tuple(replace(each, step_worth_s=worths[each.corner, each.phase]) for each in chosen)


def _heads(chances: Mapping[str, Sequence[Priority]], weight: Callable[[Priority], float]) -> list[Priority]:
    """The first of each corner, at most `PRIORITIES` of them, those corners first in which most is to be had."""
    corners = sorted(filter(None, chances.values()), key=lambda here: max(map(weight, here)), reverse=True)
    found = [here[0] for here in corners]
    calm = [each for each in found if not each.build_up]
    if calm and found[0].build_up:
        found.remove(calm[0])
        found.insert(0, calm[0])
    elif not calm:
        found = [each for each in found if each.kind not in MODEL_SAYS]
    return found[:PRIORITIES]


def _drivers_own(phase: PhaseResult) -> float:
    """Gain of a phase without what changes of gear cost [s]: it orders the advice."""
    return phase.gain_alone.value - (phase.gear_changes_s or 0.0)


def _candidate(
    corner: CornerResult,
    result: PhaseResult,
    findings: Sequence[Finding],
    sheet: CornerSheet,
    limits: Thresholds,
    asked: Mapping[str, float],
) -> tuple[Priority, ...]:
    """What to do about one phase; empty where its loss has neither a finding nor a size that a driver can see."""
    name, phase = corner.corner.name, result.name
    here = [f for f in findings if (f.corner, f.phase) == (name, phase) and f.kind in WORDS and not f.occasional]
    here.sort(key=lambda f: (f.occurrences < ON_MOST_LAPS * f.of_laps, PRECEDENCE.index(f.kind)))
    on_laps = 1.0
    if here:
        on_laps = here[0].occurrences / here[0].of_laps
        kind, words = here[0].kind, WORDS[here[0].kind]
        say = f"{words.say(here[0].evidence)} ({here[0].occurrences} of {here[0].of_laps} laps)"
        own, smaller = (
            words.act(here[0].evidence, limits, each.step_kmh) for each in (corner, as_asked(corner, asked))
        )
        act, rest = own, rests_on(corner, asked, own, smaller)
    else:
        kind = TIME_LOST
        plain = plain_loss(corner, phase, sheet, limits)
        if not plain:
            return ()
        _, smaller = plain_loss(as_asked(corner, asked), phase, sheet, limits)
        (say, act), rest = plain, rests_on(corner, asked, plain[1], smaller)
    if corner.build_up:
        first = act if kind in SAFER_AT_ONCE else FIRST_PART.get(kind, "")
        what = f"{first}. " if first else ""
        act = (
            f"{what}Fast corner: change it only in small steps of at most {corner.step_kmh:.0f} km/h per outing, and "
            "only with your coach's agreement"
        )
        rest = act
    sentence = f"{spoken(name)}, {PHASE_WORDS[phase]}: {say}. {rest}."
    return (Priority(name, phase, sentence, result.gain_alone, corner.build_up, kind, on_laps, act),)


def plain_loss(corner: CornerResult, phase: str, sheet: CornerSheet, limits: Thresholds) -> tuple[str, ...]:
    """Observation and advice for a phase that loses time while no finding tells why.

    Empty where speeds and times are so near the limit's that only the changes of pedals and gears, which the limit
    profile does not need, are left to explain the loss.
    """
    if phase == "mid_corner" or not sheet.traces:
        typical, limit = corner.min_speed_typical * MS_TO_KMH, corner.min_speed_limit * MS_TO_KMH
        if typical >= (1.0 - limits["slow_share"]) * limit:
            return ()
        more = speed_step(limit - typical, corner.step_kmh)
        return (
            f"minimum speed {typical:.0f} km/h against the limit's {limit:.0f} km/h",
            f"Carry about {more:.0f} km/h more through the slowest point",
        )
    laps = [trace.lap for trace in sheet.traces]
    if phase == "exit":
        speeds, limits_there, ways = zip(*map(_exit_speed, sheet.traces), strict=True)
        driven, limit, along = (float(np.median(each)) for each in (speeds, limits_there, ways))
        if driven >= (1.0 - limits["exit_slower_share"]) * limit:
            return ()
        quickest = _clearly_ahead(laps, np.array(speeds) - driven, limit - driven)
        return (
            f"{driven:.0f} km/h against the limit's {limit:.0f} km/h {along:.0f} m into the exit, for no single reason "
            "that the log shows",
            _look_at_exit(sheet, quickest),
        )
    times, limits_there = zip(*map(_braking_time, sheet.traces), strict=True)
    driven, limit = (float(np.median(each)) for each in (times, limits_there))
    if driven <= (1.0 + limits["braking_longer_share"]) * limit:
        return ()
    quickest = _clearly_ahead(laps, driven - np.array(times), driven - limit)
    return (
        f"the braking stretch takes {driven:.1f} s against the limit's {limit:.1f} s, for no single reason that the "
        "log shows",
        _look_at_braking(sheet, quickest),
    )


def _clearly_ahead(laps: Sequence[int], ahead: np.ndarray, gap: float) -> int | None:
    """Number of the lap that is best by `ahead` (k,) of the usual one; None where it, too, leaves most of the `gap`."""
    best = int(np.argmax(ahead))
    return laps[best] if ahead[best] >= CLEARLY_AHEAD * gap else None


def _look_at_exit(sheet: CornerSheet, quickest: int | None) -> str:
    """Where to look for the reason of a slow exit: in the channels that there are, on a lap that shows more."""
    if sheet.throttle_unused:
        return (
            f"The log's throttle channel is left out, for {sheet.throttle_unused}, so that it cannot say why: set the "
            "channel right in the logger first (0 closed, 100 % open)"
        )
    if not _logs(sheet, "throttle"):
        return "The log has no throttle, so that it cannot say why: log the throttle first"
    if quickest is None:
        return ALIKE
    gears = " and gear changes" if _logs(sheet, "gear", "engine_speed") else ""
    return f"First compare throttle{gears} there with those of lap {quickest}, your quickest there"


def _look_at_braking(sheet: CornerSheet, quickest: int | None) -> str:
    """The same for a slow braking; without a brake channel the brake point is read from the car's deceleration."""
    if quickest is None:
        return ALIKE
    pressed = " and first pressure" if _logs(sheet, "brake_pressure", "brake") else ""
    return f"First compare the brake point{pressed} with lap {quickest}, your quickest there"


def _logs(sheet: CornerSheet, *channels: str) -> bool:
    """Whether one of these channels is recorded on some lap."""
    return any(trace.has(name) for trace in sheet.traces for name in channels)


def _exit_speed(trace: CornerTrace) -> tuple[float, float, float]:
    """Speed driven, speed of the limit [km/h], and how far into the exit [m]."""
    at = trace.at(trace.mid_stop + INTO_EXIT)
    into = float(trace.along[at]) - trace.mid_stop
    return float(trace.v[at]) * MS_TO_KMH, float(trace.limit_v[at]) * MS_TO_KMH, into


def _braking_time(trace: CornerTrace) -> tuple[float, float]:
    """Time driven and time of the limit over the braking phase [s]."""
    begin, end = trace.at(0.0), trace.at(trace.braking_stop)
    ds, v = np.diff(trace.along[begin : end + 1]), trace.limit_v[begin : end + 1]
    return float(trace.t[end] - trace.t[begin]), float((2.0 * ds / (v[1:] + v[:-1])).sum())
