"""Does one log hold laps of more than one circuit? Found from the ground that is driven again and again."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import LogFormatError
from simlap.geodesy import Origin, origin_of, to_geodetic, to_plane
from simlap.lap_types import StartLine
from simlap.laps import SHORTEST_LAP_M
from simlap.noted import Kind, Note, of_kind
from simlap.readers.join import SAME_GROUND
from simlap.sensors import JUMP_SLACK, JUMP_SPEED
from simlap.session import Session
from simlap.spans import true_spans

if TYPE_CHECKING:
    from simlap.track import Track

Ends = tuple[float, float, float, float]  # of a start line: latitude, longitude, twice [deg]

LOOK = 0.5  # [s] between the positions that are looked at: 30 m at 60 m/s
PAUSE = 5.0  # [s] without a position: nothing is said of the way between
SPACING = 10.0  # [m] of the points on the way
# A place is driven again when the way comes back into its cell in the same quarter of directions. Receivers wander by
# a few metres from lap to lap: half the points or more find their cell again.
CELL = 30.0  # [m]
RETURNS = 0.25  # share of the points of a lap that come back, below which the laps end; a shared straight is less
NEAR = 20.0  # [m] between two ways over the same ground: a circuit's width and the receivers' wander
LEAST_LAPS = 1.9  # driven on a circuit that counts: two, less what the cells blur
FEW = 0.25  # of the way on the circuit driven most: less is a skid pad or a try of another one, and is left out
ON_TRACK, ON_TRACK_SHARE = 30.0, 0.5  # [m], share of a circuit's ground so near to the line of a track file: it is that
AT_LINE = 50.0  # [m] from the middle of a start line to the ground that it lies on
NUMBERS = {2: "two", 3: "three", 4: "four"}


@dataclass(frozen=True, eq=False)
class Way:
    """Points about every `SPACING` metres along a log's positions, where it moves. All (n,)."""

    t: np.ndarray  #: [s]
    x: np.ndarray  #: [m]
    y: np.ndarray  #: [m]
    broken: np.ndarray  #: True where a pause or a jump lies before the point
    origin: Origin | None  #: of the plane


@dataclass(frozen=True, eq=False)
class Circuit:
    """Ground that is driven lap after lap, and when."""

    runs: tuple[tuple[int, int], ...]  #: first and last point of each time that it is driven on end
    place: np.ndarray  #: points of the way that come back, (k,) indices

    @property
    def points(self) -> int:
        """Length of all runs, in points of the way."""
        return sum(stop - start for start, stop in self.runs)


def on_one_circuit(
    session: Session, track: Track | None = None, start_line: Ends | None = None
) -> tuple[Session, tuple[str, ...]]:
    """The session, or of one that holds laps of several circuits the rows on the one asked for, or on the main one.

    Parameters
    ----------
    session : Session
        Returned as it is when it has no positions, or laps of one circuit at most.
    track : Track, optional
        Tells which circuit is wanted.
    start_line : (lat1, lon1, lat2, lon2), optional
        Tells it where there is no track. [deg]

    Returns
    -------
    session : Session
    notes : tuple of str
        What was left out.

    Raises
    ------
    LogFormatError
        When there are two circuits or more, none of them is asked for, and none is driven far more than the others.
    OptionError
        When there are, and the log's positions or the track have no place on the globe while the other has.

    Notes
    -----
    Two layouts of one circuit, and a circuit driven the other way round, are the same ground. A way driven once (a
    hill climb, the road to the circuit) is no lap. Circuits of fewer than two laps are passed over.
    """
    way = way_of(session)
    circuits = circuits_of(way)
    if len(circuits) < 2:
        return session, ()
    track = track and track.in_plane(way.origin)
    start = None if start_line is None or track is not None else StartLine.from_geodetic(*start_line, way.origin)
    asked = _asked(way, circuits, track, start)
    wanted = _main(circuits) if asked is None else asked
    if wanted is None:
        raise LogFormatError(_two_circuits(session, way, circuits, track, start))
    name = "the circuit driven most"
    if asked is not None:
        name = "the circuit of the start line" if track is None else f"the circuit of track {track.name!r}"
    spans = _spans_on(way, circuits, wanted)
    kept = np.zeros(session.t.size, dtype=bool)
    for first, last in spans:
        kept |= (session.t >= first) & (session.t <= last)
    told = " and ".join(_stretch(session, max(a, session.t[0]), min(b, session.t[-1])) for a, b in spans)
    others = "another circuit" if len(circuits) == 2 else f"{len(circuits) - 1} other circuits"
    note = f"The log holds laps of {others} as well, left out: only {told} is taken, on {name}."
    channels = {channel: values[kept] for channel, values in session.channels.items()}
    parts = tuple(part for part in session.parts if np.any(session.t[kept] >= part))
    return replace(session, t=session.t[kept], channels=channels, parts=parts), (Note(note, Kind.ELSEWHERE),)


