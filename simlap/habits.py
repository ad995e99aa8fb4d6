"""Findings: what the channels show in each corner, how often, and in which phase."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simlap.habit_braking import EARLY_LIGHT, LATE_PEAK, LONG_LIGHT
from simlap.habit_braking import RULES as BRAKING_RULES
from simlap.habit_corner import BOTH_PEDALS, BRAKE_IN_FLAT, LIFT_IN_FLAT
from simlap.habit_corner import RULES as CORNER_RULES
from simlap.habit_drive import FULL_YET_WEAK, ROLLS, WEAK_DRIVE, WEAK_IN_FLAT
from simlap.habit_drive import RULES as DRIVE_RULES
from simlap.habit_laps import (
    LOW_PEAK,
    SPREAD,
    TRAFFIC,
    Occurrence,
    brake_point_spread,
    held_up,
    held_up_words,
    low_peak_advice,
    low_peak_words,
    low_peaks,
    occurrence,
    slower_laps,
    spread_advice,
    spread_words,
)
from simlap.habit_marks import LEAST_LAPS, Marks, mark, read_alike
from simlap.habit_rules import BRAKE, Numbers, Rule, as_told
from simlap.habit_single import SINGLE_LOSS, single_loss_words, single_losses
from simlap.habit_traces import CornerSheet
from simlap.lapsteps import lap_list
from simlap.report.plain import WORTH_TELLING
from simlap.results import Finding
from simlap.thresholds import Thresholds, default_thresholds

#: Rules that look at one trace at a time.
TRACE_RULES: tuple[Rule, ...] = (*BRAKING_RULES, *CORNER_RULES, *DRIVE_RULES)
#: Findings that another one in the same phase already tells, with the pedal that it is about.
TOLD_BY = {
    "coasting": ("early lift", "late throttle", LIFT_IN_FLAT),
    LIFT_IN_FLAT: (BRAKE_IN_FLAT,),
    WEAK_IN_FLAT: (BRAKE_IN_FLAT,),
    FULL_YET_WEAK: (BOTH_PEDALS,),
    "low minimum speed": (WEAK_IN_FLAT,),
    EARLY_LIGHT: (LONG_LIGHT, LOW_PEAK, LATE_PEAK),
}


@dataclass(frozen=True)
class Words:
    """Text of one kind of finding."""

    say: Callable[[Numbers], str]
    act: Callable[[Numbers, Thresholds, float], str]


#: Every kind of finding that carries advice.
WORDS: dict[str, Words] = {
    LOW_PEAK: Words(low_peak_words, low_peak_advice),
    SPREAD: Words(spread_words, spread_advice),
    **{rule.kind: Words(rule.say, rule.act) for rule in TRACE_RULES},
}


#: Kinds whose advice is to brake harder, or harder at first, before the brake point moves.
BRAKE_HARDER = (LOW_PEAK, LONG_LIGHT, LATE_PEAK, EARLY_LIGHT)
#: Kinds whose advice is to close the gap between throttle and brake before the brake point moves.
CLOSE_GAP = ("early lift", ROLLS)
#: Which of several findings in one phase comes first: the one that makes the others plain, and the safer step first
#: (more pressure before a later brake point).
PRECEDENCE: tuple[str, ...] = (
    BOTH_PEDALS,
    "fast in, slow out",
    "part throttle, then lift",
    "early lift",
    ROLLS,
    LOW_PEAK,
    LONG_LIGHT,
    LATE_PEAK,
    "brake eased and re-applied",
    EARLY_LIGHT,
    "early braking",
    SPREAD,
    "brake held past the release",
    "full throttle before the apex",
    BRAKE_IN_FLAT,
    LIFT_IN_FLAT,
    WEAK_IN_FLAT,
    "throttle opened twice",
    "coasting",
    FULL_YET_WEAK,
    "part throttle on the exit",
    "late throttle",
    WEAK_DRIVE,
    "low minimum speed",
)


def find_habits(sheets: Sequence[CornerSheet], thresholds: Thresholds | None = None) -> tuple[Finding, ...]:
    """Findings of all corners, in track order.

    Parameters
    ----------
    sheets : sequence of CornerSheet
        One per corner, with the traces of the counted laps.
    thresholds : Thresholds, optional
        The defaults of `simlap.thresholds.TABLE` when left out.

    Returns
    -------
    tuple of Finding
        A habit is raised when it occurs on a stated share of the laps looked at, and on two at least; on fewer laps,
        but two at least, as occasional, where each of them is slower than the others and all by a stated time. A lap
        that was held up in a corner, or lost far more time in it than the others, is named there and counts for
        nothing else in it.
    """
    limits = thresholds or default_thresholds()
    slowed = [held_up(sheet, limits) for sheet in sheets]
    held = [{each.lap for each in laps} for laps in slowed]
    wrong = single_losses(sheets, held, limits)
    aside = [laps | {each.lap for each in once} for laps, once in zip(held, wrong, strict=True)]
    free = [_without(sheet, laps) for sheet, laps in zip(sheets, aside, strict=True)]
    marks = [tuple(mark(trace, limits) for trace in sheet.traces) for sheet in free]
    braked = [_braked_alike(sheet, marked) for sheet, marked in zip(free, marks, strict=True)]
    weak = low_peaks([sheet for sheet, _ in braked], [marked for _, marked in braked], limits)
    findings: list[Finding] = []
    for whole, sheet, marked, alike, low, other, once in zip(
        sheets, free, marks, braked, weak, slowed, wrong, strict=True
    ):
        here = _of_traces(sheet, marked, limits)
        laps = len(alike[0].traces)
        here += _raise(LOW_PEAK, sheet, low, laps, limits)
        spread = brake_point_spread(alike[0].traces, alike[1], limits)
        if spread:  # the spread is a property of all laps: it needs no share of them
            here.append(_finding(SPREAD, sheet, spread, laps))
        findings += _told_once(here)
        if other:
            findings.append(_held_up_finding(whole, other))
        findings += [_single_loss_finding(whole, each) for each in once]
    return tuple(findings)


def _of_traces(sheet: CornerSheet, marks: Sequence[Marks], limits: Thresholds) -> list[Finding]:
    """Findings of the rules that look at one trace at a time."""
    found: list[Finding] = []
    alike = read_alike(sheet.traces)
    for rule in TRACE_RULES:
        seen, looked_at = [], 0
        for trace, each, same in zip(sheet.traces, marks, alike, strict=True):
            if (same or not rule.reads_brake) and all(any(trace.has(name) for name in group) for group in rule.needs):
                looked_at += 1
                hits = rule.check(trace, each, limits)
                seen += [occurrence(trace, hit.index, rule.phase or hit.phase, hit.numbers) for hit in hits]
        found += _raise(rule.kind, sheet, seen, looked_at, limits)
    return found


def _told_once(found: Sequence[Finding]) -> list[Finding]:
    """The findings of a corner without those that another one in the same phase tells as well, on as many laps."""
    told = {(finding.kind, finding.phase, finding.occasional) for finding in found}
    return [
        finding
        for finding in found
        if not any(
            (other, finding.phase, occasional) in told
            for other in TOLD_BY.get(finding.kind, ())
            for occasional in {False, finding.occasional}
        )
    ]


def _braked_alike(sheet: CornerSheet, marks: Sequence[Marks]) -> tuple[CornerSheet, tuple[Marks, ...]]:
    """The laps of a corner whose brake is read alike, and their marks."""
    alike = read_alike(sheet.traces)
    kept = {trace.lap for trace, same in zip(sheet.traces, alike, strict=True) if same}
    others = {trace.lap for trace in sheet.traces} - kept
    return _without(sheet, others), tuple(each for each, same in zip(marks, alike, strict=True) if same)


def _without(sheet: CornerSheet, laps: set[int]) -> CornerSheet:
    kept = tuple(trace for trace in sheet.traces if trace.lap not in laps)
    return replace(sheet, traces=kept)


def _raise(
    kind: str, sheet: CornerSheet, seen: Sequence[Occurrence], looked_at: int, limits: Thresholds
) -> list[Finding]:
    """One finding when it occurred often enough, or less often on laps that it made slower; none otherwise."""
    if len(seen) < LEAST_LAPS:
        return []
    if len(seen) >= limits["occurs_share"] * looked_at:
        return [_finding(kind, sheet, seen, looked_at)]
    slower = slower_laps(sheet.traces, {each.lap for each in seen})
    if slower <= limits["occasional_s"]:
        return []
    return [_finding(kind, sheet, seen, looked_at, slower)]


def _finding(
    kind: str, sheet: CornerSheet, seen: Sequence[Occurrence], looked_at: int, slower_s: float | None = None
) -> Finding:
    """`slower_s` is what the laps of an occasional habit lose to the others [s]; None for one on most laps."""
    phases = [each.phase for each in seen]
    phase = max(sorted(set(phases)), key=phases.count)
    evidence = {name: _middle(name, [each.numbers[name] for each in seen]) for name in seen[0].numbers}
    worth = max(0.0, sheet.gains[phase].value) if phase in sheet.gains else 0.0
    share = f"part of the {worth:.2f} s in this phase" if worth >= WORTH_TELLING else "no time lost in this phase"
    evidence = dict(as_told(evidence, sheet.told_to))
    if slower_s is not None:
        evidence = {**evidence, "slower_s": slower_s}
        share = f"they are {slower_s:.2f} s slower here than the others"
    return Finding(
        kind=kind,
        corner=sheet.corner,
        phase=phase,
        sentence=f"{spoken(sheet.corner)}: {WORDS[kind].say(evidence)} ({len(seen)} of {looked_at} laps; {share}).",
        worth_s=worth,
        laps=tuple(each.lap for each in seen),
        occurrences=len(seen),
        of_laps=looked_at,
        stations_m=tuple(each.station_m for each in seen),
        session_times_s=tuple(each.time_s for each in seen),
        evidence=evidence,
        own=tuple(WORDS[kind].say(as_told(each.numbers, sheet.told_to)) for each in seen),
        occasional=slower_s is not None,
    )


def spoken(corner: str, *, begins: bool = True) -> str:
    """A corner's name as it reads in a sentence, or where one `begins`: a bare number gets the word before it."""
    word = "Corner" if begins else "corner"
    return f"{word} {corner}" if corner.isdecimal() else corner


