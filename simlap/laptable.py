"""Every flying lap on common stations, and the same laps as samples in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from simlap.errors import NotEnoughData, OptionError
from simlap.frozen import own
from simlap.lap_types import Aside, Lap, LapSet
from simlap.lappath import lap_path
from simlap.line import Line
from simlap.motion_types import BANDWIDTH, Motion
from simlap.projection import Curve
from simlap.sensors import heard
from simlap.session import Session
from simlap.stationing import pinned, station_of_path, strictly_rising
from simlap.warp import shift_between

STATION_MISS = 0.05  # [m] two planes whose origins lie 10 km apart measure a lap of 5 km so differently
START_AWAY = 25.0  # [m] the laps' first point must lie this near to station 0 of the line
SMOOTH_CHANNELS = ("throttle", "brake_pressure", "brake", "engine_speed", "steering")  # interpolated linearly
STEP_CHANNELS = ("gear",)  # the nearest row's value: no gear lies between two gears
WARP_SPACING = 2.0  # [m] of the curvature profiles that align reckoned laps
WARP_ROUNDS = 2  # laps are aligned to their mean, twice


@dataclass(frozen=True, eq=False)
class LapTable:
    """Flying laps (m) at common stations (n) of a closed reference line; k noise replicates."""

    numbers: np.ndarray  #: (m,) lap numbers
    counted: np.ndarray  #: (m,) bool
    station: np.ndarray  #: (n,) uniform, n times the spacing is the line's length [m]
    t: np.ndarray  #: (m, n + 1) time since the lap's start at each station; the last is the lap time [s]
    session_start: np.ndarray  #: (m,) start of the lap on the session clock [s]
    v: np.ndarray  #: (m, n) [m/s]
    a_lon: np.ndarray  #: (m, n) [m/s²]
    a_lat: np.ndarray  #: (m, n) [m/s²]
    kappa: np.ndarray  #: (m, n) of the driven path [1/m]
    ds: np.ndarray  #: (m, n) path driven from station i to i + 1 [m]
    offset: np.ndarray  #: (m, n) left of the reference [m]
    x: np.ndarray  #: (m, n) east [m]
    y: np.ndarray  #: (m, n) north [m]
    noise_a_lon: np.ndarray  #: (k, m, n) [m/s²]
    noise_a_lat: np.ndarray  #: (k, m, n) [m/s²]
    channels: Mapping[str, np.ndarray]  #: logged channels, each (m, n), SI, NaN where silent
    across: np.ndarray | None = None  #: (m, n) lateral accelerometer beyond v² kappa, see `Motion.across` [m/s²]
    along: np.ndarray | None = None  #: (m, n) longitudinal accelerometer beyond dv/dt [m/s²]
    bandwidth_hz: float = BANDWIDTH  #: of the motion [Hz]

    def __post_init__(self) -> None:
        own(self, "numbers", dtype=int)
        own(self, "counted", dtype=bool)
        own(
            self,
            "station",
            "t",
            "session_start",
            "v",
            "a_lon",
            "a_lat",
            "kappa",
            "ds",
            "offset",
            "x",
            "y",
            "noise_a_lon",
            "noise_a_lat",
            "across",
            "along",
        )
        owned = {}
        for name, values in self.channels.items():
            copy = np.array(values, dtype=float)
            copy.setflags(write=False)
            owned[name] = copy
        object.__setattr__(self, "channels", MappingProxyType(owned))

    def shares_stations(self, other: LapTable) -> bool:
        """Whether both tables lie on one circuit: each outing's own plane moves the stations by some rounding."""
        return self.station.size == other.station.size and bool(
            np.abs(self.station - other.station).max() < STATION_MISS
        )

    @property
    def lap_times(self) -> np.ndarray:
        """Lap times (m,) [s]."""
        return self.t[:, -1]


