"""The target ladder: on a terminal, and as JSON of schema "simlap.target/1"."""

from dataclasses import replace
from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from simlap import __version__
from simlap.habits import BRAKE_HARDER, CLOSE_GAP
from simlap.phases import PHASE_WORDS
from simlap.report.cautions import cautions
from simlap.report.plain import (
    WORTH_TELLING,
    chance_words,
    clean,
    corner_label,
    joined_by_and,
    lap_time,
    percent,
    step_name,
    time_gap,
)
from simlap.report.standing import cautions_to_dicts
from simlap.report.table import caution_parts, print_parts
from simlap.report.terminal import Prose, console
from simlap.results import Analysis
from simlap.target import Mark, Steps, Target
from simlap.target_claim import REPEATS, too_poor
from simlap.transitions import shows_transitions

SCHEMA = "simlap.target/1"
SHOWN = "each phase as well as you repeat it, joined to one lap"
SHOWN_ONCE = "the better of each phase, joined to one lap; nothing of it was repeated"
READ_SO = (
    "now > next; metres are stations from the start line; each worth covers all that its line works on, comes on top "
    "of those above it, and together they lead from shown to the {step} (the step of a note counts from the typical "
    "lap, and in its own phase alone)"
)
FIRST_PART = "Steps are small: where a note asks for more, this is a first part; -: no change"
HELD_BACK = {
    "chance": "Held back by the chance: by these lap times a faster lap than this would be less likely than "
    f"{percent(Steps().least_chance)}. Wider steps or more corners hardly change how much is asked for, only where.",
    "lap_share": "Held back by the share of the lap time that may be asked for (--lap-step).",
    "steps": "Held back by the steps of each corner (--brake-step, --speed-step, --throttle-step) and the number of "
    "corners (--corners).",
}


def target_to_dict(analysis: Analysis, target: Target) -> dict[str, Any]:
    """The ladder as plain data for JSON, with what to know before acting on it."""
    return {
        "schema": SCHEMA,
        "simlap_version": __version__,
        "source": analysis.session.source,
        **target.to_dict(),
        "cautions": cautions_to_dicts(cautions(analysis)),
    }


def print_target(analysis: Analysis, target: Target) -> None:
    """Print the ladder, what must change per corner, and the cautions."""
    out = console()
    out.print(Text(f"{clean(analysis.session.source)}: target for outing {target.outing} from now", style="bold"))
    out.print(_ladder(analysis, target))
    if not target.no_step:
        for part in _what_to_do(analysis, target):
            out.print(part)
    if not too_poor(analysis):  # then phases are too blurred to be told one by one
        out.print(Prose(f"\n{_sum_of_phases(target)}"))
    out.print(Prose(_pedal_changes(analysis, target)))
    told = replace(analysis, no_target="") if target.no_step and target.no_step == analysis.no_target else analysis
    print_parts(out, caution_parts(told))  # the ladder holds that reason already


def _pedal_changes(analysis: Analysis, target: Target) -> str:
    """How long the driver's pedal changes take, where the motion is sharp enough to show it."""
    smoothed = analysis.motion.speed_bandwidth_hz
    if not shows_transitions(smoothed):
        return (
            f"How long your pedal changes take does not show in this log: its speed is smoothed to {smoothed:.1f} Hz."
        )
    times = target.transitions
    return (
        f"Your pedal changes: {times.onset_s:.1f} s to full braking, {times.release_s:.1f} s to release, "
        f"{times.pickup_s:.1f} s to full drive; on the limit lap they cost "
        f"{time_gap(target.limit_with_transitions_s, target.limit_s)} s."
    )


def _ladder(analysis: Analysis, target: Target) -> Table:
    """Lap times from the typical lap to the limit, and what each of them is."""
    ladder = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    ladder.add_column("step", no_wrap=True)
    ladder.add_column("lap time", justify="right", no_wrap=True)
    ladder.add_column("what it is")
    ladder.add_row("typical", lap_time(analysis.typical_lap_s), "middle of the counted laps, phase by phase")
    if not too_poor(analysis):
        ladder.add_row("shown", lap_time(target.shown_s), SHOWN if len(analysis.counted) >= REPEATS else SHOWN_ONCE)
    if target.no_step:
        ladder.add_row(step_name(target.outing), "none", Prose(target.no_step))
    else:
        step = target.next_step
        words = f"{lap_time(step.low)} to {lap_time(step.high)}; best lap, chance {chance_words(target.chance)}"
        ladder.add_row(step_name(target.outing), lap_time(step.value), Prose(words))
    if shows_transitions(analysis.motion.speed_bandwidth_hz):
        ladder.add_row(
            "limit, pedals",
            lap_time(target.limit_with_transitions_s),
            "a bound: the limit lap with your own time to change pedals",
        )
    ladder.add_row("limit", lap_time(target.limit_s), "a bound, not an instruction and never a target")
    return ladder


