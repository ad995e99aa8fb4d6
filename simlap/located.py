"""Motion of a log with positions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simlap.errors import NotEnoughData
from simlap.fuse import INERTIAL_WANDER, JERK_DENSITY, Fused, fuse
from simlap.geodesy import Origin
from simlap.lag import LEAST_CORRELATION, lag_between
from simlap.motion_types import MOTION_RATE, Motion, MotionQuality, distance_along, shape_of
from simlap.sensors import Fixes, Observation, fixes_of, observe
from simlap.session import Session
from simlap.splines import lowpass

LEAST_FIXES = 20
GAP = 1.0  # [s] without a fix and without speed: a car turns 30 degrees in it
GAP_INERTIAL = 5.0  # [s] without a fix but with acceleration both ways: drifts by about 2 m
SIGN_CORRELATION = 0.4  # below it the sign of a channel is not judged
LEAST_BANDWIDTH = 0.3  # [Hz]
NYQUIST_SHARE = 0.4  # of the fix rate: the highest bandwidth that positions or speeds alone can carry
USABLE_ACCELERATION = 0.6  # [m/s²] 6 % of g: error of the accelerations above which the verdict is no longer 'good'
POOR_ACCELERATION = 2.0  # [m/s²] 'not enough'


def located_motion(session: Session, bandwidth: float, seed: int = 0, origin: Origin | None = None) -> Motion:
    """Motion from positions and whatever else the log carries; see `simlap.motion.motion_of`."""
    notes: list[str] = []
    fixes = fixes_of(session, origin)
    notes += fixes.notes
    if fixes.t.size < LEAST_FIXES:
        raise NotEnoughData(f"{session.source}: {fixes.t.size} different positions; at least {LEAST_FIXES} are needed.")
    receiver, inertial, speed_source = _channels(session, fixes, notes)
    receiver, fixes, lag = _undo_lag(receiver, inertial, fixes, notes)
    inertial = _signs(inertial, receiver, fixes, notes)
    start = fixes.t[0]
    stop = fixes.t[-1]
    fused = fuse(fixes, {**receiver, **inertial}, start, stop, seed)
    carried = min(bandwidth, supported_bandwidth(fused, fixes, {**receiver, **inertial}))
    if carried < bandwidth:
        notes.append(
            f"Noise and rate of the log carry {carried:.2f} Hz instead of {bandwidth:.2f} Hz; "
            "everything is smoothed to that."
        )
    t = start + np.arange(int((stop - start) * MOTION_RATE) + 1) / MOTION_RATE
    path = lowpass(fused.path, fused.grid.step, carried)
    errors = lowpass(fused.noise_path, fused.grid.step, carried)
    p, velocity, acceleration = (fused.grid.evaluate(path, t, d) for d in (0, 1, 2))
    v, course, kappa, a_lon, a_lat = shape_of(velocity, acceleration)
    noise_lon, noise_lat = [], []
    for k in range(errors.shape[2]):
        shaken = [fused.grid.evaluate(errors[:, :, k], t, d) for d in (1, 2)]
        _, _, _, lon, lat = shape_of(velocity + shaken[0], acceleration + shaken[1])
        noise_lon.append(lon - a_lon)
        noise_lat.append(lat - a_lat)
    valid = _valid(t, fixes, fused, {**receiver, **inertial}, v)
    quality = _quality(fixes, fused, lag, valid, speed_source, np.std(noise_lat), carried, receiver, inertial)
    return Motion(
        t=t,
        x=p[:, 0],
        y=p[:, 1],
        s=distance_along(v, a_lon, 1.0 / MOTION_RATE),
        v=v,
        course=course,
        kappa=kappa,
        a_lon=a_lon,
        a_lat=a_lat,
        altitude=_altitude(session, t, lag or 0.0, carried),
        noise_a_lon=np.array(noise_lon),
        noise_a_lat=np.array(noise_lat),
        origin=fixes.origin,
        bandwidth_hz=carried,
        valid=valid,
        quality=quality,
        notes=tuple(notes),
        closes=True,
    )


def _channels(session: Session, fixes: Fixes, notes: list[str]):
    """Receiver channels, inertial channels, and which speed is used."""
    receiver: dict[str, Observation] = {}
    inertial: dict[str, Observation] = {}
    speed_source = "path"
    if session.has("speed"):
        receiver["speed"] = observe(session, "speed", fixes.t)
        speed_source = "speed"
        if session.has("wheel_speed"):
            notes.append("Ground speed is used; wheel speed is left out: wheels slip under braking and drive.")
    if session.has("course"):
        seen = observe(session, "course", fixes.t)
        receiver["course"] = replace(seen, value=np.pi / 2.0 - seen.value)
    for name in ("a_lon", "a_lat", "yaw_rate"):
        if session.has(name):
            inertial[name] = observe(session, name)
    if "yaw_rate" in inertial and session.has("sideslip"):
        slip = observe(session, "sideslip")
        yaw = inertial["yaw_rate"]
        rate = np.gradient(np.interp(yaw.t, slip.t, slip.value), yaw.t)
        inertial["yaw_rate"] = replace(yaw, value=yaw.value + rate)
        notes.append("Course rate = yaw rate + rate of the logged sideslip.")
    for group in (receiver, inertial):
        for name in [n for n, o in group.items() if o.t.size < LEAST_FIXES]:
            del group[name]
    if "speed" not in receiver and session.has("wheel_speed"):
        speed_source = "path"
        notes.append(
            "Speed comes from the path: the log has wheel speed only, and wheels slip under braking and drive."
        )
    return receiver, inertial, speed_source


def _rough(fixes: Fixes, receiver: dict[str, Observation]):
    """Speed, its rate and the course rate of a first path through fixes and receiver channels alone."""
    fused = fuse(fixes, receiver, fixes.t[0], fixes.t[-1])
    t = np.arange(fixes.t[0], fixes.t[-1], 0.04)
    path = lowpass(fused.path, fused.grid.step, 1.5)
    v, course, _, a_lon, a_lat = shape_of(fused.grid.evaluate(path, t, 1), fused.grid.evaluate(path, t, 2))
    return t, v, course, a_lon, a_lat


def _undo_lag(receiver, inertial, fixes: Fixes, notes: list[str]):
    """Shift the receiver's channels onto the inertial clock."""
    lag: float | None = None
    if "a_lon" in inertial:
        a = inertial["a_lon"]
        if "speed" in receiver:
            found, strength = lag_between(receiver["speed"].t, receiver["speed"].value, a.t, a.value)
        else:
            t, v, _, _, _ = _rough(fixes, receiver)
            found, strength = lag_between(t, v, a.t, a.value)
        if abs(strength) > LEAST_CORRELATION:
            lag = found
            notes.append(f"Receiver {lag:.3f} s behind the accelerometer (correlation {abs(strength):.2f}); undone.")
    if lag is None and "yaw_rate" in inertial:
        t, _, course, _, _ = _rough(fixes, receiver)
        found, strength = lag_between(t, course, inertial["yaw_rate"].t, inertial["yaw_rate"].value)
        if abs(strength) > LEAST_CORRELATION:
            lag = found
            notes.append(f"Receiver {lag:.3f} s behind the yaw rate (correlation {abs(strength):.2f}); undone.")
    if lag is None:
        notes.append("Lag of the receiver unknown: no inertial channel to compare with.")
        return receiver, fixes, None
    return {n: o.shifted(lag) for n, o in receiver.items()}, replace(fixes, t=fixes.t - lag), lag


