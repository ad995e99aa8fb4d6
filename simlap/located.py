"""Motion of a log with positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from simlap.calibrate import STEP, Drive, calibrate
from simlap.errors import NotEnoughData
from simlap.fixnoise import FixNoise, fix_noise
from simlap.fuse import INERTIAL_WANDER, Fused, fuse
from simlap.geodesy import Origin
from simlap.motion_types import MOTION_RATE, STANDS, Motion, MotionQuality, distance_along, shape_of, short_enough
from simlap.receiver import OWN_SCALE, Against, agreeing, held_against
from simlap.sensors import JUMP_SPEED, Fixes, Observation, fixes_of, heard, observe
from simlap.session import Session
from simlap.splines import flat_lowpass, lowpass
from simlap.swapped import refuse_swapped

LEAST_FIXES = 20
GAP = 1.0  # [s] without a fix and without speed: a car turns 30 degrees in it
GAP_INERTIAL = 5.0  # [s] without a fix but with acceleration both ways: drifts by about 2 m
ROUGH_PASSES = 3  # of the first path: one to find the direction, one to learn the noise, one to use it
ROUGH_REPLICATES = 3
ROUGH_BANDWIDTH = 1.5  # [Hz] at most, of the first path
JERK_BAND = (0.4, 0.9)  # [Hz] around the bandwidths that poor data carry
JERK_RANGE = (1.0, 60.0)  # [m²/s⁵] believed densities: a parade lap, a kart on a slalom
LEAST_BANDWIDTH = 0.3  # [Hz]
NYQUIST_SHARE = 0.4  # of the fix rate: the highest bandwidth that positions or speeds alone can carry
USABLE_ACCELERATION = 0.6  # [m/s²] 6 % of g: error of the accelerations above which the verdict is no longer 'good'
MOVES = 5.0  # [m/s] a log that never reaches it is no drive
POSITIONS_ALONE = (
    "Speed and accelerations come from positions alone: limits are read from a heavily smoothed motion. The limit "
    "lap is good to about 1 %, and may be 2 % too fast where positions wander by more than a metre. Log the receiver's "
    "speed as well."
)
POSITIONS_AND_SENSORS = (
    "No speed of the log is used: speed comes from the positions, with the inertial sensors between them. Log the "
    "receiver's speed as well."
)
# A receiver's speed is good to 0.05 to 0.1 m/s (common practice, no source). One that the first path finds noisier is
# contradicted by positions whose error is smooth, and which so seem better than they are.
CONTRADICTED = 0.12  # [m/s]
# With fewer a second the accelerometers tell the corners between them: with one, limit laps came out 0.7 to 0.9 % fast.
FEW_FIXES = 3.0
POOR_ACCELERATION = 2.0  # [m/s²] 'not enough'
# Share of the log in gaps, or of the positions left out, above which the verdict is no better than this.
REPAIRED_USABLE, REPAIRED_POOR = 0.03, 0.3


def located_motion(session: Session, bandwidth: float, seed: int = 0, origin: Origin | None = None) -> Motion:
    """Motion from positions and whatever else the log carries.

    Parameters
    ----------
    session : Session
        With positions.
    bandwidth : float
        -3 dB point of the common low-pass. Lowered, and said so, when the data cannot carry it. [Hz]
    seed : int
        Of the drawn noise.
    origin : (float, float), optional
        Latitude and longitude where x = y = 0; the median position without it. [deg]

    Raises
    ------
    NotEnoughData
        When the positions are too few, or span too long a time.
    """
    notes: list[str] = []
    fixes = fixes_of(session, origin)
    notes += fixes.notes
    if fixes.t.size < LEAST_FIXES:
        dropped = f" after {fixes.dropped} that no car can drive to were dropped" if fixes.dropped else ""
        raise NotEnoughData(
            f"{session.source}: {fixes.t.size} different positions{dropped}; at least {LEAST_FIXES} are needed."
            + (" Give logs of one circuit, and check latitude and longitude." if fixes.dropped else "")
        )
    short_enough(session.source, "positions", fixes.t[-1] - fixes.t[0])
    receiver, inertial, speed_source = _channels(session, fixes, notes)
    if (told_speed := receiver.get("speed", inertial.get("wheel_speed"))) is not None:
        refuse_swapped(session, fixes if origin is None else fixes_of(session), told_speed)
    receiver = agreeing(fixes, receiver, notes)
    told = fix_noise(fixes.t, fixes.x, fixes.y)
    held = Against()
    if "speed" in receiver:
        held = held_against(fixes, receiver["speed"], told.white if told else 0.0)
        speed_source = _put_right(session, held, receiver, inertial, notes)
    elif speed_source == "speed":
        speed_source = "path"
    wandering = told and replace(told, intensity=max(told.intensity, held.wander))
    drive, speed_noise = first_drive(fixes, receiver, told)
    if speed_noise > CONTRADICTED:
        told = wandering
        drive, _ = first_drive(fixes, receiver, told)
    inertial, lag = calibrate(drive, inertial, notes)
    if "a_lat" in inertial or "yaw_rate" in inertial:
        told = wandering  # it is they that tell of the band of the curvature
    if lag is not None:
        receiver = {n: o.shifted(lag) for n, o in receiver.items()}
        fixes = replace(fixes, t=fixes.t - lag)
    start = fixes.t[0]
    stop = fixes.t[-1]
    fused = fuse(fixes, {**receiver, **inertial}, told, start, stop, seed)
    carried = min(bandwidth, supported_bandwidth(fused, fixes, {**receiver, **inertial}))
    if carried < bandwidth:
        notes.append(
            f"Noise and rate of the log carry {carried:.2f} Hz instead of {bandwidth:.2f} Hz; "
            "everything is smoothed to that."
        )
    if speed_source == "path":
        notes.append(POSITIONS_AND_SENSORS if inertial else POSITIONS_ALONE)
    t = start + np.arange(int((stop - start) * MOTION_RATE) + 1) / MOTION_RATE
    path = lowpass(fused.path, fused.grid.step, carried)
    p, velocity, acceleration = (fused.grid.evaluate(path, t, d) for d in (0, 1, 2))
    v, course, kappa, a_lon, a_lat = shape_of(velocity, acceleration)
    if not v.max() < JUMP_SPEED:
        raise NotEnoughData(f"{session.source}: {_no_path(fixes, [*receiver, *inertial])}")
    noise_lon, noise_lat = drawn_errors(fused, t, carried)
    valid = _valid(t, fixes, fused, {**receiver, **inertial}, v)
    quality = _quality(fixes, fused, lag, valid, speed_source, float(np.std(noise_lat)), carried, inertial, v.max())
    return Motion(
        t=t,
        x=p[:, 0],
        y=p[:, 1],
        s=distance_along(v, 1.0 / MOTION_RATE),
        v=v,
        course=course,
        kappa=kappa,
        a_lon=a_lon,
        a_lat=a_lat,
        altitude=_altitude(session, t, lag or 0.0, carried),
        noise_a_lon=noise_lon,
        noise_a_lat=noise_lat,
        origin=fixes.origin,
        bandwidth_hz=carried,
        valid=valid,
        quality=quality,
        notes=tuple(notes),
        closes=True,
        across=felt(inertial.get("a_lat"), drive, drive.a_lat, lag, t),
        along=felt(inertial.get("a_lon"), drive, drive.a_lon, lag, t),
        used=(*receiver, *inertial, *(("sideslip",) if "yaw_rate" in inertial and session.has("sideslip") else ())),
    )


def _put_right(
    session: Session,
    held: Against,
    receiver: dict[str, Observation],
    inertial: dict[str, Observation],
    notes: list[str],
) -> str:
    """Which speed is used, after the logged one is put in its place: at the positions' time, or with the wheels."""
    if held.wheels and "wheel_speed" not in inertial:
        del receiver["speed"]
        inertial["wheel_speed"] = observe(session, "wheel_speed" if session.has("wheel_speed") else "speed")
        reads = f"reads {held.scale:.3f} times that of the positions"
        if abs(held.scale - 1.0) <= OWN_SCALE:
            reads = "reads more than that of the positions the harder the car is driven"
        notes.append(f"The logged speed {reads}: taken for a speed of the wheels, its scale and slip taken out.")
        return "path and wheel_speed"
    if held.delay != 0.0:
        for name in receiver:
            receiver[name] = receiver[name].shifted(held.delay)
        side = "behind" if held.delay > 0.0 else "ahead of"
        notes.append(f"The receiver's speed comes {abs(held.delay):.3f} s {side} its positions; undone.")
    return "speed"


