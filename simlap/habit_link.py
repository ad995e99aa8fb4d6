"""From an analysis to traces: each corner zone of each counted lap, the run-in before it included."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from simlap.envelope import Envelope, combined_use
from simlap.envelope_topspeed import AT_TOP
from simlap.habit_marks import PAST_MID
from simlap.habit_traces import CHANNELS, CornerSheet, CornerTrace
from simlap.pedals import BRAKES, at_rest, closed_opening, pressed, throttle_of, widest_opening
from simlap.placing import told_to
from simlap.thresholds import Thresholds
from simlap.units import PA_TO_BAR, G

if TYPE_CHECKING:
    from simlap.line import Line
    from simlap.results import Analysis, CornerResult
    from simlap.zones import Zone

# The run-in shows what was done before the zone begins: part throttle on the straight, for one. It never reaches back
# beyond the start of the exit of the corner before.
RUN_IN = 150.0  # [m]
# Two laps follow each other when the second starts within this of the first one's end: less than one row of a 2 Hz log.
FOLLOWS = 0.5  # [s]


def sheets_of(
    analysis: "Analysis", limits: Thresholds, laps: Sequence[int] | None = None
) -> tuple[tuple[CornerSheet, ...], tuple[str, ...]]:
    """Sheets of all corners in track order, and remarks on channels that cannot be used.

    `laps` are rows of the table, the counted laps by default.

    A zone that crosses the start line takes its beginning from the lap before, or its end from the lap behind; where
    that lap is not in the log, the trace is left out.
    """
    table = analysis.table
    channels, remarks, unused = _usable_channels(analysis, limits)
    line, envelope = analysis.line, analysis.fit.envelope
    grip = np.array([grip_in_use(line, envelope, a, b, v, analysis.grip)
                     for a, b, v in zip(table.a_lon, table.a_lat, table.v, strict=True)])  # fmt: skip
    drive = np.array([drive_left(line, envelope, a_lat, v, analysis.grip)
                      for a_lat, v in zip(table.a_lat, table.v, strict=True)])  # fmt: skip
    sheets, to = [], told_to(analysis)
    for index, result in enumerate(analysis.corners):
        before = analysis.corners[index - 1].zone
        traces = (
            _trace(analysis, result, before, row, (grip, drive), channels, limits["recorded_share"])
            for row in (analysis.counted if laps is None else laps)
        )
        gains = {phase.name: phase.gain_alone for phase in result.phases}
        found = tuple(trace for some in traces for trace in some)
        sheets.append(CornerSheet(result.corner.name, gains, found, result.step_kmh, unused, to))
    return tuple(sheets), remarks


def grip_in_use(
    line: "Line",
    envelope: Envelope,
    a_lon: np.ndarray,
    a_lat: np.ndarray,
    v: np.ndarray,
    grip: np.ndarray | float = 1.0,
) -> np.ndarray:
    """Share of the tyres' combined limit in use at each station, ((|a_lon|/limit)^p + (|a_lat|/limit)^p)^(1/p).

    Slope and banking of the road are taken out as in `envelope_samples.road_samples`, and what drag slows.

    Parameters
    ----------
    a_lon, a_lat, v : float64 array, shape (n,)
        Motion at the stations of `line`. [m/s², m/s²; m/s]
    grip : float64 array, shape (n,), or float
        Factor on the grip of each station.
    """
    lateral, normal = _pressed(line, a_lat, v, grip)
    along = a_lon + G * np.sin(line.grade)
    drag = envelope.drag_at(v)
    along = along + envelope.drag_at(v, lateral)
    brakes = along < 0.0
    braking, traction = envelope.braking_limit(v, 0.0, normal), envelope.traction_limit(v, 0.0, normal)
    pure = np.where(brakes, braking - drag, traction + drag)
    p = np.where(brakes, envelope.exponent_braking, envelope.exponent_drive)
    sideways = np.abs(lateral) / (envelope.lateral_limit(v, lateral) * normal)
    return combined_use(sideways, np.abs(along) / pure, p)


def drive_left(
    line: "Line", envelope: Envelope, a_lat: np.ndarray, v: np.ndarray, grip: np.ndarray | float = 1.0
) -> np.ndarray:
    """Acceleration along the road that engine and tyres leave beside `a_lat` at the speed driven, (n,) [m/s²].

    Arguments and road as in `grip_in_use`; the slope of the road has its part in it. At a top speed that gearing or a
    limiter sets there is none left.
    """
    lateral, normal = _pressed(line, a_lat, v, grip)
    left = envelope.drive_limit(v, lateral, normal) - G * np.sin(line.grade)
    cap = np.inf if envelope.speed_cap is None else AT_TOP * envelope.speed_cap
    return np.where(v < cap, left, np.minimum(left, 0.0))


def _pressed(line: "Line", a_lat: np.ndarray, v: np.ndarray, grip: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
    """Lateral acceleration in the plane of the road [m/s²], and what presses the tyres onto it over g times grip."""
    lateral = a_lat * np.cos(line.bank) - G * np.sin(line.bank) * np.cos(line.grade)
    weight = G * np.cos(line.grade) * np.cos(line.bank)
    normal = np.maximum((weight + v**2 * line.kappa_v + a_lat * np.sin(line.bank)) / G, 1e-3) * grip
    return lateral, normal


def _usable_channels(analysis: "Analysis", limits: Thresholds) -> tuple[Mapping[str, np.ndarray], tuple[str, ...], str]:
    """Recorded channels over the table (m, n), throttle as a share of the driver's own widest opening, brakes from
    where they are at rest; remarks; and why a throttle is left out, "" where none is."""
    table = analysis.table
    channels = {name: np.asarray(table.channels[name]) for name in CHANNELS if name in table.channels}
    rows = np.array(list(analysis.counted))
    remarks = []
    for name, level in zip(BRAKES, (limits["brake_on_bar"] / PA_TO_BAR, limits["brake_on_share"]), strict=True):
        reads = pressed(table, name, rows) if name in channels else None
        if reads is not None and reads < level:
            del channels[name]
            words = name.replace("_", " ")
            remarks.append(f"The {words} channel is not used: it reads next to nothing while the car brakes hard.")
        elif name in channels:
            channels[name] = channels[name] - at_rest(table, name, rows)
    if "throttle" not in channels:
        return channels, tuple(remarks), ""
    throttle = throttle_of(table, rows, limits["throttle_opens_share"])
    if throttle is not None:
        return {**channels, "throttle": throttle}, tuple(remarks), ""
    del channels["throttle"]
    widest = widest_opening(table, rows) or 0.0
    why = f"it never opens beyond {100.0 * widest:.0f} %"
    if widest >= limits["throttle_opens_share"]:
        why = f"it reads {100.0 * closed_opening(table, rows):.0f} % while the car slows"
    return channels, (*remarks, f"The throttle channel is not used: {why}."), why


def _trace(
    analysis: "Analysis",
    result: "CornerResult",
    before: "Zone",
    row: int,
    shown: tuple[np.ndarray, np.ndarray],
    channels: Mapping[str, np.ndarray],
    recorded_share: float,
) -> tuple[CornerTrace, ...]:
    """The trace of one lap through one zone; empty where the log does not hold the whole corner.

    `shown` is what the table's laps use of the grip, and the drive that is left to them, each (m, n).
    """
    (grip, drive), table, length = shown, analysis.table, float(analysis.line.length)
    n = np.asarray(table.station).size
    spacing = length / n
    ends = np.cumsum([(stop - start) % length if stop != start else 0.0 for _, start, stop in result.zone.phases()])
    braking_stop, mid_stop, stop = (float(end) for end in ends)
    start = result.zone.mid_stop % length - mid_stop
    room = (result.zone.start - before.mid_stop) % length
    index = np.arange(np.ceil((start - min(RUN_IN, room)) / spacing), np.ceil((start + stop) / spacing)).astype(int)
    rows = np.array([_row_at(analysis, row, shift) for shift in index // n])
    along = index * spacing - start
    corner = (along >= 0.0) & (along <= min(mid_stop + PAST_MID, stop))
    if not corner.any() or (rows[corner] < 0).any():
        return ()
    known = _run_with(rows >= 0, int(np.argmax(corner)))
    rows, along, at = rows[known], along[known], index[known] % n
    started, t = np.asarray(table.session_start), np.asarray(table.t)
    recorded = {name: values[rows, at] for name, values in channels.items()}
    return (
        CornerTrace(
            corner=result.corner.name,
            lap=int(table.numbers[row]),
            along=along,
            t=started[rows] + t[rows, at],
            v=np.asarray(table.v)[rows, at],
            a_lon=np.asarray(table.a_lon)[rows, at],
            a_lat=np.asarray(table.a_lat)[rows, at],
            grip=grip[rows, at],
            drive=drive[rows, at],
            grade=np.asarray(analysis.line.grade)[at],
            limit_v=np.asarray(analysis.limit.v)[at],
            limit_a_lon=np.asarray(analysis.limit.a_lon)[at],
            braking_stop=braking_stop,
            mid_stop=mid_stop,
            zone_start=start % length,
            lap_length=length,
            channels={name: _filled(values) for name, values in recorded.items()
                      if np.isfinite(values).mean() >= recorded_share},
        ),
    )  # fmt: skip


def _row_at(analysis: "Analysis", row: int, shift: int) -> int:
    """Row of the lap `shift` laps behind that of `row`, if the two follow each other in the log; -1 if not."""
    table = analysis.table
    if shift == 0:
        return row
    numbers = np.asarray(table.numbers)
    other = np.flatnonzero(numbers == numbers[row] + shift)
    if abs(shift) != 1 or not other.size:
        return -1
    first, second = (row, int(other[0])) if shift > 0 else (int(other[0]), row)
    started = np.asarray(table.session_start)
    gap = started[second] - (started[first] + np.asarray(table.t)[first, -1])
    return int(other[0]) if abs(gap) <= FOLLOWS else -1


def _run_with(mask: np.ndarray, inside: int) -> slice:
    """The run of true values that holds index `inside`."""
    off = np.flatnonzero(~mask)
    before, behind = off[off < inside], off[off > inside]
    return slice(int(before[-1]) + 1 if before.size else 0, int(behind[0]) if behind.size else mask.size)


def _filled(values: np.ndarray) -> np.ndarray:
    """Single missing values filled by a straight line between their neighbours."""
    have = np.isfinite(values)
    return np.interp(np.arange(values.size), np.flatnonzero(have), values[have])
