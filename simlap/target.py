"""The ladder of lap times: shown, next step, limit."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from simlap.chance import outlook
from simlap.driven import Driven, between_stations
from simlap.habit_link import sheets_of
from simlap.habits import find_habits
from simlap.kept import grip_limits
from simlap.outings import outings_of, within_outings
from simlap.phases import PHASE_NAMES, PHASES
from simlap.placing import PLACED_M, told, told_place
from simlap.results import Analysis, Interval
from simlap.solver import solve_batch
from simlap.spread import percentile_interval, step_share_of
from simlap.target_blend import Bench, Moves, all_kept, best_phases_sum, blend, composite, joined, shown_bench
from simlap.target_brakes import logged_brake_points, with_logged
from simlap.target_claim import why_no_step
from simlap.target_lift import lifts_of
from simlap.target_marks import MARKS_OF_PHASE, visible
from simlap.target_steps import Plan, raised
from simlap.target_types import CornerTarget, Mark, Steps, Target
from simlap.thresholds import thresholds_of
from simlap.transitions import shown_transitions, with_transitions

__all__ = ["CornerTarget", "Mark", "Steps", "Target", "composite", "target_of", "usual_steps"]

# Draws behind the interval of the next step: its 5 % and 95 % ends then lie within a sixth of its width.
INTERVAL_DRAWS = 100


def target_of(analysis: Analysis, *, outing: int = 1, steps: Steps | None = None) -> Target:
    """Ladder of lap times of one analysed session.

    Parameters
    ----------
    outing : int
        1 is the next outing; 2 allows two steps in each phase.
    steps : Steps, optional
        Largest changes for one outing; else `usual_steps`.

    Raises
    ------
    NotEnoughData
        With fewer than two counted laps, or none that shows braking and drive.

    Notes
    -----
    Shown: of each phase the lap nearest to the lower quartile of the counted laps, joined by the solver; never
    faster than the best phases added up. Next step: in the corners with most to gain the phases that use less of the
    envelope than the driver's median over the other corners are raised to that share, within the steps.
    """
    steps = steps or usual_steps(analysis)
    laps = [analysis.lap_driven[row] for row in analysis.counted]
    phases = analysis.phases
    times = shown_transitions(analysis.table, phases, analysis.fit.envelope, analysis.motion.speed_bandwidth_hz)
    reachable = with_transitions(analysis.line, analysis.fit.envelope, times, grip_limits(analysis.grip))
    goal = Driven(dt=reachable.segment_time, v=reachable.v, a=between_stations(analysis.line, reachable.v))
    limits = thresholds_of(analysis.options)
    sheets, _ = sheets_of(analysis, limits)
    bench = replace(shown_bench(analysis, laps, goal), lifts=lifts_of(analysis, find_habits(sheets, limits)))
    (shown_v,), (shown_s,) = bench.solve([{}])
    lap_times = np.array([lap.lap_time for lap in laps])
    alike = within_outings(outings_of(analysis), lap_times)
    seed = int(analysis.options.get("seed", 0))
    moves: dict[int, Moves] = {}
    held_by = ""
    for number in range(1, outing + 1):  # each outing builds on what the one before asked for
        ahead = outlook(alike, len(laps) * number, seed=seed)
        moves, held_by = raised(Plan(bench, shown_v, float(shown_s), ahead, steps, number), moves)
    corners, joined_s = _corner_targets(bench, shown_v, moves, logged_brake_points(sheets, limits) if moves else {})
    next_s = min(joined_s, float(lap_times.min()))  # what was driven once is no step back
    step, chance = _interval(bench, laps, joined(moves), next_s), ahead.chance_of(next_s)
    return Target(
        shown_s=float(shown_s),
        next_step=step,
        chance=chance,
        limit_s=analysis.limit_lap.value,
        limit_with_transitions_s=_never_slower(reachable.lap_time, analysis, next_s),
        transitions=times,
        best_phases_sum_s=best_phases_sum(laps, phases),
        corners=corners,
        repeat_s=joined_s - next_s,
        outing=outing,
        held_by=held_by,
        no_step=why_no_step(analysis, step, chance, min(steps.least_chance, Steps.least_chance), outing),
    )


def usual_steps(analysis: Analysis) -> Steps:
    """The steps of an outing, smaller where the log has no throttle."""
    return Steps().times(step_share_of(analysis.table, np.asarray(analysis.counted)))


def _never_slower(lap_time: float, analysis: Analysis, next_s: float) -> float:
    """The limit with pedal changes as a bound: what is driven or asked for shows that the feet are as fast. [s]"""
    driven = min(analysis.lap_driven[row].lap_time for row in analysis.counted)
    return max(analysis.limit_lap.value, min(lap_time, driven, next_s))


def _corner_targets(
    bench: Bench, shown_v: np.ndarray, moves: dict[int, Moves], logged: Mapping[int, float | None]
) -> tuple[tuple[CornerTarget, ...], float]:
    """What must change in each corner, and the lap time of all changes together [s].

    The worth of a corner is what it adds to those before it, so that the worths add up to the whole.
    """
    analysis = bench.analysis
    length = float(analysis.line.length)
    order = list(moves)
    added = [joined({index: moves[index] for index in order[:count]}) for count in range(len(order) + 1)]
    _, lap_times = bench.solve(added)
    found = []

    def place(now: float | None, then: float | None, seen: bool) -> Mark | None:
        return _told(_mark(now, then, seen), length, bench.told_to)

    for count, index in enumerate(order):
        result = analysis.corners[index]
        (then_v,), _ = bench.solve([moves[index]])
        now = bench.now(index, shown_v)
        now, then = with_logged(logged, index, now, bench.marks(index, now, moves[index], then_v), length)
        seen = visible(now, then, length, bench.told_to)
        found.append(
            CornerTarget(
                corner=result.corner.name,
                phases=_worked_on(moves[index], seen),
                build_up=result.build_up,
                worth_s=float(lap_times[count] - lap_times[count + 1]),
                brake_point_m=place(now.brake_m, then.brake_m, "brake_m" in seen),
                min_speed_kmh=Mark(now.slowest_kmh, (then if "slowest_kmh" in seen else now).slowest_kmh),
                full_throttle_m=place(now.full_m, then.full_m, "full_m" in seen),
                exit_speed_kmh=_mark(now.exit_kmh, then.exit_kmh, "exit_kmh" in seen),
                lift_m=place(now.lift_m, then.lift_m, "lift_m" in seen),
            )
        )
    return tuple(found), float(lap_times[-1])


def _worked_on(own: Moves, seen: set[str]) -> tuple[str, ...]:
    """The raised phases in which a mark moves; all raised ones where the marks that move belong to others."""
    up = sorted(phase % PHASES for phase in own)
    told = [kind for kind in up if seen & MARKS_OF_PHASE[kind]]
    return tuple(PHASE_NAMES[kind] for kind in told or up)


def _mark(now: float | None, then: float | None, seen: bool) -> Mark | None:
    """A mark as it is asked for: it stays where it is unless it moves as far as a driver can place it."""
    return None if now is None or then is None else Mark(now, then if seen else now)


def _told(mark: Mark | None, length: float, to: float) -> Mark | None:
    """The station of a mark, and the step from there, as finely as the log tells them."""
    if mark is None or to <= PLACED_M:
        return mark
    now = told_place(mark.now, to)
    step = (mark.next - mark.now + 0.5 * length) % length - 0.5 * length
    return Mark(now, (now + told(step, to)) % length if step else now)


def _interval(bench: Bench, laps: list[Driven], moves: Moves, value: float) -> Interval:
    """Interval of the next step: laps are resampled, the same phases raised, the draws' envelopes hold."""
    analysis, phases = bench.analysis, bench.analysis.phases
    draws = np.asarray(analysis.fit.draw_laps, dtype=int)[:INTERVAL_DRAWS]
    shown = [composite([laps[row] for row in rows], phases) for rows in draws]
    runs = [blend(lap, bench.goal, phases, moves, bench.lifts, bench.late) for lap in shown]
    envelopes = np.asarray(analysis.fit.draws)[: len(runs)]
    times = np.asarray(solve_batch(analysis.line, envelopes, all_kept(runs, phases, analysis.grip)).lap_time)
    times = np.minimum(times - bench.unexplained_s, min(lap.lap_time for lap in laps))
    return percentile_interval(value, times)
