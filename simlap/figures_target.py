"""The target ladder as a figure."""

import os
from pathlib import Path
from typing import Any

from simlap.figures_save import save_figure
from simlap.palette import BEST, DRIVEN, LIMIT, TARGET
from simlap.report.plain import lap_time, step_name
from simlap.results import Analysis
from simlap.target import Target
from simlap.target_claim import too_poor
from simlap.transitions import shows_transitions

# Marker, colour and filling of each lap time, as on the page's line of lap times.
SHAPES: dict[str, dict[str, Any]] = {
    "limit": {"marker": "|", "color": LIMIT, "markersize": 16, "markeredgewidth": 4},
    "pedals": {"marker": "|", "color": LIMIT, "markersize": 16, "markeredgewidth": 1.5},
    "target": {"marker": "^", "color": TARGET, "markersize": 9},
    "shown": {"marker": "o", "color": BEST, "markersize": 9, "markerfacecolor": "white", "markeredgewidth": 2.5},
    "best": {"marker": "D", "color": BEST, "markersize": 8},
    "typical": {"marker": "o", "color": DRIVEN, "markersize": 9},
}


def draw_ladder(analysis: Analysis, target: Target, ax: Any) -> list[Any]:
    """Draw the rungs [s] on `ax`, the counted laps as a row of ticks below; return the markers.

    The limit with the driver's pedal changes is drawn where the motion is sharp enough to time them, as it is told, and
    the lap shown where the data allow advice.
    """
    pedals = ("limit with your pedal changes", target.limit_with_transitions_s, "pedals")
    rungs = [
        ("limit (a bound)", target.limit_s, "limit"),
        *([pedals] if shows_transitions(analysis.motion.speed_bandwidth_hz) else []),
        *([] if target.no_step else [(step_name(target.outing), target.next_step.value, "target")]),
        *([] if too_poor(analysis) else [("shown", target.shown_s, "shown")]),
        ("best", analysis.best_lap_s, "best"),
        ("typical", analysis.typical_lap_s, "typical"),
    ]
    markers = []
    for row, (name, seconds, key) in enumerate(rungs, start=1):
        (marker,) = ax.plot([seconds], [row], linestyle="none", **SHAPES[key])
        ax.annotate(
            f"{name}: {lap_time(seconds)}", (seconds, row), xytext=(0, 10), textcoords="offset points", ha="center"
        )
        markers.append(marker)
    step = target.next_step
    if not target.no_step:
        row = 1 + [key for _, _, key in rungs].index("target")
        ax.plot([step.low, step.high], [row, row], "-", color=TARGET, linewidth=2)
    laps = [analysis.lap_driven[row].lap_time for row in analysis.counted]
    ax.plot(laps, [0.0] * len(laps), "|", color="black", markersize=14)
    ax.annotate("counted laps", (sum(laps) / len(laps), 0), xytext=(0, 10), textcoords="offset points", ha="center")
    low, high = (
        min(r[1] for r in rungs),
        max(max(laps), *(r[1] for r in rungs), *([] if target.no_step else [step.high])),
    )
    ax.set(xlabel="lap time [min:s]" if high >= 60.0 else "lap time [s]", ylim=(-0.6, len(rungs) + 0.9), yticks=[])
    ax.set_xlim(low - 0.12 * (high - low), high + 0.12 * (high - low))
    ax.xaxis.set_major_formatter(lambda seconds, _: lap_time(seconds))
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    return markers


def save_ladder(analysis: Analysis, target: Target, folder: str | os.PathLike[str]) -> list[Path]:
    """Write ladder.png and ladder.svg into `folder`; return their paths."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 4.0), layout="constrained")
    draw_ladder(analysis, target, figure.subplots())
    return save_figure(figure, Path(folder), "ladder")
