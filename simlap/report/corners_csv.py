"""corners.csv: one row per lap and corner, what the driver did there, for a spreadsheet."""

import csv
import io
from collections.abc import Sequence

import numpy as np

from simlap.habit_link import sheets_of
from simlap.habit_marks import BRAKE_UNITS, full_throttle_from, mark, slow_run
from simlap.habit_traces import CornerTrace
from simlap.phases import PHASES
from simlap.report.losses_csv import cell
from simlap.results import Analysis
from simlap.spans import Span
from simlap.thresholds import Thresholds, thresholds_of
from simlap.track import Corner
from simlap.units import MS_TO_KMH

HEADER = (
    "lap", "counted", "corner", "direction", "entry_m", "apex_m", "exit_m", "time_s",
    "entry_kmh", "lowest_kmh", "exit_kmh",
    "brake_m", "brake_before_apex_m", "brake_peak_bar", "brake_peak_percent", "brake_read_from",
    "lowest_m", "lowest_before_apex_m", "full_throttle_m", "full_throttle_before_apex_m",
)  # fmt: skip


def corners_csv(analysis: Analysis) -> str:
    """What every flying lap did in every corner, read by the rules that the findings use.

    Laps that stood or have a gap are left out, as in losses.csv. A cell is empty where the lap has no such place or
    the log no such channel, and from `entry_kmh` on where a corner across the start line goes on in a lap that the
    log does not hold.

    Comma, decimal point, header row, "\\n" ends. The times of a lap's corners add up to its lap time.
    """
    limits = thresholds_of(analysis.options)
    table = analysis.table
    rows = [row for row, ledger in enumerate(analysis.lap_ledgers) if ledger is not None]
    sheets, _ = sheets_of(analysis, limits, rows)
    traces = {(trace.lap, trace.corner): trace for sheet in sheets for trace in sheet.traces}
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(HEADER)
    for row in rows:
        number = int(table.numbers[row])
        times = analysis.phases.sums(analysis.lap_driven[row].dt).reshape(-1, PHASES).sum(axis=1)
        for result, time_s in zip(analysis.corners, times, strict=True):
            corner, trace = result.corner, traces.get((number, result.corner.name))
            seen: Sequence[str] = [""] * (len(HEADER) - 8) if trace is None else _seen(corner, trace, limits)
            writer.writerow(
                [
                    number,
                    "yes" if table.counted[row] else "no",
                    cell(corner.name),
                    corner.direction,
                    *(_number(place) for place in (corner.entry_m, corner.apex_m, corner.exit_m)),
                    _number(float(time_s), 3),
                    *seen,
                ]
            )
    return stream.getvalue()


def _seen(corner: Corner, trace: CornerTrace, limits: Thresholds) -> tuple[str, ...]:
    """The cells from `entry_kmh` on."""
    marks = mark(trace, limits)
    apex = _along(trace, corner.apex_m)
    full = full_throttle_from(trace, marks, limits)
    slow = _slow_in(corner, trace)
    entry, leave = _speed(trace, corner.entry_m), _speed(trace, corner.exit_m)
    peak = dict.fromkeys(BRAKE_UNITS, np.nan)
    if marks.brakes:
        peak[marks.brake_channel] = float(marks.brake[marks.peak]) * BRAKE_UNITS[marks.brake_channel][1]
    return (
        _number(entry),
        _number(float(np.nanmin([entry, float(trace.v[slice(*slow)].min()) * MS_TO_KMH, leave]))),
        _number(leave),
        *_place(trace, marks.braking[0] if marks.brakes else None, apex),
        _number(peak["brake_pressure"]),
        _number(peak["brake"]),
        marks.brake_channel.replace("_", " ") if marks.brakes else "",
        *_place(trace, (slow[0] + slow[1] - 1) // 2, apex),
        *_place(trace, full, apex),
    )


def _slow_in(corner: Corner, trace: CornerTrace) -> Span:
    """The stretch within `EQUAL_SPEED` of the slowest speed between the corner's entry and its exit.

    The findings look for it in the zone's braking and mid-corner, where the limit has its own: a lap that was held up
    in the exit is slower there.
    """
    begin = trace.at(_along(trace, corner.entry_m))
    return slow_run(trace.v, begin, max(trace.at(_along(trace, corner.exit_m)), begin) + 1)


def _along(trace: CornerTrace, station: float) -> float:
    """A station of the lap as metres from the start of the trace's zone, the nearest turn to its mid-corner."""
    middle = trace.zone_start + trace.mid_stop
    return (
        trace.mid_stop
        + float(np.remainder(station - middle + 0.5 * trace.lap_length, trace.lap_length))
        - (0.5 * trace.lap_length)
    )


def _speed(trace: CornerTrace, station: float) -> float:
    """Speed at a station [km/h]; NaN beyond the trace."""
    return float(np.interp(_along(trace, station), trace.along, trace.v, left=np.nan, right=np.nan)) * MS_TO_KMH


def _place(trace: CornerTrace, index: int | None, apex: float) -> tuple[str, str]:
    """Station of a value of the trace, and metres from there to the apex (negative behind it)."""
    if index is None:
        return "", ""
    return _number(trace.station(index)), _number(apex - float(trace.along[index]))


def _number(value: float, digits: int = 1) -> str:
    """A number for a cell, never "-0.0"; empty where there is none."""
    return f"{round(float(value), digits) + 0.0:.{digits}f}" if np.isfinite(value) else ""