def _no_path(fixes: Fixes, channels: list[str]) -> str:
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


def felt(
    seen: Observation | None, drive: Drive, own: np.ndarray, lag: float | None, t: np.ndarray
) -> np.ndarray | None:
    """What an accelerometer reads beyond the acceleration `own` of the receiver's path, both smoothed alike, at `t`;
    NaN where it is silent."""
    if seen is None or lag is None:
        return None
    grid = drive.t - lag
    beyond = np.interp(t, grid, seen.smoothed(grid, STEP, drive.bandwidth) - own)
    return np.where(heard(seen.t, t), beyond, np.nan)


def _channels(
    session: Session, fixes: Fixes, notes: list[str]
) -> tuple[dict[str, Observation], dict[str, Observation], str]:
    """Receiver channels, inertial channels, and which speed is used."""
    receiver: dict[str, Observation] = {}
    inertial: dict[str, Observation] = {}
    speed_source = "path"
    if session.has("speed"):
        receiver["speed"] = observe(session, "speed", fixes)
        speed_source = "speed"
        if session.has("wheel_speed"):
            notes.append("Ground speed is used; wheel speed is left out: wheels slip under braking and drive.")
    if session.has("course"):
        seen = observe(session, "course", fixes)
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
        speed_source = "path and wheel_speed"
        inertial["wheel_speed"] = observe(session, "wheel_speed")
        notes.append(
            "No ground speed in the log: speed comes from the positions, and from the wheels with their slip taken out."
        )
    return receiver, inertial, speed_source


