"""The answer in a terminal: ranked corners, lap times, cautions; 80 columns, plain text when piped."""

from collections.abc import Mapping

from rich.box import SIMPLE_HEAD
from rich.console import Console, Group, JustifyMethod, RenderableType
from rich.table import Table
from rich.text import Text

from simlap.habit_single import SINGLE_LOSS
from simlap.laps import aside_by_reason
from simlap.lapsteps import lap_list
from simlap.phases import PHASE_NAMES
from simlap.report.cautions import cautions
from simlap.report.plain import (
    LEDGERS,
    chance_words,
    clean,
    corner_label,
    counted_laps,
    lap_time,
    seconds,
    shortened,
    time_gap,
)
from simlap.report.sentences import WHOLE, step_words, worth
from simlap.report.terminal import NARROWEST, PLAIN_WIDTH, Prose, console, item
from simlap.results import Analysis, CornerResult
from simlap.units import MS_TO_KMH

# Widths of the columns of the ranked table; with one blank between them they fill PLAIN_WIDTH exactly.
WIDTHS = {"rank": 2, "corner": 17, "worth": 5, "interval": 12, "speeds": 10, "mark": 8}
# On a narrower terminal the interval is left out; then they fill NARROWEST exactly.
NARROW_WIDTHS = WIDTHS | {"corner": 10, "interval": 0}
PHASE_WIDTHS = (7, 6, 5)
PHASE_WORTH = (
    "worth of a phase: lap time gained if it alone were driven at the limit; the table shows what is caused there, "
    "which is not the same: neighbours share what one hands to the next"
)
WORDS = {"braking": "braking", "mid_corner": "middle", "exit": "exit"}


def print_analysis(analysis: Analysis, out: Console | None = None, *, ledger: str = "caused") -> None:
    """Print table, lap times, priorities and cautions.

    Parameters
    ----------
    ledger : "lost", "caused" or "gain_alone"
        Which seconds the three phase columns show.
    """
    out = out if out is not None else console(NARROWEST)
    print_parts(out, analysis_parts(analysis, ledger=ledger, width=out.width))


def print_parts(out: Console, parts: list[RenderableType]) -> None:
    """Print on a terminal as it is; into a pipe or file without the blanks that fill lines up to the width."""
    if out.is_terminal:
        out.print(Group(*parts))
        return
    with out.capture() as captured:
        out.print(Group(*parts))
    text = "\n".join(line.rstrip() for line in captured.get().splitlines()) + "\n"
    out.file.write(text.encode(out.encoding, errors="replace").decode(out.encoding))


def analysis_parts(analysis: Analysis, *, ledger: str = "caused", width: int = PLAIN_WIDTH) -> list[RenderableType]:
    """What `print_analysis` prints in `width` columns, as rich renderables."""
    title = shortened(f"{analysis.session.source}: {analysis.track.name}", min(width, PLAIN_WIDTH))
    parts: list[RenderableType] = [Text(title, style="bold"), "", laps_table(analysis), ""]
    parts += [Prose(line) for line in aside_lines(analysis)]
    parts += [*ranking(analysis, ledger=ledger, narrow=width < PLAIN_WIDTH), ""]
    parts += [Prose(line) for line in _legend(analysis, ledger)]
    if analysis.advice.priorities:
        parts.append(Text("\nNext outing", style="bold"))
        for number, priority in enumerate(analysis.advice.priorities, start=1):
            said = (
                f"{clean(priority.sentence)} {step_words(priority.step_worth_s)}Worth {worth(priority.worth)} {WHOLE}."
            )
            parts.append(item(f"{number}.", said))
        if analysis.advice.order:
            parts.append(item("", clean(analysis.advice.order)))
        parts.append(Prose(PHASE_WORTH))
    if analysis.advice.refused:
        parts += [Text("\nNext outing", style="bold"), item("!", clean(analysis.advice.refused))]
    if analysis.advice.keep:
        parts.append(item("=", f"Keep: {clean(analysis.advice.keep)}"))
    parts += [item("-", clean(one.sentence)) for one in analysis.advice.of_kind(SINGLE_LOSS)]
    parts += [item("?", clean(reason)) for reason in analysis.advice.not_judged]
    return [*parts, *caution_parts(analysis)]


def caution_parts(analysis: Analysis) -> list[RenderableType]:
    """The cautions of an analysis under their heading."""
    heading = Text("\nBefore you act on it", style="bold")
    return [heading, *(item("!", clean(caution.text)) for caution in cautions(analysis))]


