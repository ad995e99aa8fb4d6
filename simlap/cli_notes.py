"""Command `notes`: what to do in the next outing, in words."""

from dataclasses import asdict
from typing import Annotated

import typer

from simlap.cli_common import (
    ColumnOpt,
    DrawsOpt,
    DropOpt,
    JsonOpt,
    LapsOpt,
    QuantileOpt,
    SeedOpt,
    SessionsArg,
    StartLineOpt,
    ThresholdsOpt,
    TrackOpt,
    build_options,
    emit,
    emit_json,
    load_session,
    load_track,
    step,
)

THRESHOLDS_SCHEMA = "simlap.thresholds/1"


def thresholds(as_json: JsonOpt = False) -> None:
    """List the thresholds of the findings, as a file that --thresholds takes."""
    from simlap.thresholds import TABLE

    if as_json:
        listed = {name: asdict(entry) for name, entry in TABLE.items()}
        emit_json({"schema": THRESHOLDS_SCHEMA, "thresholds": listed})
        return
    units = "# A name that ends in _ms is in m/s, in _ms2 in m/s²."
    lines = [
        units,
        "# Keep the lines that you change, and give the file to: simlap notes SESSION --thresholds FILE.toml",
    ]
    for name, entry in TABLE.items():
        unit = "" if entry.unit == "1" else f" {entry.unit}"
        lines += ["", f"# larger: {entry.effect}", f"# {entry.low:g} to {entry.high:g}{unit}; {entry.reason}"]
        lines.append(f"{name} = {entry.value:g}")
    emit("\n".join(lines))


def notes(
    sessions: SessionsArg,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    everything: Annotated[bool, typer.Option("--all", help="Add every finding behind the priorities.")] = False,
    thresholds: ThresholdsOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Print at most three things to do in the next outing and one to keep."""
    from rich.text import Text

    from simlap.analysis import analyse
    from simlap.notes import notes_lines, notes_to_dict, wrapped
    from simlap.report.cautions import raised_cautions
    from simlap.report.table import print_parts
    from simlap.report.terminal import NARROWEST, console

    options = build_options(
        start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed, thresholds=thresholds
    )
    circuit = load_track(track)
    session = load_session(sessions, column)
    with step("analysing"):
        analysis = analyse(session, circuit, options)
    if as_json:
        found = notes_to_dict(analysis, analysis.advice, everything=everything)
        emit_json(found)
        return
    out = console(NARROWEST)
    texts = [caution.text for caution in raised_cautions(analysis)]
    lines = notes_lines(analysis, analysis.advice, everything=everything, cautions=texts)
    print_parts(out, [Text(line) for line in wrapped(lines, out.width)])
