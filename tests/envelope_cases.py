"""Tables of laps with known truth for the tests of the envelope: a true drive, smoothed at 2 Hz, plus known noise."""

from types import SimpleNamespace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from simlap.circuits import invented_circuit
from simlap.laptable import LapTable
from simlap.meanpath import mean_path
from simlap.synthetic import club_car, synthetic_session
from simlap.synthetic_driver import Driver
from simlap.synthetic_sensors import Sensors

STEP = 0.02  # [s]
# A Gaussian with this width loses half of the power at 2 Hz: sqrt(ln 2) / (2 pi 2 Hz).
WIDTH = 0.0663  # [s]
SPACING = 2.0  # [m]


def true_table(made, circuit, noise=0.1, seed=0, replicates=6):
    """LapTable and mean path of a synthetic session, without a receiver in between; noise [m/s²] is known."""
    states, rng = made.truth.states, np.random.default_rng(seed)
    line = circuit.line.resample(SPACING)
    station, length, laps = np.asarray(line.station), float(line.length), states.t.shape[0]
    ends = np.append(station, length) * states.station[-1] / length
    full = np.append(states.station, 2 * states.station[-1] - states.station[-2])
    t = np.array([np.interp(ends, full, row) for row in states.t])
    t -= t[:, :1]
    plain = {k: np.array([np.interp(ends[:-1], states.station, r) for r in getattr(states, k)])
             for k in ("v", "a_lon", "a_lat", "offset", "x", "y")}  # fmt: skip

    def filtered(values, row):
        clock = np.arange(0.0, t[row, -1], STEP)
        return clock, gaussian_filter1d(np.interp(clock, t[row, :-1], values), WIDTH / STEP, mode="wrap")

    def error(row):
        clock, white = filtered(np.zeros(laps and t.shape[1] - 1), row)
        white = gaussian_filter1d(rng.standard_normal(clock.size), WIDTH / STEP, mode="wrap")
        return np.interp(t[row, :-1], clock, white * noise / white.std())

    for name in ("a_lon", "a_lat"):
        for row in range(laps):
            clock, smooth = filtered(plain[name][row], row)
            plain[name][row] = np.interp(t[row, :-1], clock, smooth) + error(row)
    copies = [np.array([[error(row) for row in range(laps)] for _ in range(replicates)]) for _ in range(2)]
    kappa = plain["a_lat"] / plain["v"] ** 2
    speed = 0.5 * (plain["v"] + np.roll(plain["v"], -1, axis=1))
    table = LapTable(
        numbers=np.arange(1, laps + 1), counted=np.ones(laps, dtype=bool), station=station, t=t,
        session_start=np.zeros(laps), kappa=kappa, ds=speed * np.diff(t, axis=1),
        noise_a_lon=copies[0], noise_a_lat=copies[1], channels={}, **plain,
    )  # fmt: skip
    return table, mean_path(table, line)


def drive(kind, *, seed=1, laps=8, circuit="club", envelope=None, noise=0.1):
    """A driver of one kind on an invented circuit: table, line, true envelope and true limit lap."""
    track = invented_circuit(circuit)
    driver = {
        "at the limit": Driver.at_limit(),
        "a little below": Driver(spread=0.02, form=0.0),
        "capped": Driver(spread=0.015, usage_mean=0.97, form=0.0),
    }[kind]
    made = synthetic_session(
        track, envelope or club_car(), driver, Sensors.perfect(), laps=laps, seed=seed, losses=False
    )
    table, line = true_table(made, track, noise=noise, seed=seed)
    return SimpleNamespace(
        table=table, line=line, corners=track.corners, truth=made.truth.envelope, limit_lap=made.truth.limit_lap_s
    )
