"""Channels of a session as observations: each one once, at its own time, at most 25 a second."""

from __future__ import annotations

import math
from bisect import bisect
from dataclasses import dataclass, replace

import numpy as np

from simlap.drawnfixes import drawn_corners
from simlap.errors import NotEnoughData
from simlap.geodesy import Origin, origin_of, to_plane
from simlap.robust import deviation
from simlap.session import Session
from simlap.splines import lowpass

BIN = 0.04  # [s] faster channels are averaged over bins of this width: 25 Hz carries 2 Hz with nothing lost
HELD_RUN = 1.5  # rows: a channel whose values stay longer on average is a slower one, written again and again
JUMP_SPEED = 130.0  # [m/s] a fix that would need more than this from both neighbours is a jump, not a drive
JUMP_SLACK = 5.0  # [m] two fixes may err by so much against each other
JUMP_WINDOW = 9  # fixes; single jumps are seen against the median of so many, runs by what a car can reach
BRINGS = 3  # times the fixes that it costs, a piece between jumps must bring
MOST_PIECES = 2000  # pieces between jumps that are tried; a log with more is noise
# A jump there and back: one step, and soon after it one that takes it back, away from their neighbours by more than a
# crash could move a car within a fix, and by far more than the fixes of this log err.
THERE, THERE_ACCELERATION, THERE_DEVIATIONS = 1.5, 100.0, 10.0  # [m], [m/s²], robust deviations
AND_BACK, LONGEST_AWAY = 0.3, 5.0  # share of the first step that is not taken back; [s]
AWAY_WINDOW = 5  # steps whose median velocity a jump is seen against
NULL_ISLAND = 1e-6  # [deg] receivers without a fix write 0, 0
SILENT = 1.0  # [s] without a value of a channel, or some of its own steps: what it did there is not known
STEPS_SILENT = 4.0  # steps of a slow channel
FAR = 50_000.0  # [m] from the median position: no circuit is that long; broken fixes
# A receiver's clock is even. Where its fixes are written to the next row of a faster logger, rows stand in for their
# times, late by up to one row: at 20 fixes a second and 50 rows, by 0 or 10 ms in turn, which is 0.4 m at 40 m/s.
OF_ROWS = 0.8  # share of the rows with a fix, above which there is no faster logger
PIECE = 1.0  # [s] without a fix: behind it the two clocks are matched anew
LEAST_OF_PIECE = 20  # fixes
WITHIN_ROWS = 1.1  # rows between the latest and the earliest that all fixes of an even clock keep within ...
MOST_OUT = 0.02  # ... but for this share of them
SOONER = 0.35  # periods that a fix may come before its clock, while counting; the rest of one it may be late
FOLLOWED = 0.05  # share of a fix's distance from the clock by which the clock is moved while counting
LATEST = 2.0  # rows that a fix may be away from its clock; beyond that it keeps the time of its row


@dataclass(frozen=True, eq=False)
class Observation:
    """One channel: times [s] and values, both (n,); ``rate`` [1/s] before binning."""

    t: np.ndarray
    value: np.ndarray
    rate: float
    # A yaw rate reads course rate + slip · d(a_lat)/dt [rad s²/m], a wheel speed v + slip · v · a_lon [s²/m].
    slip: float = 0.0

    @property
    def per_second(self) -> float:
        """Values a second that are left to read. [1/s]"""
        return self.t.size / max(float(np.ptp(self.t)), 1.0)

    def shifted(self, lag: float) -> Observation:
        """The same values, `lag` seconds earlier."""
        return replace(self, t=self.t - lag)

    def within(self, start: float, stop: float) -> Observation:
        """The values from `start` to `stop` [s]."""
        inside = (self.t >= start) & (self.t <= stop)
        return replace(self, t=self.t[inside], value=self.value[inside])

    def smoothed(self, t: np.ndarray, step: float, bandwidth: float) -> np.ndarray:
        """Values at times `t`, evenly `step` apart [s], low-passed at `bandwidth` [Hz]."""
        return lowpass(np.interp(t, self.t, self.value), step, bandwidth)


