"""losses.csv: one row per lap, corner and phase, for a spreadsheet."""

import csv
import io
from typing import Any

from simlap.against import Against
from simlap.losses import Ledger
from simlap.phases import PHASES
from simlap.report.plain import clean
from simlap.results import Analysis, Interval

HEADER = (
    "lap", "counted", "corner", "direction", "phase", "start_m", "stop_m",
    "lost_s", "lost_low_s", "lost_high_s",
    "caused_s", "caused_low_s", "caused_high_s",
    "gain_alone_s", "gain_alone_low_s", "gain_alone_high_s",
)  # fmt: skip
TYPICAL = "typical"
# A cell that starts with one of these is run as a formula by spreadsheet programs; an apostrophe keeps it text.
FORMULA_STARTS = ("=", "+", "-", "@")


def losses_csv(analysis: Analysis, against: Against | None = None) -> str:
    """The ledgers of the typical lap, with intervals, then of every flying lap, without; all against the limit.

    With `against`, its ledger comes last, under a lap called "... against ...".

    Laps that stood or have a gap are left out.

    Comma, decimal point, header row, "\\n" ends; times with four decimals so that the rows of a lap add up to its
    lap time minus the limit lap within a millisecond.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(HEADER)
    for corner in analysis.corners:
        for phase in corner.phases:
            writer.writerow(
                [
                    TYPICAL,
                    "",
                    cell(corner.corner.name),
                    corner.corner.direction,
                    phase.name,
                    f"{phase.start_m:.1f}",
                    f"{phase.stop_m:.1f}",
                    *_cells(phase.lost),
                    *_cells(phase.caused),
                    *_cells(phase.gain_alone),
                ]
            )
    laps = zip(analysis.table.numbers, analysis.table.counted, analysis.lap_ledgers, strict=True)
    for number, counted, ledger in laps:
        if ledger is not None:
            _write_lap(writer, analysis, int(number), "yes" if counted else "no", ledger)
    if against is not None:
        _write_lap(writer, analysis, cell(f"{against.subject} against {against.reference}"), "", against.ledger)
    return stream.getvalue()


def _write_lap(writer: Any, analysis: Analysis, lap: int | str, counted: str, ledger: Ledger) -> None:
    for i, corner in enumerate(analysis.corners):
        for k, phase in enumerate(corner.phases):
            row = PHASES * i + k
            writer.writerow(
                [
                    lap,
                    counted,
                    cell(corner.corner.name),
                    corner.corner.direction,
                    phase.name,
                    f"{phase.start_m:.1f}",
                    f"{phase.stop_m:.1f}",
                    f"{ledger.lost[row]:.4f}", "", "",
                    f"{ledger.caused[row]:.4f}", "", "",
                    f"{ledger.gain_alone[row]:.4f}", "", "",
                ]
            )  # fmt: skip


def cell(text: str) -> str:
    """The user's text as a cell that a spreadsheet shows and does not run."""
    tidy = clean(text)
    return f"'{tidy}" if tidy.startswith(FORMULA_STARTS) else tidy


def _cells(interval: Interval) -> tuple[str, str, str]:
    return f"{interval.value:.4f}", f"{interval.low:.4f}", f"{interval.high:.4f}"
