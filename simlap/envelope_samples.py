"""From a table of laps to what the tyres and the engine gave, with the road taken out, in short held windows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simlap.envelope import slowed_by
from simlap.errors import NotEnoughData
from simlap.frozen import own
from simlap.motion_types import BANDWIDTH
from simlap.pedals import throttle_of
from simlap.robust import deviation
from simlap.spans import true_spans
from simlap.track import grip_scale
from simlap.units import G

# An acceleration counts when it is held this long. The design asks for 0.3 s at least; the smooth motion rings by 1 %
# about a plateau with a period near 0.5 s, which means over 0.45 s take out (measured: c0 0.4 % nearer to the truth).
HELD = 0.45  # [s]
# A motion smoothed to less rings longer: windows hold this many periods of its bandwidth.
# Measured on logs of positions alone (0.4 to 1 Hz): drivers at the limit -0.3 to -2.8 %, others rms
# 0.8 %; with 0.9 periods -0.1 to -1.3 %, but 1.3 %: such windows are longer than many corners.
HELD_PERIODS = 0.45
# A sample further than this many robust deviations from the median of its five neighbours is wild (a struck kerb,
# a jump of position); it takes the neighbours' median. The motion carries nothing above 2 Hz, so real
# accelerations change by far less from station to station.
WILD_DEVIATIONS = 8.0
WILD_FLOOR = 3.0  # [m/s²]
# Where the road throws the car up until less than this share of its weight is left, nothing about grip is learnt.
NORMAL_FLOOR = 0.3
# Slowing that costs a tyre none of its side force: rolling and air, c0 + c1 v², and the drag of the cornering itself,
# c2 times the lateral acceleration squared (a tyre at 3 to 5° of slip pulls backwards by 5 to 9 % of its side force;
# common practice, no source).
FREE_SLOWING = (0.2, 0.00035, 0.005)  # [m/s²], [1/m], [s²/m]
# Half of it is taken out before limits are read and added again in the envelope, which so lies half-way between one
# about zero, as g-g diagrams are drawn, and one about minus the drag, as tyres work: few laps do not tell which. With
# none, cars of another simulator, modelled with tyres, came out with limit laps 0.40 % off (rms) instead of 0.36, cars
# of ours and of a third about zero the same (0.28, 0.16; DEVELOPERS.md).
DRAG = (0.5 * FREE_SLOWING[0], 0.5 * FREE_SLOWING[1], 0.5 * FREE_SLOWING[2])
# Laps that must hold the throttle where it counts: a limit is what two laps have shown.
FEWEST_HEARD = 2
# Fewer noise replicates than this cannot tell the noise of the motion.
MIN_REPLICATES = 2


@dataclass(frozen=True, eq=False)
class RoadSamples:
    """What the tyres did, per counted lap and station; arrays (m, n) unless said otherwise.

    `lateral` (left positive) and `along` (speeding up positive) are in the plane of the road, gravity's part taken
    out, divided by g_n / g and by the grip of the corner. `pull` is `along` before that division: the engine does not
    know g_n.
    """

    numbers: np.ndarray  #: lap numbers, (m,)
    station: np.ndarray  #: (n,) [m]
    duration: np.ndarray  #: time spent from each station to the next [s]
    speed2: np.ndarray  #: v² [m²/s²]
    lateral: np.ndarray  #: [m/s²]
    along: np.ndarray  #: [m/s²]
    pull: np.ndarray  #: [m/s²]
    normal: np.ndarray  #: g_n / g, times the grip factor of the corner
    throttle: np.ndarray | None  #: 0..1, None when not logged; the other laps' median where it is silent on a lap
    noise_lateral: np.ndarray  #: replicates of the error of `lateral`, (k, m, n)
    noise_along: np.ndarray  #: the same of `along`
    repaired: int  #: number of wild samples replaced
    banking_known: bool  #: False where the line's banking is neither stated nor read from the log
    banking_doubt: float = 0.0  #: standard deviation of the line's banking [rad]
    bandwidth_hz: float = BANDWIDTH  #: of the motion [Hz]
    throttle_silent: np.ndarray | None = None  #: bool, where `throttle` is not the lap's own; None for nowhere

    def __post_init__(self) -> None:
        own(
            self,
            *("numbers", "station", "duration", "speed2", "lateral", "along", "pull", "normal", "throttle"),
            *("noise_lateral", "noise_along"),
        )
        own(self, "throttle_silent", dtype=bool)

    @property
    def force(self) -> np.ndarray:
        """`along` without what `DRAG` slows: the tyres' own part (m, n). [m/s²]"""
        slowed = slowed_by(DRAG, self.speed2, (self.lateral * self.normal) ** 2)
        return np.asarray(self.along + slowed / self.normal)


