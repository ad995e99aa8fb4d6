"""Command `compare`: did the change to the car pay off?"""

import itertools
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simlap.cli_common import (
    ColumnOpt,
    DrawsOpt,
    JsonOpt,
    OutOpt,
    QuantileOpt,
    SeedOpt,
    StartLineOpt,
    TrackOpt,
    build_options,
    emit,
    json_text,
    load_session,
    load_track,
    step,
)
from simlap.cli_places import check_places
from simlap.errors import OptionError

if TYPE_CHECKING:
    from simlap.session import Session

SIDES = ("A", "B", "A2")


def compare(
    before: Annotated[Path, typer.Argument(metavar="A", help="Session before the change.")],
    after: Annotated[Path, typer.Argument(metavar="B", help="Session after it.")],
    again: Annotated[Path | None, typer.Argument(metavar="[A2]", help="Session with the change undone.")] = None,
    more_before: Annotated[
        list[Path] | None, typer.Option("--also-a", metavar="FILE", help="One more session of side A.")
    ] = None,
    more_after: Annotated[
        list[Path] | None, typer.Option("--also-b", metavar="FILE", help="One more session of side B.")
    ] = None,
    more_again: Annotated[
        list[Path] | None, typer.Option("--also-a2", metavar="FILE", help="One more session of side A2.")
    ] = None,
    note: Annotated[
        list[str] | None,
        typer.Option("--note", metavar="SIDE:WHAT=VALUE", help="Record a condition, such as A:tyres=worn."),
    ] = None,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: Annotated[
        str | None, typer.Option("--laps", metavar="3,4,7", help="Count exactly these laps of every session.")
    ] = None,
    drop: Annotated[str | None, typer.Option("--drop", metavar="5", help="Count these laps of no session.")] = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    out: OutOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Split the change between sets of laps into car and driver, and judge the car."""
    options = build_options(start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed)
    sides = [[before, *(more_before or [])], [after, *(more_after or [])]]
    if again is not None:
        sides.append([again, *(more_again or [])])
    elif more_again:
        raise OptionError("--also-a2: there is no A2 to add it to. Name A2 as the third session.")
    from simlap.compare import compare as run
    from simlap.compare import noted_conditions

    noted_conditions(note or [], SIDES[: len(sides)])  # refused before the logs are read
    check_places([*(path for paths in sides for path in paths), track], folders={out: ("comparison.json",)})
    circuit = load_track(track)
    sessions = [[load_session([path], column) for path in paths] for paths in sides]
    _check_apart([session for side in sessions for session in side])
    from simlap.report.compare import comparison_to_dict, print_comparison
    from simlap.report.data_cautions import comparison_cautions

    with step("comparing"):
        result = run(*sessions, track=circuit, options=options, notes=note or [])
    raised = comparison_cautions(result)
    text = json_text(comparison_to_dict(result, raised))
    if out is not None:
        from simlap.figures_compare import save_comparison_figures
        from simlap.files import write_text

        with step(f"writing to {out}"):
            write_text(out / "comparison.json", text + "\n")
            save_comparison_figures(result, out)
    if as_json:
        emit(text)
    else:
        print_comparison(result, raised)


def _check_apart(sessions: "list[Session]") -> None:
    """Refuse a log given twice, also under another name: nothing changed between it and itself."""
    from simlap.readers.join import share_rows

    for first, second in itertools.combinations(sessions, 2):
        if share_rows(first, second):
            raise OptionError(f"{second.source}: holds the same rows as {first.source}. Name each session once.")
