"""Did the change to the car pay off? Two sets of laps, or three (before, after, before again).

The change in lap time is split into a change of the limit (what car and tyres can do) and a change of execution
(how much of it was used). The verdict is on the limit alone: a driver who got better is never credited to the car.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simlap.analysis import Options, Prepared, mean_path, prepare
from simlap.corners import find_corners
from simlap.envelope_fit import EnvelopeFit, fit_envelope
from simlap.errors import NotEnoughData, OptionError
from simlap.laptable import LapTable
from simlap.line import Line
from simlap.losses import PHASE_NAMES, PHASES, PhaseMap, driven_on, grip_limits, map_phases
from simlap.results import Interval
from simlap.session import Session
from simlap.solver import limit_profile, solve_batch
from simlap.spread import percentile_interval
from simlap.track import Track, grip_scale
from simlap.zones import brake_onsets, cut_zones

# Two-sided error of the verdict, and the power at which `detectable_s` is stated: the usual choices (Cohen 1988,
# Statistical Power Analysis for the Behavioral Sciences, 2nd ed.; from memory).
SIGNIFICANCE, POWER = 0.05, 0.80
# The draws of one envelope also hold errors that the next outing of the same car shares: which corners set a limit,
# what the smoothing takes. In a difference they cancel. Over 50 seeded pairs without a change the change of the limit
# scattered by 0.69 of what the draws said (0.170 s beside 0.258 s).
NOT_SHARED = 0.7
LEAST_LAPS = 3  # a spread between laps cannot be told from fewer
PAID_OFF, NO_CLEAR_CHANGE, COST_TIME = "paid off", "no clear change", "cost time"
# Columns of a packed envelope that belong to each limit.
PARTS: Mapping[str, tuple[int, ...]] = {
    "lateral": (0, 1, 2, 3),
    "braking": (4, 5, 8),
    "drive": (6, 7, 9, 10, *range(11, 44)),
}


@dataclass(frozen=True, eq=False)
class Side:
    """One set of laps on the common path."""

    label: str
    prepared: tuple[Prepared, ...]
    fit: EnvelopeFit
    phase_times: np.ndarray  #: of each counted lap, shape (laps, p) [s]
    limit_phase_times: np.ndarray  #: of the limit lap, shape (p,) [s]
    draw_phase_times: np.ndarray  #: median lap of each draw, shape (draws, p) [s]
    draw_limit_phase_times: np.ndarray  #: limit lap of each draw, shape (draws, p) [s]

    @property
    def laps(self) -> int:
        """Number of counted laps."""
        return int(self.phase_times.shape[0])

    @property
    def typical(self) -> np.ndarray:
        """Median time of each phase, shape (p,) [s]."""
        return np.median(self.phase_times, axis=0)


@dataclass(frozen=True)
class PhaseChange:
    """Change over one phase of one corner; negative is faster. [s]"""

    name: str
    change: Interval
    limit_change: Interval
    execution_change: Interval


@dataclass(frozen=True)
class CornerChange:
    """Change over one corner zone; negative is faster. [s]"""

    name: str
    change: Interval
    limit_change: Interval
    execution_change: Interval
    phases: tuple[PhaseChange, ...]


@dataclass(frozen=True, eq=False)
class Comparison:
    """What changed between the sets of laps; negative seconds are faster."""

    sides: tuple[Side, ...]
    line: Line
    phase_map: PhaseMap
    change: Interval  #: typical lap [s]
    limit_change: Interval  #: limit lap [s]
    execution_change: Interval  #: typical lap less limit lap [s]
    drift: Interval | None  #: change of the typical lap per outing by the track, with three sets [s]
    by_limit: Mapping[str, Interval]  #: change of the limit lap by each limit alone [s]
    verdict: str  #: paid off, no clear change, cost time: of the car
    chance: float  #: that the car became faster
    detectable_s: float  #: smallest change of the limit that these laps would have shown [s]
    laps_needed: int | None  #: more laps a side that would settle a change of this size; None: no change to settle
    corners: tuple[CornerChange, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]


def compare(
    before: Sequence[Session],
    after: Sequence[Session],
    again: Sequence[Session] = (),
    *,
    track: Track | None = None,
    options: Options | None = None,
    notes: Sequence[str] = (),
) -> Comparison:
    """Judge a change to the car.

    Parameters
    ----------
    before, after, again : sequences of Session
        Sessions of each side; `again` repeats the state before the change and takes out a linear drift.
    notes : sequence of str
        ``SIDE:WHAT=VALUE`` with SIDE one of A, B, A2, such as ``A:tyres=worn``; differing values are warned of.

    Raises
    ------
    NotEnoughData
        When a side has fewer than three counted laps, or the sessions do not lie on one circuit.
    """
    options = options or Options()
    groups = [("A", tuple(before)), ("B", tuple(after))] + ([("A2", tuple(again))] if again else [])
    prepared: list[tuple[str, tuple[Prepared, ...]]] = []
    reference: str | None = None
    for label, sessions in groups:
        found = []
        for session in sessions:
            try:
                one = prepare(session, track, options)
            except NotEnoughData as error:
                if reference is None:
                    raise
                raise NotEnoughData(
                    f"{session.source}: its laps do not fit the circuit of {reference} ({error}) Were both driven on "
                    "one circuit?"
                ) from error
            if track is None or (track.origin is not None and one.track.origin is None):
                track = one.track  # no file was given, or none can be laid under a log without positions
            reference = reference or session.source
            found.append(one)
        prepared.append((label, tuple(found)))
    assert track is not None
    line, phases, grip = _common_ground(prepared, track, options)
    sides = tuple(
        _side(label, found, line, phases, grip, options, number) for number, (label, found) in enumerate(prepared)
    )
    warnings = _warnings(sides, notes)
    return judge_sides(
        sides,
        line,
        phases,
        [corner.name for corner in track.corners or find_corners(track.line)],
        warnings=warnings,
        notes=tuple(notes),
    )


def _common_ground(
    prepared: Sequence[tuple[str, tuple[Prepared, ...]]], track: Track, options: Options
) -> tuple[Line, PhaseMap, np.ndarray]:
    """Mean path of all counted laps, phases and grip factors that serve every side."""
    everything = merge_tables([one.table for _, found in prepared for one in found])
    line = mean_path(everything, track.line.resample(options.spacing))
    fit = fit_envelope(everything, line, quantile=options.quantile, draws=1, seed=options.seed)
    corners = track.corners or find_corners(track.line)
    limit = limit_profile(line, fit.envelope)
    counted = np.asarray(everything.counted, dtype=bool)
    zones = cut_zones(line, corners, limit, brake_onsets(everything, corners), counted)
    grip = grip_scale(corners, np.asarray(line.station), float(line.length))
    return line, map_phases(zones, np.asarray(line.station), float(line.length), limit.a_lon), grip


def _side(
    label: str,
    prepared: tuple[Prepared, ...],
    line: Line,
    phases: PhaseMap,
    grip: np.ndarray,
    options: Options,
    number: int,
) -> Side:
    """Fit one side's envelope on the common path and solve its limit laps."""
    table = merge_tables([one.table for one in prepared])
    counted = np.asarray(table.counted, dtype=bool)
    if counted.sum() < LEAST_LAPS:
        names = ", ".join(one.session.source for one in prepared)
        raise NotEnoughData(
            f"Side {label} ({names}) has {int(counted.sum())} counted laps; a comparison needs at "
            f"least {LEAST_LAPS} on each side."
        )
    # each side draws with a seed of its own: equal seeds would tie the draws of two sides together
    fit = fit_envelope(table, line, quantile=options.quantile, draws=options.draws, seed=options.seed + 1000 * number)
    dt = np.diff(np.asarray(table.t)[counted], axis=1)
    phase_times = phases.sums(np.array([driven_on(line, row).dt for row in dt]))
    limits = grip_limits(grip)
    draws = np.asarray(solve_batch(line, fit.draws, limits).segment_time)
    limit = np.asarray(solve_batch(line, fit.envelope.pack()[None, :], limits).segment_time)[0]
    draw_laps = np.asarray(fit.draw_laps, dtype=int)
    return Side(
        label=label,
        prepared=prepared,
        fit=fit,
        phase_times=phase_times,
        limit_phase_times=phases.sums(limit),
        draw_phase_times=np.median(phase_times[draw_laps], axis=1),
        draw_limit_phase_times=phases.sums(draws),
    )