def _signs(inertial, receiver, fixes: Fixes, notes: list[str]):
    """Turn inertial channels to ISO 8855 (x forward, y left) where the path says they are not."""
    if not inertial:
        return inertial
    t, v, course, a_lon, a_lat = _rough(fixes, receiver)
    truth = {"a_lon": a_lon, "a_lat": a_lat, "yaw_rate": np.gradient(course, t)}
    words = {"a_lon": "longitudinal acceleration", "a_lat": "lateral acceleration", "yaw_rate": "yaw rate"}
    out = dict(inertial)
    for name, seen in inertial.items():
        other = np.interp(t, seen.t, seen.value)
        moves = v > 5.0
        if moves.sum() < 50 or np.std(other[moves]) == 0.0:
            continue
        correlation = np.corrcoef(truth[name][moves], other[moves])[0, 1]
        if correlation < -SIGN_CORRELATION:
            out[name] = replace(seen, value=-seen.value)
            notes.append(f"Sign of the {words[name]} turned to ISO 8855 (correlation with the path {correlation:.2f}).")
        elif correlation < SIGN_CORRELATION:
            del out[name]
            notes.append(f"The {words[name]} does not follow the path (correlation {correlation:.2f}); left out.")
    return out


def acceleration_noise(fused: Fused, fixes: Fixes, channels, frequency: np.ndarray, axis: str) -> np.ndarray:
    """Two-sided noise density [m²/s⁴/Hz] of the acceleration along ('lon') or across ('lat') the path.

    Every channel is turned into an acceleration (position: times ω⁴, speed: ω²); information adds up.
    """
    w2 = (2.0 * np.pi * frequency) ** 2
    inform = 1.0 / (w2**2 * (fused.noise["position"] ** 2 / fixes.rate + fused.wander.intensity / w2))
    names = {"lon": ("speed", "a_lon"), "lat": ("course", "a_lat", "yaw_rate")}[axis]
    for name in names:
        if name not in channels:
            continue
        rate = channels[name].t.size / max(np.ptp(channels[name].t), 1.0)
        white = fused.noise[name] ** 2 / rate
        inform += 1.0 / (white * w2 if name in ("speed", "course") else white + INERTIAL_WANDER[name].intensity / w2)
    return 1.0 / inform