def tabulate(motion: Motion, session: Session, lapset: LapSet, line: Line, spacing: float) -> LapTable:
    """Sample every flying lap at common stations.

    Parameters
    ----------
    motion, session, lapset
        Of one outing.
    line : Line
        Closed reference line in the motion's plane; its station 0 lies on the start line.
    spacing : float
        Wanted distance of the stations; the nearest that divides the line's length is used. [m]

    Raises
    ------
    NotEnoughData
        When there is no flying lap.
    OptionError
        When the line is open, the spacing is not positive, or the laps do not start at station 0.
    """
    laps, stations = lap_stations(motion, lapset, line)
    if not spacing > 0.0:
        raise OptionError(f"spacing {spacing} m: must be positive.")
    count = max(round(line.length / spacing), 8)
    station = line.length / count * np.arange(count)
    at = np.empty((len(laps), count + 1))
    for row, (lap, where) in enumerate(zip(laps, stations, strict=True)):
        t = lap_path(motion, lap)[0]
        at[row] = np.interp(np.append(station, line.length), where, t)
        at[row, 0], at[row, -1] = lap.start_s, lap.stop_s
    inner = at[:, :-1]
    x, y = motion.at("x", inner), motion.at("y", inner)
    if not motion.closes:
        x, y = _closed(motion, laps, x, y, station / line.length)
    curve = Curve(line)
    offset = np.array([curve.offset(np.column_stack([a, b]), station) for a, b in zip(x, y, strict=True)])
    kappa, v = motion.at("kappa", inner), motion.at("v", inner)
    return LapTable(
        numbers=np.array([lap.number for lap in laps]),
        counted=np.array([lap.counted for lap in laps]),
        station=station,
        t=at - at[:, :1],
        session_start=at[:, 0],
        v=v,
        a_lon=motion.at("a_lon", inner),
        a_lat=motion.at("a_lat", inner),
        kappa=kappa,
        ds=np.diff(motion.at("s", at), axis=1),
        offset=offset,
        x=x,
        y=y,
        noise_a_lon=_replicates(motion, motion.noise_a_lon, inner),
        noise_a_lat=_replicates(motion, motion.noise_a_lat, inner),
        channels=_logged(session, inner),
        across=None if motion.across is None else motion.at("across", inner),
        along=None if motion.along is None else motion.at("along", inner),
        bandwidth_hz=motion.bandwidth_hz,
    )


def lap_stations(motion: Motion, lapset: LapSet, line: Line) -> tuple[tuple[Lap, ...], list[np.ndarray]]:
    """Flying laps and, for each, the station of every sample of `lap_path`.

    Returns
    -------
    laps : tuple of Lap
    stations : list of float64 arrays, shape (samples of the lap,)
        From exactly 0 to exactly the line's length, strictly rising. [m]

    Raises
    ------
    NotEnoughData
        When no lap is flying, or a lap without positions does not lie over the line.
    OptionError
        When the line is open, or does not begin where the laps do.
    """
    laps = lapset.flying
    if not laps:
        raise NotEnoughData("No full lap between two crossings of the start line; nothing can be compared.")
    if not line.closed:
        raise OptionError("The reference line is open; laps need a closed one.")
    curve = Curve(line)
    if motion.closes:
        _check_start(motion, laps, curve)
    stations = []
    for lap in laps:
        _, x, y, s = lap_path(motion, lap)
        station, x, y = station_of_path(curve, x, y, s, motion.closes)
        if not motion.closes and lap.kind is not Aside.GAP:  # how a lap lies behind its gap is not known
            _check_over(curve, station, x, y)
        stations.append(pinned(station, line.length))
    if not motion.closes:
        stations = _aligned(motion, laps, stations, line.length)
    return laps, stations


def _check_start(motion: Motion, laps: tuple[Lap, ...], curve: Curve) -> None:
    start = np.array([lap.start_s for lap in laps])
    points = np.column_stack([motion.at("x", start), motion.at("y", start)])
    ahead = (points - curve.at(np.zeros(1))) @ curve.tangent[0]
    away = float(np.median(ahead))
    if abs(away) > START_AWAY:
        raise OptionError(
            f"The laps start {away:.0f} m from station 0 of the reference line. Roll the line so that its "
            "station 0 lies on the start line, or leave the start line to the track file."
        )


