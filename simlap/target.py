"""The ladder of lap times: shown, next step, limit."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simlap.chance import Outlook, outlook
from simlap.driven import Driven, between_stations
from simlap.kept import grip_limits, kept_limits
from simlap.phases import BRAKING, EXIT, MID_CORNER, PHASE_NAMES, PHASES, PhaseMap
from simlap.results import Analysis, CornerResult, Interval
from simlap.solver import StationLimits, solve_batch
from simlap.spread import percentile_interval
from simlap.target_claim import why_no_step
from simlap.transitions import Transitions, shown_transitions, with_transitions
from simlap.units import MS_TO_KMH

SHOWN_LEVEL = 0.25  # a phase counts as repeated at the time that a quarter of the laps reach or beat
# A deceleration that is braking and not lifting: engine and drag slow a road car by about 1 m/s².
BRAKE_POINT = 2.0  # [m/s²]
FULL_DRIVE = 0.9  # share of the engine's limit above which the throttle counts as fully open
BLENDS = np.linspace(0.0, 1.0, 11)  # shares of the way from the shown phase to the limit that are tried
SMALLEST_WORTH = 0.01  # [s] a phase that gains less is not worth a driver's attention


@dataclass(frozen=True)
class Steps:
    """Largest changes asked of a driver for one outing; common practice, no source."""

    corners: int = 3  #: corners to work on
    brake_point_m: float = 5.0  #: brake later by at most this
    min_speed_kmh: float = 4.0  #: carry at most this much more speed
    full_throttle_m: float = 10.0  #: full throttle earlier by at most this
    fast_share: float = 0.5  #: in fast corners only this share of each step
    lap_share: float = 0.006  #: all together ask for at most this share of the lap time
    least_chance: float = 0.3  #: a lap less likely than this is no realistic next step


@dataclass(frozen=True)
class Mark:
    """Where something is now and where it should be next."""

    now: float
    next: float


@dataclass(frozen=True)
class CornerTarget:
    """What must change in one corner for the next step."""

    corner: str
    phases: tuple[str, ...]  #: phases that are raised
    build_up: bool
    worth_s: float  #: lap time that the changes in this corner are worth [s]
    brake_point_m: Mark | None  #: station where braking begins; None: no braking here [m]
    min_speed_kmh: Mark  #: [km/h]
    full_throttle_m: Mark | None  #: station where full drive begins; None: not reached in the zone [m]


@dataclass(frozen=True)
class Target:
    """Realistic lap times for this driver in this car."""

    shown_s: float  #: own phases as the driver repeats them, joined so that the speed is continuous
    next_step: Interval  #: [s]
    chance: float  #: that the best lap of the next outing reaches the next step
    limit_s: float  #: a bound, never a target
    limit_with_transitions_s: float  #: the limit for a driver who changes pedals as this one does
    transitions: Transitions
    best_phases_sum_s: float  #: best time of each phase simply added up: not drivable
    corners: tuple[CornerTarget, ...]
    outing: int  #: how many outings ahead the step looks
    no_step: str = ""  #: why the next step is not to be claimed; empty where it may be

    @property
    def phases_gap_s(self) -> float:
        """By how much the added-up best phases are faster than a lap that joins them. [s]"""
        return self.shown_s - self.best_phases_sum_s

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON; keys end in their unit."""

        def mark(value: Mark | None, digits: int) -> dict[str, float] | None:
            return None if value is None else {"now": round(value.now, digits), "next": round(value.next, digits)}

        return {
            "outing": self.outing,
            "shown_s": round(self.shown_s, 3),
            "next_step_s": None
            if self.no_step
            else {
                "value": round(self.next_step.value, 3),
                "low": round(self.next_step.low, 3),
                "high": round(self.next_step.high, 3),
                "chance": round(self.chance, 2),
            },
            "no_step": self.no_step,
            "limit_s": round(self.limit_s, 3),
            "limit_with_transitions_s": round(self.limit_with_transitions_s, 3),
            "transitions": {
                "onset_s": round(self.transitions.onset_s, 2),
                "release_s": round(self.transitions.release_s, 2),
                "pickup_s": round(self.transitions.pickup_s, 2),
            },
            "best_phases_sum_s": round(self.best_phases_sum_s, 3),
            "best_phases_gap_s": round(self.phases_gap_s, 3),
            "corners": [
                {
                    "name": corner.corner,
                    "phases": list(corner.phases),
                    "build_up": corner.build_up,
                    "worth_s": round(corner.worth_s, 3),
                    "brake_point_m": mark(corner.brake_point_m, 0),
                    "min_speed_kmh": mark(corner.min_speed_kmh, 1),
                    "full_throttle_m": mark(corner.full_throttle_m, 0),
                }
                for corner in (() if self.no_step else self.corners)
            ],
        }


