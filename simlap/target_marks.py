"""Where a lap brakes, is slowest and is on the throttle again in a corner, and how far that may move for one outing."""

from dataclasses import dataclass, fields

import numpy as np

from simlap.driven import between_stations
from simlap.habit_rules import HALF_WAY
from simlap.phases import BRAKING, EXIT, PHASES
from simlap.results import Analysis, CornerResult
from simlap.spans import true_spans
from simlap.target_types import Steps
from simlap.units import MS_TO_KMH

# A deceleration that is braking and not lifting: engine and drag slow a road car by about 1 m/s².
BRAKE_POINT = 2.0  # [m/s²]
FULL_DRIVE = 0.9  # share of the engine's limit above which the throttle counts as fully open
# Nobody is asked to brake visibly earlier to be faster: marks are printed in whole metres.
EARLIER = 0.5  # [m]


@dataclass(frozen=True)
class Marks:
    """What a driver sees of one corner in the log; None where the lap has no such place."""

    brake_m: float | None  #: station where braking begins [m]
    slowest_kmh: float
    full_m: float | None  #: station where full drive begins [m]
    exit_kmh: float | None  #: speed at the end of the exit


def marks_of(analysis: Analysis, index: int, v: np.ndarray) -> Marks:
    """Marks of one corner zone of a profile (n,)."""
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
    brakes = _main_braking(braking, a[braking])
    after = here[np.argmin(v[slow]) :] if slow.size else here
    full = after[a[after] >= FULL_DRIVE * envelope.engine_limit(v[after], v[after] ** 2 * line.kappa[after])]
    leaves = (phases.kind[here] == EXIT).any()
    return Marks(
        brake_m=float(station[brakes[0]]) if brakes.size else None,
        slowest_kmh=float(v[slow].min()) * MS_TO_KMH,
        full_m=float(station[full[0]]) if full.size else None,
        exit_kmh=float(v[(here[-1] + 1) % v.size]) * MS_TO_KMH if leaves else None,
    )


def _main_braking(stations: np.ndarray, a: np.ndarray) -> np.ndarray:
    """Stations of the stretch of braking that holds the hardest; a touch before it is no brake point."""
    spans = (stations[start:stop] for start, stop in true_spans(a < -BRAKE_POINT) if start <= np.argmin(a) < stop)
    return next(spans, stations[:0])


def speed_asked(result: CornerResult, steps: Steps, outing: int) -> float:
    """Largest slowest speed that is asked for in a corner [km/h].

    The notes ask for it too: one step above the typical lap, and half-way to the limit at most.
    """
    typical, limit = result.min_speed_typical * MS_TO_KMH, result.min_speed_limit * MS_TO_KMH
    share = outing * (steps.fast_share if result.build_up else 1.0)
    return typical + min(steps.min_speed_kmh * share, (1.0 - HALF_WAY**outing) * max(limit - typical, 0.0))


def within(result: CornerResult, length: float, now: Marks, then: Marks, steps: Steps, outing: int) -> bool:
    """True where `then` asks for no more than the allowed steps from `now` in this corner."""
    share = outing * (steps.fast_share if result.build_up else 1.0)
    slowest = min(now.slowest_kmh + steps.min_speed_kmh * share, speed_asked(result, steps, outing))
    if then.slowest_kmh > max(slowest, now.slowest_kmh) + ROUNDING:
        return False
    if now.brake_m is not None and then.brake_m is not None:
        later = (then.brake_m - now.brake_m + 0.5 * length) % length - 0.5 * length
        if not -EARLIER <= later <= steps.brake_point_m * share:
            return False
    if now.full_m is not None and then.full_m is not None:
        earlier = (now.full_m - then.full_m + 0.5 * length) % length - 0.5 * length
        if earlier > steps.full_throttle_m * share:
            return False
    return True


def fast_corners_within(analysis: Analysis, now: np.ndarray, then: np.ndarray, steps: Steps, outing: int) -> bool:
    """True where no fast corner is taken faster than its step allows, whatever was changed before it.

    A fast corner on the straight behind a better exit is reached faster without being worked on.
    """
    for index, result in enumerate(analysis.corners):
        if result.build_up:
            more = marks_of(analysis, index, then).slowest_kmh - marks_of(analysis, index, now).slowest_kmh
            if more > steps.min_speed_kmh * steps.fast_share * outing + ROUNDING:
                return False
    return True


def visible(now: Marks, then: Marks) -> set[str]:
    """Names of the marks that differ as printed, in whole metres and km/h."""
    pairs = {field.name: (getattr(now, field.name), getattr(then, field.name)) for field in fields(Marks)}
    return {name for name, (a, b) in pairs.items() if a is not None and b is not None and f"{a:.0f}" != f"{b:.0f}"}


#: Marks that tell a driver what to change in braking, mid-corner and exit.
MARKS_OF_PHASE = ({"brake_m"}, {"slowest_kmh"}, {"full_m", "exit_kmh"})


# The solver repeats a speed that nothing changed to about this.
ROUNDING = 1e-6  # [km/h]
