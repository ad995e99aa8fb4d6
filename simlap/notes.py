"""The notes for the next outing as text and as plain data: priorities, one thing to keep, what was not judged."""

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from simlap.habit_laps import TRAFFIC
from simlap.habit_single import SINGLE_LOSS
from simlap.laps import aside_by_reason
from simlap.lapsteps import lap_list
from simlap.report.json import analysis_to_dict
from simlap.report.plain import clean, counted_laps, lap_time, units_held, units_let_go
from simlap.report.sentences import WHOLE, step_words
from simlap.results import Advice, Analysis, Finding, Interval

SCHEMA = "simlap.notes/1"
NO_PRIORITY = "No phase loses time both beyond doubt and in a way that a driver could act on."
NO_KEEP = "No braking or mid-corner phase is both near the limit and alike from lap to lap yet."
WORTH = "Worth: lap time won if that phase alone reached the limit, with its 90 % interval; a first step brings a part."
BOUND = (
    "The limit is a bound drawn from this driver's own laps, not an instruction. Gains do not add up. Build up in "
    "small steps. The organiser's rules, your coach and the marshals come first; closed courses only."
)


def notes_lines(
    analysis: Analysis, advice: Advice, *, everything: bool = False, cautions: Sequence[str] = ()
) -> list[str]:
    """The notes, one line of text each; empty lines part the sections.

    Parameters
    ----------
    everything : bool
        Add every finding behind the priorities.
    cautions : sequence of str
        What to know of these data before acting on the notes; see `simlap.report.cautions.raised_cautions`.
    """
    lines = [
        f"Next outing: {clean(analysis.session.source)}, {counted_laps(len(analysis.counted))}, best "
        f"{lap_time(analysis.best_lap_s)}, typical {lap_time(analysis.typical_lap_s)}",
        "",
    ]
    for number, priority in enumerate(advice.priorities, start=1):
        lines += [
            f"{number}. {clean(priority.sentence)}",
            f"   {step_words(priority.step_worth_s)}Worth {worth_words(priority.worth)} {WHOLE}.",
            "",
        ]
    if advice.order:
        lines += [clean(advice.order), ""]
    if not advice.priorities:
        lines += [clean(advice.refused) or NO_PRIORITY, ""]
    if not advice.refused:
        lines += [f"Keep: {clean(advice.keep) or NO_KEEP}"]
    lines += _aside_lines(analysis)
    if everything and not advice.refused:  # "none" would pass for a clean lap
        fast = {result.corner.name: result.step_kmh for result in analysis.corners if result.build_up}
        lines += ["", *findings_lines(advice.findings, fast)]
    else:
        lines += [f"Held up: {clean(one.sentence)}" for one in advice.of_kind(TRAFFIC)]
        lines += [f"Single loss: {clean(one.sentence)}" for one in advice.of_kind(SINGLE_LOSS)]
    lines += [""] * bool(advice.not_judged) + [clean(line) for line in advice.not_judged]
    if cautions:
        lines += ["", "Before you act on it:", *(f"- {clean(text)}" for text in cautions)]
    return [*lines, "", *([WORTH] if advice.priorities else []), BOUND]


def _aside_lines(analysis: Analysis) -> list[str]:
    """Flying laps that were set aside, those of one reason together."""
    aside = [
        f"{lap_list(numbers)}: {clean(reason)}" for reason, numbers in aside_by_reason(analysis.lapset.laps).items()
    ]
    return ["", f"Not counted: {'; '.join(aside)}."] if aside else []


def findings_lines(findings: Sequence[Finding], fast: Mapping[str, float] | None = None) -> list[str]:
    """Every finding, kind by kind, the kind and the corner with most at stake first.

    `fast` holds the corners to build up in, by name, and their largest step per outing [km/h].
    """
    if not findings:
        return ["Findings: none."]
    by_kind: dict[str, list[Finding]] = {}
    for one in sorted(findings, key=lambda each: -each.worth_s):
        by_kind.setdefault(one.kind, []).append(one)
    lines = [f"Findings ({len(findings)}):"]
    for kind, group in by_kind.items():
        lines.append(f"{kind}, in {len(group)} corner{'s' * (len(group) > 1)}")
        for one in group:
            # the sentence tells the laps, or all show it
            named = one.kind in (TRAFFIC, SINGLE_LOSS) or one.occurrences == one.of_laps
            laps = f" L{lap_list(one.laps)[1:]}."
            small = (fast or {}).get(one.corner) if one.kind != TRAFFIC else None
            slowly = f" Fast corner: steps of {small:.0f} km/h per outing at most." if small is not None else ""
            lines.append(f"- {clean(one.sentence)}{'' if named else laps}{slowly}")
    return lines


def wrapped(lines: Sequence[str], width: int) -> list[str]:
    """Lines broken at `width`, not between a number and its unit, what follows a break set in below the text."""
    out: list[str] = []
    for line in lines:
        hang = re.match(r" *(\d+\. |- )?", line)
        inset = " " * (len(hang.group()) if hang else 0)
        broken = textwrap.wrap(units_held(line), width, subsequent_indent=inset, break_on_hyphens=False)
        out += [units_let_go(part) for part in broken] or [""]
    return out


def worth_words(worth: Interval) -> str:
    """A gain with its interval; one decimal where the interval is wider than half a second."""
    digits = 1 if worth.high - worth.low > 0.5 else 2
    value, low, high = (f"{part:.{digits}f}" for part in (worth.value, worth.low, worth.high))
    return f"{value} s ({low} to {high} s)"


def notes_to_dict(analysis: Analysis, advice: Advice, *, everything: bool = False) -> dict[str, Any]:
    """The notes in the shape of the analysis' JSON; `findings` as in ``corners[].findings`` with the corner's name."""
    whole = analysis_to_dict(replace(analysis, advice=advice))
    chosen = {
        name: whole[name] for name in ("source", "priorities", "order", "keep", "no_advice", "not_judged", "cautions")
    }
    result = {"schema": SCHEMA, "simlap_version": whole["simlap_version"], **chosen}
    if everything:
        result["findings"] = [
            {"corner": corner["name"], **finding} for corner in whole["corners"] for finding in corner["findings"]
        ]
    return result
