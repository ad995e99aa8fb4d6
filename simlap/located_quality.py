"""Where the motion of a log with positions holds, and how good it is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simlap.fuse import Fused
from simlap.motion_types import STANDS, MotionQuality
from simlap.sensors import Fixes, Observation, heard

GAP = 1.0  # [s] without a fix and without speed: a car turns 30 degrees in it
GAP_INERTIAL = 5.0  # [s] without a fix but with acceleration both ways: drifts by about 2 m
USABLE_ACCELERATION = 0.6  # [m/s²] 6 % of g: error of the accelerations above which the verdict is no longer 'good'
MOVES = 5.0  # [m/s] a log that never reaches it is no drive
# With fewer a second the accelerometers tell the corners between them: with one, limit laps came out 0.7 to 0.9 % fast.
FEW_FIXES = 3.0
POOR_ACCELERATION = 2.0  # [m/s²] 'not enough'
USABLE_BANDWIDTH = 1.0  # [Hz] below it the turn-in is blurred over more than a third of a second: no longer 'good'
POOR_FIXES = 2.0  # [1/s] fewer without an inertial channel between them are 'not enough': 25 m apart at 50 m/s
GAP_STEPS = 3.0  # steps between the fixes of a slow receiver that are a gap, where that is longer than `GAP`
LEAST_RATE = 1e-3  # [1/s] that such a step is read from
# Share of the log in gaps, or of the positions left out, above which the verdict is no better than this.
REPAIRED_USABLE, REPAIRED_POOR = 0.03, 0.3


def no_path(fixes: Fixes, channels: list[str]) -> str:
    """Why no path follows the fixes, as far as they tell, and what to do."""
    gap = int(np.argmax(np.diff(fixes.t)))
    words = "no path follows these positions at a speed that a car can drive. "
    if channels and fixes.t[gap + 1] - fixes.t[gap] <= GAP:
        return (
            f"{words}They have no gap, so another channel contradicts them: check the columns and units of "
            f"{', '.join(channels)}, or leave them out of the log."
        )
    return (
        f"{words}The longest gap between them runs from {fixes.t[gap]:.1f} to {fixes.t[gap + 1]:.1f} s: cut the log "
        "there, or log positions throughout."
    )


def valid_of(
    t: np.ndarray, fixes: Fixes, fused: Fused, channels: Mapping[str, Observation], v: np.ndarray
) -> np.ndarray:
    """False inside gaps between used fixes, unless inertial channels heard there bridge them or the car stands."""
    used = np.setdiff1d(fixes.t, fused.outlier_t)
    shortest = max(GAP, GAP_STEPS / max(fixes.rate, LEAST_RATE))
    across = next((name for name in ("a_lat", "yaw_rate") if name in channels), None)
    bridges = ("a_lon", across) if "a_lon" in channels and across is not None else ()
    valid = np.ones(t.size, dtype=bool)
    for i in np.flatnonzero(np.diff(used) > shortest):
        inside = (t > used[i]) & (t < used[i + 1])
        bridged = bool(bridges) and used[i + 1] - used[i] <= max(GAP_INERTIAL, shortest)
        bridged = bridged and all(heard(channels[name].t, t[inside]).all() for name in bridges)
        if not bridged and inside.any() and v[inside].max() > STANDS:
            valid &= ~inside
    return valid


def quality_of(
    fixes: Fixes,
    fused: Fused,
    lag: float | None,
    valid: np.ndarray,
    speed_source: str,
    spread: float,
    carried: float,
    inertial: Mapping[str, Observation],
    top: float,
) -> MotionQuality:
    """How good the motion is: its verdict, and what weighed in it.

    Parameters
    ----------
    fixes, fused : Fixes, Fused
        The positions and what was made of them.
    lag : float or None
        Of the receiver behind the inertial sensors, None where nothing shows it. [s]
    valid : bool array, shape (n,)
        Where the motion holds.
    speed_source : str
        Which speed was used.
    spread : float
        Standard deviation of the drawn errors of a_lat. [m/s²]
    carried : float
        Bandwidth of the motion. [Hz]
    inertial : mapping of Observation
        Those that were used.
    top : float
        Highest speed. [m/s]
    """
    missing = float(1.0 - valid.mean())
    wild = (fused.outliers + fixes.dropped) / (fixes.t.size + fixes.dropped)
    repaired = max(missing, wild)
    verdict, reason = "good", f"accelerations to {spread:.2f} m/s² at {carried:.1f} Hz"
    # Only what weighs is named: a log without repairs is not rated down for them.
    told = [f"{100 * missing:.0f} % of the time lies in gaps without positions"] * (missing > REPAIRED_USABLE)
    told += [f"{100 * wild:.0f} % of the positions were wild and left out"] * (wild > REPAIRED_USABLE)
    all_told = ", ".join([*told, f"{fixes.rate:.1f} fixes/s", reason])
    if top < MOVES:
        verdict, reason = "not enough", f"the car hardly moves, {top:.1f} m/s at most"
    elif repaired > REPAIRED_POOR or (fixes.rate < POOR_FIXES and not inertial) or spread > POOR_ACCELERATION:
        verdict, reason = "not enough", all_told
    elif (
        repaired > REPAIRED_USABLE
        or spread > USABLE_ACCELERATION
        or carried < USABLE_BANDWIDTH
        or fixes.rate < FEW_FIXES
    ):
        verdict, reason = "usable", all_told
    rms = fused.rms
    return MotionQuality(
        fixes_per_second=fixes.rate,
        lag_s=lag,
        rms_position_m=rms["position"],
        rms_speed_ms=rms.get("speed", rms.get("wheel_speed")),
        repaired_share=repaired,
        speed_source=speed_source,
        verdict=verdict,
        reason=reason,
    )
