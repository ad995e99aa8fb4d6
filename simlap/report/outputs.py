"""Write everything an analysis leaves behind into one folder."""

import os
from collections.abc import Sequence
from pathlib import Path

from simlap.against import Against
from simlap.figures import save_figures
from simlap.files import write_text
from simlap.report.corners_csv import corners_csv
from simlap.report.filenames import ANALYSIS, CORNERS, FIGURES_FOLDER, LOSSES, PAGE
from simlap.report.json import analysis_to_json
from simlap.report.losses_csv import losses_csv
from simlap.report.page import render_page
from simlap.results import Analysis

FIGURE_FORMATS = ("png",)  # SVG and PDF cost a second each; they are there for the asking


def write_outputs(
    analysis: Analysis,
    folder: str | os.PathLike[str],
    *,
    figures: Sequence[str] = FIGURE_FORMATS,
    against: Against | None = None,
) -> list[Path]:
    """Write analysis.json, losses.csv, corners.csv, report.html and the figures; return their paths.

    All text is made and all figures are drawn before the first file is written: what cannot be told or drawn leaves
    no half-filled folder.

    Parameters
    ----------
    folder : path
        Made where missing; nothing is written outside it.
    figures : sequence of "png", "svg", "pdf"
        Formats of the figures, written to `folder`/figures; empty for none.
    against : Against, optional
        The lap that was held against another lap; it then stands in all files but corners.csv.
    """
    target = Path(folder)
    texts = {
        ANALYSIS: analysis_to_json(analysis, against),
        LOSSES: losses_csv(analysis, against),
        CORNERS: corners_csv(analysis),
        PAGE: render_page(analysis, against),
    }
    drawn = save_figures(analysis, target / FIGURES_FOLDER, figures)  # draws all, then writes
    return [write_text(target / name, text) for name, text in texts.items()] + drawn
