"""The command `envelope`: limits at a few speeds with intervals and evidence; figures and JSON on request."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    TrackOpt,
    build_options,
    emit_json,
    load_session,
    load_track,
    step,
)
from simlap.cli_places import check_places
from simlap.units import MS_TO_KMH

if TYPE_CHECKING:
    import numpy as np
    from rich.table import Table

    from simlap.envelope_fit import EnvelopeFit
    from simlap.envelope_grip import CornerGrip

SCHEMA = "simlap.envelope_report/1"
# Limits are printed at so many speeds from the slowest to the fastest of the laps, rounded to this; a tested speed
# of a limit that has none of these takes the place of the nearest.
SPEEDS, ROUND_KMH = 5, 10.0
SAME = 1e-9  # [m/s] rounding of a speed carried to km/h and back
SHOWN = ("lateral left", "lateral right", "braking", "engine", "traction")


def envelope(
    sessions: SessionsArg,
    track: TrackOpt = None,
    start_line: StartLineOpt = None,
    laps: LapsOpt = None,
    drop: DropOpt = None,
    column: ColumnOpt = None,
    quantile: QuantileOpt = None,
    draws: DrawsOpt = None,
    seed: SeedOpt = 0,
    out: OutOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Print the limits that the laps have shown, with intervals and evidence; figures and JSON to --out."""
    from simlap.analysis import fit_of, prepare
    from simlap.corners import find_corners
    from simlap.owngrip import own_grip
    from simlap.report.data_cautions import data_cautions
    from simlap.report.standing import STANDING, Caution, cautions_to_dicts

    options = build_options(start=start_line, laps=laps, drop=drop, quantile=quantile, draws=draws, seed=seed)
    check_places([*sessions, track], folders={out: ("envelope.json",)})
    circuit = load_track(track)
    session = load_session(sessions, column)
    with step("fitting the envelope"):
        ready = prepare(session, circuit, options)
        corners = ready.track.corners or find_corners(ready.track.line)
        fit = fit_of(ready, options, corners)
        grips = own_grip(ready.table, ready.line, corners, fit)
    if out is not None:
        with step(f"writing to {out}"):
            write_figures(fit, ready.table, ready.line, corners, out)
            fit.envelope.to_json(out / "envelope.json")
    found = (*data_cautions(ready), *(Caution("limit not shown", text) for text in unshown(fit)), *STANDING)
    report = report_dict(fit, grips, ready.table)
    report["cautions"] = cautions_to_dicts(found)
    if as_json:
        emit_json(report)
    else:
        print_envelope(report)


def write_figures(fit: "EnvelopeFit", table: Any, line: Any, corners: Any, folder: Path) -> tuple[Path, ...]:
    """Write the g-g and the g-g-v figure as PNG and SVG; return the paths."""
    from simlap.envelope_samples import road_samples
    from simlap.figures_envelope import gg_figure, ggv_figure
    from simlap.figures_save import save_figure

    samples = road_samples(table, line, corners=corners)
    diagrams, surface = gg_figure(fit.envelope, samples), ggv_figure(fit.envelope, samples)
    return (*save_figure(diagrams, folder, "gg"), *save_figure(surface, folder, "ggv"))


def limits_at(fit: "EnvelopeFit", speeds: Any) -> dict[str, dict[str, list[float]]]:
    """Value, low and high [m/s²] of each limit at `speeds` [m/s]."""
    import numpy as np

    from simlap.limits import NAMES, limits_with_interval

    value, low, high = limits_with_interval(fit.envelope, fit.draws, np.asarray(speeds, dtype=float))
    rows = {name: NAMES.index(name) for name in SHOWN}
    return {
        name: {"value": value[i].tolist(), "low": low[i].tolist(), "high": high[i].tolist()} for name, i in rows.items()
    }