def road_samples(table: Any, line: Any, use: np.ndarray | None = None, corners: Sequence[Any] = ()) -> RoadSamples:
    """Take gravity, banking, vertical curvature and what is known of the grip out of the laps of `table`.

    Parameters
    ----------
    table : LapTable
    line : Line
        Reference line with grade [rad], bank [rad, left edge lower positive] and vertical curvature [1/m].
    use : bool array, shape (m,), optional
        Laps to use; the counted ones by default.
    corners : sequence with entry_m, exit_m, grip, optional
        Whose grip factors count; all of it is taken for alike without them.

    Raises
    ------
    NotEnoughData
        When fewer than two laps are left.

    Notes
    -----
    g_n = g cos(grade) cos(bank) + v² (kappa_v + kappa sin(bank)), kappa signed. Lateral demand
    v² kappa cos(bank) - g sin(bank) cos(grade); along the road a_lon + g sin(grade).
    """
    chosen = np.asarray(table.counted if use is None else use, dtype=bool)
    finite = np.isfinite(table.v) & np.isfinite(table.a_lon) & np.isfinite(table.a_lat)
    chosen = chosen & finite.all(axis=1)
    if chosen.sum() < 2:
        more = ", or count more of them with --laps ('simlap laps' tells why each was set aside)"
        more = more if chosen.size >= 2 else ""
        raise NotEnoughData(
            f"reading a car's limits needs at least 2 counted laps, {int(chosen.sum())} found: drive more laps{more}."
        )
    v = np.asarray(table.v)[chosen]
    a_lon, wild_lon = _without_wild(np.asarray(table.a_lon)[chosen])
    a_lat, wild_lat = _without_wild(np.asarray(table.a_lat)[chosen])
    count = v.shape[1]
    grade, bank, kappa_v = (_at_stations(line, name, count) for name in ("grade", "bank", "kappa_v"))
    vertical = v**2 * kappa_v + a_lat * np.sin(bank)
    normal = np.maximum(np.cos(grade) * np.cos(bank) + vertical / G, NORMAL_FLOOR)
    normal = normal * grip_scale(corners, np.asarray(table.station), float(line.length))
    lateral = a_lat * np.cos(bank) - G * np.sin(bank) * np.cos(grade)
    pull = a_lon + G * np.sin(grade)
    noise_lat = np.asarray(table.noise_a_lat, dtype=float)[:, chosen] / normal
    noise_lon = np.asarray(table.noise_a_lon, dtype=float)[:, chosen] / normal
    if noise_lat.shape[0] < MIN_REPLICATES:
        raise NotEnoughData(f"the envelope needs {MIN_REPLICATES} noise replicates, got {noise_lat.shape[0]}.")
    throttle = throttle_of(table, chosen)
    silent = None
    if throttle is not None:
        throttle, silent = _from_others(throttle[chosen])
    return RoadSamples(
        numbers=np.asarray(table.numbers)[chosen],
        station=np.asarray(table.station),
        duration=np.diff(np.asarray(table.t)[chosen], axis=1),
        speed2=v**2,
        lateral=lateral / normal,
        along=pull / normal,
        pull=pull,
        normal=normal,
        throttle=throttle,
        noise_lateral=np.nan_to_num(noise_lat),
        noise_along=np.nan_to_num(noise_lon),
        repaired=wild_lon + wild_lat,
        banking_known=line.bank_stated,
        banking_doubt=float(line.bank_doubt),
        bandwidth_hz=table.bandwidth_hz,
        throttle_silent=silent,
    )


def _from_others(throttle: np.ndarray) -> tuple[np.ndarray, np.ndarray | None]:
    """The throttle (m, n) with the median of the other laps where it is NaN, closed where fewer than `FEWEST_HEARD`
    tell; and where it was NaN, None for nowhere."""
    silent = np.isnan(throttle)
    if not silent.any():
        return throttle, None
    told = (~silent).sum(axis=0) >= FEWEST_HEARD
    usual = np.zeros(throttle.shape[1])
    usual[told] = np.nanmedian(throttle[:, told], axis=0)
    return np.where(silent | ~told, usual, throttle), silent


