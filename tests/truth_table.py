"""Lap tables straight from a synthetic truth, with an error like the smooth motion's: a hundred times faster than a
walk through sensors and motion, for checks that need hundreds of sessions."""

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
from scipy.signal import butter, filtfilt

from simlap.analysis import Prepared, judge
from simlap.lap_types import LapSet
from simlap.laptable import LapTable
from simlap.meanpath import mean_path
from simlap.options import Options

RATE = 50.0  # [Hz] of the motion
BANDWIDTH = 2.0  # [Hz] of the motion
REPLICATES = 6
ERROR = 0.10  # [m/s²] standard deviation of the error of a_lon and a_lat, a good receiver with inertial channels


@dataclass(frozen=True, eq=False)
class Named:
    """A session of which only the name, the step of its rows and what it was made of are asked."""

    source: str = "synthetic.csv"
    notes: tuple = ()
    parts: tuple = ()
    t: ClassVar[np.ndarray] = np.arange(0.0, 1.0, 0.01)

    def has(self, name: str) -> bool:
        return False


@dataclass(frozen=True, eq=False)
class Standing:
    """Stands where a comparison looks for its prepared sessions."""

    table: LapTable
    session: Named = Named()


def _low_pass(x):
    b, a = butter(2, BANDWIDTH / (RATE / 2))
    return filtfilt(b, a, x, axis=-1)


def _error(rng, time):
    e = _low_pass(rng.standard_normal(time.size))
    return e * ERROR / e.std()


def truth_table(made, line, *, seed):
    """LapTable (m, n) on the stations of `line` from the truth of a SyntheticSession; every flying lap counts."""
    states, rng = made.truth.states, np.random.default_rng(seed)
    station = np.asarray(line.station)
    ends = np.append(station, line.length)
    fine, around = np.asarray(states.station), np.append(np.asarray(states.station), line.length)
    t = np.array([np.interp(ends, around, row) - row[0] for row in np.asarray(states.t)])
    laps = t.shape[0]
    read = {
        name: np.array([np.interp(station, fine, row) for row in np.asarray(getattr(states, name))])
        for name in ("v", "a_lon", "a_lat", "offset", "x", "y")
    }
    noise = {name: np.empty((REPLICATES, laps, station.size)) for name in ("a_lon", "a_lat")}
    for row in range(laps):
        clock = np.arange(0.0, t[row, -1], 1.0 / RATE)
        for name in noise:
            true = np.interp(clock, t[row, :-1], read[name][row], period=t[row, -1])
            read[name][row] = np.interp(t[row, :-1], clock, _low_pass(true) + _error(rng, clock))
            for k in range(REPLICATES):
                noise[name][k, row] = np.interp(t[row, :-1], clock, _error(rng, clock))
    path = [np.hypot(np.diff(x, append=x[0]), np.diff(y, append=y[0])) for x, y in zip(states.x, states.y, strict=True)]
    ds = np.array([np.diff(np.interp(ends, around, np.append(0.0, np.cumsum(steps)))) for steps in path])
    starts = np.array([lap.start_s for lap in made.truth.laps if lap.kind not in ("out", "in")])
    foot = np.nan_to_num(np.asarray(made.session.channels["throttle"]))
    throttle = np.array([np.interp(starts[i] + t[i, :-1], made.session.t, foot) for i in range(laps)])
    return LapTable(
        numbers=np.arange(1, laps + 1),
        counted=np.ones(laps, dtype=bool),
        station=station,
        t=t,
        session_start=starts,
        kappa=read["a_lat"] / read["v"] ** 2,
        ds=ds,
        noise_a_lon=noise["a_lon"],
        noise_a_lat=noise["a_lat"],
        channels={"throttle": throttle},
        **read,
    )


def analysis_of(table, track, line, options=None):
    """The analysis of a table, as if a session of good quality stood behind it."""
    good = SimpleNamespace(verdict="good")
    motion = SimpleNamespace(
        notes=(), channels_out=(), bandwidth_hz=BANDWIDTH, speed_bandwidth_hz=BANDWIDTH, closes=True, quality=good
    )
    prepared = Prepared(Named(), motion, LapSet((), None, "track file"), track, table, mean_path(table, line))
    return judge(prepared, options or Options())


def laps_of(table, rows):
    """The table with some of its laps only; `rows` are indices."""
    rows = np.asarray(rows)
    per_lap = ("numbers", "counted", "t", "session_start", "v", "a_lon", "a_lat", "kappa", "ds", "offset", "x", "y")
    return replace(
        table,
        **{name: np.asarray(getattr(table, name))[rows] for name in per_lap},
        noise_a_lon=np.asarray(table.noise_a_lon)[:, rows],
        noise_a_lat=np.asarray(table.noise_a_lat)[:, rows],
        channels={name: np.asarray(values)[rows] for name, values in table.channels.items()},
    )
