"""A comparison as plain data, and on a terminal."""

from collections.abc import Sequence
from typing import Any

from rich import box
from rich.table import Table
from rich.text import Text

from simlap.comparison import COST_TIME, PAID_OFF, Comparison, CornerChange, PhaseChange
from simlap.report.json import interval_to_dict, summed
from simlap.report.plain import MILLI, clean, corner_label, lap_time, percent, rounded_parts, signed, time_gap
from simlap.report.standing import STANDING, Caution, cautions_to_dicts, compared
from simlap.report.terminal import Prose, console, item
from simlap.results import Interval
from simlap.verdict import CLEAR

SCHEMA = "simlap.comparison/1"
# Beyond this share a chance is printed as a bound: the model behind it is no surer than that.
SURE = 0.99


def comparison_to_dict(comparison: Comparison, raised: Sequence[Caution] = ()) -> dict[str, Any]:
    """The comparison for JSON: seconds, negative is faster; keys end in their unit. `raised`: what its data warn of."""
    limit = round(comparison.limit_change.value, MILLI)
    execution = round(comparison.change.value, MILLI) - limit
    by_limit = rounded_parts((change.value for change in comparison.by_limit.values()), limit)
    phases = [phase for corner in comparison.corners for phase in corner.phases]
    limits = iter(rounded_parts((phase.limit_change.value for phase in phases), limit))
    executions = iter(rounded_parts((phase.execution_change.value for phase in phases), execution))
    corners = []
    for corner in comparison.corners:
        own = [(phase, next(limits), next(executions)) for phase in corner.phases]
        corners.append(
            {
                "name": corner.name,
                **_three(corner, sum(one for _, one, _ in own), sum(one for _, _, one in own)),
                "phases": {phase.name: _three(phase, one, other) for phase, one, other in own},
            }
        )
    return {
        "schema": SCHEMA,
        "sides": [
            {
                "side": side.label,
                "sessions": [one.session.source for one in side.prepared],
                "counted_laps": side.laps,
                "typical_lap_s": round(float(side.typical.sum()), 3),
                "limit_lap_s": round(float(side.limit_phase_times.sum()), 3),
            }
            for side in comparison.sides
        ],
        **_three(comparison, limit, execution),
        "drift_s": None if comparison.drift is None else interval_to_dict(comparison.drift),
        "limit_change_by_limit_s": {
            name: summed(change, value)
            for (name, change), value in zip(comparison.by_limit.items(), by_limit, strict=True)
        },
        "verdict": comparison.verdict,
        "chance": round(comparison.chance, 3),
        "clear_chance": {"gain": round(CLEAR, 3), "loss": round(1.0 - CLEAR, 3)},
        "detectable_s": round(comparison.detectable_s, 3),
        "laps_needed": comparison.laps_needed,
        "corners": corners,
        "warnings": list(comparison.warnings),
        "cautions": cautions_to_dicts((*raised, compared(comparison.drift is not None), *STANDING)),
        "notes": list(comparison.notes),
    }


def _three(part: Comparison | CornerChange | PhaseChange, limit: float, execution: float) -> dict[str, Any]:
    """The three changes of a lap, a corner or a phase, their values rounded so that sums hold. [s]"""
    return {
        "change_s": summed(part.change, limit + execution),
        "limit_change_s": summed(part.limit_change, limit),
        "execution_change_s": summed(part.execution_change, execution),
    }


def _span(interval: Interval) -> str:
    return f"{signed(interval.low)} .. {signed(interval.high)}"


def verdict_sentence(comparison: Comparison) -> str:
    """The verdict on the car in one sentence."""
    chance = _chance(comparison.chance)
    faster, slower, but = "the car became faster", "the car became slower", ""
    if comparison.drift is None:
        # no log tells more grip from a driver who uses more of it in every corner
        faster = "faster by the car, the conditions or a driver nearer to the limit everywhere"
        slower = "slower by the car, the conditions or a driver farther from the limit everywhere"
        but = "; A-B alone cannot tell them apart"
    if comparison.verdict == PAID_OFF:
        return f"Paid off: {faster}, chance {chance}{but}."
    if comparison.verdict == COST_TIME:
        return f"Cost time: {slower}; the chance of having become faster is {chance}{but}."
    return (
        f"No clear change of the car: the chance that it is faster is {chance}; {100 * CLEAR:.1f} % would be a clear "
        f"gain, {100 * (1.0 - CLEAR):.1f} % a clear loss."
    )