def supported_bandwidth(fused: Fused, fixes: Fixes, channels) -> float:
    """Frequency [Hz] where the noise of the accelerations reaches their signal (Wiener's cut), both axes.

    Signal: white jerk of `JERK_DENSITY`. The smaller of the two axes counts: there is one bandwidth.
    """
    frequency = np.geomspace(LEAST_BANDWIDTH, 10.0, 400)
    signal = JERK_DENSITY / (2.0 * np.pi * frequency) ** 2
    lowest = 10.0
    for axis in ("lon", "lat"):
        drowned = acceleration_noise(fused, fixes, channels, frequency, axis) > signal
        if drowned.any():
            lowest = min(lowest, float(frequency[np.argmax(drowned)]))
    if not ("a_lon" in channels and ("a_lat" in channels or "yaw_rate" in channels)):
        lowest = min(lowest, NYQUIST_SHARE * fixes.rate)
    return max(lowest, LEAST_BANDWIDTH)


def _valid(t, fixes: Fixes, fused: Fused, channels, v: np.ndarray) -> np.ndarray:
    """False inside gaps between used fixes, unless inertial channels bridge them or the car stands."""
    used = np.setdiff1d(fixes.t, fused.outlier_t)
    bridged = "a_lon" in channels and ("a_lat" in channels or "yaw_rate" in channels)
    limit = max(GAP_INERTIAL if bridged else GAP, 3.0 / max(fixes.rate, 1e-3))
    valid = np.ones(t.size, dtype=bool)
    for i in np.flatnonzero(np.diff(used) > limit):
        inside = (t > used[i]) & (t < used[i + 1])
        if inside.any() and v[inside].max() > 1.5:
            valid &= ~inside
    return valid


def _altitude(session: Session, t: np.ndarray, lag: float, bandwidth: float) -> np.ndarray | None:
    if not session.has("altitude"):
        return None
    seen = observe(session, "altitude")
    if seen.t.size < LEAST_FIXES:
        return None
    return lowpass(np.interp(t, seen.t - lag, seen.value), 1.0 / MOTION_RATE, min(bandwidth, 0.5))


def _quality(fixes, fused, lag, valid, speed_source, spread, carried, receiver, inertial) -> MotionQuality:
    repaired = float(1.0 - valid.mean()) + fused.outliers / fixes.t.size
    verdict, reason = "good", f"accelerations to {spread:.2f} m/s² at {carried:.1f} Hz"
    if repaired > 0.3 or (fixes.rate < 2.0 and not inertial) or spread > POOR_ACCELERATION:
        verdict = "not enough"
        reason = f"{100 * repaired:.0f} % of the log had to be repaired, {fixes.rate:.1f} fixes/s, {reason}"
    elif repaired > 0.03 or spread > USABLE_ACCELERATION or carried < 1.0:
        verdict = "usable"
        reason = f"{100 * repaired:.1f} % of the log had to be repaired, {fixes.rate:.1f} fixes/s, {reason}"
    rms = fused.rms
    return MotionQuality(
        fixes.rate,
        lag,
        rms["position"],
        rms.get("speed"),
        rms.get("a_lon"),
        rms.get("a_lat"),
        repaired,
        speed_source,
        verdict,
        reason,
    )
