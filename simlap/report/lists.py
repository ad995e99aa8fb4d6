"""Plain lists for the terminal: the laps of a session, the columns of a log."""

from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from simlap.channels import BY_NAME
from simlap.errors import ColumnsError
from simlap.lap_types import LapSet
from simlap.motion import Motion
from simlap.noted import Kind, of_kind
from simlap.report.data_cautions import clock_cautions
from simlap.report.plain import clean, lap_time
from simlap.report.standing import NUMBERING, Caution, cautions_to_dicts
from simlap.report.terminal import Prose, console, item
from simlap.session import Session

LAPS_SCHEMA = "simlap.laps/1"
CHANNELS_SCHEMA = "simlap.channels/1"


def laps_to_dict(session: Session, motion: Motion, lapset: LapSet) -> dict[str, Any]:
    """Laps as plain data for JSON."""
    return {
        "schema": LAPS_SCHEMA,
        "source": session.source,
        "found_by": lapset.found_by,
        "motion": {
            "verdict": motion.quality.verdict,
            "reason": motion.quality.reason,
            "speed_source": motion.quality.speed_source,
            "notes": list(motion.notes),
        },
        "laps": [
            {
                "number": lap.number,
                "start_s": round(lap.start_s, 3),
                "time_s": round(lap.time_s, 3),
                "counted": lap.counted,
                "reason": lap.reason,
            }
            for lap in lapset.laps
        ],
        "notes": [*session.notes, *lapset.notes],
        "cautions": cautions_to_dicts(_lap_cautions(session, lapset)),
    }


def _lap_cautions(session: Session, lapset: LapSet) -> tuple[Caution, ...]:
    """What to know before quoting a lap's number or its place in the log."""
    numbering = (NUMBERING,) if lapset.found_by == "path alone" and not lapset.no_track else ()
    return (*clock_cautions(session), *numbering)


def print_laps(session: Session, motion: Motion, lapset: LapSet) -> None:
    """Print one row a lap on stdout."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("lap", justify="right")
    table.add_column("starts at [s]", justify="right")
    table.add_column("time", justify="right")
    table.add_column("counted")
    table.add_column("set aside because", overflow="fold")
    for lap in lapset.laps:
        table.add_row(
            str(lap.number),
            f"{lap.start_s:.2f}",
            lap_time(lap.time_s, 3),
            "yes" if lap.counted else "no",
            Prose(lap.reason),
        )
    out = console()
    out.print(table)
    out.print(Prose(f"Laps found by: {lapset.found_by}. Path: {motion.quality.verdict}, {motion.quality.reason}"))
    out.print(Prose(f"Source of the speed: {motion.quality.speed_source}"))
    cautions = _lap_cautions(session, lapset)
    told_below = of_kind(session.notes, Kind.WRITTEN_TWICE, Kind.CLOCK_RESTARTS)  # as cautions
    read = [note for note in session.notes if note not in told_below]
    for note in (*read, *lapset.notes, *motion.notes):
        out.print(Prose(clean(note)))
    for caution in cautions:
        out.print(item("!", caution.text))


def channels_to_dict(found: Session | ColumnsError) -> dict[str, Any]:
    """Columns as plain data for JSON; with `error` where they do not tell enough for a session."""
    return {
        "schema": CHANNELS_SCHEMA,
        "source": found.source,
        "columns": [
            {"column": column.name, "channel": column.channel, "unit": column.unit, "note": column.note}
            for column in found.columns
        ],
        "notes": [] if isinstance(found, ColumnsError) else list(found.notes),
    } | ({"error": str(found)} if isinstance(found, ColumnsError) else {})


def print_channels(found: Session | ColumnsError) -> None:
    """Print one row a column on stdout, also of a log whose columns do not tell enough."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head in ("column", "read as", "unit"):
        table.add_column(head, overflow="fold")
    table.add_column("note", overflow="fold")
    for column in found.columns:
        table.add_row(
            Text(clean(column.name)),
            column.channel or "(unread)",
            Text(clean(column.unit or "")),
            Text(clean(column.note)),
        )
    out = console()
    out.print(table)
    read = {column.channel for column in found.columns}
    missing = [name for name in BY_NAME if name not in read]
    if missing:
        out.print(Prose(f'Channels without a column: {", ".join(missing)}. Name one: --column CHANNEL="NAME":UNIT'))
    for note in () if isinstance(found, ColumnsError) else found.notes:
        out.print(Prose(clean(note)))