def _what_to_do(analysis: Analysis, target: Target) -> list[Table | Text]:
    """What the next step asks for, why it asks for no more, and what of it was driven already."""
    parts: list[Table | Text] = []
    if target.corners:
        parts += [
            _changes(target),
            Prose(READ_SO.format(step=step_name(target.outing))),
            Prose(FIRST_PART),
            *(Prose(line) for line in _brake_point_waits(analysis, target)),
        ]
    else:
        parts.append(Prose(_without_corners(analysis, target)))
    if target.held_by:
        parts.append(Prose(HELD_BACK[target.held_by]))
    if target.repeat_s >= WORTH_TELLING:
        best = lap_time(analysis.best_lap_s)
        name = step_name(target.outing)
        parts.append(Prose(f"{target.repeat_s:.2f} s of the {name} are in your best lap ({best}) already: repeat it."))
    return parts


def _changes(target: Target) -> Table:
    """What changes in each corner that the next step works on."""
    changes = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    changes.add_column("corner", no_wrap=True)
    for head in ("worth\n[s]", "brake at\n[m]", "slowest\n[km/h]", "full drive\nat [m]", "exit's end\n[km/h]"):
        changes.add_column(head, justify="right", no_wrap=True)
    changes.add_column("work on", min_width=12)
    for corner in target.corners:
        marks = (corner.brake_point_m, corner.min_speed_kmh, corner.full_throttle_m, corner.exit_speed_kmh)
        cells = [_mark(mark, 0) for mark in marks]
        elsewhere = "" if any(cell != "-" for cell in cells) else "; see notes"
        changes.add_row(
            Text(corner_label(corner.corner, 14)),
            f"{corner.worth_s:.2f}",
            *cells,
            ", ".join(phase.replace("_", "-") for phase in corner.phases)
            + (" (small steps)" if corner.build_up else "")
            + (_longer(corner.lift_m) or elsewhere),
        )
    return changes


def _sum_of_phases(target: Target) -> str:
    """What the best phases add up to, beside the lap shown and the next step."""
    gap = time_gap(target.shown_s, target.best_phases_sum_s)
    less = "no less" if target.phases_gap_s < WORTH_TELLING else f"{gap} s less"
    beyond = ""
    if not target.no_step and target.next_step.value < target.best_phases_sum_s - WORTH_TELLING:
        beyond = f" The {step_name(target.outing)} is faster still: it asks for more than any of your laps has shown."
    return (
        f"Your best phases simply added up give {lap_time(target.best_phases_sum_s)}: "
        f"{less} than the lap shown above. It is a sum, not a lap.{beyond}"
    )


def _brake_point_waits(analysis: Analysis, target: Target) -> list[str]:
    """Corners with a later brake point of which the notes ask for something else first, in a line for each of these."""
    lines = []
    for kinds, first in (
        (BRAKE_HARDER, "brake as the notes say first: only then does the later brake point hold"),
        (CLOSE_GAP, "close the gap between throttle and brake as the notes say first: only then brake later"),
    ):
        noted = analysis.advice.braking_first(kinds)
        later = [
            corner_label(one.corner) for one in target.corners if one.corner in noted and _moves(one.brake_point_m)
        ]
        if later:
            lines.append(f"In {joined_by_and(later)} {first}")
    return lines


def _moves(mark: Mark | None) -> bool:
    return mark is not None and mark.now != mark.next


def _without_corners(analysis: Analysis, target: Target) -> str:
    """What to do where the next step changes nothing in any corner, as the notes say it."""
    places = [
        f"{corner_label(one.corner)}, {PHASE_WORDS[one.phase]}"
        for one in analysis.advice.priorities
        if one.worth.low > 0
    ]
    if not places:
        return "No corner shows a clear loss that a likely step could take: repeat what you do."
    none = "No step in a corner fits into a likely lap beside that"
    if target.held_by == "steps":
        none = "No step in a corner is small enough and yet brings enough to be named"
    return f"{none}: join your phases as you repeat them, and work on what the notes name first ({places[0]})."


def _longer(lift: Mark | None) -> str:
    """Where to close the throttle before the brake, in words; empty where that stays."""
    return "" if _mark(lift, 0) == "-" else f"; off the throttle at {_mark(lift, 0)} m"


def _mark(mark: Mark | None, digits: int) -> str:
    if mark is None:
        return "-"
    now, following = f"{mark.now:.{digits}f}", f"{mark.next:.{digits}f}"
    return "-" if now == following else f"{now} > {following}"