def _check_over(curve: Curve, station: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    beside = float(np.median(np.hypot(*(np.column_stack([x, y]) - curve.at(station)).T)))
    if beside > START_AWAY:
        raise NotEnoughData(
            f"A lap that is reckoned without positions lies {beside:.0f} m beside the reference line: it starts "
            "elsewhere on the circuit, or is of another one. Logs without positions can be held against each other "
            "where both carry a lap or beacon channel of one start line; log positions to be free of it."
        )


def _aligned(motion: Motion, laps: tuple[Lap, ...], stations: list[np.ndarray], length: float) -> list[np.ndarray]:
    """Stations of reckoned laps, moved so that their curvature lines up with the mean lap's.

    Positions reckoned from speed drift by some metres along the path from lap to lap; the curvature does not.
    """
    grid = np.arange(0.0, length, WARP_SPACING)
    known = [lap.kind is not Aside.GAP for lap in laps]
    for _ in range(WARP_ROUNDS if sum(known) > 1 else 0):
        profiles = []
        for lap, station in zip(laps, stations, strict=True):
            profiles.append(np.interp(grid, station, motion.at("kappa", lap_path(motion, lap)[0])))
        # the seam is padded with the lap's other end, so that the start line is aligned like any other place
        pad = grid.size // 4
        mean = np.mean([profile for profile, whole in zip(profiles, known, strict=True) if whole], axis=0)
        moved = []
        for profile, station in zip(profiles, stations, strict=True):
            shift = shift_between(
                np.concatenate([mean[-pad:], mean, mean[:pad]]),
                np.concatenate([profile[-pad:], profile, profile[:pad]]),
                WARP_SPACING,
            )
            shift = shift[pad : pad + grid.size]
            there = strictly_rising(grid + shift)  # the lap's old station `there` is the place `grid` of the mean
            # the circuit goes on beyond both ends of the grid: without the neighbours the ends would be clamped, and
            # the whole shift would fall into the lap's last interval
            around = np.concatenate([[there[-1] - length], there, [there[0] + length]])
            places = np.concatenate([[grid[-1] - length], grid, [grid[0] + length]])
            moved.append(pinned(strictly_rising(np.interp(station, around, places)), length))
        stations = moved
    return stations


def _closed(motion: Motion, laps: tuple[Lap, ...], x: np.ndarray, y: np.ndarray, share: np.ndarray):
    """Reckoned laps closed on themselves and laid over their mean: miss spread evenly, then moved as a whole."""
    out = []
    for name, values in (("x", x), ("y", y)):
        ends = motion.at(name, np.array([[lap.start_s, lap.stop_s] for lap in laps]))
        closed = values - np.outer(ends[:, 1] - ends[:, 0], share)
        middle = closed.mean(axis=1)
        out.append(closed - (middle - np.median(middle))[:, None])
    return out[0], out[1]


def _replicates(motion: Motion, noise: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Noise (k, n) at times (m, n'), nearest sample: interpolation would make it smaller than it is."""
    index = np.rint((at - motion.t[0]) / (motion.t[1] - motion.t[0])).astype(int)
    return noise[:, np.clip(index, 0, motion.t.size - 1)]


def _logged(session: Session, at: np.ndarray) -> dict[str, np.ndarray]:
    """Logged channels at session times `at`, NaN where a channel is silent."""
    out: dict[str, np.ndarray] = {}
    for name in (*SMOOTH_CHANNELS, *STEP_CHANNELS):
        if not session.has(name):
            continue
        value = session.channel(name)
        rows = np.flatnonzero(np.isfinite(value))
        if rows.size < 2:
            continue
        t, value = session.t[rows], value[rows]
        known = heard(t, at)
        if name in STEP_CHANNELS:
            behind = np.clip(np.searchsorted(t, at), 1, t.size - 1)
            inside = (at >= t[0]) & (at <= t[-1])
            known |= inside & (value[behind - 1] == value[behind])  # loggers write a gear when it changes, too
            found = value[behind - (at - t[behind - 1] < t[behind] - at)]
        else:
            found = np.interp(at, t, value)
        out[name] = np.where(known, found, np.nan)
    return out
