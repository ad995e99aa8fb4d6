"""Figures as files: the same figure gives the same bytes."""

import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from simlap.files import write_bytes

PNG_DPI = 150  # sharp on a phone, under 200 kB a figure
# Files carry neither the time of the run nor names drawn by chance.
STEADY: dict[Any, Any] = {"svg.hashsalt": "simlap", "svg.fonttype": "path", "pdf.fonttype": 42}
NO_DATE: dict[str, dict[str, Any]] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}


def image(figure: Figure, kind: str, dpi: float = PNG_DPI) -> bytes:
    """A figure as the content of a file of the format `kind`, "png", "svg" or "pdf"."""
    stream = io.BytesIO()
    with matplotlib.rc_context(STEADY):
        figure.savefig(stream, format=kind, dpi=dpi, metadata=NO_DATE.get(kind, {}))
    return stream.getvalue()


def document(figures: Iterable[Figure]) -> bytes:
    """A PDF with a page a figure."""
    stream = io.BytesIO()
    with matplotlib.rc_context(STEADY), PdfPages(stream, metadata=NO_DATE["pdf"]) as pages:
        for figure in figures:
            pages.savefig(figure)
    return stream.getvalue()


def save_figure(figure: Figure, folder: Path, name: str, formats: Sequence[str] = ("png", "svg")) -> list[Path]:
    """Write one figure in each format, each file whole or not at all; return the paths."""
    return [write_bytes(folder / f"{name}.{kind}", image(figure, kind)) for kind in formats]
