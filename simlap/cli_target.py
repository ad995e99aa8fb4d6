"""Command `target`: the ladder of lap times for the next outing."""

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
    ThresholdsOpt,
    TrackOpt,
    build_options,
    emit_json,
    folder_name,
    load_session,
    load_track,
    step,
)
from simlap.cli_places import check_places
from simlap.errors import OptionError

# Largest changes of one outing, shown in the help, which must not wait for the module that holds them (a test keeps
# them equal to `simlap.target.Steps`): option, usual value, value beyond which it is no small step any more. The
# circuit and the coach decide within them.
STEPS = {
    "corners": ("--corners", 3, 31),
    "brake_point_m": ("--brake-step", 5.0, 50.0),
    "min_speed_kmh": ("--speed-step", 4.0, 20.0),
    "full_throttle_m": ("--throttle-step", 10.0, 100.0),
    "lap_share": ("--lap-step", 0.6, 5.0),
}
FARTHEST_OUTING = 5  # further ahead than a race weekend nothing that was shown today holds


def step_option(name: str, words: str) -> Any:
    """The option of a step in `STEPS`, its usual value shown."""
    return typer.Option(STEPS[name][0], help=words, show_default=f"{STEPS[name][1]:g}")


CornersOpt = Annotated[int | None, step_option("corners", "Corners to work on at once.")]
BrakeOpt = Annotated[float | None, step_option("brake_point_m", "Brake later by at most this, in metres.")]
SpeedOpt = Annotated[float | None, step_option("min_speed_kmh", "Carry at most this much more speed, in km/h.")]
ThrottleOpt = Annotated[
    float | None, step_option("full_throttle_m", "Full throttle earlier by at most this, in metres.")
]
LapStepOpt = Annotated[
    float | None, step_option("lap_share", "Ask for at most this share of the lap time, in per cent.")
]


def target(
    sessions: SessionsArg,
    outing: Annotated[int, typer.Option("--outing", help="How many outings ahead: 1 is the next one.")] = 1,
    corners: CornersOpt = None,
    brake_step: BrakeOpt = None,
    speed_step: SpeedOpt = None,
    throttle_step: ThrottleOpt = None,
    lap_step: LapStepOpt = None,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    thresholds: ThresholdsOpt = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", metavar="DIR", parser=folder_name, help="Write the ladder's figure.")
    ] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say which lap time to aim for next time, how likely it is, and what must change for it.

    Without a throttle channel the usual steps of brake point, speed and throttle are half as large.
    """
    given = _given_steps(
        corners=corners,
        brake_point_m=brake_step,
        min_speed_kmh=speed_step,
        full_throttle_m=throttle_step,
        lap_share=lap_step,
    )
    if not 1 <= outing <= FARTHEST_OUTING:
        raise OptionError(f"--outing {outing}: choose 1 to {FARTHEST_OUTING}.")
    options = build_options(
        start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed, thresholds=thresholds
    )
    check_places([*sessions, track, thresholds], folders={figures: ()})
    circuit = load_track(track)
    session = load_session(sessions, column)
    from simlap.analysis import analyse
    from simlap.report.target import print_target, target_to_dict
    from simlap.target import target_of, usual_steps

    with step("analysing"):
        analysis = analyse(session, circuit, options)
        steps = replace(usual_steps(analysis), **given)
        result = target_of(analysis, outing=outing, steps=steps)
    if figures is not None:
        from simlap.figures_target import save_ladder

        save_ladder(analysis, result, figures)
    if as_json:
        emit_json(target_to_dict(analysis, result))
    else:
        print_target(analysis, result)


def _given_steps(**values: float | None) -> dict[str, Any]:
    """The steps that were given, by their names in `simlap.target.Steps`; the lap's share from per cent.

    Raises
    ------
    OptionError
        When one is no step, or no small one.
    """
    given = {name: value for name, value in values.items() if value is not None}
    for name, value in given.items():
        option, _, most = STEPS[name]
        if not 0 < value < most:
            raise OptionError(f"{option} {value:g}: choose above 0 and below {most:g}.")
    if "lap_share" in given:
        given["lap_share"] /= 100.0
    return given
