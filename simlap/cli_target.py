"""Command `target`: the ladder of lap times for the next outing."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

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
    TrackOpt,
    build_options,
    emit,
    load_session,
    load_track,
    step,
)
from simlap.cli_places import check_places
from simlap.errors import OptionError

FARTHEST_OUTING = 5  # further ahead than a race weekend nothing that was shown today holds


def target(
    sessions: SessionsArg,
    outing: Annotated[int, typer.Option("--outing", help="How many outings ahead: 1 is the next one.")] = 1,
    corners: Annotated[int | None, typer.Option("--corners", help="Corners to work on at once.")] = None,
    brake_step: Annotated[
        float | None, typer.Option("--brake-step", help="Brake later by at most this, in metres.")
    ] = None,
    speed_step: Annotated[
        float | None, typer.Option("--speed-step", help="Carry at most this much more speed, in km/h.")
    ] = None,
    throttle_step: Annotated[
        float | None, typer.Option("--throttle-step", help="Full throttle earlier by at most this, in metres.")
    ] = None,
    lap_step: Annotated[
        float | None, typer.Option("--lap-step", help="Ask for at most this share of the lap time, in per cent.")
    ] = None,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    figures: Annotated[Path | None, typer.Option("--figures", metavar="DIR", help="Write the ladder's figure.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say which lap time is realistic next time, and what must change for it."""
    from simlap.target import Steps

    given: dict[str, Any] = {
        "corners": corners,
        "brake_point_m": brake_step,
        "min_speed_kmh": speed_step,
        "full_throttle_m": throttle_step,
        "lap_share": None if lap_step is None else lap_step / 100.0,
    }
    for name, value in given.items():
        if value is not None and not 0 < value < STEP_CEILING[name]:
            raise OptionError(f"step {name} = {value}: choose above 0 and below {STEP_CEILING[name]}.")
    if not 1 <= outing <= FARTHEST_OUTING:
        raise OptionError(f"--outing {outing}: choose 1 to {FARTHEST_OUTING}.")
    options = build_options(start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed)
    check_places([*sessions, track], folders={figures: ()})
    circuit = load_track(track)
    session = load_session(sessions, column)
    from simlap.analysis import analyse
    from simlap.report.target import print_target
    from simlap.target import target_of

    with step("analysing"):
        analysis = analyse(session, circuit, options)
        steps = replace(Steps(), **{name: value for name, value in given.items() if value is not None})
        result = target_of(analysis, outing=outing, steps=steps)
    if figures is not None:
        from simlap.figures_target import save_ladder

        save_ladder(analysis, result, figures)
    if as_json:
        emit(json.dumps(result.to_dict(), ensure_ascii=False, indent=1))
    else:
        print_target(analysis, result)


# Steps beyond these are no small steps any more; the circuit and the coach decide within them.
STEP_CEILING = {
    "corners": 31,
    "brake_point_m": 50.0,
    "min_speed_kmh": 20.0,
    "full_throttle_m": 100.0,
    "lap_share": 0.05,
}