def target_of(analysis: Analysis, *, outing: int = 1, steps: Steps | None = None) -> Target:
    """Ladder of lap times of one analysed session.

    Parameters
    ----------
    outing : int
        1 is the next outing; 2 allows two steps in each phase.
    steps : Steps, optional
        Largest changes for one outing.

    Raises
    ------
    NotEnoughData
        With fewer than two counted laps, or none that shows braking and drive.

    Notes
    -----
    Shown: of each phase the lap nearest to the lower quartile of the counted laps, joined by the solver. Next
    step: in the corners with most to gain the phases that use less of the envelope than the driver's median over
    the other corners are raised to that share, within the steps.
    """
    steps = steps or Steps()
    laps = [analysis.lap_driven[row] for row in analysis.counted]
    phases = analysis.phases
    times = shown_transitions(analysis.table, phases, analysis.motion.bandwidth_hz)
    reachable = with_transitions(analysis.line, analysis.fit.envelope, times, grip_limits(analysis.grip))
    goal = Driven(dt=reachable.segment_time, v=reachable.v, a=between_stations(analysis.line, reachable.v))
    bench = _Bench(analysis, composite(laps, phases), goal)
    (shown_v,), (shown_s,) = bench.solve([{}])
    lap_times = np.array([lap.lap_time for lap in laps])
    ahead = outlook(lap_times, len(laps) * outing, seed=int(analysis.options.get("seed", 0)))
    moves = _bounded(
        bench, _raised(bench, shown_v, float(shown_s), steps, outing), float(shown_s), steps, outing, ahead
    )
    (_,), (next_s,) = bench.solve([_joined(moves)])
    next_s = min(float(next_s), float(lap_times.min()))  # what was driven once is no step back
    sums = np.array([phases.sums(lap.dt) for lap in laps])
    step, chance = _interval(analysis, laps, goal, _joined(moves), next_s), ahead.chance_of(next_s)
    return Target(
        shown_s=float(shown_s),
        next_step=step,
        chance=chance,
        limit_s=analysis.limit_lap.value,
        limit_with_transitions_s=reachable.lap_time,
        transitions=times,
        best_phases_sum_s=float(sums.min(axis=0).sum()),
        corners=tuple(_corner_target(bench, index, shown_v, float(shown_s), own) for index, own in moves.items()),
        outing=outing,
        no_step=why_no_step(analysis, step, chance),
    )


Moves = dict[int, float]  # how far each phase moves from the shown lap (0) to the goal (1)


@dataclass(frozen=True, eq=False)
class _Bench:
    """Where blends of the shown lap and the goal are tried."""

    analysis: Analysis
    shown: Driven
    goal: Driven

    def solve(self, moves: list[Moves]) -> tuple[np.ndarray, np.ndarray]:
        """Speed (runs, n) and lap time (runs,) of the joined laps with these moves."""
        laps = [_blend(self.shown, self.goal, self.analysis.phases, each) for each in moves]
        found = solve_batch(
            self.analysis.line,
            self.analysis.fit.envelope.pack()[None, :],
            _all_kept(laps, self.analysis.phases, self.analysis.grip),
        )
        return np.asarray(found.v), np.asarray(found.lap_time)


