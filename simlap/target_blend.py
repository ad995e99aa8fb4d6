"""Laps between what a driver has shown and the goal, phase by phase, joined by the solver."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from simlap.driven import Driven
from simlap.kept import kept_limits
from simlap.phases import BRAKING, EXIT, MID_CORNER, PHASES, PhaseMap
from simlap.placing import PLACED_M, told_to
from simlap.results import Analysis
from simlap.solver import solve_batch
from simlap.station_limits import StationLimits
from simlap.target_lift import Lift
from simlap.target_marks import Marks, drive_late, marks_asked, marks_of
from simlap.units import MS_TO_KMH

SHOWN_LEVEL = 0.25  # a phase counts as repeated at the time that a quarter of the laps reach or beat

# An exit is late where driving it sooner gives more than this share of what it lacks; else its throttle is part open.
MOSTLY_LATE = 0.5  # [1]

Moves = dict[int, float]  # how far each phase moves from the shown lap (0) to the goal (1)


@dataclass(frozen=True, eq=False)
class Bench:
    """Where blends of the shown lap and the goal are tried."""

    analysis: Analysis
    shown: Driven
    goal: Driven
    unexplained_s: float = 0.0  #: by which the solver's copy of the shown lap is too slow; negative: too fast [s]
    lifts: Mapping[int, Lift] = field(default_factory=dict)  #: per index of a corner whose throttle closes early
    told_to: float = PLACED_M  #: what the log tells places to [m]

    def solve(self, moves: list[Moves]) -> tuple[np.ndarray, np.ndarray]:
        """Speed (runs, n) and lap time (runs,) of the joined laps with these moves."""
        late = self.late if any(phase % PHASES == EXIT for each in moves for phase in each) else {}
        laps = [blend(self.shown, self.goal, self.analysis.phases, each, self.lifts, late) for each in moves]
        found = solve_batch(
            self.analysis.line,
            self.analysis.fit.envelope.pack()[None, :],
            all_kept(laps, self.analysis.phases, self.analysis.grip),
        )
        return np.asarray(found.v), np.asarray(found.lap_time) - self.unexplained_s

    def now(self, index: int, v: np.ndarray) -> Marks:
        """Marks of a corner on the shown lap, whose speed is `v` (n,)."""
        lift = self.lifts.get(index)
        return replace(marks_of(self.analysis, index, v), lift_m=lift.station if lift else None)

    @cached_property
    def shown_v(self) -> np.ndarray:
        """Speed of the shown lap as the solver joins it, (n,). [m/s]"""
        return self.solve([{}])[0][0]

    @cached_property
    def late(self) -> Mapping[int, float]:
        """Per index of a corner by how many stations its drive is later than the goal's, where that is the most of what
        its exit lacks."""
        line, phases = self.analysis.line, self.analysis.phases
        found = {}
        for index in range(len(self.analysis.corners)):
            now, goal = (marks_of(self.analysis, index, v) for v in (self.shown_v, self.goal.v))
            stations = drive_late(float(line.length), now, goal) * self.shown.v.size / float(line.length)
            here = phases.stretch(PHASES * index + EXIT)
            if not stations or not here.size:  # a corner taken flat has no exit
                continue
            lacks = np.maximum(self.goal.a - self.shown.a, 0.0)[here].sum()
            gives = (_sooner(self.shown.a, self.goal.a, here, stations) - self.shown.a[here]).sum()
            if gives > MOSTLY_LATE * lacks:
                found[index] = stations
        return found

    def _rise(self, index: int, own: Moves, v: np.ndarray) -> float:
        """By how much the middle of a corner is faster on `v` (n,) where these moves raise it, on the mean. [km/h]

        The slowest place may be one that another phase holds: were its rise alone counted, the whole way to the goal
        would pass for a small step.
        """
        phase = PHASES * index + MID_CORNER
        inside = self.analysis.phases.phase == phase
        return float((v - self.shown_v)[inside].mean()) * MS_TO_KMH if own.get(phase, 0.0) > 0.0 else 0.0

    def marks(self, index: int, now: Marks, own: Moves, v: np.ndarray) -> Marks:
        """Marks that these moves ask for in a corner whose marks are `now`; `v` (n,) is their joined lap's speed."""
        goal, then = (marks_of(self.analysis, index, speed) for speed in (self.goal.v, v))
        then = replace(then, slowest_kmh=max(then.slowest_kmh, now.slowest_kmh + self._rise(index, own, v)))
        braking, leaving = (own.get(PHASES * index + kind, 0.0) for kind in (BRAKING, EXIT))
        length, lift = float(self.analysis.line.length), self.lifts.get(index)
        if lift is None:
            return marks_asked(length, now, goal, then, braking, leaving)
        asked = marks_asked(length, now, goal, then, 0.0, leaving)
        return replace(asked, lift_m=lift.moved(braking) % length)


def shown_bench(analysis: Analysis, laps: list[Driven], goal: Driven) -> Bench:
    """The bench of the lap that the driver repeats: never slower than the typical one, nor faster than the best phases.

    Phases that were each driven well on other laps may not fit together (a slow exit after a fast corner): where they
    join to a lap slower than the typical one, the faster of a lap at the same level and the typical one stands in.
    """
    bench = Bench(analysis, composite(laps, analysis.phases), goal)
    typical = analysis.typical_lap_s
    if bench.solve([{}])[1][0] > typical:
        level = np.quantile([lap.lap_time for lap in laps], SHOWN_LEVEL)
        driven = min(laps, key=lambda lap: abs(lap.lap_time - level))
        others = [Bench(analysis, lap, goal) for lap in (driven, analysis.typical)]
        bench = min(others, key=lambda each: float(each.solve([{}])[1][0]))
    copied = float(bench.solve([{}])[1][0])
    shown = max(min(copied, typical), best_phases_sum(laps, analysis.phases))
    return replace(bench, unexplained_s=copied - shown, told_to=told_to(analysis))


