"""The limit profile: the fastest speed along a line inside an envelope."""

import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

import numpy as np

from simlap import _kernels as kernels
from simlap.envelope import Envelope, combined_use
from simlap.envelope_packed import ENVELOPE_SIZE, Packed
from simlap.errors import NoSolution, OptionError
from simlap.frozen import own
from simlap.line import CLIMB, LAT_BANK, LAT_SLOPE, NORMAL, NORMAL_SLOPE, Line
from simlap.station_limits import StationLimits

#: Names of the codes in `LimitProfile.active`, in order.
LIMIT_NAMES = ("lateral", "braking", "engine", "traction", "cap", "kept")

# Batches smaller than this (runs times stations, about 4 ms of work) run in one thread: waking the others costs 0.1 ms
# on a free machine, and up to a second on one where other programs hold the cores.
PARALLEL_FROM = 20_000
SHARES_PER_THREAD = 4
# Load on the tyres, g_n over g, below which a crest has lifted the car: no share of the tyres' limit means anything
# there, and the kernel has them carry nothing; only a division by nought is to be avoided.
LEAST_LOAD = 1e-9  # [1]


@dataclass(frozen=True, eq=False)
class LimitProfile:
    """The fastest profile; arrays of shape (n,), float64 unless said."""

    line: Line  #: the line it was solved on
    v: np.ndarray  #: speed [m/s]
    a_lon: np.ndarray  #: dv/dt at the stations, mean of the two segments beside them [m/s²]
    a_lat: np.ndarray  #: v² kappa [m/s²]
    t: np.ndarray  #: time at the stations since station 0 [s]
    segment_time: np.ndarray  #: time to the next station; 0 behind the last of an open line [s]
    lap_time: float  #: [s]
    active: np.ndarray  #: what holds the speed down, index into `LIMIT_NAMES`, int
    #: Share of the tyres' combined limit in use. 1 where lateral grip, brakes or traction limit, up to what the mean
    #: of two segments makes of a_lon: 1.03 where a braking zone meets a hairpin at 2 m spacing.
    share: np.ndarray
    sideways: np.ndarray  #: share of the lateral limit in use, whatever is asked of the tyres along the road

    def __post_init__(self) -> None:
        own(self, "v", "a_lon", "a_lat", "t", "segment_time", "share", "sideways")
        own(self, "active", dtype=int)

    @property
    def s(self) -> np.ndarray:
        """Stations of the line [m]."""
        return self.line.station

    @property
    def active_names(self) -> np.ndarray:
        """`active` in words, shape (n,)."""
        return np.array(LIMIT_NAMES)[self.active]


@dataclass(frozen=True, eq=False)
class BatchResult:
    """Fastest profiles of a batch of B runs."""

    v: np.ndarray  #: speed, shape (B, n) [m/s]
    segment_time: np.ndarray  #: time to the next station, shape (B, n) [s]
    lap_time: np.ndarray  #: shape (B,) [s]
    active: np.ndarray  #: index into `LIMIT_NAMES`, int8, shape (B, n)

    def __post_init__(self) -> None:
        for field in fields(self):  # made here and handed out once: read-only without a copy
            getattr(self, field.name).setflags(write=False)


def limit_profile(
    line: Line,
    env: Envelope,
    spacing: float | None = None,
    *,
    limits: StationLimits | None = None,
    start_speed: float | None = None,
    end_speed: float | None = None,
) -> LimitProfile:
    """Fastest profile along `line` inside `env`.

    Parameters
    ----------
    line : Line
        Closed for a flying lap. With a start or end speed a closed line is driven once, as an open run.
    env : Envelope
        What the car can do.
    spacing : float, optional
        Resample the line to about this spacing first; `limits` then belong to the new stations. [m]
    limits : StationLimits, optional
        Limits per station.
    start_speed, end_speed : float, optional
        Speed at the first and last station; 0 is a standing start. [m/s]

    Returns
    -------
    LimitProfile

    Raises
    ------
    NoSolution
        When no profile obeys the limits: the text names the station.

    Notes
    -----
    Point mass, quasi-steady. Bobrow, Dubowsky, Gibson (1985), doi:10.1177/027836498500400301; Pham and Pham (2018),
    doi:10.1109/TRO.2018.2819195. The scheme stands in `simlap._kernels`; its time error falls with ds².
    """
    if spacing is not None:
        line = line.resample(spacing)
    if line.closed and (start_speed is not None or end_speed is not None):
        line = line.opened()
        limits = limits.opened() if limits is not None else None
    packed = env.pack()
    batch = solve_batch(line, packed[None, :], limits, start_speed=start_speed, end_speed=end_speed)
    v, segment_time = batch.v[0], batch.segment_time[0]
    a_lon = _at_stations(v, line)
    scale = (limits or StationLimits()).rows(v.size)[0][0]
    share, sideways = _shares(line, packed, v, a_lon, scale)
    return LimitProfile(
        line=line,
        v=v,
        a_lon=a_lon,
        a_lat=v**2 * line.kappa,
        t=np.concatenate([[0.0], np.cumsum(segment_time[:-1])]),
        segment_time=segment_time,
        lap_time=float(batch.lap_time[0]),
        active=batch.active[0],
        share=share,
        sideways=sideways,
    )


