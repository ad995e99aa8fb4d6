"""Motion of a log without positions: speed integrated along a course that is bent until the laps close."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simlap.closing import Closing, close_laps
from simlap.errors import NotEnoughData
from simlap.lag import LEAST_CORRELATION, lag_between
from simlap.motion_types import (
    ALTITUDE_BANDWIDTH,
    MOTION_RATE,
    STANDS,
    Motion,
    MotionQuality,
    integrated,
    short_enough,
)
from simlap.sensors import Observation, heard, observe
from simlap.session import Session
from simlap.spans import Span, true_spans
from simlap.splines import lowpass
from simlap.turning import SLOW, course_rate, drawn_noise

CLOSES_WITHIN = 15.0  # [m] laps that miss their own start by more are no laps of one circuit
LOSES_PATH = 3.0  # [s] without speed or turn rate: a straight line across shorter ones kept the laps of the demo
MISSING_TOLD = 0.01  # share of the time in gaps from which on the verdict names it
LEAST_ROWS = 200  # values a channel needs, and rows while the car moves: four seconds of them
GAP = 0.5  # [s] without speed or turn rate: a car turns by 15 degrees in it
LEAST_SHARE = 0.5  # of an accelerometer's variance that the path must explain; else it is no reading of this motion


def reckoned_motion(session: Session, bandwidth: float, seed: int = 0) -> Motion:
    """Motion from speed and turn rate: a path that begins at x = y = 0 northwards, closed from lap to lap.

    Parameters
    ----------
    session : Session
        With a speed (or a wheel speed), and a yaw rate or a lateral acceleration.
    bandwidth : float
        -3 dB point of the common low-pass. [Hz]
    seed : int
        Of the drawn noise.

    Raises
    ------
    NotEnoughData
        When one of these channels is missing, they are too few, overlap for too short a time or span too long a one.
    """
    notes = ["No positions in the log: the path is reckoned from speed and course rate."]
    source = _speed_source(session, notes)
    speed, lag = _aligned(session, _speeds(session, source), notes)
    turning, t_range = _turn_channels(session)
    t, dt = _common_clock(session.source, speed, t_range), 1.0 / MOTION_RATE
    v_raw = np.interp(t, speed.t, speed.value)
    v = np.maximum(lowpass(v_raw, dt, bandwidth), 0.0)
    a_lon = np.gradient(v, dt)
    turn = course_rate(turning, t, v_raw, notes)
    rate = lowpass(turn.rate, dt, bandwidth)
    valid = _valid(t, speed, turning, v)
    lost = [(first, stop) for first, stop in true_spans(~valid) if t[stop - 1] - t[first] > LOSES_PATH]
    closing = close_laps(t, integrated(v, dt), v, rate, lost)
    rate = rate + np.gradient(closing.correction, dt)
    x, y, course = _path(closing, v, rate, dt)
    random = np.random.default_rng(seed)
    shake_v = lowpass(drawn_noise(speed, t, random), dt, bandwidth)
    shake_rate = lowpass(turn.drawn(turning, t, v_raw, random), dt, bandwidth)
    notes.append(_closing_note(closing))
    quality = _quality(lag, source, turn.name, closing, float(1.0 - valid.mean()))
    notes += _lost_in_gaps(t, lost, closing.bridged)
    kappa = np.where(v > SLOW, rate / np.maximum(v, SLOW), 0.0)
    a_lat = v**2 * kappa
    moves = v > SLOW
    across = None
    if "yaw_rate" in turning:  # else the path is the accelerometer's own
        across = _beyond(session, "a_lat", t, (a_lat, a_lon), moves, bandwidth)
    return Motion(
        t=t,
        x=x,
        y=y,
        s=closing.s,
        v=v,
        course=course,
        kappa=kappa,
        a_lon=a_lon,
        a_lat=a_lat,
        altitude=_altitude(session, t, bandwidth),
        noise_a_lon=np.gradient(shake_v, dt, axis=0).T,
        noise_a_lat=(v[:, None] * shake_rate).T,
        origin=None,
        bandwidth_hz=bandwidth,
        speed_bandwidth_hz=bandwidth,
        valid=valid,
        quality=quality,
        notes=tuple(notes),
        closes=False,
        across=across,
        along=_beyond(session, "a_lon", t, (a_lon, a_lat**2, a_lat), moves, bandwidth),
        used=(source, *turning),
    )


def _path(closing: Closing, v: np.ndarray, rate: np.ndarray, dt: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """x, y [m] and course [rad] of a car that drives `v` [m/s] and turns at `rate` [rad/s], both (n,); northwards at
    first. `closing` tells what they gain in gaps."""
    course = integrated(rate, dt) + closing.jumps[0]
    turn_by = np.pi / 2.0 - course[0]  # the laps were closed on a path that began eastwards
    course += turn_by
    moved = (closing.jumps[1] + 1j * closing.jumps[2]) * np.exp(1j * turn_by)
    return integrated(v * np.cos(course), dt) + moved.real, integrated(v * np.sin(course), dt) + moved.imag, course


def _speed_source(session: Session, notes: list[str]) -> str:
    """Name of the speed that the path is reckoned from; `notes` grows by what it leaves to be desired."""
    source = "speed" if session.has("speed") else "wheel_speed"
    if not session.has(source):
        raise NotEnoughData(
            f"{session.source}: neither positions nor a speed. Log latitude and longitude, or speed "
            "with yaw rate or lateral acceleration."
        )
    if not (session.has("yaw_rate") or session.has("a_lat")):
        raise NotEnoughData(
            f"{session.source}: a speed but no positions, yaw rate or lateral acceleration: the path "
            "cannot be found. Log one of them."
        )
    if source == "wheel_speed":
        notes.append(
            "Speed comes from the wheels, the only speed in the log: braking comes out too hard where they slip."
        )
    return source


def _speeds(session: Session, source: str) -> Observation:
    """The speed of this name, where there is enough of it."""
    speed = observe(session, source)
    if speed.t.size < LEAST_ROWS:
        raise NotEnoughData(f"{session.source}: {speed.t.size} speeds; at least {LEAST_ROWS} are needed.")
    return speed


def _altitude(session: Session, t: np.ndarray, bandwidth: float) -> np.ndarray | None:
    """Smoothed height (n,) at the times `t` (n,) [s], None where none is logged. [m]"""
    if not session.has("altitude"):
        return None
    return observe(session, "altitude").smoothed(t, 1.0 / MOTION_RATE, min(bandwidth, ALTITUDE_BANDWIDTH))


def _common_clock(source: str, speed: Observation, turning: tuple[float, float]) -> np.ndarray:
    """Times of the motion (n,), where speed and the turn rate, known from first to last of `turning`, overlap. [s]"""
    start, stop = max(speed.t[0], turning[0]), min(speed.t[-1], turning[1])
    if stop - start < LEAST_ROWS / MOTION_RATE:
        raise NotEnoughData(f"{source}: speed and turn rate overlap for {max(stop - start, 0):.1f} s only.")
    short_enough(source, "speed and turn rate", stop - start)
    return np.asarray(start + np.arange(int((stop - start) * MOTION_RATE) + 1) / MOTION_RATE)


def _closing_note(closing: Closing) -> str:
    if closing.lap_length == 0.0:
        return "No lap repeats in this log: the bias of the turn rate could not be found."
    return (
        f"Turn rate bias of {np.degrees(closing.bias):.3f} deg/s taken out; laps of {closing.lap_length:.0f} m "
        f"then miss their own start by {closing.miss_before:.1f} m, and by {closing.miss_after:.1f} m after "
        "a slow correction of the course."
    )


def _beyond(
    session: Session, name: str, t: np.ndarray, path: tuple[np.ndarray, ...], moves: np.ndarray, bandwidth: float
) -> np.ndarray | None:
    """What the accelerometer `name` reads beyond the reckoned path, its scale, sign and the rest of `path` taken out,
    NaN where it is silent.

    `path` is the acceleration that it should read, and what else the body makes it read; each (n,), as `moves`.
    """
    if not session.has(name):
        return None
    seen = observe(session, name)
    if seen.t.size < LEAST_ROWS:
        return None
    read, known = seen.smoothed(t, t[1] - t[0], bandwidth), heard(seen.t, t)
    moves = moves & known
    if moves.sum() < LEAST_ROWS or np.ptp(read[moves]) == 0.0:
        return None  # it is silent while the car moves, or dead
    features = np.column_stack([*path, np.ones(t.size)])
    found = np.linalg.lstsq(features[moves], read[moves], rcond=None)[0]
    fitted = features @ found
    if np.var(read[moves] - fitted[moves]) > (1.0 - LEAST_SHARE) * np.var(read[moves]):
        return None
    return np.where(known, (read - fitted) / found[0], np.nan)


def _aligned(session: Session, speed: Observation, notes: list[str]) -> tuple[Observation, float | None]:
    """Speed on the clock of the accelerometer, when there is one."""
    if not session.has("a_lon"):
        return speed, None
    a = observe(session, "a_lon")
    lag, strength = lag_between(speed.t, speed.value, a.t, a.value)
    if abs(strength) < LEAST_CORRELATION:
        return speed, None
    lag = max(lag, 0.0)  # nothing is ahead of time: a negative figure is an error of the estimate
    notes.append(f"Speed {lag:.3f} s behind the accelerometer (correlation {abs(strength):.2f}); undone.")
    if strength < 0.0:
        notes.append("Sign of the longitudinal acceleration turned to ISO 8855.")
    return speed.shifted(lag), lag


def _turn_channels(session: Session) -> tuple[dict[str, Observation], tuple[float, float]]:
    """Channels that tell how the car turns, and from when to when the first of them does. [s]"""
    out = {n: observe(session, n) for n in ("yaw_rate", "sideslip", "a_lat") if session.has(n)}
    if "sideslip" in out and out["sideslip"].t.size < LEAST_ROWS:
        del out["sideslip"]  # so few values have no rate
    main = out["yaw_rate"] if "yaw_rate" in out else out["a_lat"]
    return out, (float(main.t[0]), float(main.t[-1]))


def _valid(t: np.ndarray, speed: Observation, turning: dict[str, Observation], v: np.ndarray) -> np.ndarray:
    """False inside gaps of speed or turn rate, unless the car stands: nought, written again and again, is no gap."""
    main = turning["yaw_rate"] if "yaw_rate" in turning else turning["a_lat"]
    valid = np.ones(t.size, dtype=bool)
    for seen in (speed, main):
        for i in np.flatnonzero(np.diff(seen.t) > GAP):
            inside = (t > seen.t[i]) & (t < seen.t[i + 1])
            if v[inside].max(initial=0.0) > STANDS:
                valid &= ~inside
    return valid


def _lost_in_gaps(t: np.ndarray, gaps: Sequence[Span], found: Sequence[Span]) -> list[str]:
    """Notes on gaps in which the path is lost: those behind which it was `found` again, and the others."""
    again = [gap for gap in gaps if gap in found]
    rest = [gap for gap in gaps if gap not in found]
    notes = []
    for some, told in (
        (again, "the path is lost there. Behind, it is laid over the laps before by its curvature"),
        (
            rest,
            "the path is lost there, and laps behind it may not be found. Cut the log there and judge the pieces, or "
            "log positions",
        ),
    ):
        if some:
            begin, end = (t[i] for i in max(some, key=lambda gap: gap[1] - gap[0]) + np.array([0, -1]))
            others = f" (and {len(some) - 1} times more)" if len(some) > 1 else ""
            notes.append(f"No speed or turn rate from {begin:.1f} to {end:.1f} s{others}: {told}.")
    return notes


def _quality(lag: float | None, source: str, rate_name: str, closing: Closing, missing: float) -> MotionQuality:
    verdict, reason = "usable", f"no positions; path from {source} and {rate_name}"
    if closing.lap_length == 0.0:
        verdict, reason = "not enough", reason + "; no lap repeats, so its drift is unknown"
    elif closing.miss_after > CLOSES_WITHIN:
        verdict, reason = "not enough", reason + f"; laps miss their own start by {closing.miss_after:.0f} m"
    else:
        reason += f"; laps close to {closing.miss_after:.1f} m"
    if missing > MISSING_TOLD:
        reason += f"; {100 * missing:.0f} % of the time lies in gaps"
    return MotionQuality(
        fixes_per_second=0.0,
        lag_s=lag,
        rms_position_m=None,
        rms_speed_ms=None,
        repaired_share=missing,
        speed_source=source,
        verdict=verdict,
        reason=reason,
    )