def best_phases_sum(laps: list[Driven], phases: PhaseMap) -> float:
    """Best time of each phase added up: nobody repeats better than that. [s]"""
    return float(np.array([phases.sums(lap.dt) for lap in laps]).min(axis=0).sum())


def joined(moves: dict[int, Moves]) -> Moves:
    """Moves of all corners in one."""
    return {phase: move for own in moves.values() for phase, move in own.items()}


KEPT_FIELDS = ("cap", "floor", "own_brake", "own_drive", "own_brake_mode", "own_drive_mode")


def all_kept(laps: list[Driven], phases: PhaseMap, grip: np.ndarray) -> StationLimits:
    """Limits of a batch in which each run keeps every phase of its own lap."""
    everything = np.ones((1, phases.count), dtype=bool)
    runs = [kept_limits(lap, phases, everything) for lap in laps]
    stacked = {name: np.vstack([getattr(run, name) for run in runs]) for name in KEPT_FIELDS}
    return StationLimits(**stacked, lateral_scale=grip, brake_scale=grip, traction_scale=grip)


def composite(laps: list[Driven], phases: PhaseMap, level: float = SHOWN_LEVEL) -> Driven:
    """Of each phase the lap nearest to the `level` quantile of its times; not yet joined."""
    sums = np.array([phases.sums(lap.dt) for lap in laps])
    wanted = np.quantile(sums, level, axis=0)
    source = np.argmin(np.abs(sums - wanted), axis=0)[phases.phase]
    station = np.arange(phases.phase.size)
    return Driven(
        **{name: np.array([getattr(lap, name) for lap in laps])[source, station] for name in ("dt", "v", "a")}
    )


def _shares(lap: Driven, goal: Driven, phases: PhaseMap) -> np.ndarray:
    """Share of the goal's behaviour that each phase uses, shape (p,); NaN in empty phases.

    Braking and exit: time that the goal takes over the phase's stretch of path, per time taken. Mid-corner:
    square of the ratio of the slowest speeds, the ratio of lateral accelerations.
    """
    share = np.full(phases.count, np.nan)
    for phase in np.unique(phases.phase):
        here = phases.phase == phase
        if phase % PHASES == MID_CORNER:
            share[phase] = (lap.v[here].min() / goal.v[here].min()) ** 2
        else:
            share[phase] = goal.dt[here].sum() / lap.dt[here].sum()
    return share


def wanted_shares(lap: Driven, goal: Driven, phases: PhaseMap) -> np.ndarray:
    """How far each phase is to move from `lap` (0) to `goal` (1): to the median share of the other corners."""
    share = _shares(lap, goal, phases)
    move = np.zeros(phases.count)
    for kind in range(PHASES):
        own = np.arange(kind, phases.count, PHASES)
        for phase in own:
            others = share[own[own != phase]]
            if np.isnan(share[phase]) or np.isnan(others).all():
                continue
            wanted = float(np.nanmedian(others))
            if share[phase] < wanted and share[phase] < 1.0:
                move[phase] = min(1.0, (wanted - share[phase]) / (1.0 - share[phase]))
    return move


def _sooner(a: np.ndarray, goal: np.ndarray, here: np.ndarray, stations: float) -> np.ndarray:
    """What is driven at the stations `here` of an exit when it is driven so many `stations` sooner: never less than was
    driven there, nor more than the goal. [m/s²]"""
    way = np.arange(here.size)
    return np.maximum(a[here], np.minimum(goal[here], np.interp(way + stations, way, a[here])))


def blend(
    lap: Driven,
    goal: Driven,
    phases: PhaseMap,
    moves: Moves,
    lifts: Mapping[int, Lift],
    late: Mapping[int, float],
) -> Driven:
    """`lap` with speed and acceleration of some phases moved towards `goal`.

    A braking phase before which the throttle closes early, in a corner of `lifts`, keeps its brakes: the goal drives
    there for a part of the way without throttle, and the solver brakes for what comes of it as hard as the lap does.
    An exit that drives fully so many stations `late` does the same sooner, by that share of them: what a driver does
    who opens the throttle some metres earlier; the same share of the whole way to the goal is worth far more.
    """
    share, held, more = np.zeros(phases.count), np.zeros(lap.a.size), np.zeros(lap.a.size)
    for phase, move in moves.items():
        corner, kind = divmod(phase, PHASES)
        if kind == BRAKING and corner in lifts:
            held = np.maximum(held, lifts[corner].held(move))
        elif kind == EXIT and corner in late:
            here = phases.stretch(phase)
            more[here] = _sooner(lap.a, goal.a, here, move * late[corner]) - lap.a[here]
        else:
            share[phase] = move
    w = share[phases.phase]
    # a speed above the goal's is kept: the driver has shown it
    v = lap.v + w * np.maximum(goal.v - lap.v, 0.0)
    a = lap.a + w * (goal.a - lap.a) + more
    return replace(lap, v=v, a=a + held * np.maximum(goal.a - a, 0.0))