def first_drive(fixes: Fixes, receiver: Mapping[str, Observation], told: FixNoise | None) -> tuple[Drive, float]:
    """Path through fixes and receiver channels alone, on the receiver's clock, at the bandwidth that they carry; and
    the noise of the speed beside it, 0 without one [m/s]."""
    fused = fuse(fixes, receiver, told, fixes.t[0], fixes.t[-1], passes=ROUGH_PASSES, replicates=ROUGH_REPLICATES)
    t = np.arange(fixes.t[0], fixes.t[-1], STEP)
    bandwidth = min(ROUGH_BANDWIDTH, supported_bandwidth(fused, fixes, receiver))
    path = lowpass(fused.path, fused.grid.step, bandwidth)
    v, course, _, a_lon, a_lat = shape_of(fused.grid.evaluate(path, t, 1), fused.grid.evaluate(path, t, 2))
    errors = drawn_errors(fused, t, bandwidth)
    drive = Drive(t, v, a_lon, a_lat, np.gradient(course, STEP), bandwidth, *errors)
    return drive, float(fused.noise.get("speed", 0.0))


def drawn_errors(fused: Fused, t: np.ndarray, bandwidth: float) -> tuple[np.ndarray, np.ndarray]:
    """Drawn errors of a_lon and a_lat at times `t`, both (k, n), through the low-pass and the geometry of the path."""
    path = lowpass(fused.path, fused.grid.step, bandwidth)
    errors = lowpass(fused.noise_path, fused.grid.step, bandwidth)
    velocity, acceleration = (fused.grid.evaluate(path, t, d) for d in (1, 2))
    _, _, _, a_lon, a_lat = shape_of(velocity, acceleration)
    shaken = [fused.grid.evaluate(errors, t, d) for d in (1, 2)]
    lon, lat = np.empty((errors.shape[2], t.size)), np.empty((errors.shape[2], t.size))
    for k in range(errors.shape[2]):
        _, _, _, one, two = shape_of(velocity + shaken[0][:, :, k], acceleration + shaken[1][:, :, k])
        lon[k], lat[k] = one - a_lon, two - a_lat
    return lon, lat


