"""The commands `track build`, `track show` and `track invent`."""

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlap.cli_common import (
    ColumnOpt,
    DropOpt,
    JsonOpt,
    LapsOpt,
    StartLineOpt,
    build_options,
    emit,
    emit_json,
    load_session,
    say,
    step,
)
from simlap.cli_places import check_places
from simlap.crossing import crosses_itself
from simlap.errors import OptionError
from simlap.files import picture_kind
from simlap.report.plain import clean, shortened
from simlap.units import written_number

if TYPE_CHECKING:
    from simlap.track import Track

SCHEMA = "simlap.track/1"

track_app = typer.Typer(help="Make and look at track files (GeoJSON).", no_args_is_help=True)


@track_app.command()
def build(
    out: Annotated[Path, typer.Option("--out", metavar="FILE.geojson", help="Track file to write.")],
    sessions: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[SESSION...]", help="Log whose counted laps draw the circuit."),
    ] = None,
    centre_line: Annotated[
        Path | None,
        typer.Option(
            "--centre-line", metavar="CSV", help="Centre line: x_m,y_m or latitude,longitude, widths if known."
        ),
    ] = None,
    origin: Annotated[
        str | None,
        typer.Option("--origin", metavar="LAT,LON", help="Where x = 0, y = 0 lies, for a line in metres. [deg]"),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="Name of the circuit.")] = None,
    reverse: Annotated[
        bool, typer.Option("--reverse", help="The centre line runs against the driving direction.")
    ] = False,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
) -> None:
    """Build a track file from the laps of a session, or from a centre line."""
    from simlap.trackfile import write_track

    if bool(sessions) == (centre_line is not None):
        raise OptionError("track build: give either the log files of a session or --centre-line, not both or neither.")
    place = _origin(origin)
    check_places([*(sessions or []), centre_line], files={"--out": out})
    if centre_line is not None:
        from simlap.centreline import read_centre_line

        if start_line or laps or drop or column:
            raise OptionError(
                "track build: --start-line, --laps, --drop and --column belong to a session; a centre line "
                "starts at its first row."
            )
        track, notes = read_centre_line(centre_line, origin=place, name=name, reverse=reverse)
        for note in notes:
            say(f"!  {note}")
    else:
        assert sessions is not None
        if reverse:
            raise OptionError(
                "track build: --reverse belongs to --centre-line; a session knows which way it was driven."
            )
        track = _from_session(sessions, column, start_line, laps, drop, place, name)
    write_track(track, out)
    say(f"wrote {out}: {_summary(track)}")


@track_app.command()
def show(
    file: Annotated[Path, typer.Argument(metavar="FILE.geojson", help="Track file.")],
    out: Annotated[Path | None, typer.Option("--out", metavar="PNG", help="Map to draw (.png, .svg or .pdf).")] = None,
    as_json: JsonOpt = False,
) -> None:
    """List the corners of a track file and draw its map."""
    from simlap.trackfile import read_track

    check_places([file], files={"--out": out})
    if out is not None:
        picture_kind(out)
    track = read_track(file)
    if out is not None:
        from simlap.figures_track import write_track_figure

        with step(f"drawing {out}"):
            write_track_figure(track, out)
    if as_json:
        emit_json(track_to_dict(track))
    else:
        emit(_summary(track))
        for row in _rows(track):
            emit(row)


@track_app.command()
def invent(
    name: Annotated[str, typer.Argument(metavar="NAME", help="club, fast or kart.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.geojson", help="Track file to write.")],
) -> None:
    """Write one of the invented circuits."""
    from simlap.circuits import invented_circuit
    from simlap.trackfile import write_track

    check_places([], files={"--out": out})
    track = invented_circuit(name)
    write_track(track, out)
    say(f"wrote {out}: {_summary(track)}")