def way_of(session: Session) -> Way:
    """The way of a log, thinned to points about every `SPACING` metres; empty without positions."""
    origin = None
    if session.has("latitude") and session.has("longitude"):
        latitude, longitude = session.channel("latitude"), session.channel("longitude")
        rows = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    elif session.has("x") and session.has("y"):
        rows = np.flatnonzero(np.isfinite(session.channel("x")) & np.isfinite(session.channel("y")))
    else:
        rows = np.zeros(0, dtype=int)
    if rows.size:
        rows = rows[np.unique(np.floor(session.t[rows] / LOOK), return_index=True)[1]]
    t = session.t[rows]
    if not rows.size:
        x = y = t
    elif session.has("latitude") and session.has("longitude"):
        origin = origin_of(latitude, longitude)
        x, y = to_plane(latitude[rows], longitude[rows], origin)
    else:
        x, y = session.channel("x")[rows], session.channel("y")[rows]
    fine = np.isfinite(x) & np.isfinite(y)
    return _thinned(t[fine], x[fine], y[fine], origin)


def _thinned(t: np.ndarray, x: np.ndarray, y: np.ndarray, origin: Origin | None) -> Way:
    moved = _moved(x.tolist(), y.tolist())
    t, x, y = t[moved], x[moved], y[moved]
    step, dt = np.hypot(np.diff(x), np.diff(y)), np.diff(t)
    # one who stood for long moves on from where he was: no more than the last step of it was driven
    whole = (step < JUMP_SPEED * dt + JUMP_SLACK) & ((dt < PAUSE) | (step < 2.0 * SPACING))
    count = np.where(whole, np.maximum(np.round(step / SPACING), 1.0), 1.0).astype(int)
    first = np.cumsum(np.append(0, count))
    at = np.arange(first[-1] + 1) if t.size else np.zeros(0, dtype=int)
    broken = np.zeros(at.size, dtype=bool)
    broken[first[1:][~whole]] = True
    t, x, y = (np.interp(at, first[: t.size], values) if t.size else values for values in (t, x, y))
    return Way(t, x, y, broken, origin)


def _moved(x: list[float], y: list[float]) -> np.ndarray:
    """Which positions lie `SPACING` or more from the one before them that is kept: noise at rest is no way."""
    kept: list[int] = []
    x0 = y0 = np.inf
    for i, (xi, yi) in enumerate(zip(x, y, strict=True)):
        if not kept or (xi - x0) ** 2 + (yi - y0) ** 2 >= SPACING**2:
            kept.append(i)
            x0, y0 = xi, yi
    return np.array(kept, dtype=int)


def circuits_of(way: Way) -> list[Circuit]:
    """The circuits that a way is driven on for two laps or more, in the order of their first one."""
    earlier, later = _returns(way)
    if not later.size:
        return []
    circuits: list[Circuit] = []
    for start, stop in _lapped(way.t.size, earlier, later):
        inside = (earlier >= start) & (later < stop)
        if not inside.any():
            continue
        lap = float(np.median(later[inside] - earlier[inside]))
        run = (int(earlier[inside].min()), int(later[inside].max()))
        if run[1] - run[0] < LEAST_LAPS * lap:
            continue
        place = np.unique(np.concatenate([earlier[inside], later[inside]]))
        same = [k for k, one in enumerate(circuits) if _shared(way, one.place, place) >= SAME_GROUND]
        runs = [run]
        for k in reversed(same):
            known = circuits.pop(k)
            runs, place = [*known.runs, *runs], np.union1d(known.place, place)
        circuits.append(Circuit(tuple(sorted(runs)), place))
    return sorted(circuits, key=lambda one: one.runs[0])


