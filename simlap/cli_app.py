"""The commands. Each calls the library, formats and prints; heavy imports wait until a command runs."""

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from simlap.options import Options
    from simlap.session import Session
    from simlap.track import Track

from simlap.cli_common import (
    ColumnOpt,
    DrawsOpt,
    DropOpt,
    JsonOpt,
    LapsOpt,
    OutOpt,
    QuantileOpt,
    SeedOpt,
    SessionsArg,
    StartLineOpt,
    ThresholdsOpt,
    TrackOpt,
    build_options,
    emit,
    emit_json,
    folder_name,
    load_session,
    load_track,
    say,
    step,
)
from simlap.cli_compare import compare
from simlap.cli_cues import cues
from simlap.cli_envelope import envelope
from simlap.cli_notes import notes, thresholds
from simlap.cli_places import check_places
from simlap.cli_sweep import sweep
from simlap.cli_target import target
from simlap.cli_track import track_app
from simlap.errors import ColumnsError, OptionError
from simlap.report.filenames import FIGURES_FOLDER, PAGE, REPORT_FILES

app = typer.Typer(
    name="simlap",
    help="Where is time left on the lap, why, and how much of it is realistic to get next time?",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def tell_version(wanted: bool) -> None:
    """Print the version and stop."""
    if wanted:
        from simlap import __version__

        emit(f"simlap {__version__}")
        raise typer.Exit


@app.callback()
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=tell_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Options before any command."""


@app.command()
def analyse(
    sessions: SessionsArg,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    thresholds: ThresholdsOpt = None,
    out: OutOpt = None,
    figures: Annotated[
        Path | None,
        typer.Option("--figures", metavar="DIR", parser=folder_name, help="Write the figures as PNG, SVG and PDF."),
    ] = None,
    against: Annotated[
        str | None,
        typer.Option("--against", metavar="LAP|best|typical|FILE", help="Also compare with another lap or session."),
    ] = None,
    corner_grip: Annotated[
        bool,
        typer.Option("--corner-grip", help="Allow single corners less grip where steady laps never show more."),
    ] = False,
    as_json: JsonOpt = False,
) -> None:
    """Rank the corners by the time left in them; write the report to --out."""
    options = build_options(
        start=start_line,
        laps=laps,
        drop=drop,
        quantile=quantile,
        draws=draws,
        seed=seed,
        corner_grip=corner_grip,
        thresholds=thresholds,
    )
    other = None
    if against is not None and not (against in ("best", "typical") or against.isdecimal()):
        other = Path(against)
        if not against.strip() or not other.exists() or other.is_dir():
            raise OptionError(f"--against {against!r}: write best, typical, a lap number, or the path of another log.")
    own: dict[Path | None, tuple[str, ...]] = {} if out is None else {out: REPORT_FILES, out / FIGURES_FOLDER: ()}
    check_places([*sessions, track, other, thresholds], folders={figures: (), **own})
    circuit = load_track(track)
    session = load_session(sessions, column)
    rival = None if other is None else load_session([other], column)
    _analyse_and_print(session, circuit, options, out, as_json, figures=figures, against=against, rival=rival)


def _analyse_and_print(
    session: "Session",
    circuit: "Track | None",
    options: "Options",
    out: Path | None,
    as_json: bool,
    *,
    figures: Path | None = None,
    against: str | None = None,
    rival: "Session | None" = None,
) -> None:
    """Analyse, write the outputs where asked, print the table or the JSON."""
    from simlap.analysis import analyse as run
    from simlap.report.json import analysis_to_dict
    from simlap.report.table import print_analysis

    with step("analysing"):
        result = run(session, circuit, options)
    held = None
    if against is not None:
        from simlap.against import against_lap, against_session

        held = against_lap(result, against) if rival is None else against_session(result, rival, options)
    if figures is not None:
        from simlap.figures import save_figures

        with step(f"drawing into {figures}"):
            save_figures(result, figures, ("png", "svg", "pdf"))
    if out is not None:
        from simlap.report import write_outputs

        with step(f"writing to {out}"):
            write_outputs(result, out, against=held)
    if as_json:
        emit_json(analysis_to_dict(result, held))
        return
    print_analysis(result)
    if held is not None:
        from simlap.report.against import print_against

        print_against(held)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Folder for the demo's files.")] = Path("simlap-demo"),
    as_json: JsonOpt = False,
) -> None:
    """Write the invented demo (two sessions, a track file), analyse the first session and write its report."""
    from simlap.demo import REPORT_FOLDER, write_demo
    from simlap.trackfile import read_track

    check_places([], folders={folder: ()})
    # On a fresh machine the solver is compiled first, which takes about as long as writing the demo: beside it, then.
    compiling = subprocess.Popen(
        [sys.executable, "-c", "from simlap.solver import warm_up; warm_up()"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    with step(f"writing the demo to {folder}"):
        try:
            paths = write_demo(folder)
        finally:
            compiling.wait()
    logs = [path for path in paths if path.suffix == ".csv"]
    tracks = [path for path in paths if path.suffix == ".geojson"]
    session = load_session(logs[:1], None)
    _analyse_and_print(session, read_track(tracks[0]), build_options(), folder / REPORT_FOLDER, as_json)
    say(f"The report is {folder / REPORT_FOLDER / PAGE}")


@app.command("laps")
def list_laps(
    sessions: SessionsArg,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """List the laps with their times: counted, or set aside and why."""
    from simlap.analysis import find_session_laps
    from simlap.report.lists import laps_to_dict, print_laps

    options = build_options(start=start_line, laps=laps, drop=drop)
    circuit = load_track(track)
    session = load_session(sessions, column)
    motion, lapset, _ = find_session_laps(session, circuit, options)
    if as_json:
        emit_json(laps_to_dict(session, motion, lapset))
    else:
        print_laps(session, motion, lapset)


@app.command()
def channels(sessions: SessionsArg, column: ColumnOpt = None, as_json: JsonOpt = False) -> None:
    """List each column with the channel and unit it was read as, and the columns left unread."""
    from simlap.report.lists import channels_to_dict, print_channels

    def show(found: "Session | ColumnsError") -> None:
        if as_json:
            emit_json(channels_to_dict(found))
        else:
            print_channels(found)

    try:
        session = load_session(sessions, column)
    except ColumnsError as error:  # the table tells best what is missing
        show(error)
        raise
    show(session)


app.command()(notes)
app.command()(target)
app.command()(compare)
app.command()(envelope)
app.command()(sweep)
app.command()(cues)
app.command()(thresholds)
app.add_typer(track_app, name="track")