def table_speeds(slowest: float, fastest: float, tested: list[tuple[float, float]]) -> "np.ndarray":
    """Speeds of the table [km/h] from the laps' slowest to fastest; each limit's `tested` speeds [m/s] hold one."""
    import numpy as np

    grid = np.unique(np.round(np.linspace(slowest, fastest, SPEEDS) / ROUND_KMH) * ROUND_KMH)
    spans = [(low * MS_TO_KMH, high * MS_TO_KMH) for low, high in tested]

    def held(speeds: np.ndarray, span: tuple[float, float]) -> int:
        return int(((speeds >= span[0]) & (speeds <= span[1])).sum())

    for span in spans:
        if held(grid, span):
            continue
        # in place of the nearest speed that no other limit needs: more columns do not fit a terminal
        sole = [each for each in spans if held(grid, each) == 1]
        needed = np.array([any(held(grid[[i]], each) for each in sole) for i in range(grid.size)])
        middle = 0.5 * (span[0] + span[1])
        if not needed.all():
            grid = np.delete(grid, int(np.argmin(np.where(needed, np.inf, np.abs(grid - middle)))))
        grid = np.unique(np.append(grid, middle))
    return grid


def unshown(fit: "EnvelopeFit") -> list[str]:
    """One sentence for each limit of the tyres that no window of the laps was found at."""
    expected = {
        "lateral": "what the fastest corners came to and what braking tells",
        "braking": "what the hardest braking came to and what the corners tell",
    }
    return [
        f"{name}: no lap was found at this limit (0 of {fit.evidence[name].events} windows); what stands there is "
        f"expected from {words}, and not shown."
        for name, words in expected.items()
        if fit.evidence[name].at_limit == 0
    ]


def report_dict(fit: "EnvelopeFit", grips: "tuple[CornerGrip, ...]", table: Any) -> dict[str, Any]:
    """Everything that the command prints, as plain numbers; keys end in their unit."""
    import numpy as np

    kmh = np.asarray(table.v)[np.asarray(table.counted, dtype=bool)] * MS_TO_KMH
    evidence, tested_names = fit.evidence, {name.split()[0] for name in SHOWN}
    shown = {name for name in tested_names if name not in evidence or evidence[name].at_limit}
    tested = [span for name, span in fit.envelope.tested.items() if name in shown]
    grid = table_speeds(float(kmh.min()), float(kmh.max()), tested)
    return {
        "schema": SCHEMA,
        "quantile": fit.quantile,
        "draws": len(fit.draws),
        "seed": fit.seed,
        "speeds_ms": (grid / MS_TO_KMH).tolist(),
        "limits_ms2": limits_at(fit, grid / MS_TO_KMH),
        "envelope": fit.envelope.to_dict(),
        "evidence": {name: found.to_dict() for name, found in fit.evidence.items()},
        "corners": [grip.to_dict() for grip in grips],
        "notes": list(fit.notes),
    }


def _shown_limits(limits: dict[str, Any]) -> dict[str, Any]:
    """One row for both sides where left and right turns are not told apart."""
    if limits["lateral left"]["value"] != limits["lateral right"]["value"]:
        return limits
    return {"lateral": limits["lateral left"], **{name: limits[name] for name in SHOWN[2:]}}


LIMITS_READ_SO = (
    "lateral: cornering; traction: what the tyres put on the road; engine: how hard the car speeds up at full "
    "throttle, less air and rolling"
)
SHAPE_READS_SO = (
    "exponent: how cornering and braking, or cornering and drive, share the grip (1: one takes from the other in "
    "proportion; 2: a circle, each costs the other little at first); quantile: the share of laps that stays below a "
    "limit; draws: how often the laps were drawn anew for the intervals"
)
EVIDENCE_READS_SO = (
    "windows: moments at which the car may have been at that limit; at the limit: those at which it was; combined: "
    "while it cornered as well; spread: how much the driver varies from lap to lap; noise: error of one reading"
)
CORNERS_READ_SO = (
    "peak: the highest moment; held: kept up for a while, at that speed; used: held, as a share of the limit there; "
    "weight: load on the tyres, 1 on a flat road, more in dips and on banking; own grip: of that corner alone, where "
    "three laps show one level"
)