def _returns(way: Way) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of points of one place in one direction, the second on the next time round; sorted by neither."""
    n = way.t.size
    if n < 3:
        return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
    heading = np.arctan2(np.diff(way.y, append=way.y[-1]), np.diff(way.x, append=way.x[-1]))
    heading[-1] = heading[-2]
    cells = [np.floor(way.x / CELL), np.floor(way.y / CELL), np.floor(heading / (0.5 * np.pi))]
    key = np.unique(np.column_stack(cells), axis=0, return_inverse=True)[1].ravel()
    order = np.lexsort((np.arange(n), key))
    new = np.append(True, np.diff(key[order]) != 0)
    again = np.append(True, np.diff(order) > SHORTEST_LAP_M / SPACING) | new  # a pass through the cell begins
    at = np.maximum.accumulate(np.where(again, np.arange(n), 0))  # where in `order` the pass of each point began
    paired = ~new[at]
    return order[at[paired] - 1], order[paired]


def _lapped(n: int, earlier: np.ndarray, later: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of a way of `n` points on which lap follows lap, half-open, that share no point.

    A pair of points a lap apart spans that lap; each place on the way between is spanned by as many pairs as points of
    a lap come back. Weighed by one over their length they add up to the share of the lap that comes back. It ramps up
    over the first lap, and falls to nothing where the car leaves for good or comes back after very long.
    """
    weight = 1.0 / (later - earlier)
    spanned = np.cumsum(np.bincount(earlier, weight, n) - np.bincount(later, weight, n))
    runs = true_spans(spanned >= RETURNS)
    cuts = [0]
    cuts += [int(a[1] + np.argmin(spanned[a[1] : b[0]])) for a, b in itertools.pairwise(runs)]
    return list(zip(cuts, [*cuts[1:], n], strict=True)) if runs else []


def _shared(way: Way, one: np.ndarray, other: np.ndarray) -> float:
    """Share of the smaller ground that lies on the larger one."""
    few, many = sorted((one, other), key=len)
    return float(np.mean(_away(way, few, way.x[many], way.y[many]) < NEAR))


def _away(way: Way, points: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Distance of each of the way's `points` (indices) from the nearest of the places `x`, `y` [m]."""
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(np.column_stack([x, y])).query(np.column_stack([way.x[points], way.y[points]]))[0])


def _main(circuits: Sequence[Circuit]) -> int | None:
    """The circuit beside which all others were hardly driven; None where there is none."""
    order = sorted(range(len(circuits)), key=lambda k: circuits[k].points)
    return order[-1] if circuits[order[-2]].points < FEW * circuits[order[-1]].points else None


def _asked(way: Way, circuits: Sequence[Circuit], track: Track | None, start: StartLine | None) -> int | None:
    """Which circuit the track or else the start line lies on; None where neither tells."""
    if track is not None:
        line = track.line
        shares = [float(np.mean(_away(way, one.place, line.x, line.y) < ON_TRACK)) for one in circuits]
        best = int(np.argmax(shares))
        return best if shares[best] >= ON_TRACK_SHARE else None
    if start is not None:
        x, y = start.middle
        away = [float(_away(way, one.place, np.array([x]), np.array([y])).min()) for one in circuits]
        best = int(np.argmin(away))
        return best if away[best] < AT_LINE else None
    return None


def _all_runs(circuits: Sequence[Circuit]) -> list[tuple[tuple[int, int], int]]:
    """Runs of all circuits in driving order, each with its circuit; runs on end of one circuit are one."""
    out: list[tuple[tuple[int, int], int]] = []
    for run, k in sorted((run, k) for k, one in enumerate(circuits) for run in one.runs):
        if out and out[-1][1] == k:
            out[-1] = ((out[-1][0][0], run[1]), k)
        else:
            out.append((run, k))
    return out


