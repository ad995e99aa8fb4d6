"""Splits the change between sets of laps into limit and execution, and judges the limit's."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simlap.comparison import (
    COST_TIME,
    NO_CLEAR_CHANGE,
    PAID_OFF,
    Comparison,
    CornerChange,
    PhaseChange,
    Side,
)
from simlap.envelope_packed import ENVELOPE_SIZE, Packed
from simlap.errors import NotEnoughData
from simlap.line import Line
from simlap.phases import PHASE_NAMES, PHASES, PhaseMap
from simlap.results import Interval
from simlap.solver import solve_batch
from simlap.spread import percentile_interval
from simlap.station_limits import StationLimits

# Two-sided error of the verdict, and the power at which `detectable_s` is stated: the usual choices (Cohen 1988,
# Statistical Power Analysis for the Behavioral Sciences, 2nd ed.; from memory).
SIGNIFICANCE, POWER = 0.05, 0.80
CLEAR = 1.0 - SIGNIFICANCE / 2.0  # chance above which a gain is clear; below 1 - CLEAR a loss is
# The draws of one envelope also hold errors that the next outing of the same car shares: which corners set a limit,
# what the smoothing takes. In a difference they cancel. Over 50 seeded pairs without a change the change of the limit
# scattered by 0.69 of what the draws said (0.170 s beside 0.258 s).
NOT_SHARED = 0.7
# More laps a side than a day of testing holds nobody drives; the change is then too small to settle. Common practice,
# no source.
MOST_LAPS_WORTH_NAMING = 100
_COLUMNS = np.arange(ENVELOPE_SIZE)
# Columns of a packed envelope that belong to each limit.
PARTS: Mapping[str, tuple[int, ...]] = {
    "lateral": (*_COLUMNS[Packed.LATERAL],),
    "braking": (*_COLUMNS[Packed.BRAKING], Packed.EXPONENT_BRAKING),
    "drive": (*_COLUMNS[Packed.TRACTION], *_COLUMNS[Packed.EXPONENT_DRIVE :]),
}


def judge_sides(
    sides: Sequence[Side],
    line: Line,
    phases: PhaseMap,
    corners: Sequence[str],
    *,
    limits: StationLimits | None,
    moved: Sequence[float] = (),
    warnings: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> Comparison:
    """Split the change between sides A and B (and A2) and word the verdict.

    `limits` are those per station that the sides' limit laps were solved with, such as the track's grip. `moved` is by
    how much the lap times rose within each side, from lap to lap or in a step, beyond chance, negative where they fell
    [s]: what may be that alone is taken off the change before it is judged.
    With A2 the state before the change is taken midway between A and A2, so that a linear drift from outing to
    outing cancels; outings are taken as evenly spaced.
    """
    weights = [-1.0, 1.0] if len(sides) == 2 else [-0.5, 1.0, -0.5]
    split = _split(sides, weights)
    change = float(split.limit.sum())
    error = float(split.limit_draws.sum(axis=1).std(ddof=1))
    freedom = sum(side.laps for side in sides) - len(sides)
    apart = _moved_apart(weights, moved)
    judged = math.copysign(max(abs(change) - apart, 0.0), change)
    chance, detectable, more = settle(judged, error, freedom, min(sides[0].laps, sides[1].laps))
    verdict = PAID_OFF if chance >= CLEAR else COST_TIME if chance <= 1.0 - CLEAR else NO_CLEAR_CHANGE
    uneven = _drift_warning(sides, change, verdict, detectable) + _moved_warning(apart, change, judged)
    total, bound, execution = split.over(np.arange(phases.count))
    return Comparison(
        sides=tuple(sides),
        line=line,
        phase_map=phases,
        change=total,
        limit_change=bound,
        execution_change=execution,
        drift=_drift(sides),
        by_limit=_by_limit(sides, weights, line, _fewest_draws(sides), limits),
        verdict=verdict,
        chance=chance,
        detectable_s=detectable,
        laps_needed=more,
        corners=tuple(_corner_change(name, index, split) for index, name in enumerate(corners)),
        warnings=(*warnings, *uneven),
        notes=tuple(notes),
        moved_s=apart,
    )


@dataclass(frozen=True, eq=False)
class _Split:
    """Change of each phase, its draws, and the limit's part of both; negative is faster. [s]"""

    driven: np.ndarray  #: typical lap, shape (p,)
    limit: np.ndarray  #: limit lap, shape (p,)
    driven_draws: np.ndarray  #: shape (draws, p)
    limit_draws: np.ndarray  #: shape (draws, p)

    def over(self, columns: np.ndarray) -> tuple[Interval, Interval, Interval]:
        """Change of lap, limit and execution over the phases `columns`, each with its interval."""
        whole, bound = self.driven[columns].sum(), self.limit[columns].sum()
        whole_draws, bound_draws = (draws[:, columns].sum(axis=1) for draws in (self.driven_draws, self.limit_draws))
        return (
            percentile_interval(whole, whole_draws),
            percentile_interval(bound, bound_draws),
            percentile_interval(whole - bound, whole_draws - bound_draws),
        )


def _fewest_draws(sides: Sequence[Side]) -> int:
    return min(side.draw_phase_times.shape[0] for side in sides)


def _split(sides: Sequence[Side], weights: Sequence[float]) -> _Split:
    """The change between the sides, each phase apart: their times by `weights`, which add up to nought."""
    draws = _fewest_draws(sides)
    limit = _mix(weights, [side.limit_phase_times for side in sides])
    return _Split(
        driven=_mix(weights, [side.typical for side in sides]),
        limit=limit,
        driven_draws=_mix(weights, [side.draw_phase_times[:draws] for side in sides]),
        limit_draws=_narrowed(_mix(weights, [side.draw_limit_phase_times[:draws] for side in sides]), limit),
    )


