"""One invented outing: laps with their own lines, out-lap and in-lap, traffic, a mistake."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.errors import OptionError
from simlap.frozen import own
from simlap.synthetic_drive import Car, Inputs, closed_run, run_times, simulate
from simlap.synthetic_driver import CornerSkill, Driver, TrueZone, bare_corners, span, true_zones
from simlap.synthetic_kernels import ENGINE_TOP
from simlap.synthetic_road import BaseLine, Road, wander
from simlap.synthetic_sensors import TrueMotion
from simlap.synthetic_usage import inputs_of, usage_tables, worst_of

# Where the car leaves and enters the pits, as a share of the lap after and before the start line.
PIT_SHARE = 0.03
# Out- and in-lap: speed in corners, brakes and drive of a driver who warms up or cools down.
SLOW_SKILL = CornerSkill(braking=0.55, mid=0.86, exit=0.6)
# Without out- and in-lap the log begins and ends this share of a lap before and after the flying laps.
LEAD_SHARE = 0.25
# Speed at which the car rolls out of and into the pits [m/s].
PIT_SPEED = 0.5
# The slower car ahead: its speed over the driver's limit, from where to where on the lap (shares).
TRAFFIC_SPEED, TRAFFIC_START, TRAFFIC_STOP = 0.78, 0.3, 0.62
# A missed brake point: the car runs wide by this, centred so far behind the apex, over this length.
WIDE_M, WIDE_AFTER_M, WIDE_LENGTH_M = 2.5, 25.0, 30.0
MISTAKE_SKILL = CornerSkill(mid=0.85, exit_delay_m=35.0)


@dataclass(frozen=True)
class TrueLap:
    """One lap from start line to start line, on the session clock [s]; the out-lap starts at the pits."""

    number: int  #: 0 the out-lap, 1 and on the flying laps, last the in-lap
    kind: str  #: 'out', 'flying', 'traffic', 'mistake' or 'in'
    start_s: float
    stop_s: float

    @property
    def time_s(self) -> float:
        """Lap time [s]."""
        return self.stop_s - self.start_s


@dataclass(frozen=True, eq=False)
class LapStates:
    """The flying laps at the stations of the base line; arrays (m, n), t (m, n + 1)."""

    numbers: np.ndarray  #: (m,)
    station: np.ndarray  #: (n,) of the base line [m]
    t: np.ndarray  #: since the lap's start; last is the lap time [s]
    v: np.ndarray  #: [m/s]
    a_lon: np.ndarray  #: dv/dt [m/s²]
    a_lat: np.ndarray  #: v² kappa [m/s²]
    kappa: np.ndarray  #: of the driven path [1/m]
    offset: np.ndarray  #: left of the base line [m]
    x: np.ndarray  #: [m]
    y: np.ndarray  #: [m]

    def __post_init__(self) -> None:
        own(self, "station", "t", "v", "a_lon", "a_lat", "kappa", "offset", "x", "y")
        own(self, "numbers", dtype=int)


@dataclass(frozen=True, eq=False)
class Course:
    """A circuit made ready for one car: fine base line, grip, the limit on it and the corner zones."""

    base: BaseLine
    car: Car
    grip: np.ndarray  #: of the surface, (n,)
    limit_v: np.ndarray  #: on the base line, (n,) [m/s]
    zones: tuple[TrueZone, ...]

    @classmethod
    def of(cls, track_or_line: Any, envelope: Envelope, driver: Driver) -> "Course":
        """From a Track (its corners, their grip) or a Line (corners found here)."""
        line = getattr(track_or_line, "line", track_or_line)
        base = BaseLine.of(line)
        n = base.x.size
        corners: Sequence[Any] = bare_corners(base)
        if hasattr(track_or_line, "corners"):
            scale = base.length / line.length  # a Line measures along slopes, the base line on the map
            corners = [
                replace(c, entry_m=c.entry_m * scale, apex_m=c.apex_m * scale, exit_m=c.exit_m * scale)
                for c in track_or_line.corners
            ]
        grip = np.ones(n)
        for corner in corners:
            inside = span(round(corner.entry_m / base.spacing), round(corner.exit_m / base.spacing), n)
            grip[inside] = getattr(corner, "grip", 1.0)
        car = Car(envelope)
        z, _ = closed_run(base.shifted(*np.zeros((3, n))), car, grip, Inputs.perfect(n))
        leads = [driver.skill_in(c.name, 0).coast_m + 2.0 * driver.onset_spread_m for c in corners]
        return cls(base, car, grip, np.sqrt(z), true_zones(base, corners, np.sqrt(z), leads))


@dataclass(frozen=True)
class Outing:
    """What happens on an outing; see `synthetic_session`."""

    laps: int = 8
    out_and_in: bool = True
    traffic_lap: int | None = None
    mistake_lap: int | None = None
    grip: float = 1.0
    grip_drift: float = 0.0
    standing_s: float = 4.0

    def __post_init__(self) -> None:
        if self.laps < 1:
            raise OptionError(f"laps: {self.laps}; a session needs at least one flying lap.")
        for name in ("traffic_lap", "mistake_lap"):
            value = getattr(self, name)
            if value is not None and not 1 <= value <= self.laps:
                raise OptionError(f"{name}: {value} is none of the flying laps 1 to {self.laps}.")


@dataclass(frozen=True, eq=False)
class DrivenOuting:
    """An outing as driven."""

    motion: TrueMotion  #: at the fine points of the run
    wait_s: float  #: standstill before it
    laps: tuple[TrueLap, ...]
    states: LapStates
    usage: np.ndarray  #: of the flying laps, (laps, zones, 5)
    mean_road: Road  #: mean path of the plain flying laps
    mean_grip: np.ndarray
    plain: np.ndarray  #: (laps,) neither traffic nor mistake; all of them when none is plain


def drive_outing(
    course: Course, driver: Driver, outing: Outing, rng_line: np.random.Generator, rng_usage: np.random.Generator
) -> DrivenOuting:
    """Drive it. One continuous run, cut at the start line afterwards."""
    base, zones = course.base, course.zones
    n, total = base.x.size, outing.laps + 2  # with the lap before and the lap after
    usage = usage_tables(zones, driver, rng_usage, outing.laps)
    offset = wander(rng_line, total * n, base.spacing, driver.line_sd_m, driver.line_length_m)
    whole = np.concatenate((usage[:1], usage, usage[-1:]))
    if outing.out_and_in:
        last = int(np.argmax([zone.start for zone in zones])) if zones else 0  # taken at speed, to start the lap
        pace = np.array(whole[0, last : last + 1])
        whole[[0, -1]] = worst_of(whole[[0, -1]], SLOW_SKILL)
        whole[0, last : last + 1] = pace
    if outing.mistake_lap is not None:
        offset = _miss_brakes(whole[outing.mistake_lap], offset, course, outing.mistake_lap)
    inputs = inputs_of(zones, whole, driver, n, base.spacing)
    if outing.traffic_lap is not None:
        inputs = replace(inputs, cap=_behind_slower_car(inputs.cap, course.limit_v, outing.traffic_lap))
    road = base.shifted(*offset)
    ran = np.arange(total * n) / n - 1.0  # laps since the first flying one began
    grip = outing.grip * np.tile(course.grip, total) * (1.0 + outing.grip_drift * ran)

    # Cut the run out of the whole laps: from pit exit to pit entry, or a quarter of a lap before and after.
    share = PIT_SHARE if outing.out_and_in else 1.0 - LEAD_SHARE
    cut = slice(round(share * n), total * n - round(share * n))
    edge = PIT_SPEED if outing.out_and_in else ENGINE_TOP
    wait = outing.standing_s if outing.out_and_in else 0.0
    run = _cut(road, cut)
    z, gear = simulate(run, course.car, grip[cut], _cut_inputs(inputs, cut), edge, edge)
    motion = _motion(base, run, z, gear, offset, cut, wait)
    crossing = np.arange(1, total) * n - cut.start
    laps = _true_laps(motion.t, crossing, outing.traffic_lap, outing.mistake_lap)
    plain = np.array([lap.kind == "flying" for lap in laps[1:-1]])
    if not plain.any():
        plain[:] = True
    mean_offset = [part.reshape(total, n)[1:-1][plain].mean(axis=0) for part in offset]
    return DrivenOuting(
        motion=motion,
        wait_s=wait,
        laps=laps,
        states=_states(base, motion, offset[0], cut, crossing),
        usage=usage,
        mean_road=base.shifted(*mean_offset),
        mean_grip=grip.reshape(total, n)[1:-1][plain].mean(axis=0),
        plain=plain,
    )


def _miss_brakes(
    row: np.ndarray,
    offset: tuple[np.ndarray, np.ndarray, np.ndarray],
    course: Course,
    lap: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Miss the brake point of the hardest corner on flying lap `lap`: change its usage `row` (zones, 5) in
    place, and return the offset (with derivatives) of a car that runs wide there."""
    base, zones, v = course.base, course.zones, course.limit_v
    n = base.x.size
    braking = [k for k, zone in enumerate(zones) if "braking" in zone.phases]
    if not braking:
        raise OptionError("mistake_lap: this circuit has no braking zone in which to miss the brake point.")
    slowing = [v[zones[k].start] - v[zones[k].mid_stop % n] for k in braking]
    worst = braking[int(np.argmax(slowing))]
    row[worst] = worst_of(row[worst], MISTAKE_SKILL)
    outward = -1.0 if zones[worst].direction == "left" else 1.0
    place = lap * n + zones[worst].start + (zones[worst].mid_stop - zones[worst].start) % n
    d = base.spacing * (np.arange(offset[0].size) - place) - WIDE_AFTER_M
    bump = outward * WIDE_M * np.exp(-0.5 * (d / WIDE_LENGTH_M) ** 2)
    slope = -d / WIDE_LENGTH_M**2
    return offset[0] + bump, offset[1] + bump * slope, offset[2] + bump * (slope**2 - 1.0 / WIDE_LENGTH_M**2)