def _raised(bench: _Bench, shown_v: np.ndarray, shown_s: float, steps: Steps, outing: int) -> dict[int, Moves]:
    """Per corner index the phases to raise, each alone and all together within the corner's steps."""
    analysis, phases = bench.analysis, bench.analysis.phases
    wanted = _wanted_shares(bench.shown, bench.goal, phases)
    chosen = {}
    for result in _worth_working_on(analysis, steps.corners):
        index = analysis.corners.index(result)

        def largest(tried: list[Moves], result: CornerResult = result, index: int = index) -> Moves:
            """The last of `tried` that keeps within the steps, empty where it is worth nothing."""
            v, lap_times = bench.solve(tried)
            fits = [i for i, row in enumerate(v) if _within(result, index, analysis, shown_v, row, steps, outing)]
            return tried[fits[-1]] if fits and shown_s - lap_times[fits[-1]] > SMALLEST_WORTH else {}

        own: Moves = {}
        for phase in range(PHASES * index, PHASES * (index + 1)):
            if wanted[phase] > 0.0:
                own |= largest([{phase: float(share)} for share in BLENDS * wanted[phase]])
        # each phase alone keeps within the steps; together they may not, and are then all raised less
        own = largest([{phase: float(share * move) for phase, move in own.items()} for share in BLENDS]) if own else {}
        if own:
            chosen[index] = own
    return chosen


def _bounded(
    bench: _Bench, moves: dict[int, Moves], shown_s: float, steps: Steps, outing: int, ahead: Outlook
) -> dict[int, Moves]:
    """The moves, all made smaller where together they ask for more lap time than is realistic.

    That is more than one outing's step, or a lap with less than the least chance; the smallest step stays.
    """
    if not moves:
        return moves
    most = outing * steps.lap_share * shown_s
    tried = [
        {index: {phase: float(share * move) for phase, move in own.items()} for index, own in moves.items()}
        for share in BLENDS
    ]
    _, lap_times = bench.solve([_joined(each) for each in tried])
    likely = np.array([ahead.chance_of(float(time)) >= steps.least_chance for time in lap_times])
    realistic = likely & (shown_s - lap_times <= most)
    realistic[1] = True
    return tried[int(np.flatnonzero(realistic)[-1])]


def _joined(moves: dict[int, Moves]) -> Moves:
    """Moves of all corners in one."""
    return {phase: move for own in moves.values() for phase, move in own.items()}


KEPT_FIELDS = ("cap", "floor", "own_brake", "own_drive", "own_brake_mode", "own_drive_mode")


def _all_kept(laps: list[Driven], phases: PhaseMap, grip: np.ndarray) -> StationLimits:
    """Limits of a batch in which each run keeps every phase of its own lap."""
    everything = np.ones((1, phases.count), dtype=bool)
    runs = [kept_limits(lap, phases, everything) for lap in laps]
    stacked = {name: np.vstack([getattr(run, name) for run in runs]) for name in KEPT_FIELDS}
    return StationLimits(**stacked, lateral_scale=grip, brake_scale=grip)


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


def _wanted_shares(lap: Driven, goal: Driven, phases: PhaseMap) -> np.ndarray:
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


def _worth_working_on(analysis: Analysis, most: int) -> list[CornerResult]:
    """Corners with a clear loss, the largest first; fast corners never lead."""
    clear = [corner for corner in analysis.ranked if corner.clear]
    chosen = clear[:most]
    return sorted(chosen, key=lambda corner: (corner.build_up, corner.rank))


def _blend(lap: Driven, goal: Driven, phases: PhaseMap, moves: Moves) -> Driven:
    """`lap` with speed and acceleration of some phases moved towards `goal`."""
    share = np.zeros(phases.count)
    for phase, move in moves.items():
        share[phase] = move
    w = share[phases.phase]
    # a speed above the goal's is kept: the driver has shown it
    v = lap.v + w * np.maximum(goal.v - lap.v, 0.0)
    return replace(lap, v=v, a=lap.a + w * (goal.a - lap.a))