def _corner_change(name: str, index: int, split: _Split) -> CornerChange:
    """The change over the corner of this index, and over each of its phases."""
    own = PHASES * index + np.arange(PHASES)
    parts = tuple(PhaseChange(PHASE_NAMES[k], *split.over(own[k : k + 1])) for k in range(PHASES))
    return CornerChange(name, *split.over(own), parts)


def _drift(sides: Sequence[Side]) -> Interval | None:
    """Change of the typical lap per outing with the car in the same state; None where A was not driven again. [s]"""
    if len(sides) < 3:
        return None
    first, last, draws = sides[0], sides[2], _fewest_draws(sides)
    return percentile_interval(
        float((last.typical - first.typical).sum()) / 2.0,
        (last.draw_phase_times[:draws] - first.draw_phase_times[:draws]).sum(axis=1) / 2.0,
    )


A_B_ONLY = (
    "A and B only: a track or weather that changed between them cannot be told from the car, and the chance knows "
    "nothing of it. Drive A again with the change undone and name it as the third session (A-B-A)."
)


def _drift_warning(sides: Sequence[Side], change: float, verdict: str, detectable: float) -> tuple[str, ...]:
    """Says so where the same car differs between A and A2 by as much as what was found for B, or there is no A2."""
    if len(sides) < 3:
        return (A_B_ONLY,)
    drifted = float((sides[2].limit_phase_times - sides[0].limit_phase_times).sum())
    clear = verdict != NO_CLEAR_CHANGE or abs(drifted) >= detectable
    if not clear or abs(drifted) < abs(change):
        return ()
    return (
        f"The limit moved by {drifted:+.2f} s from A to A2 with the car in the same state, as much as or more than the "
        f"change found at B ({change:+.2f} s): the verdict holds only if the track changed evenly from outing to "
        "outing. Repeat B.",
    )


def _moved_apart(weights: Sequence[float], moved: Sequence[float]) -> float:
    """What the sides may differ by from conditions that moved within them by `moved` each (rises positive), or () [s].

    A limit is that of the best of its laps, and two outings may lie as far apart as the laps within one of them, also
    where both moved alike: nothing tells tyres that warm up anew from a track that goes on from A to B. A third outing
    takes out what moves alike in all. (tests/test_moved.py counts false verdicts either way.)
    """
    if len(moved) < 3:
        return max(map(abs, moved), default=0.0)
    return abs(float(np.dot(weights, moved)))


def _moved_warning(apart: float, change: float, judged: float) -> tuple[str, ...]:
    """Says what the laps' own movement took off the change that is judged."""
    if apart == 0.0:
        return ()
    left = f"only {judged:+.2f} s of the limit's {change:+.2f} s are" if judged else "nothing of the change is"
    return (
        f"Lap times moved within a session by {apart:.2f} s, beyond chance: a change of the limit of that size may be "
        f"track or tyres alone. Therefore {left} judged.",
    )


def _mix(weights: Sequence[float], parts: Sequence[np.ndarray]) -> np.ndarray:
    return np.sum([weight * part for weight, part in zip(weights, parts, strict=True)], axis=0)


def _narrowed(draws: np.ndarray, value: np.ndarray | float) -> np.ndarray:
    """Draws (runs, ...) of a difference about its value, without the spread that both sides share."""
    return value + NOT_SHARED * (draws - draws.mean(axis=0))


def settle(change: float, error: float, freedom: int, laps: int) -> tuple[float, float, int | None]:
    """Chance of a real gain, smallest change that could have been shown, and more laps needed a side.

    Parameters
    ----------
    change, error : float
        Estimated change, negative is faster, and its standard error. [s]
    freedom : int
        Degrees of freedom of the error.
    laps : int
        Laps on the smaller side.

    Notes
    -----
    Student's t for the change over its error. The detectable change is (t_0.975 + t_0.80) times the error, the
    large-sample power of a two-sided test (Cohen 1988; from memory); the error falls with the square root of the
    laps.

    Raises
    ------
    NotEnoughData
        When the error is nought or no number, as of one draw alone.
    """
    from scipy.stats import t as student

    if not error > 0.0:  # NaN too
        raise NotEnoughData(
            "The resampled laps do not tell how much the limit scatters, so that no chance can be stated. "
            "Drive more laps."
        )
    chance = float(student.cdf(-change / error, freedom))
    reach = student.ppf(1.0 - SIGNIFICANCE / 2.0, freedom) + student.ppf(POWER, freedom)
    detectable = float(reach * error)
    if change == 0.0:
        return chance, detectable, None
    more = laps * (detectable / abs(change)) ** 2 - laps
    return chance, detectable, (max(0, math.ceil(more)) if more < MOST_LAPS_WORTH_NAMING else None)


def _by_limit(
    sides: Sequence[Side], weights: Sequence[float], line: Line, draws: int, limits: StationLimits | None
) -> dict[str, Interval]:
    """Change of the limit lap when only one of A's limits is replaced by B's (and A2's)."""
    base = sides[0]
    result = {}
    for name, columns in PARTS.items():
        values, spreads = [], []
        for side in sides:
            mixed = np.vstack([base.fit.envelope.pack()[None, :], np.asarray(base.fit.draws)[:draws]])
            theirs = np.vstack([side.fit.envelope.pack()[None, :], np.asarray(side.fit.draws)[:draws]])
            mixed[:, list(columns)] = theirs[:, list(columns)]
            lap_times = np.asarray(solve_batch(line, mixed, limits).lap_time)
            values.append(lap_times[0])
            spreads.append(lap_times[1:])
        value = float(np.dot(weights, values))
        result[name] = percentile_interval(value, _narrowed(_mix(weights, spreads), value))
    return result
