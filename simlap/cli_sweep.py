"""Command `sweep`: what a little more grip, braking, power or less drag is worth on this circuit."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
    emit_json,
    folder_name,
    load_session,
    load_track,
    step,
)
from simlap.cli_places import check_places
from simlap.errors import OptionError
from simlap.units import written_number

if TYPE_CHECKING:
    from simlap.solver import LimitProfile
    from simlap.sweep import Sweep

FIGURE_SIZE = (9.0, 4.5)  # [inch], as wide as a page
MAX_DRAWS = 100  # of the envelope's draws behind the intervals: the percentiles then move by about a tenth


def sweep(
    sessions: SessionsArg,
    parameter: Annotated[
        list[str] | None,
        typer.Option(
            "--parameter",
            metavar="NAME",
            help="grip, lateral, braking, traction, power, drag or downforce; may be given several times.",
        ),
    ] = None,
    factors: Annotated[
        str | None, typer.Option("--factors", metavar="0.95,1,1.05", help="Factors on the parameter; 1.02 is 2 % more.")
    ] = None,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write every lap time as CSV.")] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", metavar="DIR", parser=folder_name, help="Write the figures.")
    ] = None,
    as_json: JsonOpt = False,
) -> None:
    """Say what 1 % of grip, braking, power or drag is worth on this circuit."""
    from simlap.sweep import DEFAULT_FACTORS, check_names, checked_factors

    check_names(parameter or [])
    chosen = DEFAULT_FACTORS if factors is None else _numbers(factors)
    checked_factors(chosen)
    options = build_options(start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed)
    check_places([*sessions, track], files={"--csv": csv}, folders={figures: ()})
    circuit = load_track(track)
    session = load_session(sessions, column)
    from simlap.analysis import analyse
    from simlap.kept import grip_limits
    from simlap.report.cautions import limit_cautions
    from simlap.report.standing import cautions_to_dicts
    from simlap.sweep import DIGITS, corner_worth
    from simlap.sweep import sweep as run

    with step("analysing"):
        analysis = analyse(session, circuit, options)
        envelope = analysis.fit.envelope
        draws_used, here = analysis.fit.draws[:MAX_DRAWS], grip_limits(analysis.grip)
        result = run(analysis.line, envelope, parameter, chosen, draws=draws_used, limits=here)
        corners = analysis.track.corners
        worth = corner_worth(analysis.line, envelope, corners, analysis.grip)
    if csv is not None:
        result.to_csv(csv)
    if figures is not None:
        _save_figures(result, analysis.limit, figures)
    told = limit_cautions(analysis)
    if as_json:
        by_corner = {
            corner.name: round(float(seconds), DIGITS) + 0.0 for corner, seconds in zip(corners, worth, strict=True)
        }
        emit_json(result.to_dict() | {"grip_per_percent_s": by_corner, "cautions": cautions_to_dicts(told)})
        return
    from simlap.report.sweep import print_sweep

    print_sweep(result, corners, worth, analysis.session.source, told)


def _save_figures(result: "Sweep", limit: "LimitProfile", folder: Path) -> None:
    """Lap time over each factor, and the limit's speed, as files in `folder`."""
    from matplotlib.figure import Figure

    from simlap.figures_limit import plot_profile, plot_sweep
    from simlap.figures_save import save_figure

    what_if, speed = (Figure(figsize=FIGURE_SIZE, layout="constrained") for _ in range(2))
    plot_sweep(result, what_if.subplots())
    plot_profile(limit, speed.subplots())
    save_figure(what_if, folder, "sweep")
    save_figure(speed, folder, "limit_profile")


def _numbers(text: str) -> tuple[float, ...]:
    values = []
    for part in text.split(","):
        try:
            values.append(written_number(part))
        except ValueError:
            raise OptionError(f"--factors {text!r}: {part!r} is not a number; write 0.98,1,1.02.") from None
    return tuple(values)
