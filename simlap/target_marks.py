"""Where a lap brakes, is slowest and is on the throttle again in a corner, and how far that may move for one outing."""

from dataclasses import dataclass

import numpy as np

from simlap.driven import between_stations
from simlap.envelope_events import COAST
from simlap.habit_rules import HALF_WAY
from simlap.phases import BRAKING, EXIT, PHASES
from simlap.placing import PLACED_M
from simlap.results import Analysis, CornerResult
from simlap.spans import true_spans
from simlap.target_types import Steps
from simlap.units import MS_TO_KMH, G

# A deceleration that is braking and not lifting: so much more than engine, rolling and air take with a closed throttle
# (`COAST`), which at 200 km/h is 2.6 m/s² by itself. Low gears take up to 1 m/s² more (common practice, no source).
BRAKE_POINT = 1.5  # [m/s²]
FULL_DRIVE = 0.9  # share of the engine's limit above which the throttle counts as fully open
# The same, above which the car is driven at all. Where full drive is later than the goal's by more than so many times
# as much as this, the throttle is not opened late but stays part open: no place to move (common practice, no source).
HALF_DRIVE, PART_OPEN = 0.5, 2.0
# As `placing.PLACED_M`, for a speed (common practice, no source).
PLACED_KMH = 1.0
# A step in metres is asked for from this share of what the log tells places to: rounded to that, it is then never more
# than a third larger than what was booked, nor than the largest step wherever that is as long.
TOLD_SHARE = 0.75  # [1]
# Nobody is asked to brake visibly earlier to be faster: marks are printed in whole metres.
EARLIER = 0.5  # [m]
# The solver repeats a speed that nothing changed to about this.
ROUNDING = 1e-6  # [km/h], and [m] of marks that are carried round the start line


@dataclass(frozen=True)
class Marks:
    """What a driver sees of one corner in the log; None where the lap has no such place."""

    brake_m: float | None  #: station where braking begins [m]
    slowest_kmh: float
    full_m: float | None  #: station where full drive begins [m]
    exit_kmh: float | None  #: speed at the end of the exit
    half_m: float | None = None  #: station where half of full drive begins; moved, but not told [m]
    lift_m: float | None = None  #: station where a throttle closes that is closed too early before the brake [m]


