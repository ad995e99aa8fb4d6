"""Motion of a log without positions: speed integrated along a course that is bent until the laps close."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.bridging import SHORTEST, Bridged, bridged
from simlap.errors import NotEnoughData
from simlap.lag import LEAST_CORRELATION, lag_between
from simlap.motion_types import MOTION_RATE, STANDS, Motion, MotionQuality, distance_along, short_enough
from simlap.sensors import Observation, heard, observe
from simlap.session import Session
from simlap.spans import Span, true_spans
from simlap.splines import lowpass
from simlap.turning import SLOW, course_rate, drawn_noise
from simlap.warp import lap_length_of, shift_between

SPACING = 2.0  # [m] of the curvature profile over distance
LEAST_LIKENESS = 0.6  # correlation of curvature one lap apart; below, no lap is recognised and nothing is closed
CORRECTION_KNOT = 10.0  # [s] the correction of the course is linear between these
GYRO_WALK = 0.002  # [rad/√s] standard deviation of the course's drift after one second: 0.9 degrees in a minute
LINE_SPREAD = 2.0  # [m] laps of one driver lie this far apart; paths are not pulled closer together than that
CLOSING_ROUNDS = 4
CLOSING_STEP = 0.1  # [s] of the integrals there: a turn of 10 m/s² leaves its chord by 12 mm
CLOSES_WITHIN = 15.0  # [m] laps that miss their own start by more are no laps of one circuit
LOSES_PATH = 3.0  # [s] without speed or turn rate: a straight line across shorter ones kept the laps of the demo
MISSING_TOLD = 0.01  # share of the time in gaps from which on the verdict names it
LEAST_ROWS = 200
LEAST_SHARE = 0.5  # of an accelerometer's variance that the path must explain; else it is no reading of this motion


@dataclass(frozen=True, eq=False)
class Closing:
    """What closing the laps did."""

    correction: np.ndarray  #: (n,) added to the course [rad]
    lap_length: float  #: odometer length of a lap, 0 when none was recognised [m]
    miss_before: float  #: median distance between places one lap apart, after the constant bias is out [m]
    miss_after: float  #: the same, after the slow correction [m]
    bias: float  #: constant part [rad/s]
    s: np.ndarray  #: (n,) distance, gaps crossed as the laps tell [m]
    jumps: np.ndarray  #: (3, n) what course [rad], x and y [m] gain in gaps
    bridged: tuple[Span, ...]  #: gaps behind which the path was found again

    @classmethod
    def none(cls, s: np.ndarray) -> Closing:
        """Of a log in which no lap is recognised; `s` (n,) its distance. [m]"""
        return cls(np.zeros(s.size), 0.0, 0.0, 0.0, 0.0, s, np.zeros((3, s.size)), ())


@dataclass(frozen=True, eq=False)
class Pairs:
    """Times at which the car was at one place on two laps that follow each other; all shape (m,)."""

    first: np.ndarray  #: [s]
    second: np.ndarray  #: [s]
    known: np.ndarray  #: neither lies in a gap
    thin: np.ndarray  #: those about 20 m apart


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
    speed = observe(session, source)
    if speed.t.size < LEAST_ROWS:
        raise NotEnoughData(f"{session.source}: {speed.t.size} speeds; at least {LEAST_ROWS} are needed.")
    speed, lag = _aligned(session, speed, notes)
    turning, t_range = _turn_channels(session)
    t, dt = _common_clock(session.source, speed, t_range), 1.0 / MOTION_RATE
    v_raw = np.interp(t, speed.t, speed.value)
    v = np.maximum(lowpass(v_raw, dt, bandwidth), 0.0)
    a_lon = np.gradient(v, dt)
    turn = course_rate(turning, t, v_raw, notes)
    rate = lowpass(turn.rate, dt, bandwidth)
    valid = _valid(t, speed, turning, v)
    lost = [(first, stop) for first, stop in true_spans(~valid) if t[stop - 1] - t[first] > LOSES_PATH]
    closing = close_laps(t, distance_along(v, dt), v, rate, lost)
    slope = np.gradient(closing.correction, dt)
    rate = rate + slope
    course = _integrated(rate, dt) + closing.jumps[0]
    turn_by = np.pi / 2.0 - course[0]  # the path begins northwards; the laps were closed on one that began eastwards
    course += turn_by
    moved = (closing.jumps[1] + 1j * closing.jumps[2]) * np.exp(1j * turn_by)
    x = _integrated(v * np.cos(course), dt) + moved.real
    y = _integrated(v * np.sin(course), dt) + moved.imag
    random = np.random.default_rng(seed)
    shake_v = lowpass(drawn_noise(speed, t, random), dt, bandwidth)
    shake_rate = lowpass(turn.drawn(turning, t, v_raw, random), dt, bandwidth)
    notes.append(_closing_note(closing))
    quality = _quality(lag, source, turn.name, closing, float(1.0 - valid.mean()))
    notes += _lost_in_gaps(t, lost, closing.bridged)
    kappa = np.where(v > SLOW, rate / np.maximum(v, SLOW), 0.0)
    altitude = None
    if session.has("altitude"):
        altitude = observe(session, "altitude").smoothed(t, dt, min(bandwidth, 0.5))
    a_lat = v**2 * kappa
    moves = v > SLOW
    across, along = None, _beyond(session, "a_lon", t, (a_lon, a_lat**2, a_lat), moves, bandwidth)
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
        altitude=altitude,
        noise_a_lon=np.gradient(shake_v, dt, axis=0).T,
        noise_a_lat=(v[:, None] * shake_rate).T,
        origin=None,
        bandwidth_hz=bandwidth,
        valid=valid,
        quality=quality,
        notes=tuple(notes),
        closes=False,
        across=across,
        along=along,
        used=(source, *turning),
    )


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
    out = {n: observe(session, n) for n in ("yaw_rate", "sideslip", "a_lat") if session.has(n)}
    main = out["yaw_rate"] if "yaw_rate" in out else out["a_lat"]
    return out, (float(main.t[0]), float(main.t[-1]))


def _integrated(values: np.ndarray, dt: float) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(0.5 * dt * (values[1:] + values[:-1]))])


def close_laps(t: np.ndarray, s: np.ndarray, v: np.ndarray, rate: np.ndarray, gaps: Sequence[Span] = ()) -> Closing:
    """Slow correction of the course that brings places one lap apart onto each other.

    Parameters
    ----------
    t, s, v, rate : float64 arrays, shape (n,)
        Time [s], distance [m], speed [m/s], course rate [rad/s], uniform in time.
    gaps : half-open ranges of samples, in order
        In which speed or course rate are drawn, not known; distance, course and place jump there as the laps tell.

    Notes
    -----
    Laps are recognised by the curvature over distance, which has no drift. A constant bias makes the course change by a
    whole number of turns per lap; then a correction, linear between knots of `CORRECTION_KNOT` and walking at random by
    `GYRO_WALK`, is fitted by Gauss and Newton so that positions one lap apart agree to `LINE_SPREAD`.
    """
    if s[-1] < SHORTEST:
        return Closing.none(s)
    kappa = np.where(v > SLOW, rate / np.maximum(v, SLOW), 0.0)
    joined = bridged(s, kappa, gaps, SPACING) if gaps else None
    if joined is None:
        joined = Bridged(s, 0.0, ((0, s.size),), ())
    s = joined.s
    grid = np.arange(0.0, s[-1], SPACING)
    rising = np.concatenate([[True], np.diff(s) > 1e-6])
    at = np.interp(grid, s[rising], t[rising])
    profile = np.interp(at, t, kappa)
    length, likeness = joined.lap_length, 1.0
    if not length:
        length, likeness = lap_length_of(profile, SPACING)
    if likeness < LEAST_LIKENESS:
        return Closing.none(s)
    pairs = _pairs(grid, at, profile, length, [(t[a], t[b - 1]) for a, b in joined.pieces])
    return _closed(t, joined, v, _integrated(rate, t[1] - t[0]), pairs, length)


def _pairs(
    grid: np.ndarray, at: np.ndarray, kappa: np.ndarray, length: float, known: Sequence[tuple[float, float]]
) -> Pairs:
    """Times one lap apart along the profile `kappa` (m,) over `grid` (m,) [m], whose cells are reached at `at` (m,)."""
    ahead = round(length / SPACING)
    here = np.arange(grid.size - ahead)
    seen = np.zeros(grid.size, dtype=bool)
    for start, stop in known:
        seen |= (at >= start) & (at <= stop)
    filled = kappa.copy()  # a gap looks like the laps beside it, so that it pulls at none of its surroundings
    for lost in np.flatnonzero(~seen):
        for other in (lost - ahead, lost + ahead):
            if 0 <= other < grid.size and seen[other]:
                filled[lost] = kappa[other]
                break
    shift = shift_between(filled[here], filled[ahead:], SPACING)
    second = grid[here] + length + shift
    both = seen[here] & (np.interp(second, grid, seen.astype(float)) == 1.0)
    thin = np.arange(here.size) % max(int(20.0 / SPACING), 1) == 0
    return Pairs(at[here], np.interp(second, grid, at), both, thin)


def _closed(t: np.ndarray, joined: Bridged, v: np.ndarray, course: np.ndarray, pairs: Pairs, length: float) -> Closing:
    """Bias, slow correction and jumps in the gaps that bring the two of each pair onto each other."""
    dt = t[1] - t[0]
    gaps = [(t[first - 1], t[stop]) for first, stop in joined.gaps]
    across = np.array([(pairs.first <= a) & (pairs.second >= b) for a, b in gaps]).reshape(len(gaps), pairs.first.size)
    inside = pairs.known & ~across.any(axis=0)
    turned = np.interp(pairs.second, t, course) - np.interp(pairs.first, t, course)
    whole = 2.0 * np.pi * np.round(np.median(turned[inside]) / (2.0 * np.pi))
    bias = float(np.median(((turned - whole) / (pairs.second - pairs.first))[inside]))
    count = max(int(np.ceil((t[-1] - t[0]) / CORRECTION_KNOT)) + 1, 3)
    knot_t = np.linspace(t[0], t[-1], count)
    knots = -bias * (knot_t - t[0])
    wanted = whole - (turned - bias * (pairs.second - pairs.first))
    jumps = np.zeros((3, len(gaps)))  # of course [rad], x and y [m]
    jumps[0] = np.angle(np.exp(1j * _first_guess(wanted[pairs.known], across[:, pairs.known])))
    fine, every = t, slice(0, None, max(round(CLOSING_STEP / dt), 1))
    t, v, course = t[every], v[every], course[every]
    dt = t[1] - t[0]
    hats = [_hat(knot_t, j, t) for j in range(count)]
    ramps = _ramps(gaps, t)
    kept = pairs.known & pairs.thin
    first, second = pairs.first[kept], pairs.second[kept]
    walk = np.diff(np.eye(count), axis=0) / (GYRO_WALK * np.sqrt(CORRECTION_KNOT))
    drift = np.full(count - 1, -bias * (knot_t[1] - knot_t[0]))
    free = np.zeros((count, 3 * len(gaps)))
    misses = []
    for number in range(CLOSING_ROUNDS + 1):
        corrected = course + np.interp(t, knot_t, knots) + jumps[0] @ ramps
        cos, sin = v * np.cos(corrected), v * np.sin(corrected)
        x, y = _integrated(cos, dt), _integrated(sin, dt)
        if number == 0:
            for row, z in ((1, x), (2, y)):
                jumps[row] = _first_guess(np.interp(first, t, z) - np.interp(second, t, z), across[:, kept])
        x, y = x + jumps[1] @ ramps, y + jumps[2] @ ramps
        miss = np.concatenate([np.interp(second, t, z) - np.interp(first, t, z) for z in (x, y)])
        size = np.hypot(*np.split(miss, 2))
        misses.append(float(np.median(size)))
        if number == CLOSING_ROUNDS:
            break
        columns = []
        for near, hat in hats:  # outside its support the integral stands still, as `np.interp` holds its ends
            moved = (_integrated(-sin[near] * hat, dt), _integrated(cos[near] * hat, dt))
            seconds = t[near]
            columns.append(
                np.concatenate([np.interp(second, seconds, z) - np.interp(first, seconds, z) for z in moved])
            )
        for ramp in ramps:
            turned_by = (_integrated(-sin * ramp, dt), _integrated(cos * ramp, dt))
            columns.append(np.concatenate([np.interp(second, t, z) - np.interp(first, t, z) for z in turned_by]))
            stepped = np.interp(second, t, ramp) - np.interp(first, t, ramp)
            columns += [np.concatenate([stepped, 0.0 * stepped]), np.concatenate([0.0 * stepped, stepped])]
        # errors of one lap are alike over some 200 m: ten pairs carry the information of one
        weight = np.tile(1.0 / (LINE_SPREAD * np.sqrt(10.0) * np.sqrt(1.0 + (size / 20.0) ** 2)), 2)
        prior = np.vstack([walk, np.eye(count)[:1] * 1e3])
        matrix = np.vstack([np.array(columns).T * weight[:, None], np.hstack([prior, free])])
        right = np.concatenate([-miss * weight, drift / (GYRO_WALK * np.sqrt(CORRECTION_KNOT)) - walk @ knots, [0.0]])
        change = np.linalg.lstsq(matrix, right, rcond=None)[0]
        knots = knots + change[:count]
        jumps = jumps + change[count:].reshape(-1, 3).T
    step = fine[1] - fine[0]
    correction = lowpass(
        np.interp(fine, knot_t, knots), step, 0.05
    )  # the kinks of the linear pieces would show in the curvature
    return Closing(correction, length, misses[0], misses[-1], bias, joined.s, jumps @ _ramps(gaps, fine), joined.gaps)


def _first_guess(wanted: np.ndarray, across: np.ndarray) -> np.ndarray:
    """Jump in each gap (k,) from what the pairs (m,) want; `across` (k, m) tells which pair spans which gap."""
    out = np.zeros(len(across))
    for k, spans in enumerate(across):
        here = spans & ~across[k + 1 :].any(axis=0)
        if here.any():
            out[k] = np.median((wanted - out @ across)[here])
    return out


def _ramps(gaps: Sequence[tuple[float, float]], t: np.ndarray) -> np.ndarray:
    """0 before each gap [s] and 1 behind it, shape (k, n)."""
    return np.array([np.interp(t, gap, (0.0, 1.0)) for gap in gaps]).reshape(len(gaps), t.size)


def _hat(knots: np.ndarray, number: int, t: np.ndarray) -> tuple[slice, np.ndarray]:
    """Where the linear hat of one knot is not zero, with a point to either side, and its values there."""
    low, high = knots[max(number - 1, 0)], knots[min(number + 1, knots.size - 1)]
    here = slice(max(int(np.searchsorted(t, low)) - 1, 0), int(np.searchsorted(t, high)) + 2)
    return here, np.interp(t[here], knots, np.eye(1, knots.size, number)[0])


def _valid(t: np.ndarray, speed: Observation, turning: dict[str, Observation], v: np.ndarray) -> np.ndarray:
    """False inside gaps of speed or turn rate, unless the car stands: nought, written again and again, is no gap."""
    main = turning["yaw_rate"] if "yaw_rate" in turning else turning["a_lat"]
    valid = np.ones(t.size, dtype=bool)
    for seen in (speed, main):
        for i in np.flatnonzero(np.diff(seen.t) > 0.5):
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
    return MotionQuality(0.0, lag, None, None, None, None, missing, source, verdict, reason)
