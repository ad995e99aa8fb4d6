"""How sure the losses are: laps are resampled whole, envelope and typical lap with them."""

from collections.abc import Sequence

import numpy as np

from simlap.driven import Driven, typical_lap
from simlap.envelope_fit import EnvelopeFit
from simlap.errors import NoSolution
from simlap.kept import kept_limits
from simlap.laptable import LapTable
from simlap.line import Line
from simlap.losses import Ledger, ledger_masks
from simlap.pedals import throttle_of
from simlap.phases import PHASE_NAMES, PHASES, PhaseMap
from simlap.results import CornerResult, Interval, PhaseResult
from simlap.solver import LimitProfile, solve_batch
from simlap.units import MS_TO_KMH
from simlap.zones import Zone

INTERVAL = 0.90  # share of draws inside every interval that simlap prints
# Draws for which the ledgers 2 and 3 are solved anew (ledger 1 and the limit lap use all draws). 40 place the
# 5 % and 95 % ends within about a fifth of the interval's width, at a tenth of a second per corner.
LEDGER_DRAWS = 40
LEAST_SOLVED = 0.5  # share of those draws that an interval needs; the few that obey no profile are left out
# Corners this fast are not places to try things: common practice, no source.
FAST_CORNER = 140.0 / MS_TO_KMH  # [m/s] slowest speed of the limit profile in the zone
FAST_LOADED = 115.0 / MS_TO_KMH  # [m/s] above it a corner that needs nearly all grip counts as fast too
NEARLY_ALL_GRIP = 0.9  # share of the largest lateral acceleration of the limit lap
# Largest change of minimum speed suggested for one outing: common practice, no source.
STEP_KMH, FAST_STEP_KMH = 4.0, 2.0  # [km/h]
# Without the throttle no lap shows why a corner is slow, and what would have shared the step with it is not seen: less
# data, smaller steps (common practice, no source).
UNSEEN_THROTTLE_SHARE = 0.5
TOP = 3
# A gain that may be less than this is no clear loss: lap times are not known better than to a few milliseconds.
CLEAR_GAIN = 0.01  # [s]


def percentile_interval(value: float, draws: np.ndarray, share: float = INTERVAL) -> Interval:
    """Interval that holds `share` of the draws, widened where needed to hold the value itself."""
    low, high = np.percentile(draws, [50.0 * (1.0 - share), 50.0 * (1.0 + share)])
    return Interval(float(value), float(min(low, value)), float(max(high, value)))


def corner_results(
    zones: Sequence[Zone],
    line: Line,
    fit: EnvelopeFit,
    limit: LimitProfile,
    limit_times: np.ndarray,
    grip: np.ndarray,
    phases: PhaseMap,
    laps: Sequence[Driven],
    counted: np.ndarray,
    best_v: np.ndarray,
    typical: Driven,
    ledger: Ledger,
    gear_changes: np.ndarray | None = None,
    step_share: float = 1.0,
) -> tuple[CornerResult, ...]:
    """Losses of the typical lap per corner and phase, ranked, with intervals.

    Parameters
    ----------
    limit_times : float64 array, shape (draws, n)
        Segment times of the limit profile of each bootstrap envelope. [s]
    grip : float64 array, shape (n,)
        Factor on the grip of each station.
    counted : int array
        Rows of the counted laps in `laps`; ``fit.draw_laps`` counts within them.
    best_v : float64 array, shape (n,)
        Speed of the car on the best counted lap, not that along the common path. [m/s]
    gear_changes : float64 array, shape (p,), optional
        What changes of gear cost in each phase, from `gear_change_cost`. [s]
    step_share : float
        Of the usual largest change of minimum speed that is suggested, from `step_share_of`.
    """
    dt = np.array([laps[row].dt for row in counted])
    lost, caused, gain, corner_gain = _draws(line, fit, limit_times, grip, phases, dt, ledger)
    corners = len(zones)
    rank = np.empty(corners, dtype=int)
    rank[np.argsort(-ledger.corner_gain, kind="stable")] = np.arange(1, corners + 1)
    placed = np.argsort(np.argsort(-corner_gain, axis=1, kind="stable"), axis=1)
    top3 = (placed < TOP).mean(axis=0)
    heaviest = float(np.abs(limit.a_lat).max())
    results = []
    for index, zone in enumerate(zones):
        own_phases = slice(PHASES * index, PHASES * (index + 1))
        here = np.isin(phases.phase, np.arange(own_phases.start, own_phases.stop))
        parts = tuple(
            PhaseResult(
                name=PHASE_NAMES[k],
                start_m=float(start),
                stop_m=float(stop),
                lost=percentile_interval(ledger.lost[PHASES * index + k], lost[:, PHASES * index + k]),
                caused=percentile_interval(ledger.caused[PHASES * index + k], caused[:, PHASES * index + k]),
                gain_alone=percentile_interval(ledger.gain_alone[PHASES * index + k], gain[:, PHASES * index + k]),
                gear_changes_s=None if gear_changes is None else float(gear_changes[PHASES * index + k]),
            )
            for k, (_, start, stop) in enumerate(zone.phases())
        )
        slowest = slowest_speed(limit.v, here, phases.kind)
        worth = percentile_interval(ledger.corner_gain[index], corner_gain[:, index])
        loaded = float(np.abs(limit.a_lat[here]).max(initial=0.0))
        fast = slowest > FAST_CORNER or (slowest > FAST_LOADED and loaded > NEARLY_ALL_GRIP * heaviest)
        results.append(
            CornerResult(
                corner=zone.corner,
                zone=zone,
                rank=int(rank[index]),
                phases=parts,  # type: ignore[arg-type]
                lost=percentile_interval(ledger.lost[own_phases].sum(), lost[:, own_phases].sum(axis=1)),
                gain_alone=worth,
                top3_chance=float(top3[index]),
                clear=worth.low > CLEAR_GAIN,
                build_up=bool(fast),
                step_kmh=step_share * (FAST_STEP_KMH if fast else STEP_KMH),
                min_speed_typical=slowest_speed(typical.v, here, phases.kind),
                min_speed_best=slowest_speed(best_v, here, phases.kind),
                min_speed_limit=slowest,
            )
        )
    return tuple(results)