def track_to_dict(track: "Track") -> dict[str, Any]:
    """What `track show --json` prints; keys end in their unit."""
    return {
        "schema": SCHEMA,
        "name": track.name,
        "length_m": round(track.length, 2),
        "elevation_m": {"low": round(float(track.line.z.min()), 2), "high": round(float(track.line.z.max()), 2)}
        if track.has_elevation
        else None,
        "crosses_itself": crosses_itself(track.line),
        "widths": track.width_left is not None and track.width_right is not None,
        "corners": [
            {
                "name": corner.name,
                "direction": corner.direction,
                "entry_m": round(corner.entry_m, 1),
                "apex_m": round(corner.apex_m, 1),
                "exit_m": round(corner.exit_m, 1),
                "radius_m": round(radius, 1),
                "turn_deg": round(turn, 1),
                "grip": corner.grip,
            }
            for corner, (radius, turn) in zip(track.corners, _shapes(track), strict=True)
        ],
        "surface": [
            {"note": note.text, "start_m": round(note.start_m, 1), "stop_m": round(note.stop_m, 1)}
            for note in track.notes
        ],
    }


CHOSEN_LINE = (
    "The start line was chosen on a long straight, and corners are numbered from there. With --start-line "
    "LAT1,LON1,LAT2,LON2 it is the circuit's own, or drag it there and rename the corners in the file."
)


def _from_session(
    sessions: list[Path],
    column: list[str] | None,
    start_line: str | None,
    laps: str | None,
    drop: str | None,
    place: tuple[float, float] | None,
    name: str | None,
) -> "Track":
    """The circuit that the counted laps of a session drew."""
    from simlap.analysis import find_session_laps
    from simlap.reference import build_from_laps

    options = build_options(start=start_line, laps=laps, drop=drop)
    session = load_session(sessions, column)
    if place is not None and session.has("latitude") and session.has("longitude"):
        raise OptionError(f"{session.source} has positions of its own. Leave --origin out.")
    with step("drawing the circuit"):
        motion, lapset, _ = find_session_laps(session, None, options)
        track, notes = build_from_laps(motion, lapset)
    for note in notes:
        say(note)
    if lapset.found_by == "path alone":
        say(f"!  {CHOSEN_LINE}")
    return replace(track, name=name or Path(sessions[0]).stem, origin=track.origin or place)


def _origin(text: str | None) -> tuple[float, float] | None:
    """Latitude and longitude from text such as ``47.1,8.2``."""
    if text is None:
        return None
    try:
        lat, lon = (written_number(part) for part in text.split(","))
    except ValueError:
        lat = lon = math.nan
    if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
        raise OptionError(f"--origin {text!r}: write LAT,LON in degrees with decimal points.")
    return lat, lon


def _summary(track: "Track") -> str:
    height = "elevation not known"
    if track.has_elevation:
        height = f"elevation {track.line.z.min():.1f} to {track.line.z.max():.1f} m"
    crossing = ", crosses itself" if crosses_itself(track.line) else ""
    return f"{clean(track.name)}, {track.length:.1f} m, {len(track.corners)} corners, {height}{crossing}"


def _shapes(track: "Track") -> list[tuple[float, float]]:
    """Smallest radius [m] and turn [deg] of each corner, from the line."""
    from simlap.track import inside

    line = track.line
    shapes = []
    for corner in track.corners:
        kappa = line.kappa[inside(line.station, corner.entry_m, corner.exit_m, track.length)]
        sharpest = max(float(abs(kappa).max(initial=0.0)), 1e-6)
        shapes.append((1.0 / sharpest, math.degrees(abs(float(kappa.sum())) * track.length / line.kappa.size)))
    return shapes


def _rows(track: "Track") -> list[str]:
    """The corners as a plain table."""
    rows = ["corner      turn   entry m   apex m   exit m  radius m  turn deg   grip"]
    for corner, (radius, turn) in zip(track.corners, _shapes(track), strict=True):
        rows.append(
            f"{shortened(corner.name, 10):<10} {corner.direction:>5} {corner.entry_m:9.1f} {corner.apex_m:8.1f} "
            f"{corner.exit_m:8.1f} {radius:9.1f} {turn:9.1f} {corner.grip:6.2f}"
        )
    rows += [f"surface    {note.start_m:.0f} to {note.stop_m:.0f} m: {clean(note.text)}" for note in track.notes]
    return rows
