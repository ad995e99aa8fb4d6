"""Grip used in each corner, against the grip shown elsewhere; and grip factors of corners, on request."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.envelope_samples import held_windows, road_samples
from simlap.track import inside

# A corner has its own, lower grip when this many laps, at speeds that differ by at least `SPEEDS_APART`, level out
# within `PLATEAU` of each other and below `BELOW` of the common limit. Under-driving alone would move with the speed.
PLATEAU_LAPS = 3
SPEEDS_APART, PLATEAU, BELOW = 0.02, 0.015, 0.96
# All laps hold one level where their shares of the limit scatter by less: drivers of the invented sessions scatter by
# 0.4 to 0.7 % of it, at the grip and below alike: the level alone does not tell a slippery road from a driver.
STEADY = 0.01  # [1], standard deviation


@dataclass(frozen=True)
class CornerGrip:
    """Lateral acceleration in one corner, road plane, as if the car weighed g [m/s²]; medians over the laps."""

    name: str
    direction: str
    peak: float  #: largest sample
    sustained: float  #: largest mean over a held window
    speed: float  #: in that window [m/s]
    limit: float  #: lateral limit shown at that speed, times the grip factor that the track file states
    used: float  #: sustained over limit
    normal: float  #: weight on the tyres over the car's weight: above 1 in dips and on banking, below on crests
    grip: float | None  #: the corner's own grip over the common one, where three laps show a plateau; else None
    steady: bool = False  #: three laps or more, and all of them hold one level, below the common limit

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers; keys end in their unit."""
        return {
            "name": self.name,
            "direction": self.direction,
            "peak_ms2": self.peak,
            "sustained_ms2": self.sustained,
            "speed_ms": self.speed,
            "limit_ms2": self.limit,
            "used": self.used,
            "normal": self.normal,
            "grip": self.grip,
        }


def corner_grip(table: Any, line: Any, corners: Sequence[Any], envelope: Envelope) -> tuple[CornerGrip, ...]:
    """Peak and sustained lateral acceleration of the counted laps in each corner against the limit at that speed.

    Parameters
    ----------
    table, line : LapTable, Line
        As `fit_envelope` takes them.
    corners : sequence with name, direction, entry_m, exit_m, grip
        A corner may cross the start line.
    envelope : Envelope
        Whose lateral limit to compare with.
    """
    samples = road_samples(table, line)
    windows = held_windows(samples)
    held = windows.mean(samples.lateral)
    speed2 = windows.mean(samples.speed2)
    station, length = samples.station, float(line.length)
    noise = float(windows.mean(samples.noise_lateral).std())
    found = []
    for corner in corners:
        there = np.flatnonzero(inside(station, corner.entry_m, corner.exit_m, length))
        if there.size == 0:  # it lies between two stations
            there = np.array([np.argmin((station - corner.entry_m) % length)])
        sign = 1.0 if corner.direction == "left" else -1.0
        lateral = sign * held[:, there]
        at = np.argmax(lateral, axis=1)
        rows = np.arange(lateral.shape[0])
        sustained, v = lateral[rows, at], np.sqrt(speed2[rows, there[at]])
        limit = corner.grip * envelope.lateral_limit(v, sign)
        share = sustained / limit
        found.append(
            CornerGrip(
                name=corner.name,
                direction=corner.direction,
                peak=float(np.median((sign * samples.lateral[:, there]).max(axis=1))),
                sustained=float(np.median(sustained)),
                speed=float(np.median(v)),
                limit=float(np.median(limit)),
                used=float(np.median(share)),
                normal=float(np.median(samples.normal[rows, there[at]])),
                steady=_steady(share),
                grip=_plateau(share, v, noise / float(np.median(limit))),
            )
        )
    return tuple(found)


def _steady(share: np.ndarray) -> bool:
    """Whether all laps hold one level below the limit: less grip or a driver who holds back, it tells not which."""
    return share.size >= PLATEAU_LAPS and float(share.std(ddof=1)) < STEADY and float(np.median(share)) < BELOW


def _plateau(share: np.ndarray, v: np.ndarray, noise: float) -> float | None:
    """Level of the best laps where it does not rise with speed, None where nothing shows it."""
    if share.size < PLATEAU_LAPS:
        return None
    best = np.argsort(share)[-PLATEAU_LAPS:]
    apart = np.ptp(v[best]) / float(np.median(v))
    level = float(np.mean(share[best]))
    level_out = np.ptp(share[best]) <= PLATEAU + 2.0 * noise
    return level if level_out and apart >= SPEEDS_APART and level < BELOW else None