def step_share_of(table: LapTable, counted: np.ndarray) -> float:
    """Share of the usual steps that may be asked for by these laps: less where no throttle is known on them."""
    return UNSEEN_THROTTLE_SHARE if throttle_of(table, counted) is None else 1.0


def slowest_speed(v: np.ndarray, here: np.ndarray, kind: np.ndarray) -> float:
    """Slowest speed [m/s] of the zone outside its exit, where the next zone's slowing may already show.

    Parameters
    ----------
    v : float64 array, shape (n,)
        Speed. [m/s]
    here : bool array, shape (n,)
        Stations of the zone, at least one.
    kind : int array, shape (n,)
        Phase of each station: index into `PHASE_NAMES`.
    """
    corner = here & (kind != PHASES - 1)
    return float(np.asarray(v)[corner if corner.any() else here].min())


def _every_second(line: Line, grip: np.ndarray, phases: PhaseMap) -> tuple[Line, np.ndarray, PhaseMap, np.ndarray]:
    """Line, grip and phases at every second station, and the index of the first segment of each pair."""
    pairs = np.arange(0, line.kappa.size, 2)
    coarse = Line.from_curvature(
        kappa=line.kappa[::2],
        ds=np.add.reduceat(line.ds, pairs),
        grade=line.grade[::2],
        bank=line.bank[::2],
        kappa_v=line.kappa_v[::2],
        closed=True,
    )
    limit_a = None if phases.limit_a is None else phases.limit_a[::2]
    return coarse, grip[::2], PhaseMap(phases.phase[::2], phases.order, limit_a), pairs


def _draws(
    line: Line,
    fit: EnvelopeFit,
    limit_times: np.ndarray,
    grip: np.ndarray,
    phases: PhaseMap,
    dt: np.ndarray,
    ledger: Ledger,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Ledgers of the typical lap for every draw: lost (all draws), caused, gain alone and corner gain."""
    draw_laps = np.asarray(fit.draw_laps, dtype=int)
    driven_phases = phases.sums(dt)
    lost = np.median(driven_phases[draw_laps], axis=1) - phases.sums(limit_times)
    masks = ledger_masks(phases)
    # the spread of the ledgers is read at every second station, at half the cost; the values are not touched
    coarse, coarse_grip, coarse_phases, pairs = _every_second(line, grip, phases)
    coarse_dt = np.add.reduceat(dt, pairs, axis=1)
    chosen = np.unique(np.linspace(0, len(draw_laps) - 1, min(LEDGER_DRAWS, len(draw_laps))).astype(int))

    def lap_times(laps: np.ndarray, envelope: np.ndarray) -> np.ndarray | None:
        lap = typical_lap(coarse, coarse_dt[laps], coarse_phases)
        limits = kept_limits(lap, coarse_phases, masks, grip=coarse_grip)
        try:
            return np.asarray(solve_batch(coarse, envelope[None, :], limits).lap_time)
        except NoSolution:  # what was driven, in a draw of poor positions
            return None

    centre_times = lap_times(np.arange(len(dt)), fit.envelope.pack())
    times = [lap_times(draw_laps[draw], np.asarray(fit.draws)[draw]) for draw in chosen]
    solved = [one for one in times if one is not None]
    if centre_times is None or len(solved) < LEAST_SOLVED * len(times):
        raise NoSolution(
            f"{len(times) - len(solved)} of {len(times)} resampled laps obey no speed profile: the path is too poor "
            "for intervals. Give a track file, or log the receiver's speed and the accelerations."
        )
    middle = _parts(centre_times[None, :], phases)
    drawn = _parts(np.array(solved), phases)
    fine = (ledger.caused, ledger.gain_alone, ledger.corner_gain)
    caused, gain, corner_gain = (value + part - centre for value, part, centre in zip(fine, drawn, middle, strict=True))
    return lost, caused, gain, corner_gain


def _parts(time: np.ndarray, phases: PhaseMap) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Caused (runs, p), gain alone (runs, p) and corner gain (runs, corners) from the lap times of `ledger_masks`."""
    p = phases.count
    caused = np.empty((time.shape[0], p))
    caused[:, phases.order] = time[:, :p] - time[:, 1 : p + 1]
    return caused, time[:, :1] - time[:, p + 1 : 2 * p + 1], time[:, :1] - time[:, 2 * p + 1 :]
