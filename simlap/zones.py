"""Corner zones and their phases: braking, mid-corner and exit tile the lap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import OptionError
from simlap.frozen import own
from simlap.line import Line
from simlap.solver import LIMIT_NAMES, LimitProfile
from simlap.track import Corner

if TYPE_CHECKING:
    from simlap.laptable import LapTable

ENGINE = LIMIT_NAMES.index("engine")

# Braking is over when this share of the limit profile's slowing is done (as in the first design): the rest is released
# while turning in and belongs to the corner.
BRAKING_SHARE = 0.9  # [1]

# The limit profile "slows" for a corner when it loses at least this much speed; less is the ripple of the measured
# curvature along a corner that is driven at one speed.
SLOWING_MIN = 0.5  # [m/s]

# Mid-corner ends at the last station of the corner within this of its lowest limit speed, where the limit profile
# starts to use its drive. A car leaving at 3 m/s² gains it in 0.07 s; the ripple of the measured curvature along a
# corner that is driven at one speed is as large.
PLATEAU = 0.2  # [m/s]

# A corner may be slow twice, where banking, slope or the turn itself lets the limit profile speed up in between. The
# later dip is mid-corner too, and ends it, when its speed lies within this share of the lowest: whoever is on the power
# between the two has to give it up again. 2 and 5 % cut the same corners so (DEVELOPERS.md).
DIP_SHARE = 0.03  # [1]
# A dip is what the limit profile gives up at least so much speed for; less is the ripple of PLATEAU.
DIP_MIN = PLATEAU  # [m/s]

# Walking back from the slowest station, the slowing begins at the highest speed met before the speed upstream of the
# corner's entry has dropped by this much below it again (that is the corner before).
DROP_UPSTREAM = 0.5  # [m/s]

# The brake point is the last station within this of the highest speed: a car at its top speed holds it for hundreds
# of metres, and the first of them is no brake point.
AT_TOP = 0.15  # [m/s]

# A corner for which the limit profile does not slow is taken flat when the engine is its limit over this share of it:
# where it comes out of a slow corner close behind, the first stations are still on traction.
FLAT_SHARE = 0.9  # [1]

# The smooth motion begins to show a lift so long before the speed is highest: the rise of a 2 Hz low-pass is 0.2 s.
LIFT_SPREAD = 0.25  # [s]

# A lap that slows on the straight and gathers speed again within this of the corner's entry slowed for the corner: a
# dab of the brakes before a fast one. Common practice, no source.
DAB_BEFORE = 1.5  # [s]

# A lap slowed for a corner when it lost at least this much speed before it; a driver lifts by more.
LAP_SLOWING_MIN = 0.5  # [m/s]

# A place this little behind a station is that station: what is left of it by rounding, far below any spacing.
SAME_STATION = 1e-9  # [m]


@dataclass(frozen=True)
class Zone:
    """Stretch of the lap that belongs to one corner; stations [m], a stop below its start crosses the start line.

    The exit of the last zone ends where the first zone starts.
    """

    corner: Corner
    start: float  #: of the braking phase [m]
    braking_stop: float  #: end of braking, start of mid-corner [m]
    mid_stop: float  #: end of mid-corner, start of the exit [m]
    stop: float  #: end of the exit, start of the next zone [m]

    def phases(self) -> tuple[tuple[str, float, float], ...]:
        """Name, start and stop of the three phases; start equal to stop is a phase of no length."""
        return (
            ("braking", self.start, self.braking_stop),
            ("mid_corner", self.braking_stop, self.mid_stop),
            ("exit", self.mid_stop, self.stop),
        )


@dataclass(frozen=True, eq=False)
class BrakeOnsets:
    """Where each lap began to slow for each corner; arrays shape (m, c)."""

    station: np.ndarray  #: start of the slowing, in [0, length); the corner's entry where the lap did not slow [m]
    slowed: np.ndarray  #: bool, whether the lap slowed for the corner

    def __post_init__(self) -> None:
        own(self, "station")
        own(self, "slowed", dtype=bool)


def brake_onsets(table: LapTable, corners: Sequence[Corner]) -> BrakeOnsets:
    """Start of the slowing (lift or brakes) before each corner on each lap of `table`, counted or not.

    A lap is read as if it repeated itself, so that a corner behind the start line finds its straight.
    """
    v = np.asarray(table.v)
    n = v.shape[1]
    length = float(table.station[1] - table.station[0]) * n
    station = np.zeros((v.shape[0], len(corners)))
    slowed = np.zeros(station.shape, dtype=bool)
    grid = length / n * np.arange(n)
    spans = _spans(corners, grid, length)
    for row, speed in enumerate(v):
        for column, (entry, _, leave) in enumerate(spans):
            corner_before = spans[column - 1][2] - (n if column == 0 else 0)
            dab = round(DAB_BEFORE * float(speed[entry % n]) * n / length)
            approach = min(max(entry - dab, corner_before), entry)
            slowest = _end_of_slowing(speed, approach, leave)
            begin = _brake_point(speed, slowest, approach, slowest - n + 1)
            slowed[row, column] = speed[begin % n] - speed[slowest % n] >= LAP_SLOWING_MIN
            station[row, column] = grid[(begin if slowed[row, column] else entry) % n]
    return BrakeOnsets(station, slowed)


def cut_zones(
    line: Line,
    corners: Sequence[Corner],
    profile: LimitProfile,
    onsets: BrakeOnsets | None = None,
    counted: np.ndarray | None = None,
) -> tuple[Zone, ...]:
    """Cut the lap into one zone per corner, three phases each, on stations common to all laps.

    Parameters
    ----------
    line : Line
        Closed line of the profile, n stations.
    corners : sequence of Corner
        In driving order; their stations are read as shares of the line's length.
    profile : LimitProfile
        Its `v` and `a_lon`, shape (n,), and `active`, the limit in force at each station (index into LIMIT_NAMES).
    onsets : BrakeOnsets, optional
        Of the laps; zones then start no later than the earliest of them.
    counted : bool array, shape (m,), optional
        Laps of `onsets` to use; all when left out.

    Returns
    -------
    tuple of Zone
        In the order of `corners`; phases may be empty, and each station lies in exactly one.

    Raises
    ------
    OptionError
        When the corners are not in driving order.

    Notes
    -----
    Design, section 7. Where the limit profile is slow twice in a corner, mid-corner ends behind the later dip if that
    one is nearly as slow. Where the limit profile does not slow for a corner, mid-corner ends at the apex of
    curvature; where it is on the engine's limit as well, the corner is flat and has a mid-corner only. Where
    it brakes on into the next corner, mid-corner ends with the corner and the exit is empty.
    """
    if not corners:
        return ()
    v = np.asarray(profile.v)
    n = v.size
    spans = _spans(corners, line.station, line.length)
    slow = [_slowest(v, entry, leave) for entry, _, leave in spans]
    flat, starts, brake_stops, stops = [], [], [], []
    for i, (entry, apex, leave) in enumerate(spans):
        before = slow[i - 1] - (n if i == 0 else 0)
        begin = _brake_point(v, slow[i], entry, max(before, slow[i] - n + 1))
        top, low = v[begin % n], v[np.arange(begin, slow[i] + 1) % n].min()
        slows = bool(top - low >= SLOWING_MIN)
        on_engine = np.mean(profile.active[np.arange(entry, leave + 1) % n] == ENGINE)
        flat.append(bool(not slows and on_engine >= FLAT_SHARE and len(corners) > 1))
        starts.append(begin if slows else entry)
        brake_stops.append(_first_at_or_below(v, top - BRAKING_SHARE * (top - low), begin) if slows else entry)
        stops.append(_end_of_slow(v, entry, leave) if slows else apex)
    if onsets is not None:
        _advance(starts, slow, onsets, counted, line, v)
    return _tile(corners, line.station, starts, brake_stops, stops, flat)


def _spans(corners: Sequence[Corner], station: np.ndarray, length: float) -> list[tuple[int, int, int]]:
    """Station indices of entry, apex, exit of each corner, rising from corner to corner; may lie outside [0, n)."""
    n = station.size
    spans = []
    for corner in corners:
        apex = int(np.searchsorted(station, corner.apex_m - SAME_STATION))  # n behind the last station
        back = (corner.apex_m - corner.entry_m) % length
        ahead = (corner.exit_m - corner.apex_m) % length
        if back + ahead >= length:
            raise OptionError(
                f"corner {corner.name!r}: its apex at {corner.apex_m:.1f} m does not lie between its "
                f"entry at {corner.entry_m:.1f} m and its exit at {corner.exit_m:.1f} m."
            )
        spans.append((apex - round(back / length * n), apex, apex + round(ahead / length * n)))
    for (_, one, _), (_, two, _), a, b in zip(spans[:-1], spans[1:], corners[:-1], corners[1:], strict=True):
        if two <= one:
            raise OptionError(
                f"corners {a.name!r} and {b.name!r}: the apexes at {a.apex_m:.1f} m and {b.apex_m:.1f} m "
                "are not in driving order."
            )
    cut = []
    for i, (entry, apex, leave) in enumerate(spans):  # where neighbours overlap, the corner before gives way
        before = spans[i - 1][1] - (n if i == 0 else 0)
        after = spans[(i + 1) % len(spans)][0] + (n if i + 1 == len(spans) else 0)
        cut.append(
            (
                max(entry, before + 1) if len(spans) > 1 else entry,
                apex,
                max(min(leave, after), apex) if len(spans) > 1 else leave,
            )
        )
    return cut


def _slowest(v: np.ndarray, entry: int, leave: int) -> int:
    """The last station in [entry, leave] that is as slow as the corner gets, within PLATEAU."""
    inside = v[np.arange(entry, leave + 1) % v.size]
    return entry + int(np.flatnonzero(inside <= inside.min() + PLATEAU)[-1])


def _end_of_slow(v: np.ndarray, entry: int, leave: int) -> int:
    """As `_slowest`, or the end of the last dip in [entry, leave] that is within DIP_SHARE as slow."""
    inside = v[np.arange(entry, leave + 1) % v.size]
    lowest_yet = np.minimum.accumulate(inside[::-1])[::-1]
    waits = (inside - lowest_yet >= DIP_MIN) & (lowest_yet <= (1.0 + DIP_SHARE) * inside.min())
    low = lowest_yet[np.flatnonzero(waits)[-1]] if waits.any() else inside.min()
    return entry + int(np.flatnonzero(inside <= low + PLATEAU)[-1])


def _end_of_slowing(v: np.ndarray, entry: int, leave: int) -> int:
    """Where the largest loss of speed in [entry, leave] ends; where there is none, the slowest station."""
    inside = v[np.arange(entry, leave + 1) % v.size]
    lost = np.maximum.accumulate(inside) - inside
    return entry + int(np.argmax(lost)) if lost.max() > 0.0 else _slowest(v, entry, leave)


def _brake_point(v: np.ndarray, slowest: int, entry: int, earliest: int) -> int:
    """Where the slowing that ends at `slowest` begins, walking back no further than `earliest`.

    Between `entry` and `slowest` the speed may rise and fall again: that is one corner.
    """
    index = np.arange(slowest, earliest - 1, -1)
    back = v[index % v.size]
    top = np.maximum.accumulate(back)
    dropped = np.flatnonzero((back < top - DROP_UPSTREAM) & (index < entry))
    stop = int(dropped[0]) if dropped.size else back.size
    return slowest - int(np.flatnonzero(back[:stop] >= top[stop - 1] - AT_TOP)[0])


def _first_at_or_below(v: np.ndarray, level: float, start: int) -> int:
    """First station from `start` on with a speed of at most `level`."""
    return start + int(np.argmax(v[np.arange(start, start + v.size) % v.size] <= level))


def _advance(
    starts: list[int], slow: list[int], onsets: BrakeOnsets, counted: np.ndarray | None, line: Line, v: np.ndarray
) -> None:
    """Move each start forward to where the laps' earliest onset begins to show in the smooth motion.

    A lap whose slowing began before the corner before was over gained no speed between the two: what it left there is
    that corner's exit, and it tells nothing of a lift.
    """
    rows = slice(None) if counted is None else np.asarray(counted, dtype=bool)
    n = line.station.size
    for i, slowest in enumerate(slow):
        begun = onsets.station[rows, i][onsets.slowed[rows, i]]
        index = np.searchsorted(line.station, begun - SAME_STATION) % n
        early = (slowest - index) % n
        before = slow[i - 1] - (n if i == 0 else 0)
        # beyond half a lap they began behind the limit's slowest station
        early = early[early < min(n // 2, slowest - before)]
        if early.size:
            first = slowest - int(early.max())
            first -= round(LIFT_SPREAD * float(v[first % n]) * n / line.length)
            starts[i] = min(starts[i], first)


def _tile(
    corners: Sequence[Corner],
    station: np.ndarray,
    starts: list[int],
    brake_stops: list[int],
    stops: list[int],
    flat: list[bool],
) -> tuple[Zone, ...]:
    """Zones from station indices: no start before the corner before is over, each phase behind the last."""
    n = station.size
    starts = [max(start, stops[i - 1] - (n if i == 0 else 0)) for i, start in enumerate(starts)]
    zones = []
    for i, corner in enumerate(corners):
        following = starts[i + 1] if i + 1 < len(starts) else starts[0] + n
        braked = starts[i] if flat[i] else min(max(brake_stops[i], starts[i]), stops[i])
        mid = following if flat[i] else stops[i]
        zones.append(Zone(corner, *(float(station[k % n]) for k in (starts[i], braked, mid, following))))
    return tuple(zones)