def _behind_slower_car(cap: np.ndarray, v_limit: np.ndarray, lap: int) -> np.ndarray:
    n = v_limit.size
    where = np.arange(round(TRAFFIC_START * n), round(TRAFFIC_STOP * n))
    capped = np.array(cap)
    capped[lap * n + where] = TRAFFIC_SPEED * v_limit[where]
    return capped


def _cut(road: Road, cut: slice) -> Road:
    return Road(*(getattr(road, f.name)[cut] for f in fields(road)))


def _cut_inputs(inputs: Inputs, cut: slice) -> Inputs:
    arrays = {f.name: getattr(inputs, f.name)[cut] for f in fields(inputs) if f.name != "lifts"}
    size = cut.stop - cut.start
    lifts = tuple(
        (max(first - cut.start, 0), min(stop - cut.start, size), coast)
        for first, stop, coast in inputs.lifts
        if stop > cut.start and first < cut.stop - 1
    )
    return Inputs(**arrays, lifts=lifts)


def _motion(
    base: BaseLine, run: Road, z: np.ndarray, gear: np.ndarray, offset: tuple[np.ndarray, ...], cut: slice, wait: float
) -> TrueMotion:
    n = base.x.size
    place = np.arange(cut.start, cut.stop)
    i = place % n
    o, slope = offset[0][cut], offset[1][cut]
    turn = 2.0 * np.pi * round((base.course[-1] - base.course[0]) / (2.0 * np.pi))
    course = base.course[i] + turn * (place // n) + np.arctan2(slope, 1.0 - base.kappa[i] * o)
    return TrueMotion.driven(
        t=run_times(z, run.ds) + wait,
        ds=run.ds,
        z2=z,
        x=base.x[i] - o * np.sin(base.course[i]),
        y=base.y[i] + o * np.cos(base.course[i]),
        height=base.z[i],
        course=course,
        kappa=run.kappa,
        grade=run.grade,
        bank=run.bank,
        gear=gear,
    )


def _true_laps(t: np.ndarray, crossing: np.ndarray, traffic: int | None, mistake: int | None) -> tuple[TrueLap, ...]:
    edges = [t[0], *t[crossing], t[-1]]
    laps = []
    for number, (start, stop) in enumerate(pairwise(edges)):
        kind = "traffic" if number == traffic else "mistake" if number == mistake else "flying"
        if number == 0:
            kind = "out"
        elif number == len(edges) - 2:
            kind = "in"
        laps.append(TrueLap(number, kind, float(start), float(stop)))
    return tuple(laps)


def _states(base: BaseLine, driven: TrueMotion, offset: np.ndarray, cut: slice, crossing: np.ndarray) -> LapStates:
    n = base.x.size
    laps = crossing.size - 1
    at = crossing[:-1, None] + np.arange(n + 1)
    t = driven.t[at] - driven.t[crossing[:-1], None]
    lap = at[:, :-1]
    arrays = {k: getattr(driven, k)[lap] for k in ("v", "a_lon", "a_lat", "kappa", "x", "y")}
    return LapStates(numbers=np.arange(1, laps + 1), station=base.station, t=t, offset=offset[cut][lap], **arrays)