def _at_stations(line: Any, name: str, count: int) -> np.ndarray:
    values = np.asarray(getattr(line, name), dtype=float)
    if values.shape != (count,):
        raise NotEnoughData(
            f"the line's {name} has shape {values.shape}, the laps have {count} stations: resample the line."
        )
    return values


def _without_wild(a: np.ndarray) -> tuple[np.ndarray, int]:
    """Replace samples far from the median of their five neighbours on the same lap."""
    around = np.stack([np.roll(a, shift, axis=1) for shift in (-2, -1, 0, 1, 2)])
    middle = np.median(around, axis=0)
    off = np.abs(a - middle)
    wild = off > np.maximum(WILD_FLOOR, WILD_DEVIATIONS * deviation(off))
    return np.where(wild, middle, a), int(wild.sum())


@dataclass(frozen=True, eq=False)
class Windows:
    """Held windows: means over `HELD` seconds or more from each station, (m, n); `length` (n,) stations."""

    length: np.ndarray
    weights: np.ndarray  # durations, (m, n)

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Time mean over each window of `values` (..., m, n)."""
        summed = self._sum(values * self.weights)
        return summed / self._sum(self.weights)

    def lowest(self, values: np.ndarray) -> np.ndarray:
        """Smallest of `values` (..., n) in each window."""
        out = np.array(values, dtype=float)
        for shift in range(1, int(self.length.max())):
            out = np.where(shift < self.length, np.minimum(out, np.roll(values, -shift, axis=-1)), out)
        return out

    def highest(self, values: np.ndarray) -> np.ndarray:
        """Largest of `values` (..., n) in each window."""
        return -self.lowest(-np.asarray(values, dtype=float))

    def inside(self, values: np.ndarray, where: np.ndarray) -> np.ndarray:
        """Values (m, n) at each lap's stations of the windows that begin at `where` (m, J): (m, J, longest window),
        0 beyond the window's end."""
        station = np.arange(int(self.length.max()))
        rows = np.arange(where.shape[0])[:, None, None]
        taken = values[rows, (where[..., None] + station) % self.length.size]
        return np.where(station < self.length[where][..., None], taken, 0.0)

    def _sum(self, values: np.ndarray) -> np.ndarray:
        n = self.length.size
        reach = int(self.length.max())
        wrapped = np.concatenate([values, values[..., :reach]], axis=-1)
        total = np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(wrapped, axis=-1)], axis=-1)
        start = np.arange(n)
        return total[..., start + self.length] - total[..., start]


def held_windows(samples: RoadSamples, share: float = 1.0) -> Windows:
    """Windows that the median lap spends at least a held time in, or a `share` of it, one starting at each station."""
    held = share * max(HELD, HELD_PERIODS / samples.bandwidth_hz)
    length = stations_within(np.median(samples.duration, axis=0), held)
    return Windows(length=length, weights=np.array(samples.duration))


def stations_within(step: np.ndarray, held: float) -> np.ndarray:
    """Stations (n,) from each on, round a closed lap, that take `held` seconds at `step` (n,) seconds a station."""
    n = step.size
    wrapped = np.concatenate([[0.0], np.cumsum(np.concatenate([step, step]))])
    # the last station of a window is reached `held` seconds after its first
    stop = np.searchsorted(wrapped, wrapped[:n] + held * (1.0 - 1e-9), side="left")
    return np.asarray(np.clip(stop - np.arange(n), 1, n - 1))


def runs(mask: np.ndarray) -> list[np.ndarray]:
    """Index arrays of the stretches where `mask` (n,) holds on a closed lap; a stretch may cross the start line."""
    n = mask.size
    if mask.all():
        return [np.arange(n)]
    if not mask.any():
        return []
    first = int(np.flatnonzero(~mask)[0])
    return [(np.arange(a, b) + first) % n for a, b in true_spans(np.roll(mask, -first))]


def split(stretch: np.ndarray, step: np.ndarray, longest: float) -> list[np.ndarray]:
    """Cut a stretch of stations into equal parts of at most `longest` seconds (`step` (n,) s per station)."""
    parts = max(1, math.ceil(float(step[stretch].sum()) / longest))
    return [piece for piece in np.array_split(stretch, parts) if piece.size]
