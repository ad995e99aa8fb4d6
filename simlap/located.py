"""Motion of a log with positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from simlap.bandwidth import TOLD_BY, Bands, drawn_errors, smooth_shape, supported_bands
from simlap.calibrate import STEP, Drive, calibrate
from simlap.errors import NotEnoughData
from simlap.fixnoise import FixNoise, fix_noise
from simlap.fuse import LOOSE_JERK, fuse
from simlap.geodesy import Origin
from simlap.located_quality import no_path, quality_of, valid_of
from simlap.motion_types import ALTITUDE_BANDWIDTH, MOTION_RATE, Motion, integrated, short_enough
from simlap.receiver import OWN_SCALE, Against, agreeing, held_against
from simlap.sensors import JUMP_SPEED, Fixes, Observation, fixes_of, heard, observe
from simlap.session import Session
from simlap.swapped import refuse_swapped

LEAST_FIXES = 20
ROUGH_PASSES = 3  # of the first path: one to find the direction, one to learn the noise, one to use it
ROUGH_REPLICATES = 3
ROUGH_BANDWIDTH = 1.5  # [Hz] at most, of the first path
POSITIONS_ALONE = (
    "Speed and accelerations come from positions alone: limits are read from a heavily smoothed motion. The limit "
    "lap is good to about 1 %, and may be 2 % too fast where positions wander by more than a metre."
)
POSITIONS_AND_SENSORS = (
    "No speed of the log is used: speed comes from the positions, with the inertial sensors between them."
)
LOG_SPEED = " Log the receiver's speed as well."  # said of a log without one, not of one whose speed is left out
POSITIONS_AND_SPEED = (
    "The corners' curvature comes from positions alone: the limit lap is good to about 1 %. Log the receiver's course "
    "or a lateral accelerometer as well."
)
# A receiver's speed is good to 0.05 to 0.1 m/s (common practice, no source). One that the first path finds noisier is
# contradicted by positions whose error is smooth, and which so seem better than they are.
CONTRADICTED = 0.12  # [m/s]
CURVES = 1.0  # [Hz] below it the turn-in is blurred over more than a third of a second


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
    log = _heard(session, _enough_fixes(session, origin, notes), origin is None, notes)
    fixes, channels, lag = log.fixes, log.channels, log.lag
    start, stop = fixes.t[0], fixes.t[-1]
    fused = fuse(fixes, channels, log.noise, start, stop, seed)
    bands = supported_bands(fused, fixes, channels, bandwidth)
    if bands.path < bandwidth:
        notes.append(_smoothed_to(bands, bandwidth))
    if log.speed_source == "path":
        without = POSITIONS_AND_SENSORS if log.inertial else POSITIONS_ALONE
        notes.append(without if session.has("speed") else without + LOG_SPEED)
    elif bands.path < CURVES and not any(name in channels for name in TOLD_BY["lat"]):
        notes.append(POSITIONS_AND_SPEED)
    t = start + np.arange(int((stop - start) * MOTION_RATE) + 1) / MOTION_RATE
    shape = smooth_shape(fused.grid, fused.path, t, bands)
    top = float(shape.v.max())
    if not top < JUMP_SPEED:
        raise NotEnoughData(f"{session.source}: {no_path(fixes, list(channels))}")
    noise_lon, noise_lat = drawn_errors(fused, t, bands)
    valid = valid_of(t, fixes, fused, channels, shape.v)
    quality = quality_of(
        fixes, fused, lag, valid, log.speed_source, float(np.std(noise_lat)), bands.path, log.inertial, top
    )
    return Motion(
        t=t,
        x=shape.position[:, 0],
        y=shape.position[:, 1],
        s=integrated(shape.v, 1.0 / MOTION_RATE),
        v=shape.v,
        course=shape.course,
        kappa=shape.kappa,
        a_lon=shape.a_lon,
        a_lat=shape.a_lat,
        altitude=_altitude(session, t, lag or 0.0, bands.path),
        noise_a_lon=noise_lon,
        noise_a_lat=noise_lat,
        origin=fixes.origin,
        bandwidth_hz=bands.path,
        speed_bandwidth_hz=bands.speed,
        valid=valid,
        quality=quality,
        notes=tuple(notes),
        closes=True,
        across=felt(log.inertial.get("a_lat"), log.drive, log.drive.a_lat, lag, t),
        along=felt(log.inertial.get("a_lon"), log.drive, log.drive.a_lon, lag, t),
        used=(*channels, *(("sideslip",) if "yaw_rate" in log.inertial and _sideslip(session) else ())),
    )


def _smoothed_to(bands: Bands, wanted: float) -> str:
    """What is smoothed to less than the `wanted` bandwidth [Hz]."""
    told = f"Noise and rate of the log carry {bands.path:.2f} Hz instead of {wanted:.2f} Hz; "
    if bands.speed > bands.path:
        return f"{told}the path is smoothed to that, the speed along it to {bands.speed:.2f} Hz."
    return f"{told}everything is smoothed to that."


@dataclass(frozen=True, eq=False)
class _Heard:
    """What a log tells of the path, on the clock of its inertial sensors."""

    fixes: Fixes
    receiver: dict[str, Observation]
    inertial: dict[str, Observation]  #: those that follow the path, calibrated
    noise: FixNoise | None  #: of the fixes
    drive: Drive  #: the first path, still on the receiver's clock
    lag: float | None  #: of the receiver, undone [s]
    speed_source: str

    @property
    def channels(self) -> dict[str, Observation]:
        """All that is heard beside the fixes."""
        return {**self.receiver, **self.inertial}


def _enough_fixes(session: Session, origin: Origin | None, notes: list[str]) -> Fixes:
    """The fixes of a log on the plane about `origin`; `notes` grows by what was done to them."""
    fixes = fixes_of(session, origin)
    notes += fixes.notes
    if fixes.t.size < LEAST_FIXES:
        dropped = f" after {fixes.dropped} that no car can drive to were dropped" if fixes.dropped else ""
        raise NotEnoughData(
            f"{session.source}: {fixes.t.size} different positions{dropped}; at least {LEAST_FIXES} are needed."
            + (" Give logs of one circuit, and check latitude and longitude." if fixes.dropped else "")
        )
    short_enough(session.source, "positions", fixes.t[-1] - fixes.t[0])
    return fixes


def _heard(session: Session, fixes: Fixes, own_plane: bool, notes: list[str]) -> _Heard:
    """Channels held against the fixes and each other; `own_plane`: the fixes lie about their own median."""
    receiver, inertial, speed_source = _channels(session, fixes, notes)
    if (told_speed := receiver.get("speed", inertial.get("wheel_speed"))) is not None:
        refuse_swapped(session, fixes if own_plane else fixes_of(session), told_speed)
    receiver = agreeing(fixes, receiver, notes)
    noise = fix_noise(fixes.t, fixes.x, fixes.y)
    held = Against()
    if "speed" in receiver:
        held = held_against(fixes, receiver["speed"], noise.white if noise else 0.0)
        speed_source = _put_right(session, held, receiver, inertial, notes)
    elif speed_source == "speed":
        speed_source = "path"
    wandering = noise and replace(noise, intensity=max(noise.intensity, held.wander))
    drive, speed_noise = first_drive(fixes, receiver, noise)
    if speed_noise > CONTRADICTED:
        noise = wandering
        drive, _ = first_drive(fixes, receiver, noise)
    inertial, lag = calibrate(drive, inertial, notes)
    if "a_lat" in inertial or "yaw_rate" in inertial:
        noise = wandering  # it is they that tell of the band of the curvature
    if lag is not None:
        receiver = {n: o.shifted(lag) for n, o in receiver.items()}
        fixes = replace(fixes, t=fixes.t - lag)
    return _Heard(fixes, receiver, inertial, noise, drive, lag, speed_source)


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
    for group in (receiver, inertial):
        for name in [n for n, o in group.items() if o.t.size < LEAST_FIXES]:
            del group[name]
    slip = _sideslip(session)
    if "yaw_rate" in inertial and slip is not None:
        yaw = inertial["yaw_rate"]
        rate = np.gradient(np.interp(yaw.t, slip.t, slip.value), yaw.t)
        inertial["yaw_rate"] = replace(yaw, value=yaw.value + rate)
        notes.append("Course rate = yaw rate + rate of the logged sideslip.")
    if "speed" not in receiver and session.has("wheel_speed"):
        wheels = observe(session, "wheel_speed")
        if wheels.t.size >= LEAST_FIXES:
            speed_source = "path and wheel_speed"
            inertial["wheel_speed"] = wheels
            notes.append(
                "No ground speed in the log: speed comes from the positions, and from the wheels with their slip taken "
                "out."
            )
    return receiver, inertial, speed_source


def _sideslip(session: Session) -> Observation | None:
    """The logged sideslip [rad]; None where there is none, or too few values for a rate."""
    seen = observe(session, "sideslip") if session.has("sideslip") else None
    return seen if seen is not None and seen.t.size >= LEAST_FIXES else None


def first_drive(fixes: Fixes, receiver: Mapping[str, Observation], told: FixNoise | None) -> tuple[Drive, float]:
    """Path through fixes and receiver channels alone, on the receiver's clock, at the bandwidth that they carry; and
    the noise of the speed beside it, 0 without one [m/s]."""
    fused = fuse(
        fixes,
        receiver,
        told,
        fixes.t[0],
        fixes.t[-1],
        passes=ROUGH_PASSES,
        replicates=ROUGH_REPLICATES,
        jerk_density=LOOSE_JERK,
    )
    t = np.arange(fixes.t[0], fixes.t[-1], STEP)
    bandwidth = supported_bands(fused, fixes, receiver, ROUGH_BANDWIDTH).path
    bands = Bands(bandwidth, bandwidth)  # it is held against inertial sensors, which are smoothed alike
    shape = smooth_shape(fused.grid, fused.path, t, bands)
    errors = drawn_errors(fused, t, bands)
    drive = Drive(t, shape.v, shape.a_lon, shape.a_lat, np.gradient(shape.course, STEP), bandwidth, *errors)
    return drive, float(fused.noise.get("speed", 0.0))


def _altitude(session: Session, t: np.ndarray, lag: float, bandwidth: float) -> np.ndarray | None:
    if not session.has("altitude"):
        return None
    seen = observe(session, "altitude")
    if seen.t.size < LEAST_FIXES:
        return None
    return seen.shifted(lag).smoothed(t, 1.0 / MOTION_RATE, min(bandwidth, ALTITUDE_BANDWIDTH))