def aside_lines(analysis: Analysis) -> list[str]:
    """Flying laps that were set aside, and why; those of one reason in one line."""
    aside = [
        f"{lap_list(numbers)} set aside: {clean(reason)}"
        for reason, numbers in aside_by_reason(analysis.lapset.laps).items()
    ]
    return [*aside, *[""] * bool(aside)]


def laps_table(analysis: Analysis) -> Table:
    """Best, typical, target and limit lap with their distance to the typical lap."""
    table = Table(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    table.add_column("lap", no_wrap=True)
    table.add_column("time", justify="right", no_wrap=True)
    table.add_column("to typical", justify="right", no_wrap=True)
    table.add_column("what it is")
    typical = analysis.typical_lap_s

    def row(name: str, time_s: float, words: str) -> None:
        table.add_row(name, lap_time(time_s), f"{time_gap(time_s, typical)} s", Prose(words))

    row("best", analysis.best_lap_s, f"lap {analysis.best_lap}, as driven")
    row("typical", typical, f"middle of {counted_laps(len(analysis.counted))}, phase by phase")
    if analysis.target is not None:
        target = analysis.target.to_dict()
        step = target["next_step_s"]
        row("shown", target["shown_s"], "own best level that was repeated, joined up")
        row(
            "next step",
            step["value"],
            f"target, {lap_time(step['low'])} to {lap_time(step['high'])}, chance {chance_words(step['chance'])}",
        )
    limit = analysis.limit_lap
    row("limit", limit.value, f"a bound, no target; {lap_time(limit.low)} to {lap_time(limit.high)} (90 %)")
    return table


def ranking(analysis: Analysis, *, ledger: str = "caused", narrow: bool = False) -> list[RenderableType]:
    """Corners ranked by the time that fixing the corner alone would bring; those without a clear loss apart."""
    clear = [corner for corner in analysis.ranked if corner.clear]
    unclear = [corner for corner in analysis.ranked if not corner.clear]
    parts: list[RenderableType] = [_corner_table(clear, ledger, header=True, narrow=narrow)]
    if unclear:
        parts += [
            Text("no clear loss: the gain may be less than a hundredth of a second"),
            _corner_table(unclear, ledger, header=False, narrow=narrow),
        ]
    return parts


def _corner_table(corners: list[CornerResult], ledger: str, *, header: bool, narrow: bool) -> Table:
    widths = NARROW_WIDTHS if narrow else WIDTHS
    table = Table(box=SIMPLE_HEAD, show_edge=False, show_header=header, padding=0, header_style="bold")

    def column(heading: str, width: int, justify: JustifyMethod = "right") -> None:
        table.add_column(heading, width=width, justify=justify, no_wrap=True, overflow="ellipsis")

    column("#", widths["rank"])
    column("corner", widths["corner"], "left")
    column("worth\n[s]", widths["worth"])
    if widths["interval"]:
        column("90 %\n[s]", widths["interval"])
    for phase, width in zip(PHASE_NAMES, PHASE_WIDTHS, strict=True):
        column(f"{WORDS[phase]}\n[s]", width)
    column("slowest /\nlimit km/h", widths["speeds"])
    column("mark", widths["mark"], "left")
    for corner in corners:
        table.add_row(*_corner_row(corner, ledger, widths))
    return table


def _corner_row(corner: CornerResult, ledger: str, widths: Mapping[str, int]) -> list[Text | str]:
    gain = corner.gain_alone
    slowest, limit = (v * MS_TO_KMH for v in (corner.min_speed_typical, corner.min_speed_limit))
    return [
        str(corner.rank),
        Text(corner_label(corner.corner.name, widths["corner"])),
        Text(seconds(gain.value), style="bold"),
        *([f"{seconds(gain.low)}..{seconds(gain.high)}"] if widths["interval"] else []),
        *("-" if phase.empty else seconds(getattr(phase, ledger).value) for phase in corner.phases),
        f"{slowest:.0f} / {limit:.0f}",
        "build up" if corner.build_up else "",
    ]


def _legend(analysis: Analysis, ledger: str) -> list[str]:
    lines = [
        "worth: lap time gained if this corner alone were driven at the limit; it does not add up over corners, for "
        "neighbours share what one hands to the next",
        f"braking, middle (mid-corner), exit: seconds {LEDGERS[ledger]}, against the limit",
        "slowest: lowest speed of the typical lap; limit: of the limit lap",
    ]
    if any(phase.empty for corner in analysis.corners for phase in corner.phases):
        lines.append("-: the corner has no such phase (the limit takes it flat: all of it is mid-corner)")
    if any(corner.build_up for corner in analysis.corners):
        lines.append("build up: fast corner, only in small steps")
    return lines
