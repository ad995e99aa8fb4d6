"""How finely a log tells places along the lap: points and steps in metres are told no finer."""

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from simlap.results import Analysis
    from simlap.session import Session

#: What a driver can place by eye and feel; finer steps are not asked for (common practice, no source).
PLACED_M = 2.0  # [m]
# Places are told to one of these, the nearest in proportion: what a coach says aloud.
TOLD_TO = np.array([PLACED_M, 5.0, 10.0, 20.0, 50.0])  # [m]
PEDALS = ("throttle", "brake_pressure", "brake")


def row_step(session: "Session") -> float:
    """Usual time from one value to the next of the pedal that is logged most seldom; of the rows without one. [s]"""
    steps = [np.diff(session.t[np.isfinite(session.channels[name])]) for name in PEDALS if session.has(name)]
    return max(float(np.median(step)) for step in (*(each for each in steps if each.size), np.diff(session.t)))


def told_to(analysis: "Analysis") -> float:
    """To how many metres places are told, one of `TOLD_TO`.

    Notes
    -----
    A pedal moves somewhere between two rows, half of their way off at most; a motion of bandwidth B blurs what happens
    at one moment over 1 / (4 pi B), both at the mean speed of the typical lap. The demo's typical lap, its brake and
    throttle points held against those of the log of 100 rows a second, rms: 5 rows a second with pedals 3.1 m (told to
    5 m), positions and speed at 5 Hz (0.7 Hz) 2.1 and 2.7 (5), positions alone 2.6 and 3.4 (5), positions, speed and
    course at 10 Hz (1.5 Hz) 0.7 and 0.9 (2), a path of 0.3 Hz 5.1 and, but for one point, 4 to 12 (10).
    """
    mean_speed = float(analysis.line.length) / analysis.typical_lap_s
    blur = mean_speed / (4.0 * np.pi * analysis.motion.bandwidth_hz)
    coarse = max(0.5 * mean_speed * row_step(analysis.session), blur)
    return float(TOLD_TO[np.argmin(np.abs(np.log(TOLD_TO / max(coarse, 1e-3))))])


def told(value: float, to: float) -> float:
    """A way to the nearest `to`, but not to nothing; as it is where it may be told finely. [m]"""
    if to <= PLACED_M:
        return value
    return float(np.sign(value) * max(round(abs(value) / to), 1) * to) if value else 0.0


def told_place(value: float, to: float) -> float:
    """A place to the nearest `to`; as it is where it may be told finely. [m]"""
    return value if to <= PLACED_M else round(value / to) * to
