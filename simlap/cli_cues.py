"""The command `cues`: notes and chapters for the driver's video."""

import math
from pathlib import Path
from typing import Annotated

import typer

from simlap.cli_common import (
    ColumnOpt,
    DrawsOpt,
    DropOpt,
    LapsOpt,
    QuantileOpt,
    SeedOpt,
    SessionsArg,
    StartLineOpt,
    ThresholdsOpt,
    TrackOpt,
    build_options,
    load_session,
    load_track,
    say,
    step,
)
from simlap.cli_places import check_places
from simlap.errors import OptionError

OWN_NUMBERS = "with that lap's own numbers; advice is that of the notes, drawn from all counted laps"


def cues(
    sessions: SessionsArg,
    out: Annotated[Path, typer.Option("--out", metavar="NOTES.vtt", help="File for the notes.")],
    video_start: Annotated[
        str | None,
        typer.Option(
            "--video-start",
            metavar="SECONDS",
            help="Clock of the log at the video's first frame; hh:mm:ss where the log holds a time of day.",
        ),
    ] = None,
    crossing_video_time: Annotated[
        float | None,
        typer.Option(
            "--crossing-video-time", metavar="SECONDS", help="Video time at which lap --crossing-lap crosses the line."
        ),
    ] = None,
    crossing_lap: Annotated[
        int | None, typer.Option("--crossing-lap", metavar="N", help="Lap that starts at --crossing-video-time.")
    ] = None,
    lap: Annotated[
        int | None, typer.Option("--lap", metavar="N", help="Lap to show the findings of; default: the best lap.")
    ] = None,
    chapters: Annotated[
        Path | None,
        typer.Option("--chapters", help="File for laps and corners; default: beside --out, ending in .chapters.vtt."),
    ] = None,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    thresholds: ThresholdsOpt = None,
) -> None:
    """Write the findings of a lap as WebVTT notes over the driver's video, and chapters per lap and corner.

    The numbers are that lap's own and may differ from those of the notes, medians over the laps that show a finding.

    The advice below them is the notes'.
    """
    _check_place(video_start, crossing_video_time, crossing_lap)
    from simlap.analysis import analyse
    from simlap.cues import Sync, chapter_cues, finding_cues, webvtt, with_caution
    from simlap.files import write_text
    from simlap.readers.table import plural

    options = build_options(
        start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed, thresholds=thresholds
    )
    target = chapters if chapters is not None else out.with_name(f"{out.stem}.chapters.vtt")
    check_places([*sessions, track, thresholds], files={"--out": out, "--chapters": target})
    circuit = load_track(track)
    session = load_session(sessions, column)
    sync = None if video_start is None else Sync.from_clock(session, video_start)
    with step("analysing"):
        result = analyse(session, circuit, options)
    if sync is None and crossing_lap is not None and crossing_video_time is not None:
        sync = Sync.from_crossing(result, crossing_lap, crossing_video_time)
    assert sync is not None  # one of the two was given
    shown = result.best_lap if lap is None else lap
    notes = finding_cues(result, sync, shown)
    write_text(out, webvtt(with_caution(notes), f"Findings of lap {shown} of {session.source}, {OWN_NUMBERS}"))
    write_text(target, webvtt(chapter_cues(result, sync), f"Laps and corners of {session.source}"))
    say(f"{plural(len(notes), 'note')} of lap {shown} in {out}, chapters in {target}")


def _check_place(video_start: str | None, crossing_video_time: float | None, crossing_lap: int | None) -> None:
    """Refuse, before the log is read, what says not at all, twice or by halves where the video lies on its clock.

    Raises
    ------
    OptionError
        Also when a time is no time.
    """
    crossing = (crossing_video_time, crossing_lap)
    if (video_start is None) == (crossing == (None, None)) or (None in crossing and crossing != (None, None)):
        raise OptionError(
            "cues: say where the video starts, either by --video-start SECONDS (clock of the log at the first frame) "
            "or by --crossing-video-time SECONDS with --crossing-lap N."
        )
    if crossing_video_time is not None and not math.isfinite(crossing_video_time):
        raise OptionError(f"--crossing-video-time {crossing_video_time:g}: write a number of seconds.")
    if video_start is not None:
        from simlap.cues import read_moment

        read_moment(video_start)