def _chance(share: float) -> str:
    """A chance in whole per cent, never as a certainty."""
    if share > SURE:
        return f"above {percent(SURE)}"
    return f"below {percent(1.0 - SURE)}" if share < 1.0 - SURE else percent(share)


def _changes(comparison: Comparison) -> tuple[float, float, float]:
    """Change of typical lap, limit lap and execution; of two sides as the reader forms them from the lap times printed
    above. With A2 no two lap times give them. [s]"""
    if comparison.drift is not None:
        return comparison.change.value, comparison.limit_change.value, comparison.execution_change.value
    before, after = comparison.sides
    lap = float(time_gap(float(after.typical.sum()), float(before.typical.sum())))
    limit = float(time_gap(float(after.limit_phase_times.sum()), float(before.limit_phase_times.sum())))
    return lap, limit, lap - limit


def print_comparison(comparison: Comparison, raised: Sequence[Caution] = ()) -> None:
    """Print verdict, split of the change, corners and warnings on stdout."""
    out = console()
    out.print(Prose(verdict_sentence(comparison), style="bold"))
    for side in comparison.sides:
        names = ", ".join(clean(one.session.source) for one in side.prepared)
        out.print(
            Prose(
                f"{side.label}: {names}; {side.laps} laps, typical {lap_time(float(side.typical.sum()))}, "
                f"limit {lap_time(float(side.limit_phase_times.sum()))}"
            )
        )
    split = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    split.add_column("change, negative is faster", no_wrap=True)
    split.add_column("[s]", justify="right", no_wrap=True)
    split.add_column("90 % interval [s]", justify="right", no_wrap=True)
    split.add_column("what it is")
    lap, limit, execution = _changes(comparison)
    rows = [
        ("lap time", lap, comparison.change, "typical lap, B less A"),
        ("limit", limit, comparison.limit_change, "what car and tyres can do"),
        ("execution", execution, comparison.execution_change, "how much of it the driver used"),
    ]
    rows += [
        (f"  limit: {name}", change.value, change, f"{name} limit alone")
        for name, change in comparison.by_limit.items()
    ]
    if comparison.drift is not None:
        rows.append(("drift", comparison.drift.value, comparison.drift, "per outing, taken out of the above"))
    for name, value, change, words in rows:
        split.add_row(Text(name), signed(value), _span(change), words)
    out.print(split)
    settled = f"These laps would have shown a change of the limit of {comparison.detectable_s:.2f} s."
    if comparison.verdict not in (PAID_OFF, COST_TIME):
        if comparison.moved_s > 0.0:
            settled += " More laps do not settle what lap times moved by within a session; laps of like conditions do."
        elif comparison.laps_needed:
            settled += f" About {comparison.laps_needed} laps more a side would settle a change of this size."
        else:
            settled += " The change found is too small to be settled by any sensible number of laps."
    out.print(Prose(settled))
    corners = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    corners.add_column("corner", no_wrap=True)
    for head in ("lap time [s]", "limit [s]", "execution [s]"):
        corners.add_column(head, justify="right", no_wrap=True)
    corners.add_column("90 % of the limit's", justify="right", no_wrap=True)
    for corner in comparison.corners:
        corners.add_row(
            Text(corner_label(corner.name, 20)),
            signed(corner.change.value),
            signed(corner.limit_change.value),
            signed(corner.execution_change.value),
            _span(corner.limit_change),
        )
    out.print(corners)
    for warning in comparison.warnings:
        out.print(item("!", clean(warning)))
    for caution in (*raised, compared(comparison.drift is not None), *STANDING):
        out.print(item("!", clean(caution.text)))
