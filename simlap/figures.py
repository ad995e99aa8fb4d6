"""All figures of an analysis, and their files."""

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from simlap.errors import OptionError
from simlap.figures_corners import plot_corner, plot_corner_losses
from simlap.figures_grip import plot_envelope, plot_gg
from simlap.figures_lap import plot_loss_building, plot_loss_map, plot_speed
from simlap.figures_save import document, image
from simlap.files import write_bytes
from simlap.results import Analysis
from simlap.traces import beyond_scale, traces

__all__ = [
    "FIGURES",
    "FORMATS",
    "plot_corner",
    "plot_corner_losses",
    "plot_envelope",
    "plot_gg",
    "plot_loss_building",
    "plot_loss_map",
    "plot_speed",
    "save_figures",
]

FORMATS = ("png", "svg", "pdf")
# Name of the file, function, width and height in inches.
FIGURES: Mapping[str, tuple[Callable[[Analysis, Axes], Any], tuple[float, float]]] = {
    "loss_map": (plot_loss_map, (7.0, 6.0)),
    "speed": (plot_speed, (11.0, 4.2)),
    "loss_building": (plot_loss_building, (11.0, 3.2)),
    "corner_losses": (plot_corner_losses, (7.5, 5.5)),
    "gg": (plot_gg, (5.5, 5.5)),
    "envelope": (plot_envelope, (7.0, 4.2)),
}
TO_SCALE = ("loss_map", "gg")  # a unit along is as long as a unit across
BAND = 0.15  # [inch] left above and below together


def make_figure(analysis: Analysis, name: str) -> Figure:
    """The figure called `name`, ready to be saved; see `FIGURES`."""
    draw, size = FIGURES[name]
    figure = Figure(figsize=size, layout="constrained")
    artist = draw(analysis, figure.subplots())
    if name == "loss_map":
        more = beyond_scale(traces(analysis).loss_per_100m)
        figure.colorbar(
            artist,
            location="bottom",
            shrink=0.6,
            extend="max" if more else "neither",
            label=f"time lost [s per 100 m], wider is more{more and f'; pointed end: {more}'}",
        )
    return _without_bands(figure) if name in TO_SCALE else figure


def _without_bands(figure: Figure) -> Figure:
    """The figure, no higher than what is drawn: where both axes share a scale, a wide map leaves blank bands."""
    figure.draw_without_rendering()
    width, height = figure.get_size_inches()
    figure.set_size_inches(width, min(float(height), figure.get_tightbbox().height + BAND))
    return figure


def save_figures(
    analysis: Analysis, folder: str | os.PathLike[str], formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Write the figures into `folder`; return their paths.

    "png" and "svg" make one file a figure; "pdf" one document, figures.pdf, with a page a figure.

    Raises
    ------
    OptionError
        When a format is none of `FORMATS`.
    """
    unknown = [one for one in formats if one not in FORMATS]
    if unknown:
        raise OptionError(f"figures: format {unknown[0]!r} is unknown; choose from {', '.join(FORMATS)}.")
    if not formats:
        return []
    files: list[tuple[str, bytes]] = []
    figures = {name: _laid_out(make_figure(analysis, name)) for name in FIGURES}
    for kind in formats:
        if kind == "pdf":
            files.append(("figures.pdf", document(figures.values())))
        else:
            files += [(f"{name}.{kind}", image(figure, kind)) for name, figure in figures.items()]
    return [write_bytes(Path(folder) / name, data) for name, data in files]


def _laid_out(figure: Figure) -> Figure:
    """The figure with its layout settled, so that each further format costs the drawing only."""
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    return figure
