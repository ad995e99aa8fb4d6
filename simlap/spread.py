"""How sure the losses are: laps are resampled whole, envelope and typical lap with them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.driven import typical_lap
from simlap.envelope_fit import EnvelopeFit
from simlap.errors import NoSolution
from simlap.kept import kept_limits
from simlap.laptable import LapTable
from simlap.line import Line
from simlap.losses import Ledger, ledger_masks
from simlap.pedals import throttle_of
from simlap.phases import PHASES, PhaseMap
from simlap.results import CornerResult, Interval, PhaseResult
from simlap.solver import LimitProfile, solve_batch
from simlap.units import MS_TO_KMH
from simlap.zones import Zone

INTERVAL = 0.90  # share of draws inside every interval that simlap prints
# What the ledgers err by beside laps and envelope (where a phase ends, how a driver would have gone on), as half the
# width of a 90 % interval. Without it the intervals of 234 corners of random sessions hold the true gain in 78 %, with
# it in 87 % (DEVELOPERS.md).
LEDGER_DOUBT = 0.03  # [s]
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


def percentile_interval(value: float, draws: np.ndarray) -> Interval:
    """Interval that holds `INTERVAL` of the draws, widened where needed to hold the value itself."""
    low, high = np.percentile(draws, [50.0 * (1.0 - INTERVAL), 50.0 * (1.0 + INTERVAL)])
    return Interval(float(value), float(min(low, value)), float(max(high, value)))


def ledger_interval(value: float, draws: np.ndarray) -> Interval:
    """The same of a value of ledger 2 or 3, with `LEDGER_DOUBT` beside the draws; nothing where there is no phase."""
    found = percentile_interval(value, draws)
    if found.low == found.high == 0.0:  # a phase without stations
        return found
    low, high = (float(np.hypot(end - found.value, LEDGER_DOUBT)) for end in (found.low, found.high))
    return Interval(found.value, found.value - low, found.value + high)


@dataclass(frozen=True, eq=False)
class DrawnLedgers:
    """Ledgers of the typical lap, once per resampling of the laps; float64 arrays [s].

    `lost` holds every draw, the others the fewer (k, at most `LEDGER_DRAWS`) for which the solver was run anew.
    """

    lost: np.ndarray  #: lost there, shape (draws, p)
    caused: np.ndarray  #: caused there, shape (k, p)
    gain_alone: np.ndarray  #: gain if the phase alone were at the limit, shape (k, p)
    corner_gain: np.ndarray  #: the same of whole corners, shape (k, corners)


def corner_results(
    zones: Sequence[Zone],
    phases: PhaseMap,
    limit: LimitProfile,
    ledger: Ledger,
    drawn: DrawnLedgers,
    typical_v: np.ndarray,
    best_v: np.ndarray,
    gear_changes: np.ndarray | None,
    step_share: float,
) -> tuple[CornerResult, ...]:
    """Losses of the typical lap per corner and phase, ranked, with intervals.

    Parameters
    ----------
    zones, phases, limit
        The corners, their phases and the limit lap, on the same n stations.
    ledger, drawn : Ledger, DrawnLedgers
        Of the typical lap, and of its resamplings.
    typical_v, best_v : float64 arrays, shape (n,)
        Speed of the typical lap along the common path; of the car itself on the best counted lap. [m/s]
    gear_changes : float64 array, shape (p,), or None
        What changes of gear cost in each phase, from `gear_change_cost`. [s]
    step_share : float
        Of the usual largest change of minimum speed that is suggested, from `step_share_of`.
    """
    rank = np.empty(len(zones), dtype=int)
    rank[np.argsort(-ledger.corner_gain, kind="stable")] = np.arange(1, len(zones) + 1)
    placed = np.argsort(np.argsort(-drawn.corner_gain, axis=1, kind="stable"), axis=1)
    top3 = (placed < TOP).mean(axis=0)
    results = []
    for index, zone in enumerate(zones):
        own_phases = slice(PHASES * index, PHASES * (index + 1))
        here = np.isin(phases.phase, np.arange(own_phases.start, own_phases.stop))
        slowest = slowest_speed(limit.v, here, phases.kind)
        worth = ledger_interval(ledger.corner_gain[index], drawn.corner_gain[:, index])
        fast = _is_fast(slowest, limit, here)
        results.append(
            CornerResult(
                corner=zone.corner,
                zone=zone,
                rank=int(rank[index]),
                phases=_phase_results(zone, own_phases.start, ledger, drawn, gear_changes),
                lost=percentile_interval(ledger.lost[own_phases].sum(), drawn.lost[:, own_phases].sum(axis=1)),
                gain_alone=worth,
                top3_chance=float(top3[index]),
                clear=worth.low > CLEAR_GAIN,
                build_up=fast,
                step_kmh=step_share * (FAST_STEP_KMH if fast else STEP_KMH),
                min_speed_typical=slowest_speed(typical_v, here, phases.kind),
                min_speed_best=slowest_speed(best_v, here, phases.kind),
                min_speed_limit=slowest,
            )
        )
    return tuple(results)


def _phase_results(
    zone: Zone, first: int, ledger: Ledger, drawn: DrawnLedgers, gear_changes: np.ndarray | None
) -> tuple[PhaseResult, PhaseResult, PhaseResult]:
    """Braking, mid-corner and exit of a zone; `first` is the place of its braking in the ledgers."""
    braking, middle, leaving = (
        PhaseResult(
            name=name,
            start_m=float(start),
            stop_m=float(stop),
            lost=percentile_interval(ledger.lost[phase], drawn.lost[:, phase]),
            caused=ledger_interval(ledger.caused[phase], drawn.caused[:, phase]),
            gain_alone=ledger_interval(ledger.gain_alone[phase], drawn.gain_alone[:, phase]),
            gear_changes_s=None if gear_changes is None else float(gear_changes[phase]),
        )
        for phase, (name, start, stop) in enumerate(zone.phases(), start=first)
    )
    return braking, middle, leaving


def _is_fast(slowest: float, limit: LimitProfile, here: np.ndarray) -> bool:
    """Whether the zone at the stations `here` (n,), which the limit passes at `slowest` [m/s], is no place to try."""
    loaded = np.abs(limit.a_lat[here]).max(initial=0.0) > NEARLY_ALL_GRIP * np.abs(limit.a_lat).max()
    return bool(slowest > FAST_CORNER or (slowest > FAST_LOADED and loaded))


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


def drawn_ledgers(
    line: Line,
    fit: EnvelopeFit,
    limit_times: np.ndarray,
    grip: np.ndarray,
    phases: PhaseMap,
    dt: np.ndarray,
    ledger: Ledger,
) -> DrawnLedgers:
    """Ledgers of the typical lap for every draw of the laps.

    Parameters
    ----------
    line, phases
        Of n stations.
    fit : EnvelopeFit
        Its ``draw_laps`` (draws, laps) count within the rows of `dt`.
    limit_times : float64 array, shape (draws, n)
        Segment times of the limit profile of each bootstrap envelope. [s]
    grip : float64 array, shape (n,)
        Factor on the grip of each station.
    dt : float64 array, shape (laps, n)
        Segment times of the counted laps. [s]
    ledger : Ledger
        Of the typical lap: the draws' spread is laid about it.

    Raises
    ------
    NoSolution
        When too many resampled laps obey no speed profile.
    """
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
    return DrawnLedgers(lost, caused, gain, corner_gain)


def _parts(time: np.ndarray, phases: PhaseMap) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Caused (runs, p), gain alone (runs, p) and corner gain (runs, corners) from the lap times of `ledger_masks`."""
    p = phases.count
    caused = np.empty((time.shape[0], p))
    caused[:, phases.order] = time[:, :p] - time[:, 1 : p + 1]
    return caused, time[:, :1] - time[:, p + 1 : 2 * p + 1], time[:, :1] - time[:, 2 * p + 1 :]