def _middle(name: str, values: Sequence[float]) -> float:
    """Median over the laps; the mean of what is itself yes or no on each lap."""
    return float(np.mean(values) if name.endswith("_share") else np.median(values))


def _held_up_finding(sheet: CornerSheet, seen: Sequence[Occurrence]) -> Finding:
    """Time lost behind somebody else: named, worth nothing to the driver."""
    lost = {"lost_s": float(np.median([each.numbers["lost_s"] for each in seen]))}
    laps = lap_list([each.lap for each in seen])
    return Finding(
        kind=TRAFFIC,
        corner=sheet.corner,
        phase=seen[0].phase,
        sentence=f"{spoken(sheet.corner)}: {held_up_words(lost)} ({laps}).",
        worth_s=0.0,
        laps=tuple(each.lap for each in seen),
        occurrences=len(seen),
        of_laps=len(sheet.traces),
        stations_m=tuple(each.station_m for each in seen),
        session_times_s=tuple(each.time_s for each in seen),
        evidence=lost,
        own=tuple(held_up_words(each.numbers) for each in seen),
    )


def _single_loss_finding(sheet: CornerSheet, seen: Occurrence) -> Finding:
    """Time lost once, on one lap: it is named, and there is no habit to cure."""
    numbers = as_told(seen.numbers, sheet.told_to)
    said = single_loss_words(numbers)
    return Finding(
        kind=SINGLE_LOSS,
        corner=sheet.corner,
        phase=seen.phase,
        sentence=f"Lap {seen.lap}, {spoken(sheet.corner, begins=False)}: {said}.",
        worth_s=0.0,
        laps=(seen.lap,),
        occurrences=1,
        of_laps=len(sheet.traces),
        stations_m=(seen.station_m,),
        session_times_s=(seen.time_s,),
        evidence=numbers,
        own=(said,),
    )