def marks_of(analysis: Analysis, index: int, v: np.ndarray) -> Marks:
    """Marks of one corner zone of a profile (n,)."""
    phases, line, envelope = analysis.phases, analysis.line, analysis.fit.envelope
    station = np.asarray(line.station)
    zone = analysis.corners[index].zone
    since = (station - zone.start) % line.length
    here = np.flatnonzero(phases.phase // PHASES == index)
    here = here[np.argsort(since[here])]
    # what the pedals do, as on a level road
    a = between_stations(line, v) + G * np.sin(np.asarray(line.grade))
    corner = here[phases.kind[here] != EXIT]
    slow = corner if corner.size else here
    braking = here[phases.kind[here] == BRAKING]
    free = COAST[0] + COAST[1] * v[braking] ** 2
    brakes = _main_braking(braking, a[braking] + free)
    after = here[np.argmin(v[slow]) :]
    pull = envelope.engine_limit(v[after], v[after] ** 2 * line.kappa[after])
    full, half = (after[a[after] >= share * pull] for share in (FULL_DRIVE, HALF_DRIVE))
    leaves = (phases.kind[here] == EXIT).any()
    return Marks(
        brake_m=float(station[brakes[0]]) if brakes.size else None,
        slowest_kmh=float(v[slow].min()) * MS_TO_KMH,
        full_m=float(station[full[0]]) if full.size else None,
        exit_kmh=float(v[(here[-1] + 1) % v.size]) * MS_TO_KMH if leaves else None,
        half_m=float(station[half[0]]) if half.size else None,
    )


def marks_asked(length: float, now: Marks, goal: Marks, then: Marks, braking: float, leaving: float) -> Marks:
    """Marks of a blend of the shown lap and the goal, as a driver would place them; none goes the wrong way.

    Parameters
    ----------
    now, goal, then : Marks
        Of the shown lap, the goal and their blend.
    braking, leaving : float
        How far braking and exit move from the shown lap (0) to the goal (1).

    Notes
    -----
    A blend of two profiles brakes half as hard where one brakes and the other does not yet, and its full throttle stays
    nearly where it was until all of the way is gone. A driver moves the place instead, by the same share of the way; or
    further where the blend does, as a faster mid-corner is braked for later.
    """
    brake, full = now.brake_m, now.full_m
    if brake is not None:
        later = max(braking * _ahead(brake, goal.brake_m, length), _ahead(brake, then.brake_m, length), 0.0)
        brake = (brake + later) % length
    late = drive_late(length, now, goal)
    if full is not None and not _part_open(length, now, goal):
        # where the limit itself opens slowly its full drive is hardly sooner: no driver is asked for more than that
        at_most = min(late, _ahead(goal.full_m, full, length))
        full = (full - max(leaving * at_most, _ahead(then.full_m, full, length), 0.0)) % length
    half = now.half_m if now.half_m is None else (now.half_m - leaving * late) % length
    slowest = max(now.slowest_kmh, then.slowest_kmh)
    leave = now.exit_kmh if now.exit_kmh is None or then.exit_kmh is None else max(now.exit_kmh, then.exit_kmh)
    return Marks(brake, slowest, full, leave, half)


def drive_late(length: float, now: Marks, goal: Marks) -> float:
    """How much later than the goal a lap drives; none where its throttle is not late but stays part open. [m]"""
    if _part_open(length, now, goal):
        return 0.0
    late, begins = _ahead(goal.full_m, now.full_m, length), _ahead(goal.half_m, now.half_m, length)
    return max(0.0, begins if begins > PART_OPEN * late else min(late, begins))


def _part_open(length: float, now: Marks, goal: Marks) -> bool:
    """Whether full drive is so late for another reason than a late throttle: it has no place that a driver could move,
    and in a blend, whose drive passes the bound of "full" anywhere, it jumps."""
    return _ahead(goal.full_m, now.full_m, length) > PART_OPEN * _ahead(goal.half_m, now.half_m, length)


def _ahead(one: float | None, other: float | None, length: float) -> float:
    """Way from `one` to `other` along the lap, negative where it lies behind; none where either is not there. [m]"""
    if one is None or other is None:
        return 0.0
    return (other - one + 0.5 * length) % length - 0.5 * length


def _main_braking(stations: np.ndarray, a: np.ndarray) -> np.ndarray:
    """Stations of the stretch of braking that holds the hardest; a touch before it is no brake point.

    `a` is the acceleration without what slows a car whose throttle is closed. [m/s²]
    """
    spans = (stations[start:stop] for start, stop in true_spans(a < -BRAKE_POINT) if start <= np.argmin(a) < stop)
    return next(spans, stations[:0])


def speed_asked(result: CornerResult, steps: Steps, outing: int) -> float:
    """Largest slowest speed that is asked for in a corner [km/h].

    The notes ask for it too: one step above the typical lap, and half-way to the limit at most.
    """
    typical, limit = result.min_speed_typical * MS_TO_KMH, result.min_speed_limit * MS_TO_KMH
    return typical + min(
        outing * steps.speed_kmh(result.build_up), (1.0 - HALF_WAY**outing) * max(limit - typical, 0.0)
    )


def within(result: CornerResult, length: float, now: Marks, then: Marks, steps: Steps, outing: int) -> bool:
    """True where `then` asks for no more than the allowed steps from `now` in this corner."""
    share = outing * (steps.fast_share if result.build_up else 1.0)
    slowest = min(now.slowest_kmh + outing * steps.speed_kmh(result.build_up), speed_asked(result, steps, outing))
    if then.slowest_kmh > max(slowest, now.slowest_kmh) + ROUNDING:
        return False
    later = _ahead(now.brake_m, then.brake_m, length)
    earlier = max(_ahead(then.full_m, now.full_m, length), _ahead(then.half_m, now.half_m, length))
    if not -EARLIER <= later <= steps.brake_point_m * share + ROUNDING:
        return False
    return earlier <= steps.full_throttle_m * share + ROUNDING


def fast_corners_faster(analysis: Analysis, now: np.ndarray, then: np.ndarray) -> list[tuple[CornerResult, float]]:
    """Each fast corner with how much faster it is reached or taken, whichever is more. [km/h]

    A fast corner on the straight behind a better exit is reached faster without being worked on: the notes name the
    speed at the start of its zone.
    """
    found = []
    for index, result in enumerate(analysis.corners):
        if result.build_up:
            first = analysis.phases.stretch(*range(PHASES * index, PHASES * (index + 1)))[0]
            taken = marks_of(analysis, index, then).slowest_kmh - marks_of(analysis, index, now).slowest_kmh
            found.append((result, max(taken, float(then[first] - now[first]) * MS_TO_KMH)))
    return found


def fast_corners_within(analysis: Analysis, now: np.ndarray, then: np.ndarray, steps: Steps, outing: int) -> bool:
    """True where no fast corner is reached or taken faster than its step allows, whatever was changed before it.

    Parameters
    ----------
    now, then : float64 arrays, shape (n,)
        Speed now, and with the changes, at the stations of the analysis. [m/s]
    steps : Steps
        The largest change of speed in one outing.
    outing : int
        How many outings ahead, from 1.
    """
    most = outing * steps.speed_kmh(fast=True) + ROUNDING
    return all(more <= most for _, more in fast_corners_faster(analysis, now, then))


def visible(now: Marks, then: Marks, length: float, told_to: float = PLACED_M) -> set[str]:
    """Names of the marks that move as far as a driver can place them, and the log tells them apart.

    `told_to` is what the log tells places to. [m]
    """
    least = max(PLACED_M, TOLD_SHARE * told_to)
    leave, next_leave = now.exit_kmh, then.exit_kmh
    seen = {
        "lift_m": _ahead(now.lift_m, then.lift_m, length) >= least,
        "brake_m": _ahead(now.brake_m, then.brake_m, length) >= least,
        "slowest_kmh": then.slowest_kmh - now.slowest_kmh >= PLACED_KMH,
        "full_m": _ahead(then.full_m, now.full_m, length) >= least,
        "exit_kmh": leave is not None and next_leave is not None and next_leave - leave >= PLACED_KMH,
    }
    return {name for name, moves in seen.items() if moves}


#: Marks that tell a driver what to change in braking, mid-corner and exit.
MARKS_OF_PHASE = ({"lift_m", "brake_m"}, {"slowest_kmh"}, {"full_m", "exit_kmh"})
