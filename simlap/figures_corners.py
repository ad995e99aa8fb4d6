"""Figures of single corners and of their ranking. `ax` in, artists out."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.container import BarContainer
from matplotlib.lines import Line2D

from simlap.figures_lap import printable
from simlap.palette import DRIVEN, LIMIT, LINE_DASHES, PHASE_COLOURS, PHASE_HATCHES
from simlap.phases import PHASE_WORDS
from simlap.report.plain import LEDGERS, corner_label
from simlap.results import Analysis, CornerResult
from simlap.traces import traces
from simlap.units import MS_TO_KMH


def plot_corner_losses(analysis: Analysis, ax: Axes, *, ledger: str = "caused") -> list[BarContainer]:
    """Draw one bar a corner, ranked, split by phase, with the corner's gain and its interval; return the bars.

    Parameters
    ----------
    ledger : "lost", "caused" or "gain_alone"
        Seconds that the bars show. Negative parts, where the driver beat the limit, go to the left of zero.
    """
    ranked = analysis.ranked
    row = np.arange(len(ranked))
    bars = []
    right, left = np.zeros(len(ranked)), np.zeros(len(ranked))
    for k, (name, word) in enumerate(PHASE_WORDS.items()):
        seconds = np.array([getattr(corner.phases[k], ledger).value for corner in ranked])
        start = np.where(seconds >= 0, right, left)
        bars.append(
            ax.barh(
                row, seconds, left=start, height=0.6, color=PHASE_COLOURS[name], hatch=PHASE_HATCHES[name],
                edgecolor="black", linewidth=0.5, label=word,
            )
        )  # fmt: skip
        right, left = right + np.maximum(seconds, 0.0), left + np.minimum(seconds, 0.0)
    for i, corner in enumerate(ranked):
        gain = corner.gain_alone
        ax.plot([gain.low, gain.high], [i + 0.42, i + 0.42], color="black", linewidth=1.2)
        ax.plot([gain.value], [i + 0.42], marker="D", markersize=3.5, color="black")
    ax.plot(
        [],
        [],
        color="black",
        marker="D",
        markersize=3.5,
        linewidth=1.2,
        label="worth: gained if the corner alone were driven at the limit, 90 %",
    )
    labels = [f"{printable(corner_label(corner.corner.name))}{_mark(corner)}" for corner in ranked]
    ax.set_yticks(row, labels=labels, fontsize=8)
    for label in ax.get_yticklabels():
        label.set_parse_math(False)
    ax.set(xlabel=f"seconds {LEDGERS[ledger]}", ylim=(len(ranked) - 0.3, -0.7))
    ax.axvline(0.0, color="black", linewidth=0.6)
    ax.legend(fontsize=7, frameon=False, loc="lower right")
    return bars


def plot_corner(analysis: Analysis, corner: CornerResult, ax: Axes) -> list[Line2D]:
    """Draw speed [km/h] over metres from the start of the corner's zone: typical and limit lap; return both lines."""
    lap = traces(analysis)
    length = float(analysis.line.length)
    start, stop = corner.phases[0].start_m, corner.phases[-1].stop_m
    span = (stop - start) % length or length  # the zone of an only corner is the whole lap
    ahead = (lap.station - start) % length
    inside = ahead <= span
    order = np.argsort(ahead[inside])
    metres = ahead[inside][order]
    lines = [
        ax.plot(metres, v[inside][order] * MS_TO_KMH, color=colour, linestyle=LINE_DASHES[dash], label=label)[0]
        for v, colour, dash, label in (
            (lap.v_typical, DRIVEN, "driven", "typical lap"),
            (lap.v_limit, LIMIT, "limit", "limit lap, a bound"),
        )
    ]
    for phase in corner.phases[:2]:
        a, b = ((end - start) % length for end in (phase.start_m, phase.stop_m))
        ax.axvspan(a, b, facecolor=PHASE_COLOURS[phase.name], alpha=0.25, linewidth=0, zorder=0,
                   hatch=PHASE_HATCHES[phase.name], edgecolor="0.6")  # fmt: skip
    ax.set(xlabel=f"metres from station {start:.0f}", ylabel="speed [km/h]")
    ax.set_title(f"{corner.rank}  {printable(corner_label(corner.corner.name))}", fontsize=9, parse_math=False)
    return lines


def _mark(corner: CornerResult) -> str:
    if not corner.clear:
        return "\n(no clear loss)"
    return "\n(build up)" if corner.build_up else ""