def _begins(way: Way, before: int, run: tuple[int, int], ground: np.ndarray) -> int:
    """The point at which a run begins behind point `before`: where the last pause ends, or where its ground is met."""
    between = np.arange(before + 1, run[0] + 1)
    pauses = between[way.broken[between]]
    if pauses.size:
        return int(pauses[np.argmax(way.t[pauses] - way.t[pauses - 1])])
    on = between[_on(way, between, ground)]
    return int(on[0]) if on.size else run[0]


def _ends(way: Way, run: tuple[int, int], behind: int, ground: np.ndarray) -> int:
    """The last point of a run before point `behind`: where the longest pause begins, or where its ground is left."""
    between = np.arange(run[1], behind)
    pauses = between[way.broken[between + 1]]
    if pauses.size:
        return int(pauses[np.argmax(way.t[pauses + 1] - way.t[pauses])])
    on = between[_on(way, between, ground)]
    return int(on[-1]) if on.size else run[1]


def _on(way: Way, points: np.ndarray, ground: np.ndarray) -> np.ndarray:
    return np.asarray(_away(way, points, way.x[ground], way.y[ground]) < NEAR)


def _spans_on(way: Way, circuits: Sequence[Circuit], wanted: int) -> list[tuple[float, float]]:
    """Times [s] from and to which the car is on the wanted circuit; open to the ends of the log."""
    runs = _all_runs(circuits)
    ground = circuits[wanted].place
    spans = []
    for i, (run, k) in enumerate(runs):
        if k != wanted:
            continue
        first = -np.inf if i == 0 else way.t[_begins(way, runs[i - 1][0][1], run, ground)]
        last = np.inf if i == len(runs) - 1 else way.t[_ends(way, run, runs[i + 1][0][0], ground)]
        spans.append((float(first), float(last)))
    return spans


def _middle(way: Way, one: Circuit) -> tuple[float, float]:
    return float(np.median(way.x[one.place])), float(np.median(way.y[one.place]))


def _stretch(session: Session, start: float, stop: float) -> str:
    """A stretch of the log in words, as `_moment`."""
    if not of_kind(session.notes, Kind.CLOCK_RESTARTS):
        return f"{start:.2f} to {stop:.2f} s"
    rows = np.flatnonzero((session.t >= start) & (session.t <= stop))
    return f"rows {rows[0] + 1} to {rows[-1] + 1} below the header"


def _moment(session: Session, t: float) -> str:
    """A moment in words: its time, or its row where the clock of the log restarts, for times behind that are not the
    log's own."""
    if not of_kind(session.notes, Kind.CLOCK_RESTARTS):
        return f"{t:.2f} s"
    return f"row {int(np.searchsorted(session.t, t)) + 1} below the header"


def _two_circuits(
    session: Session, way: Way, circuits: Sequence[Circuit], track: Track | None, start: StartLine | None
) -> str:
    runs = _all_runs(circuits)
    one, other = circuits[runs[0][1]], circuits[runs[1][1]]
    at = _moment(session, float(way.t[_begins(way, runs[0][0][1], runs[1][0], other.place)]))
    x1, y1 = _middle(way, one)
    x2, y2 = _middle(way, other)
    away = float(np.hypot(x2 - x1, y2 - y1))
    far = f"{away:.0f} m" if away < 2000.0 else f"{away / 1000.0:.1f} km"
    ways = "--track FILE"
    where = ""
    if way.origin is not None:
        lat, lon = (float(z[0]) for z in to_geodetic(np.array([x2]), np.array([y2]), way.origin))
        where = f" at {lat:.4f},{lon:.4f}"
        ways += " or --start-line LAT1,LON1,LAT2,LON2"
    neither = ""
    if track is not None:
        neither = f" Track {track.name!r} lies on none of them."
    elif start is not None:
        neither = " The start line lies on none of them."
    count = NUMBERS.get(len(circuits), str(len(circuits)))
    return (
        f"{session.source}: holds laps of {count} circuits. From {at} on the car drives another one, its middle "
        f"{far} away{where}.{neither} Split the log there and judge each part alone, or name the one wanted: {ways}."
    )
