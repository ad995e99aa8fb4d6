"""Whole synthetic sessions of a driver who has stated habits in stated corners: pedals, speeds and path of each lap.

The drive is the synthetic package's own (envelope, car, sensors); a habit changes what the driver does on some metres
of one corner: how hard the brake, how wide the throttle, what speed is not exceeded, where the path lies.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simlap.envelope import Envelope
from simlap.session import Session
from simlap.synthetic import club_car
from simlap.synthetic_drive import Inputs, simulate
from simlap.synthetic_driver import Driver, TrueZone
from simlap.synthetic_kernels import ENGINE_TOP
from simlap.synthetic_outing import LEAD_SHARE, Course, _cut, _cut_inputs, _motion
from simlap.synthetic_road import wander
from simlap.synthetic_sensors import Sensors, record
from simlap.synthetic_usage import inputs_of, usage_tables

LAPS = 8
BRAKES = 0.5  # [m/s²] the limit's slowing from which on it counts as braking


@dataclass(frozen=True, eq=False)
class Place:
    """One corner of one lap, for a habit to write into; stations in m from the lap's start, beyond its end too."""

    course: Course
    zone: TrueZone
    lap: int  #: flying lap, from 0
    inputs: Mapping[str, np.ndarray]  #: writable arrays of `Inputs` over the run (total n)
    path: list[np.ndarray]  #: offset of the path and its two derivatives, (total n)

    def metres(self, index: int) -> float:
        return index * self.course.base.spacing

    @property
    def onset(self) -> float:
        """Station of the limit's brake point, in a flat corner of its start [m]."""
        z, v, n = self.zone, self.course.limit_v, self.course.base.x.size
        run = (z.start + np.arange((z.mid_stop - z.start) % n)) % n
        slows = -v[run] * np.gradient(v[run]) / self.course.base.spacing
        return self.metres(z.start + int(np.argmax(slows > BRAKES)))

    @property
    def slowest(self) -> float:
        """Station of the limit's slowest point [m]."""
        z, v, n = self.zone, self.course.limit_v, self.course.base.x.size
        run = (z.start + np.arange((z.mid_stop - z.start) % n)) % n
        return self.metres(z.start + int(np.argmin(v[run])))

    @property
    def mid_stop(self) -> float:
        """Station where the limit's drive begins [m]."""
        return self.metres(self.zone.start + (self.zone.mid_stop - self.zone.start) % self.course.base.x.size)

    def limit(self, station: float) -> float:
        """Speed of the limit [m/s]."""
        n = self.course.base.x.size
        return float(self.course.limit_v[round(station / self.course.base.spacing) % n])

    def where(self, first: float, last: float) -> slice:
        n, h = self.course.base.x.size, self.course.base.spacing
        return slice((self.lap + 1) * n + round(first / h), (self.lap + 1) * n + round(last / h))

    def set(self, name: str, first: float, last: float, value: float) -> None:
        """`value` of one input from station `first` to `last`."""
        self.inputs[name][self.where(first, last)] = value

    def cap_as(self, first: float, last: float, shift: float) -> None:
        """From `first` to `last` no faster than the limit is `shift` further on."""
        where, h = self.where(first, last), self.course.base.spacing
        n = self.course.base.x.size
        here = (np.arange(where.start, where.stop) + round(shift / h)) % n
        self.inputs["cap"][where] = np.minimum(self.inputs["cap"][where], self.course.limit_v[here])

    def bump(self, centre: float, metres: float, length: float) -> None:
        """The path to the outside of the corner by `metres`, a bell of standard deviation `length`."""
        n, h = self.course.base.x.size, self.course.base.spacing
        out = -1.0 if self.zone.direction == "left" else 1.0
        d = h * (np.arange(self.path[0].size) - (self.lap + 1) * n) - centre
        bell, slope = out * metres * np.exp(-0.5 * (d / length) ** 2), -d / length**2
        self.path[0] += bell
        self.path[1] += bell * slope
        self.path[2] += bell * (slope**2 - 1.0 / length**2)


Habit = Callable[[Place], None]


def on(laps: Sequence[int], habit: Habit) -> Habit:
    """A habit on some flying laps only, counted from 0."""
    return lambda place: habit(place) if place.lap in laps else None


def session(
    track: object,
    habits: Mapping[str, Habit],
    *,
    seed: int,
    driver: Driver | None = None,
    sensors: Sensors | None = None,
    car: Envelope | None = None,
    laps: int = LAPS,
    log: Callable[[Session, "Course", np.ndarray], Session] | None = None,
) -> Session:
    """A log of `laps` flying laps by a driver near the limit with the `habits` in the corners named."""
    driver = driver or Driver(spread=0.006, form=0.003, onset_spread_m=1.0, line_sd_m=0.25)
    rng_line, rng_usage, rng_sensor = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    course = Course.of(track, car or club_car(), driver)
    base, n, total = course.base, course.base.x.size, laps + 2
    usage = usage_tables(course.zones, driver, rng_usage, laps)
    plain = inputs_of(course.zones, np.concatenate((usage[:1], usage, usage[-1:])), driver, n, base.spacing)
    names = [f for f in plain.__dataclass_fields__ if f != "lifts"]
    inputs = {name: np.array(getattr(plain, name)) for name in names}
    path = list(wander(rng_line, total * n, base.spacing, driver.line_sd_m, driver.line_length_m))
    for zone in course.zones:
        for lap in range(laps):
            if zone.name in habits:
                habits[zone.name](Place(course, zone, lap, inputs, path))
    road = base.shifted(*path)
    cut = slice(round((1.0 - LEAD_SHARE) * n), total * n - round((1.0 - LEAD_SHARE) * n))
    run = _cut(road, cut)
    done = _cut_inputs(Inputs(**inputs, lifts=plain.lifts), cut)
    z, gear = simulate(run, course.car, np.tile(course.grip, total)[cut], done, ENGINE_TOP, ENGINE_TOP)
    motion = _motion(base, run, z, gear, tuple(path), cut, 0.0)
    made, rows = record(
        motion, sensors or Sensors.good(), course.car, getattr(track, "origin", None), rng_sensor,
        standing_s=0.0, source=f"habits, seed {seed}",
    )  # fmt: skip
    return log(made, course, rows) if log else made