def print_envelope(report: dict[str, Any]) -> None:
    """Print the report as tables on stdout."""
    from simlap.report.plain import clean
    from simlap.report.terminal import Prose, console, item

    out, shape = console(), report["envelope"]
    out.print(_limits_table(report))
    out.print(Prose(LIMITS_READ_SO))
    out.print(
        f"Exponent under braking {shape['exponent_braking']:.2f}, under drive {shape['exponent_drive']:.2f}; "
        f"cornering drag {shape['cornering_drag_s2_per_m']:.4f} s²/m; quantile {report['quantile']:g} "
        f"(engine: the median lap), {report['draws']} draws, seed {report['seed']}."
    )
    out.print(Prose(SHAPE_READS_SO))
    out.print(_evidence_table(report["evidence"]))
    out.print(Prose(EVIDENCE_READS_SO))
    out.print(_corners_table(report["corners"]))
    out.print(Prose(CORNERS_READ_SO))
    for note in report["notes"]:
        out.print(Prose(clean(note)))
    for caution in report.get("cautions", ()):
        out.print(item("!", clean(caution["text"])))


def _headed(title: str, *heads: str) -> "Table":
    """An empty table of these columns."""
    from rich import box
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD)
    for head in heads:
        table.add_column(head)
    return table


def _limits_table(report: dict[str, Any]) -> "Table":
    """The limits in g at the speeds of the report, those marked at which none was shown."""
    from simlap.units import G

    speeds, tested = report["speeds_ms"], report["envelope"]["tested_ms"]
    table = _headed("Limits shown [g], 90 % interval; * not shown at the limit at that speed", "limit")
    for v in speeds:
        table.add_column(f"{v * MS_TO_KMH:.0f} km/h", justify="right")
    for name, rows in _shown_limits(report["limits_ms2"]).items():
        of = name.split()[0]
        low, high = tested.get(of, (0.0, 0.0))
        if of in report["evidence"] and report["evidence"][of]["at_limit"] == 0:
            low, high = math.inf, -math.inf
        cells = [
            f"{value / G:.2f}{' ' if low - SAME <= v <= high + SAME else '*'}\n{below / G:.2f}-{above / G:.2f}"
            for v, value, below, above in zip(speeds, rows["value"], rows["low"], rows["high"], strict=True)
        ]
        table.add_row(name, *cells)
    return table


def _evidence_table(evidence: dict[str, Any]) -> "Table":
    """The windows, laps and corners that each limit rests on."""
    from simlap.units import G

    heads = ("limit", "windows", "at the limit", "laps", "corners", "spread [g]", "noise [g]")
    table = _headed("What set them", *heads)
    for name, found in evidence.items():
        table.add_row(
            name.replace("_", " "),
            str(found["events"]),
            str(found["at_limit"]),
            ", ".join(str(n) for n in found["laps"]) or "-",
            ", ".join(found["corners"]) or "-",
            f"{found['spread_ms2'] / G:.3f}",
            f"{found['noise_ms2'] / G:.3f}",
        )
    return table


def _corners_table(corners: list[dict[str, Any]]) -> "Table":
    """The grip used in each corner against the limit at that speed."""
    from simlap.units import G

    heads = ("corner", "turn", "peak [g]", "held [g]", "at [km/h]", "limit [g]", "used", "weight", "own grip")
    table = _headed("Grip used per corner, median lap, road taken out", *heads)
    for grip in corners:
        table.add_row(
            grip["name"],
            grip["direction"],
            f"{grip['peak_ms2'] / G:.2f}",
            f"{grip['sustained_ms2'] / G:.2f}",
            f"{grip['speed_ms'] * MS_TO_KMH:.0f}",
            f"{grip['limit_ms2'] / G:.2f}",
            f"{100 * grip['used']:.0f} %",
            f"{grip['normal']:.2f}",
            "-" if grip["grip"] is None else f"{grip['grip']:.2f}",
        )
    return table
