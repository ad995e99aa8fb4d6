"""The path of one lap, cut out of a motion."""

from __future__ import annotations

import numpy as np

from simlap.lap_types import Lap
from simlap.line import Line
from simlap.motion_types import Motion

SPACING = 5.0  # [m] of the points of a line through one lap, and of the places where laps are compared


def lap_path(motion: Motion, lap: Lap) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """t, x, y, s of a lap: its samples between two interpolated ends; s strictly rising."""
    inside = motion.t[(motion.t > lap.start_s + 1e-6) & (motion.t < lap.stop_s - 1e-6)]
    t = np.concatenate([[lap.start_s], inside, [lap.stop_s]])
    s = motion.at("s", t)
    return t, motion.at("x", t), motion.at("y", t), np.maximum.accumulate(s) + 1e-9 * np.arange(s.size)


def line_of_lap(motion: Motion, lap: Lap) -> Line:
    """Closed line through one lap, its closing miss spread evenly over it."""
    _, x, y, s = lap_path(motion, lap)
    share = (s - s[0]) / (s[-1] - s[0])
    count = max(int((s[-1] - s[0]) / SPACING), 20)
    even = np.arange(count) / count
    x = np.interp(even, share, x - share * (x[-1] - x[0]))
    y = np.interp(even, share, y - share * (y[-1] - y[0]))
    return Line.from_points(x, y)
