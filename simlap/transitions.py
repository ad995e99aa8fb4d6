"""How long this driver takes to change pedals, and what that costs on the limit lap.

The point mass of the limit profile changes from drive to brake and back in no time; a person takes tenths. The
ramps are measured on the counted laps and laid onto the limit profile as limits that open and close in time.
"""

from dataclasses import dataclass, replace

import numpy as np

from simlap.envelope import Envelope
from simlap.errors import NotEnoughData
from simlap.laptable import LapTable
from simlap.line import Line
from simlap.phases import BRAKING, EXIT, MID_CORNER, PHASES, PhaseMap
from simlap.solver import LimitProfile, StationLimits, limit_profile

LOW, HIGH = 0.1, 0.9  # a ramp is read between these shares of its height, as rise times are (common practice)
# A slowing or a push weaker than this is no pedal change to time: the ramp drowns in the motion's noise.
WORTH_TIMING = 2.0  # [m/s²] peak deceleration
PUSH_WORTH_TIMING = 0.8  # [m/s²] peak acceleration
# Rise time, 10 to 90 %, of a low-pass of bandwidth B: 0.35 / B (common practice in instrumentation, no source).
RISE_TIMES_BANDWIDTH = 0.35
# Within this of zero the profile holds its speed; the ripple of a measured curvature is as large.
HELD = 0.5  # [m/s²]
SHORTEST, LONGEST = 0.05, 2.0  # [s] a full ramp outside is a misreading
# Rounds of "lay the ramps on the profile, solve, see where the pedals change now"; the lap time of the demo's
# circuit moves by less than 1 ms after the fourth.
ROUNDS = 6


@dataclass(frozen=True)
class Transitions:
    """Median time of a full ramp over the counted laps' corners. [s]"""

    onset_s: float  #: from no braking to the peak deceleration
    release_s: float  #: from the peak deceleration to none
    pickup_s: float  #: from no drive to the full acceleration of the exit
    samples: tuple[int, int, int]  #: number of ramps behind each median


def shown_transitions(table: LapTable, phases: PhaseMap, bandwidth_hz: float) -> Transitions:
    """Measure the driver's ramps on the counted laps.

    Parameters
    ----------
    bandwidth_hz : float
        Bandwidth of the motion; the rise time it adds is taken out in quadrature. [Hz]

    Raises
    ------
    NotEnoughData
        When no corner of the counted laps holds a ramp of one of the kinds.
    """
    onset: list[float] = []
    release: list[float] = []
    pickup: list[float] = []
    corners = phases.count // PHASES
    for row in np.flatnonzero(table.counted):
        t, a = np.asarray(table.t)[row, :-1], np.asarray(table.a_lon)[row]
        for corner in range(corners):
            slowing = phases.stretch(PHASES * corner + BRAKING, PHASES * corner + MID_CORNER)
            leaving = phases.stretch(PHASES * corner + MID_CORNER, PHASES * corner + EXIT)
            if slowing.size > 2 and -a[slowing].min() > WORTH_TIMING:
                onset += _ramp(t[slowing], -a[slowing])
                release += _ramp(-t[slowing][::-1], -a[slowing][::-1])
            if leaving.size > 2 and a[leaving].max() > PUSH_WORTH_TIMING:
                pickup += _ramp(t[leaving], a[leaving])
    if not (onset and release and pickup):
        raise NotEnoughData(
            "The counted laps show no braking or no push out of a corner, so that the driver's "
            "pedal changes cannot be timed. A target needs laps with both."
        )
    added = RISE_TIMES_BANDWIDTH / bandwidth_hz / (HIGH - LOW)
    onset_s, release_s, pickup_s = (
        max(SHORTEST, float(np.sqrt(max(0.0, float(np.median(kind)) ** 2 - added**2))))
        for kind in (onset, release, pickup)
    )
    return Transitions(onset_s, release_s, pickup_s, samples=(len(onset), len(release), len(pickup)))


def _ramp(t: np.ndarray, a: np.ndarray) -> list[float]:
    """Full time of the first rise of `a` to its peak; empty where it has no readable ramp."""
    if t[-1] < t[0]:  # the zone crosses the start line: the clock of the lap starts anew
        return []
    peak = int(np.argmax(a))
    low = np.flatnonzero(a[: peak + 1] <= LOW * a[peak])
    if low.size == 0:
        return []
    rise = slice(low[-1], peak + 1)
    start, stop = np.interp([LOW * a[peak], HIGH * a[peak]], np.maximum.accumulate(a[rise]), t[rise])
    full = float(stop - start) / (HIGH - LOW)
    return [full] if SHORTEST <= full <= LONGEST else []


def with_transitions(
    line: Line, envelope: Envelope, times: Transitions, limits: StationLimits | None = None
) -> LimitProfile:
    """The limit profile of a driver who needs `times` to change pedals.

    The onset of braking ramps up after each change from drive to brake, is released before the slowest station
    and drive is picked up after it. The lap time less that of the plain limit profile is what the changes cost.
    """
    base = limits or StationLimits()
    profile = limit_profile(line, envelope, limits=base)
    n = profile.v.size
    brake = np.ones(n)
    drive = np.ones(n)
    given_brake = np.ones(n) if base.brake_scale is None else base.brake_scale
    given_drive = np.ones(n) if base.drive_scale is None else base.drive_scale
    for _ in range(ROUNDS):
        brake, drive = _ramp_scales(profile, envelope, times, brake, drive)
        scaled = replace(base, brake_scale=given_brake * brake, drive_scale=given_drive * drive)
        profile = limit_profile(line, envelope, limits=scaled)
    return profile


def _ramp_scales(
    profile: LimitProfile, envelope: Envelope, times: Transitions, brake: np.ndarray, drive: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Scales of braking and drive, shape (n,), that draw the ramps at this profile's pedal changes."""
    v, a, lap_time = profile.v, profile.a_lon, profile.lap_time
    t = np.asarray(profile.t)[: v.size]
    braking, driving = a < -HELD, a > HELD
    to_brake = np.flatnonzero(braking & ~np.roll(braking, 1))
    off_brake = np.flatnonzero(~braking & np.roll(braking, 1))
    to_drive = np.flatnonzero(driving & ~np.roll(driving, 1))
    since_onset = _nearest((t[:, None] - t[to_brake]) % lap_time, lap_time)
    until_off = _nearest((t[off_brake] - t[:, None]) % lap_time, lap_time)
    since_drive = _nearest((t[:, None] - t[to_drive]) % lap_time, lap_time)
    share = np.minimum(np.minimum(since_onset / times.onset_s, until_off / times.release_s), 1.0)
    push = np.minimum(since_drive / times.pickup_s, 1.0)
    left_brake = envelope.braking_limit(v, profile.a_lat) / envelope.braking_limit(v)
    left_drive = envelope.drive_limit(v, profile.a_lat) / envelope.drive_limit(v)
    # A ramp bounds the pedal, the lateral load bounds the tyre: where the tyre is the tighter one the ramp costs
    # nothing more. Half steps keep the pedal changes from jumping to and fro between rounds.
    wanted_brake = np.minimum(1.0, share / np.maximum(left_brake, share).clip(1e-9))
    wanted_drive = np.minimum(1.0, push / np.maximum(left_drive, push).clip(1e-9))
    return 0.5 * (brake + wanted_brake), 0.5 * (drive + wanted_drive)


def _nearest(elapsed: np.ndarray, otherwise: float) -> np.ndarray:
    """Smallest time over the changes (last axis); `otherwise` where there is none."""
    return elapsed.min(axis=1) if elapsed.shape[1] else np.full(elapsed.shape[0], otherwise)
