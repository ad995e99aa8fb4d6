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
from simlap.solver import LimitProfile, limit_profile
from simlap.station_limits import StationLimits

# A ramp is read where it is steepest, over this share of the limit. Trail braking lets go as slowly as the tyres ask
# for, and so does a push out of a corner: only where the pedal moves fast it is the foot's time. Over 18 synthetic
# sessions (three circuits, release in 0.15, 0.35 and 0.7 s) the release came out 0.13 s too long; by the middle of the
# whole ramps 0.49 s. 0.2 to 0.4 do alike.
STEEPEST = 0.3
MOST_OF_RAMP = 0.8  # a lower ramp is read over this share of its height, as rise times are (common practice)
REPEATED = 0.25  # a quarter of the ramps are as fast: what counts as repeated elsewhere too (`target_blend`)
# A slowing or a push weaker than this is no pedal change to time: the ramp drowns in the motion's noise.
WORTH_TIMING = 2.0  # [m/s²] peak deceleration
PUSH_WORTH_TIMING = 0.8  # [m/s²] peak acceleration
# Rise time, 10 to 90 %, of a low-pass of bandwidth B: 0.35 / B (common practice in instrumentation, no source). That is
# 2.56 deviations of a bell-shaped blur, and so is a full rise at the slope of a blurred step's steepest 0.3.
RISE_TIMES_BANDWIDTH = 0.35
# The steepest part of a ramp longer than the blur hardly feels it: of a length L behind a blur b, (L^4 + b^4)^(1/4)
# is seen, to 8 % (from the error function).
BLUR_POWER = 4
# A motion blurred over more than a driver needs for a pedal change does not tell how long it took.
LONGEST_BLUR = 0.35  # [s]
# Within this of zero the profile holds its speed; the ripple of a measured curvature is as large.
HELD = 0.5  # [m/s²]
SHORTEST, LONGEST = 0.05, 2.0  # [s] a full ramp outside is a misreading
# Rounds of "lay the ramps on the profile, solve, see where the pedals change now"; the lap time of the demo's
# circuit moves by less than 1 ms after the fourth.
ROUNDS = 6


@dataclass(frozen=True)
class Transitions:
    """Time that a full ramp takes, as a quarter of the counted laps' ramps reach or beat it. [s]"""

    onset_s: float  #: from no braking to the braking limit
    release_s: float  #: from the braking limit to none
    pickup_s: float  #: from no drive to full drive
    samples: tuple[int, int, int]  #: number of ramps behind each


def shows_transitions(bandwidth_hz: float) -> bool:
    """Whether a motion of this bandwidth [Hz] is sharp enough to time pedal changes."""
    return LONGEST_BLUR * bandwidth_hz >= RISE_TIMES_BANDWIDTH


def shown_transitions(table: LapTable, phases: PhaseMap, envelope: Envelope, bandwidth_hz: float) -> Transitions:
    """Measure the driver's ramps on the counted laps.

    Parameters
    ----------
    envelope : Envelope
        Whose limits of braking and drive a full ramp reaches.
    bandwidth_hz : float
        Bandwidth of the motion; the rise time it adds is taken out. [Hz]

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
        t, v, a = np.asarray(table.t)[row, :-1], np.asarray(table.v)[row], np.asarray(table.a_lon)[row]
        brake = -a / envelope.braking_limit(v)
        drive = a / np.maximum(envelope.drive_limit(v), PUSH_WORTH_TIMING)
        for corner in range(corners):
            slowing = phases.stretch(PHASES * corner + BRAKING, PHASES * corner + MID_CORNER)
            leaving = phases.stretch(PHASES * corner + MID_CORNER, PHASES * corner + EXIT)
            if slowing.size > 2 and -a[slowing].min() > WORTH_TIMING:
                onset += _ramp(t[slowing], brake[slowing])
                release += _ramp(-t[slowing][::-1], brake[slowing][::-1])
            if leaving.size > 2 and a[leaving].max() > PUSH_WORTH_TIMING:
                pickup += _ramp(t[leaving], drive[leaving])
    if not (onset and release and pickup):
        raise NotEnoughData(
            "The counted laps show no braking or no push out of a corner, so that the driver's "
            "pedal changes cannot be timed. A target needs laps with both."
        )
    blur = RISE_TIMES_BANDWIDTH / bandwidth_hz
    onset_s, release_s, pickup_s = (
        max(SHORTEST, float(max(0.0, np.quantile(kind, REPEATED) ** BLUR_POWER - blur**BLUR_POWER) ** (1 / BLUR_POWER)))
        for kind in (onset, release, pickup)
    )
    return Transitions(onset_s, release_s, pickup_s, samples=(len(onset), len(release), len(pickup)))


def _ramp(t: np.ndarray, used: np.ndarray) -> list[float]:
    """Time from 0 to 1 at the steepest part of the first rise of `used` (share of a limit) to its peak.

    Empty where it has no readable ramp.
    """
    if t[-1] < t[0]:  # the zone crosses the start line: the clock of the lap starts anew
        return []
    rise = slice(0, int(np.argmax(np.minimum(used, 1.0))) + 1)
    level, t = np.maximum.accumulate(used[rise].clip(0.0, 1.0)), t[rise]
    height = min(STEEPEST, MOST_OF_RAMP * float(level[-1]))
    starts = np.concatenate([level, level - height])
    starts = starts[(starts >= level[0]) & (starts <= level[-1] - height)]
    if starts.size == 0 or height <= 0.0:
        return []
    took = np.interp(starts + height, level, t) - np.interp(starts, level, t)
    full = float(took.min()) / height
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