def merge_tables(tables: Sequence[LapTable]) -> LapTable:
    """Laps of several tables on the same stations, one below the other; laps are numbered through.

    Raises
    ------
    NotEnoughData
        When the tables do not share their stations.
    """
    first = tables[0]
    if len(tables) == 1:
        return first
    for table in tables[1:]:
        if not table.shares_stations(first):
            raise NotEnoughData("The sessions do not lie on the same circuit: give one track file for all of them.")
    replicates = min(table.noise_a_lon.shape[0] for table in tables)

    def rows(name: str) -> np.ndarray:
        return np.concatenate([np.asarray(getattr(table, name)) for table in tables], axis=0)

    def noise(name: str) -> np.ndarray:
        return np.concatenate([np.asarray(getattr(table, name))[:replicates] for table in tables], axis=1)

    shared = set.intersection(*(set(table.channels) for table in tables))
    joined: dict[str, Any] = {"bandwidth_hz": min(table.bandwidth_hz for table in tables)}
    joined |= {name: rows(name) for name in ("counted", "session_start", "t", "v", "a_lon", "a_lat", "kappa", "ds")}
    joined |= {name: rows(name) for name in ("offset", "x", "y")}
    joined |= {name: noise(name) for name in ("noise_a_lon", "noise_a_lat")}
    for name in ("across", "along"):
        felt = [getattr(table, name) for table in tables]
        if any(values is not None for values in felt):
            joined[name] = np.concatenate(
                [np.full(t.v.shape, np.nan) if one is None else one for t, one in zip(tables, felt, strict=True)]
            )
    channels = {name: np.concatenate([table.channels[name] for table in tables], axis=0) for name in shared}
    return replace(first, numbers=np.arange(1, joined["t"].shape[0] + 1), channels=channels, **joined)