def _at_stations(v: np.ndarray, line: Line) -> np.ndarray:
    """dv/dt at the stations: mean of the segments on both sides, each weighted by the other's length."""
    ds = line.ds if line.closed else line.ds[:-1]
    ahead = np.roll(v, -1) if line.closed else v[1:]
    here = v if line.closed else v[:-1]
    rate = (ahead**2 - here**2) / (2.0 * ds)
    if not line.closed:
        inner = (rate[:-1] * ds[1:] + rate[1:] * ds[:-1]) / (ds[:-1] + ds[1:])
        return np.concatenate([rate[:1], inner, rate[-1:]])
    behind = np.roll(ds, 1)
    return (np.roll(rate, 1) * ds + rate * behind) / (ds + behind)


def _shares(
    line: Line, packed: np.ndarray, v: np.ndarray, a_lon: np.ndarray, scale: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Combined use of the tyres, ((|a_lon|/limit)^p + (|a_lat|/limit)^p)^(1/p), and its lateral part, |a_lat|/limit.

    Slope, banking and drag are taken out.
    """
    geo, z = line.road_loads, v**2

    def over(pair: slice) -> np.ndarray:
        constant, slope = packed[pair]
        return np.asarray(constant + slope * z)

    normal = np.maximum(geo[NORMAL] + geo[NORMAL_SLOPE] * z, LEAST_LOAD)
    demand = geo[LAT_SLOPE] * z - geo[LAT_BANK]
    along = a_lon + geo[CLIMB]
    left = demand >= 0.0
    lateral = np.where(left, over(Packed.LEFT), over(Packed.RIGHT)) * scale[kernels.R_LATERAL]
    constant, by_speed2, by_lateral2 = packed[Packed.DRAG]
    drag = constant + by_speed2 * z
    braking = (over(Packed.BRAKING) - drag) * scale[kernels.R_BRAKE]
    traction = (over(Packed.TRACTION) + drag) * scale[kernels.R_DRIVE] * scale[kernels.R_TRACTION]
    along = along + drag + by_lateral2 * demand**2
    p = np.where(along < 0.0, packed[Packed.EXPONENT_BRAKING], packed[Packed.EXPONENT_DRIVE])
    sideways = np.abs(demand) / (lateral * normal)
    lengthways = np.abs(along) / (np.where(along < 0.0, braking, traction) * normal)
    return combined_use(sideways, lengthways, p), sideways


def solve_batch(
    line: Line,
    packed: Any,
    limits: StationLimits | None = None,
    *,
    start_speed: float | None = None,
    end_speed: float | None = None,
) -> BatchResult:
    """Fastest profiles of many envelopes on one line, or of one envelope under many limits, in parallel.

    Parameters
    ----------
    line : Line
        Of n stations, common to all runs.
    packed : float64 array, shape (ENVELOPE_SIZE,) or (B, ENVELOPE_SIZE)
        `Envelope.pack()` of each run.
    limits : StationLimits, optional
        Arrays (n,) serve all runs, arrays (B, n) one each.
    start_speed, end_speed : float, optional
        For an open line. [m/s]

    Raises
    ------
    NoSolution
        When a run has no profile; names run and station.
    OptionError
        When `packed` or `limits` have a wrong shape or value, or a closed line is given a start or end speed.
    """
    envelopes = np.ascontiguousarray(np.atleast_2d(np.asarray(packed, dtype=float)))
    if envelopes.ndim != 2 or envelopes.shape[1] != ENVELOPE_SIZE or not np.isfinite(envelopes).all():
        raise OptionError(f"solve_batch: envelopes {envelopes.shape} must be finite, shape (B, {ENVELOPE_SIZE}).")
    n = line.station.size
    rows, brake_modes, drive_modes = (limits or StationLimits()).rows(n)
    runs = max(envelopes.shape[0], rows.shape[0], brake_modes.shape[0], drive_modes.shape[0])
    for name, array in (("envelopes", envelopes), ("limits", rows), ("modes", brake_modes), ("modes", drive_modes)):
        if array.shape[0] not in (1, runs):
            raise OptionError(f"solve_batch: {array.shape[0]} {name} for {runs} runs; give 1 or {runs}.")
    if line.closed and (start_speed is not None or end_speed is not None):
        raise OptionError("solve_batch: a closed line has no start or end speed; use line.opened().")
    ends = [_squared_speed(value, name) for value, name in ((start_speed, "start"), (end_speed, "end"))]
    v, time = np.empty((runs, n)), np.zeros((runs, n))
    tag, status = np.empty((runs, n), dtype=np.int8), np.empty(runs, dtype=np.int64)
    inputs = (line.road_loads, envelopes, rows, brake_modes, drive_modes)
    _solve_rows(inputs, line.closed, ends, (v, tag, time, status))
    if (status != kernels.OK).any():
        run = int(np.argmax(status != kernels.OK))
        raise NoSolution(_why_not(line, int(status[run]), run, runs))
    _check_ends(v, start_speed, end_speed)
    return BatchResult(v, time, time.sum(axis=1), tag)


def _solve_rows(
    inputs: tuple[np.ndarray, ...], closed: bool, ends: list[float], outputs: tuple[np.ndarray, ...]
) -> None:
    """Run the kernel over all rows, shared out over threads when that pays."""
    # The kernel is compiled once per combination of writable and read-only arrays: so all inputs are read-only.
    read_only = [array.view() for array in inputs]
    for array in read_only:
        array.setflags(write=False)
    solve: Any = kernels.solve_rows  # numba's own types know nothing of a compiled function's arguments
    runs, n = outputs[0].shape
    if runs * n < PARALLEL_FROM:
        solve(0, runs, *read_only, closed, *ends, *outputs)
        return
    # Runs differ in length, so each thread takes several small shares.
    edges = np.linspace(0, runs, min(runs, SHARES_PER_THREAD * _cores()) + 1).astype(int).tolist()
    submit: Any = _threads().submit
    shares = [
        submit(solve, first, last, *read_only, closed, *ends, *outputs) for first, last in itertools.pairwise(edges)
    ]
    for share in shares:
        share.result()


def _cores() -> int:
    """Processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@lru_cache(maxsize=1)
def _threads() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_cores(), thread_name_prefix="simlap-solver")