@dataclass(frozen=True, eq=False)
class Fixes:
    """Position fixes in the local plane, jumps and repeats removed."""

    t: np.ndarray  #: (n,) [s]
    x: np.ndarray  #: east [m]
    y: np.ndarray  #: north [m]
    origin: Origin | None
    rate: float  #: median fixes per second
    dropped: int  #: fixes thrown away
    notes: tuple[str, ...]
    row_t: np.ndarray  #: (n,) times of the rows that hold them [s]
    drawn: bool = False  #: the log holds straight lines between them: what lies there says nothing


def has_positions(session: Session) -> bool:
    """True when the log carries latitude and longitude, or x and y."""
    return (session.has("latitude") and session.has("longitude")) or (session.has("x") and session.has("y"))


def median_rate(t: np.ndarray) -> float:
    """Samples per second, from the median step; 0 with fewer than two."""
    return float(1.0 / np.median(np.diff(t))) if t.size > 1 else 0.0


def heard(t: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Which times `at` (any shape) lie between two values of a channel that follow each other soon, or within a step of
    its first or last. `t` (n,) are the times of at least two finite values, rising. [s]"""
    step = float(np.median(np.diff(t)))
    behind = np.searchsorted(t, at)
    last, following = t[np.clip(behind - 1, 0, t.size - 1)], t[np.clip(behind, 0, t.size - 1)]
    inside = (behind > 0) & (behind < t.size)
    return np.where(inside, following - last <= max(SILENT, STEPS_SILENT * step), np.abs(at - last) <= step)


def _changes(*columns: np.ndarray) -> np.ndarray:
    """True at rows where any column differs from the row before; the first row counts."""
    changed = np.zeros(columns[0].size, dtype=bool)
    changed[:1] = True
    for column in columns:
        changed[1:] |= np.diff(column) != 0.0
    return changed


def fixes_of(session: Session, plane: Origin | None = None) -> Fixes:
    """Position fixes of a session: repeats once, 0/0, far and jumping ones dropped and counted.

    `plane` is the wanted origin of the local plane; the median position without it.

    Raises
    ------
    NotEnoughData
        When no row holds both parts of a position.
    """
    notes: list[str] = []
    origin: Origin | None = None
    if session.has("latitude") and session.has("longitude"):
        latitude, longitude = session.channel("latitude"), session.channel("longitude")
        fine = np.isfinite(latitude) & np.isfinite(longitude)
        null = fine & (np.abs(latitude) < NULL_ISLAND) & (np.abs(longitude) < NULL_ISLAND)
        fine &= ~null & (np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0)
        rows = np.flatnonzero(fine)
        origin = origin_of(latitude[rows], longitude[rows]) if plane is None else plane
        rows = rows[_changes(latitude[rows], longitude[rows])]
        x, y = to_plane(latitude[rows], longitude[rows], origin)
        if null.any():
            notes.append(f"{int(null.sum())} rows with position 0, 0 left out.")
    else:
        x, y = session.channel("x"), session.channel("y")
        rows = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        rows = rows[_changes(x[rows], y[rows])]
        x, y = x[rows], y[rows]
    if not rows.size:
        raise NotEnoughData(
            f"{session.source}: no row has both parts of a position. Log them together, or leave both columns out."
        )
    t = session.t[rows]
    keep = np.hypot(x - np.median(x), y - np.median(y)) < FAR
    keep[keep] = _not_jumping(t[keep], x[keep], y[keep])
    keep[keep] = _not_away(t[keep], x[keep], y[keep])
    dropped = int((~keep).sum())
    if dropped:
        notes.append(f"{dropped} position fixes jump by more than a car can drive; left out.")
    t, x, y = t[keep], x[keep], y[keep]
    corners = drawn_corners(t, x, y)
    if corners is not None:
        t, x, y = t[corners], x[corners], y[corners]
        notes.append(
            f"The log draws straight lines between {median_rate(t):.1f} fixes a second; only the fixes are used."
        )
    even = _even_clock(t, session.t)
    return Fixes(even, x, y, origin, median_rate(even), dropped, tuple(notes), t, corners is not None)


def _even_clock(t: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Times of fixes by the even clock of their receiver, from the times `t` (n,) of the first `rows` that hold them.

    The times come back as they were where they are no even clock's.
    """
    if t.size <= LEAST_OF_PIECE or t.size > OF_ROWS * np.count_nonzero((rows >= t[0]) & (rows <= t[-1])):
        return t
    row = float(np.median(np.diff(rows)))
    out = np.array(t)
    for piece in np.split(np.arange(t.size), np.flatnonzero(np.diff(t) > PIECE) + 1):
        if piece.size < LEAST_OF_PIECE:
            continue
        step = np.diff(t[piece])
        period = float(np.mean(step[step < np.median(step) + 1.5 * row]))  # without lost fixes
        count = _counted(t[piece], period)
        slope, first = np.polyfit(count, t[piece], 1)
        late = t[piece] - first - slope * count
        low, high = np.quantile(late, (0.5 * MOST_OUT, 1.0 - 0.5 * MOST_OUT))
        even = t[piece] - np.where(np.abs(late) <= LATEST * row, late, 0.0)
        if high - low <= WITHIN_ROWS * row and np.all(np.diff(even) > 0.0):
            out[piece] = even
    return out


def _counted(t: np.ndarray, period: float) -> np.ndarray:
    """Number of each fix (n,) on an even clock of about this period [s], which is followed slowly: a late fix among
    others does not shift it."""
    count = np.zeros(t.size)
    clock = float(t[0])
    for k, at in enumerate(t[1:].tolist(), start=1):
        steps = max(math.floor((at - clock) / period + SOONER), 1)
        count[k] = count[k - 1] + steps
        clock += steps * period
        clock += FOLLOWED * (at - clock)
    return count


def _not_jumping(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """False for fixes that no car could have reached from the last good one.

    Single jumps lie away from the median of their neighbours. Of what is left, a good fix is followed while the implied
    speed stays below `JUMP_SPEED`; the longest chain wins, so a run of wrong fixes (multipath, a receiver that woke up
    elsewhere) is dropped as a whole.
    """
    n = t.size
    keep = np.ones(n, dtype=bool)
    if n < JUMP_WINDOW:
        return keep
    from scipy.ndimage import median_filter

    away = np.hypot(x - median_filter(x, JUMP_WINDOW), y - median_filter(y, JUMP_WINDOW))
    near = np.flatnonzero(away <= JUMP_SPEED * JUMP_WINDOW * np.median(np.diff(t)) + JUMP_SLACK)
    keep[:] = False
    keep[near[_longest_chain(t[near], x[near], y[near])]] = True
    return keep


def _not_away(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """False for fixes between a jump and its way back.

    A receiver that loses satellites, or takes a reflection for one, lies some metres beside the car for a second or
    two: near enough for a car to reach, but not within one fix. A jump that is not taken back soon stays in: which of
    its sides is right, positions alone do not tell.
    """
    keep = np.ones(t.size, dtype=bool)
    if t.size < JUMP_WINDOW:
        return keep
    from scipy.ndimage import median_filter

    dt = np.diff(t)
    east, north = np.diff(x) / dt, np.diff(y) / dt
    beside = (east - median_filter(east, AWAY_WINDOW)) + 1j * (north - median_filter(north, AWAY_WINDOW))
    moved = beside * dt
    least = np.maximum(THERE, THERE_ACCELERATION * dt**2)
    jumps = np.flatnonzero(np.abs(moved) > np.maximum(least, THERE_DEVIATIONS * deviation(np.abs(moved))))
    done = -1
    for k, there in enumerate(jumps.tolist()):
        if there <= done:
            continue
        for back in jumps[k + 1 :].tolist():
            if t[back] - t[there] > LONGEST_AWAY:
                break
            if abs(moved[there] + moved[back]) < AND_BACK * abs(moved[there]):
                keep[there + 1 : back + 1] = False
                done = back
                break
    return keep


def _longest_chain(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Indices of the pieces, longest first, that a car could have driven one after the other."""
    n = t.size
    step = np.hypot(np.diff(x), np.diff(y))
    bad = step > JUMP_SPEED * np.diff(t) + JUMP_SLACK
    if not bad.any():
        return np.arange(n)
    pieces = np.split(np.arange(n), np.flatnonzero(bad) + 1)
    pieces.sort(key=len, reverse=True)
    chosen = [pieces[0]]  # in the order of time: a piece has to be within reach of its two neighbours
    for piece in pieces[1:MOST_PIECES]:
        place = bisect([other[0] for other in chosen], piece[0])
        beside = slice(max(place - 1, 0), place + 1)
        trimmed: list[np.ndarray] = []
        whole = piece.size + sum(other.size for other in chosen[beside])
        for other in chosen[beside]:
            ends = _within_reach(t, x, y, piece, other)
            if ends is None:
                break
            piece, other = ends
            trimmed.append(other)
        else:  # a short piece that costs fixes at both of its ends is a jump there and back
            if piece.size > BRINGS * (whole - piece.size - sum(other.size for other in trimmed)):
                chosen[beside] = trimmed
                chosen.insert(place, piece)
    return np.sort(np.concatenate(chosen))


def _within_reach(
    t: np.ndarray, x: np.ndarray, y: np.ndarray, one: np.ndarray, other: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Both pieces, with as few fixes as possible cut off the ends that face each other so that a car can drive from
    one to the other; None when `JUMP_WINDOW` fixes are not enough.

    A jump along the path may be reachable on its way out and not on its way back: then it is the end of a piece.
    """
    early, late = (one, other) if one[0] < other[0] else (other, one)
    last, first = early[: -JUMP_WINDOW - 1 : -1], late[:JUMP_WINDOW]
    way = np.hypot(x[first] - x[last][:, None], y[first] - y[last][:, None])
    fine = way <= JUMP_SPEED * (t[first] - t[last][:, None]) + JUMP_SLACK
    if not fine.any():
        return None
    cut = np.arange(last.size)[:, None] + np.arange(first.size)
    back, ahead = np.unravel_index(np.argmin(np.where(fine, cut, cut.size)), cut.shape)
    early, late = early[: early.size - back], late[ahead:]
    return (early, late) if one[0] < other[0] else (late, early)


def observe(session: Session, name: str, fixes: Fixes | None = None) -> Observation:
    """A channel as observations: empty cells out, repeats once, bins of `BIN` when faster than that.

    Parameters
    ----------
    session : Session
    name : str
        Channel name.
    fixes : Fixes, optional
        Of the session. A channel that changes at their rows only is sampled with them, at their times: equal values
        in a row are then measurements, not repeats. Where lines were drawn between the fixes, it is sampled with them,
        too.
    """
    value = session.channel(name)
    rows = np.flatnonzero(np.isfinite(value))
    t, value = session.t[rows], value[rows]
    if t.size < 2:
        return Observation(t, value, 0.0)
    if name == "course":
        value = np.unwrap(value)  # the mean of 359 and 1 degrees is not 180
    changed = _changes(value)
    if fixes is not None and 1 < fixes.t.size < 0.9 * t.size:
        on_clock = np.isin(t, fixes.row_t)
        if fixes.drawn or on_clock[changed].mean() > 0.9:
            t, value = fixes.t[np.searchsorted(fixes.row_t, t[on_clock])], value[on_clock]
            changed = np.ones(t.size, dtype=bool)
    runs = np.diff(np.flatnonzero(changed))
    if runs.size > 2 and runs.mean() > HELD_RUN and np.mean(runs == np.median(runs)) > 0.6:
        t, value = t[changed], value[changed]  # regular runs: a slower sensor; irregular ones are coarse digits
    rate = median_rate(t)
    if rate > 1.2 / BIN:
        t, value = _binned(t, value)
    return Observation(t, value, rate)


def _binned(t: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means over bins of `BIN`; the time is the mean time, so an uneven bin does not shift the channel."""
    bins = np.floor((t - t[0]) / BIN + 1e-6).astype(int)  # rounding must not move a row over the edge
    count = np.bincount(bins)
    full = count > 0
    mean_t = np.bincount(bins, t - t[0])[full] / count[full] + t[0]
    return mean_t, np.bincount(bins, value)[full] / count[full]