def judge_sides(
    sides: Sequence[Side],
    line: Line,
    phases: PhaseMap,
    corners: Sequence[str],
    *,
    warnings: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> Comparison:
    """Split the change between sides A and B (and A2) and word the verdict.

    With A2 the state before the change is taken midway between A and A2, so that a linear drift from outing to
    outing cancels; outings are taken as evenly spaced.
    """
    first, second = sides[0], sides[1]
    weights = [-1.0, 1.0] if len(sides) == 2 else [-0.5, 1.0, -0.5]
    driven = _mix(weights, [side.typical for side in sides])
    limits = _mix(weights, [side.limit_phase_times for side in sides])
    draws = min(side.draw_phase_times.shape[0] for side in sides)
    driven_draws = _mix(weights, [side.draw_phase_times[:draws] for side in sides])
    limit_draws = _narrowed(_mix(weights, [side.draw_limit_phase_times[:draws] for side in sides]), limits)
    drift = None
    if len(sides) == 3:
        last = sides[2]
        drift = percentile_interval(
            float((last.typical - first.typical).sum()) / 2.0,
            (last.draw_phase_times[:draws] - first.draw_phase_times[:draws]).sum(axis=1) / 2.0,
        )
    change = float(limits.sum())
    error = float(limit_draws.sum(axis=1).std(ddof=1))
    freedom = sum(side.laps for side in sides) - len(sides)
    chance, detectable, more = settle(change, error, freedom, min(first.laps, second.laps))
    verdict = NO_CLEAR_CHANGE
    if chance >= 1.0 - SIGNIFICANCE / 2.0:
        verdict = PAID_OFF
    elif chance <= SIGNIFICANCE / 2.0:
        verdict = COST_TIME

    def intervals(which: slice | int) -> tuple[Interval, Interval, Interval]:
        columns = np.atleast_1d(np.arange(phases.count)[which])
        whole, bound = driven[columns].sum(), limits[columns].sum()
        whole_draws = driven_draws[:, columns].sum(axis=1)
        bound_draws = limit_draws[:, columns].sum(axis=1)
        return (
            percentile_interval(whole, whole_draws),
            percentile_interval(bound, bound_draws),
            percentile_interval(whole - bound, whole_draws - bound_draws),
        )

    corner_changes = []
    for index, name in enumerate(corners):
        parts = tuple(PhaseChange(PHASE_NAMES[k], *intervals(PHASES * index + k)) for k in range(PHASES))
        corner_changes.append(CornerChange(name, *intervals(slice(PHASES * index, PHASES * (index + 1))), parts))
    total, bound, execution = intervals(slice(None))
    return Comparison(
        sides=tuple(sides),
        line=line,
        phase_map=phases,
        change=total,
        limit_change=bound,
        execution_change=execution,
        drift=drift,
        by_limit=_by_limit(sides, weights, line, draws),
        verdict=verdict,
        chance=chance,
        detectable_s=detectable,
        laps_needed=more,
        corners=tuple(corner_changes),
        warnings=tuple(warnings),
        notes=tuple(notes),
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
    """
    from scipy.stats import t as student

    if error <= 0.0:
        raise NotEnoughData("All resampled laps give the same limit, so that no chance can be stated. Drive more laps.")
    chance = float(student.cdf(-change / error, freedom))
    reach = student.ppf(1.0 - SIGNIFICANCE / 2.0, freedom) + student.ppf(POWER, freedom)
    detectable = float(reach * error)
    if change == 0.0:
        return chance, detectable, None
    more = laps * (detectable / abs(change)) ** 2 - laps
    return chance, detectable, (max(0, math.ceil(more)) if more < MOST_LAPS_WORTH_NAMING else None)


# Beyond this nobody drives the laps; the change is then too small to settle.
MOST_LAPS_WORTH_NAMING = 500


def _by_limit(sides: Sequence[Side], weights: Sequence[float], line: Line, draws: int) -> dict[str, Interval]:
    """Change of the limit lap when only one of A's limits is replaced by B's (and A2's)."""
    base = sides[0]
    result = {}
    for name, columns in PARTS.items():
        values, spreads = [], []
        for side in sides:
            mixed = np.vstack([base.fit.envelope.pack()[None, :], np.asarray(base.fit.draws)[:draws]])
            theirs = np.vstack([side.fit.envelope.pack()[None, :], np.asarray(side.fit.draws)[:draws]])
            mixed[:, list(columns)] = theirs[:, list(columns)]
            lap_times = np.asarray(solve_batch(line, mixed, None).lap_time)
            values.append(lap_times[0])
            spreads.append(lap_times[1:])
        value = float(np.dot(weights, values))
        result[name] = percentile_interval(value, _narrowed(_mix(weights, spreads), value))
    return result


def _warnings(sides: Sequence[Side], notes: Sequence[str]) -> tuple[str, ...]:
    """What differs between the sides beside the change that is to be judged."""
    told: dict[str, dict[str, str]] = {}
    for note in notes:
        side, what, value = parse_note(note)
        if side not in {one.label for one in sides}:
            raise OptionError(
                f"--note {note!r}: there is no side {side!r}; sides are " + ", ".join(one.label for one in sides) + "."
            )
        told.setdefault(what, {})[side] = value
    warnings = [
        f"{what} differs between the sides ({', '.join(f'{side}: {value}' for side, value in values.items())}): the "
        "verdict cannot tell it from the change."
        for what, values in told.items()
        if len(set(values.values())) > 1 or len(values) < len(sides)
    ]
    rates = {round(one.motion.quality.fixes_per_second) for side in sides for one in side.prepared}
    if len(rates) > 1:
        warnings.append(
            f"The logs differ in fixes per second ({', '.join(map(str, sorted(rates)))}): the logger or its "
            "settings changed, which may move a limit a little."
        )
    channels = {tuple(sorted(one.session.channels)) for side in sides for one in side.prepared}
    if len(channels) > 1:
        warnings.append("The logs do not hold the same channels: a limit may be fitted in another way on each side.")
    sources = {one.motion.quality.speed_source for side in sides for one in side.prepared}
    if len(sources) > 1:
        warnings.append(f"Speed comes from different sensors ({', '.join(sorted(sources))}).")
    return tuple(warnings)


def parse_note(note: str) -> tuple[str, str, str]:
    """Side, subject and value of a note such as ``A:tyres=worn``.

    Raises
    ------
    OptionError
        When it is written otherwise.
    """
    side, colon, rest = note.partition(":")
    what, equals, value = rest.partition("=")
    if not (side and colon and what and equals and value):
        raise OptionError(f"--note {note!r}: write SIDE:WHAT=VALUE, such as A:tyres=worn.")
    return side.strip(), what.strip(), value.strip()


def lap_time_test(before: Sequence[float], after: Sequence[float], *, resamples: int = 9999, seed: int = 0) -> float:
    """Two-sided p of a permutation test on the mean lap times alone, by `scipy.stats.permutation_test`."""
    from scipy.stats import permutation_test

    result = permutation_test(
        (np.asarray(before, dtype=float), np.asarray(after, dtype=float)),
        lambda a, b, axis: np.mean(a, axis=axis) - np.mean(b, axis=axis),
        vectorized=True,
        n_resamples=resamples,
        rng=np.random.default_rng(seed),
    )
    return float(result.pvalue)