#: What a missing channel is called, and what it would have to be.
CHANNEL_WORDS = {
    ("throttle",): "throttle channel",
    ("brake_pressure", "brake"): "brake pressure or brake pedal channel",
}


def not_judged(sheets: Sequence[CornerSheet]) -> tuple[str, ...]:
    """What these traces cannot show, and why, one plain sentence each."""
    traces = [trace for sheet in sheets for trace in sheet.traces]
    laps = sorted({trace.lap for trace in traces})
    lines = []
    for group, words in CHANNEL_WORDS.items():
        kinds = "; ".join(rule.kind for rule in TRACE_RULES if group in rule.needs)
        have = {trace.lap for trace in traces if any(trace.has(name) for name in group)}
        if not have:
            lines.append(f"Not judged for want of a {words}: {kinds}.")
        elif len(have) < len(laps):
            missing = lap_list([lap for lap in laps if lap not in have])
            if group == BRAKE and len(have) >= LEAST_LAPS:
                alike = [rule.kind for rule in TRACE_RULES if rule.reads_brake and group not in rule.needs]
                kinds = "; ".join([kinds, *alike, LOW_PEAK, SPREAD])
            lines.append(f"Not judged on {missing}, where the {words} has gaps: {kinds}.")
    if traces and not any(trace.has("throttle") for trace in traces):
        lines.append(
            "For want of a throttle channel the car's own acceleration tells how much of its drive it uses in exits "
            "and flat corners, and whether it rolls before the brake."
        )
    if traces and not any(trace.has("brake_pressure") or trace.has("brake") for trace in traces):
        lines.append(
            "Brake points and peaks are read from the car's deceleration, for want of a brake channel: light braking "
            "is not seen."
        )
    elif traces and not any(trace.has("gear") or trace.has("engine_speed") for trace in traces):
        lines.append(
            "Whether easing the brake falls together with a down-shift is not judged: there is no gear or engine "
            "speed channel."
        )
    if len(laps) < LEAST_LAPS:
        lines.append(f"Habits are not judged: {len(laps)} counted lap, and a habit shows on {LEAST_LAPS} at least.")
    return tuple(lines)