def acceleration_noise(
    fused: Fused, fixes: Fixes, channels: Mapping[str, Observation], frequency: np.ndarray, axis: str
) -> np.ndarray:
    """Two-sided noise density [m²/s⁴/Hz] of the acceleration along ('lon') or across ('lat') the path.

    Every channel is turned into an acceleration (position: times ω⁴, speed: ω²); information adds up.
    """
    w2 = (2.0 * np.pi * frequency) ** 2
    inform = 1.0 / (w2**2 * (fused.noise["position"] ** 2 / fixes.rate + fused.wander.intensity / w2))
    names = {"lon": ("speed", "wheel_speed", "a_lon"), "lat": ("course", "a_lat", "yaw_rate")}[axis]
    for name in names:
        if name not in fused.noise:  # not logged, or not while there were fixes
            continue
        rate = channels[name].t.size / max(np.ptp(channels[name].t), 1.0)
        white = fused.noise[name] ** 2 / rate
        drift = INERTIAL_WANDER[name].intensity / w2 if name in INERTIAL_WANDER else 0.0
        inform += 1.0 / ((white + drift) * (w2 if name in ("speed", "course", "wheel_speed") else 1.0))
    return 1.0 / inform


def supported_bandwidth(fused: Fused, fixes: Fixes, channels: Mapping[str, Observation]) -> float:
    """Bandwidth [Hz] of the common low-pass with the least mean square error of the accelerations.

    Error = ∫ (1 - H)² signal + H² noise df, the signal a white jerk whose density is read from the path itself in
    `JERK_BAND`. The worse of the two axes counts: there is one bandwidth.
    """
    frequency = np.arange(0.01, 8.0, 0.02)
    signal = jerk_of(fused) / (2.0 * np.pi * frequency) ** 2
    tried = np.geomspace(LEAST_BANDWIDTH, 4.0, 60)
    gains = flat_lowpass(frequency, tried[:, None])
    best = tried[-1]
    for axis in ("lon", "lat"):
        noise = acceleration_noise(fused, fixes, channels, frequency, axis)
        error = ((1.0 - gains) ** 2 * signal + gains**2 * noise).sum(axis=1)
        best = min(best, tried[np.argmin(error)])
    if not ("a_lon" in channels and ("a_lat" in channels or "yaw_rate" in channels)):
        best = min(best, NYQUIST_SHARE * fixes.rate)
    return float(max(best, LEAST_BANDWIDTH))


def jerk_of(fused: Fused) -> float:
    """Two-sided density of the path's jerk in `JERK_BAND`, less that of its drawn errors, mean of both axes [m²/s⁵]."""
    from scipy.signal import welch

    t = fused.grid.start + fused.grid.step * np.arange(fused.grid.intervals + 1)
    densities = []
    for coefficients in (fused.path, fused.noise_path):
        acceleration = fused.grid.evaluate(coefficients, t, 2)
        frequency, density = welch(acceleration, 1.0 / fused.grid.step, nperseg=min(512, t.size), axis=0)
        band = (frequency >= JERK_BAND[0]) & (frequency <= JERK_BAND[1])
        weight = (2.0 * np.pi * frequency[band]) ** 2
        densities.append(0.5 * float(np.mean(density[band].reshape(weight.size, -1).mean(axis=1) * weight)))
    return float(np.clip(densities[0] - densities[1], *JERK_RANGE))


def _valid(t: np.ndarray, fixes: Fixes, fused: Fused, channels: Mapping[str, Observation], v: np.ndarray) -> np.ndarray:
    """False inside gaps between used fixes, unless inertial channels heard there bridge them or the car stands."""
    used = np.setdiff1d(fixes.t, fused.outlier_t)
    shortest = max(GAP, 3.0 / max(fixes.rate, 1e-3))
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


def _altitude(session: Session, t: np.ndarray, lag: float, bandwidth: float) -> np.ndarray | None:
    if not session.has("altitude"):
        return None
    seen = observe(session, "altitude")
    if seen.t.size < LEAST_FIXES:
        return None
    return seen.shifted(lag).smoothed(t, 1.0 / MOTION_RATE, min(bandwidth, 0.5))


def _quality(
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
    elif repaired > REPAIRED_POOR or (fixes.rate < 2.0 and not inertial) or spread > POOR_ACCELERATION:
        verdict, reason = "not enough", all_told
    elif repaired > REPAIRED_USABLE or spread > USABLE_ACCELERATION or carried < 1.0 or fixes.rate < FEW_FIXES:
        verdict, reason = "usable", all_told
    rms = fused.rms
    return MotionQuality(
        fixes.rate,
        lag,
        rms["position"],
        rms.get("speed", rms.get("wheel_speed")),
        rms.get("a_lon"),
        rms.get("a_lat"),
        repaired,
        speed_source,
        verdict,
        reason,
    )