if hasattr(os, "register_at_fork"):  # threads do not live on in a forked process: it makes its own
    os.register_at_fork(after_in_child=_threads.cache_clear)


def warm_up() -> None:
    """Have the kernels compiled, or loaded where an earlier run has left them compiled."""
    arc = Line.from_curvature(np.full(64, 0.1), 1.0)
    limit_profile(arc, Envelope.from_limits((10.0, 0.0), (10.0, 0.0), (10.0, 0.0)))


def _squared_speed(value: float | None, name: str) -> float:
    if value is None:
        return np.inf
    if not (np.isfinite(value) and value >= 0.0):
        raise OptionError(f"{name} speed {value!r} m/s; give a speed of 0 or more.")
    return float(value) ** 2


# A given start or end speed counts as reached within this share of it.
END_TOLERANCE = 1e-6


def _check_ends(v: np.ndarray, start_speed: float | None, end_speed: float | None) -> None:
    for speed, column, what in ((start_speed, 0, "start"), (end_speed, -1, "end")):
        if speed is None:
            continue
        lowest = float(v[:, column].min())
        if lowest < speed * (1.0 - END_TOLERANCE):
            raise NoSolution(
                f"{what} speed {speed:g} m/s cannot be driven: the limits allow {lowest:.6g} m/s there at most. "
                f"Give a lower {what} speed."
            )


def _why_not(line: Line, status: int, run: int, runs: int) -> str:
    where = f" (run {run})" if runs > 1 else ""
    if status == kernels.UNLIMITED:
        return f"Nothing limits the speed on this line{where}: no curve of it does. Give a start speed or a cap."
    slope, bank = float(np.degrees(line.grade[status])), float(np.degrees(line.bank[status]))
    return (
        f"No speed profile obeys the limits at station {line.station[status]:.1f} m{where}: grade {slope:.1f} deg, "
        f"bank {bank:.1f} deg, curvature {line.kappa[status]:.4g} 1/m. Either the tyres cannot hold the car there "
        f"or the drive cannot carry it; check elevation, banking and limits."
    )
