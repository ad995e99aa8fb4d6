"""What is drawn over the stations of a lap: speeds, loss, pedals, and the g-g samples. Arrays in, arrays out."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simlap.frozen import own
from simlap.results import Analysis

# Loss per metre is a difference of two noisy slownesses; a mean over this length shows where, not the noise.
LOSS_WINDOW = 30.0  # [m] about the length of a car's transient at corner speed
HUNDRED_METRES = 100.0
BAND = (25.0, 75.0)  # [%] the middle half of the counted laps
PEDALS = ("throttle", "brake_pressure", "brake")
# The largest loss of the map's scale is this percentile, so that one spot does not hide all others. [%]
SCALE_TOP = 98.0
GG_POINTS = 61  # of the upper and of the lower half of a boundary in it: no edge shows
GG_SAMPLES = 1500  # points of the g-g figure: more only overprint each other


@dataclass(frozen=True, eq=False)
class Traces:
    """Curves of the typical, the best and the limit lap; arrays of shape (n,), one value a station."""

    station: np.ndarray  #: [m]
    x: np.ndarray  #: mean driven path [m]
    y: np.ndarray
    v_typical: np.ndarray  #: [m/s]
    v_best: np.ndarray
    v_limit: np.ndarray
    v_low: np.ndarray  #: middle half of the counted laps
    v_high: np.ndarray
    loss: np.ndarray  #: time lost since the start line, typical lap against limit [s]
    loss_per_100m: np.ndarray  #: the same where it happens, mean over LOSS_WINDOW [s]
    phase: np.ndarray  #: phase of each station, 3 * corner + k
    pedals: Mapping[str, np.ndarray]  #: typical (median) of the channels logged: throttle, brake_pressure, brake
    pedals_best: Mapping[str, np.ndarray]  #: the same in the best lap

    def __post_init__(self) -> None:
        own(self, "station", "x", "y", "v_typical", "v_best", "v_limit", "v_low", "v_high", "loss", "loss_per_100m")
        own(self, "phase", dtype=int)


def traces(analysis: Analysis) -> Traces:
    """Curves over station of an analysis."""
    table = analysis.table
    counted = np.asarray(table.counted, dtype=bool)
    best = int(np.flatnonzero(np.asarray(table.numbers) == analysis.best_lap)[0])
    v = np.asarray(table.v)
    low, high = np.percentile(v[counted], BAND, axis=0)
    ds = np.asarray(analysis.line.ds)
    lost = analysis.typical.dt - limit_dt(analysis)
    typical, own_best = {}, {}
    for name in PEDALS:
        if name in table.channels:
            rows = np.asarray(table.channels[name])
            if np.isfinite(rows[counted]).any(axis=0).all():
                typical[name] = np.nanmedian(rows[counted], axis=0)
                own_best[name] = np.where(np.isfinite(rows[best]), rows[best], typical[name])
    return Traces(
        station=np.asarray(table.station),
        x=np.asarray(analysis.line.x),
        y=np.asarray(analysis.line.y),
        v_typical=analysis.typical.v,
        v_best=v[best],
        v_limit=np.asarray(analysis.limit.v),
        v_low=low,
        v_high=high,
        loss=np.concatenate([[0.0], np.cumsum(lost)[:-1]]),
        loss_per_100m=_mean_around(lost, LOSS_WINDOW / ds.mean())
        / _mean_around(ds, LOSS_WINDOW / ds.mean())
        * HUNDRED_METRES,
        phase=analysis.phases.phase,
        pedals=typical,
        pedals_best=own_best,
    )


def limit_dt(analysis: Analysis) -> np.ndarray:
    """Time of the limit lap from each station to the next, shape (n,) [s]."""
    return np.diff(np.append(np.asarray(analysis.limit.t), analysis.limit.lap_time))


def loss_scale(loss_per_100m: np.ndarray) -> float:
    """Top of the map's scale [s per 100 m]: the same for the figure and the page."""
    return max(float(np.percentile(loss_per_100m, SCALE_TOP)), 1.0 / HUNDRED_METRES)


def beyond_scale(loss_per_100m: np.ndarray) -> str:
    """What the top of the map's scale stands for where more was lost than it shows; "" where it shows all."""
    top, peak = (f"{value:.2f}" for value in (loss_scale(loss_per_100m), float(np.max(loss_per_100m))))
    return f"{top} or more, {peak} at most" if float(peak) > float(top) else ""


def gg_samples(analysis: Analysis, count: int = GG_SAMPLES) -> tuple[np.ndarray, np.ndarray]:
    """(a_lat, a_lon) of evenly spread stations of the counted laps, each of shape (<= count,) [m/s²]."""
    counted = np.asarray(analysis.table.counted, dtype=bool)
    a_lat = np.asarray(analysis.table.a_lat)[counted].ravel()
    a_lon = np.asarray(analysis.table.a_lon)[counted].ravel()
    step = max(1, -(-a_lat.size // count))
    return a_lat[::step], a_lon[::step]


def gg_speeds(analysis: Analysis) -> tuple[float, float]:
    """The two speeds of the g-g figure's boundaries: the lap's 15th and 85th percentile [m/s]."""
    low, high = np.percentile(analysis.typical.v, (15.0, 85.0))
    return float(low), float(high)


def gg_boundary(analysis: Analysis, v: float) -> tuple[np.ndarray, np.ndarray]:
    """Closed boundary (a_lat, a_lon) of the envelope on a flat road at speed `v` [m/s], clockwise from the right."""
    envelope = analysis.fit.envelope
    right, left = float(envelope.lateral_limit(v, -1)), float(envelope.lateral_limit(v, 1))
    # Cosine spacing: the boundary runs steeply where the lateral limit is near.
    a_lat = 0.5 * (left - right) - 0.5 * (left + right) * np.cos(np.linspace(0.0, np.pi, GG_POINTS))
    drive = envelope.drive_limit(v, a_lat)
    braking = -envelope.braking_limit(v, a_lat)
    return np.concatenate([a_lat, a_lat[::-1], a_lat[:1]]), np.concatenate([drive, braking[::-1], drive[:1]])


def _mean_around(values: np.ndarray, window: float) -> np.ndarray:
    """Running mean over about `window` stations on a closed lap."""
    half = max(1, round(window / 2))
    padded = np.concatenate([values[-half:], values, values[:half]])
    sums = np.cumsum(np.concatenate([[0.0], padded]))
    width = 2 * half + 1
    return (sums[width:] - sums[:-width]) / width
