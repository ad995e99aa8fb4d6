"""Options that several commands share, and the way from their text to what the library takes."""

import io
import json
import math
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlap.errors import OptionError
from simlap.report.plain import clean
from simlap.units import written_integer, written_number

if TYPE_CHECKING:
    from simlap.options import Options
    from simlap.session import Session
    from simlap.track import Track


def folder_name(text: str) -> Path:
    """A folder from an option's text; an empty one is a slip, not the current folder."""
    if not text.strip():
        raise typer.BadParameter("is empty; name a folder, '.' for the current one.")
    return Path(text)


# Shown in the help, which must not wait for the modules that hold them; a test keeps them equal.
DEFAULT_QUANTILE, DEFAULT_DRAWS = 0.98, 200
# Of fewer resamplings, the ends of a 90 % interval lie beside the outermost ones.
LEAST_DRAWS = 20

CHANNEL_NAMES = (
    *("time", "latitude", "longitude", "x", "y", "altitude", "speed", "wheel_speed", "course", "a_lon", "a_lat"),
    *("a_vert", "yaw_rate", "sideslip", "steering", "throttle", "brake_pressure", "brake", "engine_speed", "gear"),
    *("lap", "beacon", "satellites", "hdop"),
)

SessionsArg = Annotated[
    list[Path], typer.Argument(metavar="SESSION...", help="Log file; several files of one outing are joined.")
]
TrackOpt = Annotated[Path | None, typer.Option("--track", help="Track file (GeoJSON) with line, start line, corners.")]
StartLineOpt = Annotated[
    str | None,
    typer.Option("--start-line", metavar="LAT1,LON1,LAT2,LON2", help="Two ends of the start line, in degrees."),
]
LapsOpt = Annotated[
    str | None, typer.Option("--laps", metavar="3,4,7", help="Count exactly these laps, whatever was found.")
]
DropOpt = Annotated[str | None, typer.Option("--drop", metavar="5", help="Never count these laps.")]
ColumnOpt = Annotated[
    list[str] | None,
    typer.Option(
        "--column",
        metavar='CHANNEL="NAME":UNIT',
        help=f"State which column is a channel, and its unit. Channels: {', '.join(CHANNEL_NAMES)}.",
    ),
]
QuantileOpt = Annotated[
    float | None,
    typer.Option(
        "--quantile", help="Share of laps below the tyres' limits, 0.5 to 0.99.", show_default=str(DEFAULT_QUANTILE)
    ),
]
DrawsOpt = Annotated[
    int | None, typer.Option("--draws", help="Resamplings of laps for the intervals.", show_default=str(DEFAULT_DRAWS))
]
ThresholdsOpt = Annotated[
    Path | None,
    typer.Option(
        "--thresholds",
        metavar="FILE.toml",
        help="Thresholds of the findings to use in place of the usual ones; 'simlap thresholds' lists them.",
    ),
]
SeedOpt = Annotated[int, typer.Option("--seed", help="Seed of the resampling.")]
OutOpt = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", parser=folder_name, help="Folder for the files written.")
]
JsonOpt = Annotated[bool, typer.Option("--json", help="Print JSON instead of the table.")]


def say(text: str) -> None:
    """Print a line of progress on stderr."""
    print(text, file=sys.stderr, flush=True)


@contextmanager
def step(text: str) -> Iterator[None]:
    """Say on stderr what runs now and, where a person watches, how long it took."""
    started = time.perf_counter()
    if sys.stderr.isatty():
        print(f"{text} ...", end="", file=sys.stderr, flush=True)
        try:
            yield
        except BaseException:
            print(file=sys.stderr, flush=True)  # an error begins on a line of its own
            raise
        print(f" {time.perf_counter() - started:.1f} s", file=sys.stderr, flush=True)
    else:
        say(text)
        yield


def numbers(text: str | None, option: str) -> tuple[int, ...] | None:
    """Lap numbers from text such as ``3,4,7``."""
    if text is None:
        return None
    try:
        return tuple(written_integer(part) for part in text.split(","))
    except ValueError:
        raise OptionError(f"{option} {text!r}: write lap numbers with commas between them, such as 3,4,7.") from None