def _marks(analysis: Analysis, index: int, v: np.ndarray) -> tuple[float | None, float, float | None]:
    """Brake point, slowest speed and full-throttle point of one corner zone of a profile (n,)."""
    phases, line, envelope = analysis.phases, analysis.line, analysis.fit.envelope
    station = np.asarray(line.station)
    zone = analysis.corners[index].zone
    since = (station - zone.start) % line.length
    here = np.flatnonzero(phases.phase // PHASES == index)
    here = here[np.argsort(since[here])]
    a = between_stations(line, v)
    corner = here[phases.kind[here] != EXIT]
    slow = corner if corner.size else here
    braking = here[phases.kind[here] == BRAKING]
    brakes = braking[a[braking] < -BRAKE_POINT]
    after = here[np.argmin(v[slow]) :] if slow.size else here
    full = after[a[after] >= FULL_DRIVE * envelope.engine_limit(v[after], v[after] ** 2 * line.kappa[after])]
    brake = float(station[brakes[0]]) if brakes.size else None
    return brake, float(v[slow].min()), float(station[full[0]]) if full.size else None


def _within(
    result: CornerResult,
    index: int,
    analysis: Analysis,
    now: np.ndarray,
    then: np.ndarray,
    steps: Steps,
    outing: int,
) -> bool:
    """True where profile `then` asks for no more than the allowed steps from `now` in this corner."""
    share = outing * (steps.fast_share if result.build_up else 1.0)
    length = analysis.line.length
    brake_now, slow_now, full_now = _marks(analysis, index, now)
    brake_then, slow_then, full_then = _marks(analysis, index, then)
    if (slow_then - slow_now) * MS_TO_KMH > steps.min_speed_kmh * share:
        return False
    if brake_now is not None and brake_then is not None:
        later = (brake_then - brake_now + 0.5 * length) % length - 0.5 * length
        if later > steps.brake_point_m * share:
            return False
    if full_now is not None and full_then is not None:
        earlier = (full_now - full_then + 0.5 * length) % length - 0.5 * length
        if earlier > steps.full_throttle_m * share:
            return False
    return True


def _corner_target(bench: _Bench, index: int, now: np.ndarray, shown_s: float, raised: Moves) -> CornerTarget:
    """What must change in one corner, and what that alone is worth."""
    result = bench.analysis.corners[index]
    (then,), (lap_time,) = bench.solve([raised])
    brake_now, slow_now, full_now = _marks(bench.analysis, index, now)
    brake_then, slow_then, full_then = _marks(bench.analysis, index, then)
    return CornerTarget(
        corner=result.corner.name,
        phases=tuple(PHASE_NAMES[phase % PHASES] for phase in sorted(raised)),
        build_up=result.build_up,
        worth_s=float(shown_s - lap_time),
        brake_point_m=None if brake_now is None or brake_then is None else Mark(brake_now, brake_then),
        min_speed_kmh=Mark(slow_now * MS_TO_KMH, slow_then * MS_TO_KMH),
        full_throttle_m=None if full_now is None or full_then is None else Mark(full_now, full_then),
    )


def _interval(analysis: Analysis, laps: list[Driven], goal: Driven, raised: Moves, value: float) -> Interval:
    """Interval of the next step: laps are resampled, the same phases raised, the draws' envelopes hold."""
    phases = analysis.phases
    draws = np.asarray(analysis.fit.draw_laps, dtype=int)[:INTERVAL_DRAWS]
    runs = [_blend(composite([laps[row] for row in rows], phases), goal, phases, raised) for rows in draws]
    envelopes = np.asarray(analysis.fit.draws)[: len(runs)]
    times = np.asarray(solve_batch(analysis.line, envelopes, _all_kept(runs, phases, analysis.grip)).lap_time)
    times = np.minimum(times, min(lap.lap_time for lap in laps))
    return percentile_interval(value, times)


# Draws behind the interval of the next step: its 5 % and 95 % ends then lie within a sixth of its width.
INTERVAL_DRAWS = 100