def start_line(text: str | None) -> tuple[float, float, float, float] | None:
    """Two points from text such as ``47.1,8.2,47.2,8.3``."""
    if text is None:
        return None
    try:
        values = tuple(written_number(part) for part in text.split(","))
    except ValueError:
        values = ()
    limits = (("latitude", 90), ("longitude", 180)) * 2
    for value, (name, most) in zip(values, limits, strict=False):
        if len(values) == 4 and abs(value) > most:
            raise OptionError(f"--start-line {text!r}: {value:g} is no {name}; it runs from -{most} to {most} degrees.")
    if len(values) != 4 or not all(math.isfinite(value) for value in values):
        raise OptionError(
            f"--start-line {text!r}: write four numbers LAT1,LON1,LAT2,LON2 in degrees with decimal points."
        )
    return values[0], values[1], values[2], values[3]


def load_session(paths: list[Path], columns: list[str] | None) -> "Session":
    """Read one outing from its files."""
    from simlap.readers import parse_column_option, read_session

    choices = [parse_column_option(text) for text in columns or []]
    with step("reading " + ", ".join(clean(path.name or str(path)) for path in paths)):
        return read_session([str(path) for path in paths] if len(paths) > 1 else str(paths[0]), columns=choices)


def load_track(path: Path | None) -> "Track | None":
    """Read the track file, if one is given."""
    if path is None:
        return None
    from simlap.trackfile import read_track

    return read_track(path)


def build_options(
    *,
    start: str | None = None,
    laps: str | None = None,
    drop: str | None = None,
    quantile: float | None = None,
    draws: int | None = None,
    seed: int = 0,
    corner_grip: bool = False,
    thresholds: Path | None = None,
) -> "Options":
    """Options of an analysis from the texts of the command line."""
    from simlap.envelope_fit import DRAWS, QUANTILE
    from simlap.options import DRAWS_ALLOWED, QUANTILES, Options
    from simlap.thresholds import read_thresholds

    if quantile is not None and not QUANTILES[0] <= quantile <= QUANTILES[1]:
        raise OptionError(f"--quantile {quantile}: choose a level from {QUANTILES[0]} to {QUANTILES[1]}.")
    if draws is not None and not LEAST_DRAWS <= draws <= DRAWS_ALLOWED[1]:
        raise OptionError(f"--draws {draws}: choose from {LEAST_DRAWS} to {DRAWS_ALLOWED[1]}.")
    if seed < 0:
        raise OptionError(f"--seed {seed}: choose a whole number from 0 on.")
    return Options(
        start_line=start_line(start),
        laps=numbers(laps, "--laps"),
        drop=numbers(drop, "--drop") or (),
        quantile=QUANTILE if quantile is None else quantile,
        draws=DRAWS if draws is None else draws,
        seed=seed,
        thresholds=None if thresholds is None else read_thresholds(thresholds),
        corner_grip=corner_grip,
    )


def check_folder(folder: Path | None) -> None:
    """Refuse a folder that cannot be written to before anything is computed."""
    if folder is None:
        return
    parent = next(place for place in (folder, *folder.absolute().parents) if os.path.exists(place))
    if not os.path.isdir(parent):
        raise OptionError(f"{parent}: is a file. Name a folder to write to.")
    try:  # permissions alone do not tell: the system's own folders and full disks refuse all the same
        with tempfile.TemporaryFile(dir=parent):
            pass
    except OSError as error:
        raise OptionError(f"{folder}: cannot be written to. Choose another folder.") from error


def emit(text: str) -> None:
    """Print a result on stdout; into a file or a pipe in UTF-8, whatever the system's own encoding is."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        if sys.stdout.isatty():
            sys.stdout.reconfigure(errors="replace")
        else:
            sys.stdout.reconfigure(encoding="utf-8")
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def json_text(content: dict[str, Any]) -> str:
    """A result as JSON. NaN and infinity are no JSON: a result that holds one is a bug, and raises ValueError."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1)


def emit_json(content: dict[str, Any]) -> None:
    """Print a result as JSON on stdout."""
    emit(json_text(content))
