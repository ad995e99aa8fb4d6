"""Fit an envelope to a table of laps: what the driver has shown, with its spread and its evidence."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from simlap.envelope import Envelope
from simlap.envelope_belief import Growth
from simlap.envelope_bootstrap import EventSet, Solution, solve, with_doubt
from simlap.envelope_combined import DRIVE_EXPONENTS, EXPONENT_PRIOR, EXPONENTS
from simlap.envelope_event_types import CombinedEvents, Guess
from simlap.envelope_events import EventFinder
from simlap.envelope_evidence import LimitEvidence, collect_evidence, tested_ranges
from simlap.envelope_frontier import hats
from simlap.envelope_packed import Packed
from simlap.envelope_samples import DRAG, RoadSamples, road_samples
from simlap.envelope_sides import sides_differ
from simlap.envelope_topspeed import speed_cap
from simlap.errors import NotEnoughData, OptionError
from simlap.frozen import own
from simlap.units import MS_TO_KMH

# Share of the laps at which a level is read from the driver's own variation, noise taken out.
QUANTILE = 0.98
# Resamplings of whole laps.
DRAWS = 200
# Draws take their quantile from this far around the chosen one, in normal deviations: the choice is part of the
# interval (0.964 to 0.989 around 0.98).
QUANTILE_DOUBT = 0.25
# A kart turns in on its brakes for a third of a second, and without accelerometers windows are longer: where no more
# than FEW_WINDOWS of the usual time show both accelerations, those of this share of it may.
BRIEF, FEW_WINDOWS = 0.5, 3
# Events and limits are found in turn this often; a fifth round moved no limit by 0.1 % on synthetic sessions.
ROUNDS = 4
# A car that never slows by more than this has not shown its brakes.
LEAST_BRAKING = 1.0  # [m/s²]
# Below so many laps the interval is a rough one.
FEW_LAPS = 5


@dataclass(frozen=True, eq=False)
class EnvelopeFit:
    """An envelope with its spread and evidence."""

    envelope: Envelope
    draws: np.ndarray  #: (B, ENVELOPE_SIZE) packed envelopes
    draw_laps: np.ndarray  #: (B, m) indices into the counted laps
    quantile: float
    seed: int
    evidence: dict[str, LimitEvidence]  #: per limit, what set it
    notes: tuple[str, ...]  #: what the laps could not carry, in plain words

    def __post_init__(self) -> None:
        own(self, "draws")
        own(self, "draw_laps", dtype=int)


def fit_envelope(
    table: Any,
    line: Any,
    *,
    quantile: float = QUANTILE,
    draws: int = DRAWS,
    seed: int = 0,
    use: np.ndarray | None = None,
    corners: Sequence[Any] = (),
) -> EnvelopeFit:
    """Limits of acceleration that the counted laps of `table` show.

    Parameters
    ----------
    table : LapTable
        Flying laps on common stations, with noise replicates.
    line : Line
        Reference line on the same stations: grade, banking and vertical curvature are taken out first.
    quantile : float
        Level of the driver's own variation from lap to lap that counts as shown, in (0, 1); the engine's pull is read
        from the median lap.
    draws : int
        Resamplings of whole laps; each also draws its quantile from `QUANTILE_DOUBT` around the chosen one.
    seed : int
        Of the resampling.
    use : bool array, shape (m,), optional
        Laps to use; the counted ones by default.
    corners : sequence with name, entry_m, exit_m, grip, optional
        To name the corners in the evidence; what was shown in one is divided by its grip factor.

    Raises
    ------
    NotEnoughData
        With fewer than two laps, or laps without braking.
    OptionError
        When the quantile or the number of draws cannot be used.

    Notes
    -----
    See `simlap.envelope_frontier` for the likelihood, `simlap.envelope_events` for the windows.
    """
    if not 0.0 < quantile < 1.0:
        raise OptionError(f"quantile {quantile!r}: choose a level between 0 and 1, such as {QUANTILE}.")
    if draws < 0:
        raise OptionError(f"draws {draws!r}: choose 0 or more.")
    samples = road_samples(table, line, use, corners)
    events, solution, sides = fit_events(samples, quantile)
    tested = tested_ranges(events, solution)
    envelope = Envelope.unpack(solution.packed()[0], tested)
    draw_laps, packed = resample(events, solution, quantile, draws, seed, sides)
    evidence = collect_evidence(samples, events, solution, corners, float(line.length))
    return EnvelopeFit(
        envelope, packed, draw_laps, quantile, seed, evidence, tuple(_notes(samples, events, solution, sides))
    )


def resample(
    events: EventSet, solution: Solution, quantile: float, draws: int, seed: int, sides: Growth | None
) -> tuple[np.ndarray, np.ndarray]:
    """Lap indices (B, m) and packed envelopes (B, ENVELOPE_SIZE) of the block bootstrap."""
    laps = events.lateral.value.shape[0]
    rng = np.random.default_rng(seed)
    draw_laps = rng.integers(0, laps, (draws, laps))
    if draws == 0:
        return draw_laps, np.empty((0, solution.packed().shape[1]))
    chosen = ndtr(ndtri(quantile) + QUANTILE_DOUBT * rng.uniform(-1.0, 1.0, draws))
    packed = solve(events, draw_laps, chosen, solution, sides=sides, rng=rng).packed()
    return draw_laps, with_doubt(widened(centred(packed, solution), solution, laps), rng)


def widened(packed: np.ndarray, solution: Solution, laps: int) -> np.ndarray:
    """Draws with the spread that few laps hide: resampling n of them shows (n - 1) / n of the variance (Efron and
    Tibshirani 1993, An Introduction to the Bootstrap, section 5.3; from memory). Levels alone are moved, so that a
    limit keeps its growth with speed and an engine curve still falls."""
    if laps < 2:
        return packed
    out, fit = np.array(packed), solution.packed()[0]
    more = (laps / (laps - 1.0)) ** 0.5 - 1.0
    for pair, z in _levels_at(solution):
        out[:, pair] *= ((_level(out, pair, z) / _level(fit, pair, z)) ** more)[:, None]
    out[:, Packed.ENGINE] += more * np.mean(out[:, Packed.ENGINE] - fit[Packed.ENGINE], axis=1, keepdims=True)
    out[:, Packed.EXPONENTS] += more * (out[:, Packed.EXPONENTS] - fit[Packed.EXPONENTS])
    return out


def _levels_at(solution: Solution) -> list[tuple[slice, float]]:
    """Where each limit's pair of coefficients lies in a packed envelope, and the v² of its median event."""
    z = {name: float(np.median(parts[2][0])) for name, parts in solution.levels.items()}
    return [
        (Packed.LEFT, z["lateral"]),
        (Packed.RIGHT, z["lateral"]),
        (Packed.BRAKING, z["braking"]),
        (Packed.TRACTION, z["braking"]),
    ]


def _level(packed: np.ndarray, pair: slice, z: float) -> np.ndarray:
    """Limits c0 + c1 z of packed envelopes, shape (..., ENVELOPE_SIZE), at a squared speed `z`. [m/s²]"""
    return np.asarray(packed[..., pair.start] + packed[..., pair.start + 1] * z)


def centred(packed: np.ndarray, solution: Solution) -> np.ndarray:
    """Draws moved so that their median limits are the fit's: resampling shifts quantiles a little."""
    out, fit = np.array(packed), solution.packed()[0]
    for pair, z in _levels_at(solution):
        out[:, pair] *= _level(fit, pair, z) / np.median(_level(out, pair, z))
    out[:, Packed.ENGINE] += fit[Packed.ENGINE] - np.median(out[:, Packed.ENGINE], axis=0)
    out[:, Packed.EXPONENTS] += fit[Packed.EXPONENTS] - np.median(out[:, Packed.EXPONENTS], axis=0)
    return out


def fit_events(samples: RoadSamples, quantile: float) -> tuple[EventSet, Solution, Growth | None]:
    """Find events and limits in turn; also whether left and right turns are told apart."""
    cap = speed_cap(samples)
    finder = EventFinder(samples, cap)
    brief = cache(lambda: EventFinder(samples, cap, BRIEF))  # made where it is needed
    guess = _first_guess(finder)
    every = np.arange(samples.numbers.size)[None]
    level = np.array([quantile])
    sides = None
    for _ in range(ROUNDS):
        events = EventSet(
            lateral=finder.lateral_events(guess),
            braking=finder.braking_events(guess),
            drive=finder.drive_events(guess),
            trail=_combined(finder, brief, guess, EXPONENTS, braking=True),
            pickup=_combined(finder, brief, guess, DRIVE_EXPONENTS, braking=False),
            banking_known=samples.banking_known,
            top_speed=float(np.sqrt(finder.speed2.max())),
            banking_doubt=samples.banking_doubt,
            speed_cap=cap,
            throttle_logged=samples.throttle is not None,
        )
        solution = solve(events, every, level, None)
        if guess.known:
            sides = sides_differ(events.lateral, solution) if samples.banking_known else None
            solution = solve(events, every, level, solution, sides=sides)
        guess = _guess_of(solution)
    return events, solution, sides


def _combined(
    full: EventFinder, brief: Callable[[], EventFinder], guess: Guess, exponents: np.ndarray, *, braking: bool
) -> CombinedEvents:
    """Windows with both accelerations in use; brief ones where hardly a full one is found."""
    found = full.combined_events(guess, exponents, braking=braking)
    return found if found.count > FEW_WINDOWS else brief().combined_events(guess, exponents, braking=braking)


def _first_guess(finder: EventFinder) -> Guess:
    """Limits from quantiles of the held windows, good enough to choose the first events by.

    Raises
    ------
    NotEnoughData
        When nothing in the laps comes near a limit of a car.
    """
    lateral = float(np.quantile(np.abs(finder.held_lateral), 0.95))
    braking = float(np.quantile(-finder.held_along, 0.97))
    if braking < LEAST_BRAKING or lateral < LEAST_BRAKING:
        raise NotEnoughData(
            f"the laps brake with {braking:.2f} m/s² and turn with {lateral:.2f} m/s² at the most: that shows no "
            "limits. Log laps driven at speed, or check the units of the speed."
        )
    v = np.sqrt(finder.speed2)
    order = np.argsort(v)
    # upper edge of the pull over speed: a straight line through upper quantiles of the slower and the faster half
    half = order.size // 2
    low, high = order[:half], order[half:]
    ends = [(float(np.median(v[part])), float(np.quantile(finder.along[part], 0.9))) for part in (low, high)]
    slope = min((ends[1][1] - ends[0][1]) / max(ends[1][0] - ends[0][0], 1.0), 0.0)
    return Guess(
        lateral=(lambda z: lateral + 0.0 * z, lambda z: lateral + 0.0 * z),
        braking=lambda z: braking + 0.0 * z,
        traction=lambda z: 0.75 * braking + 0.0 * z,
        engine=lambda z: ends[0][1] + slope * (np.sqrt(z) - ends[0][0]),
        exponent_braking=2.0,
        exponent_drive=2.0,
        known=False,
    )


def _guess_of(solution: Solution) -> Guess:
    left, right = solution.lateral[0]
    drag = np.array(DRAG[:2])
    braking, traction = solution.braking[0] - drag, solution.traction[0] + drag
    knots, engine = solution.knots, solution.engine[0]
    return Guess(
        lateral=(lambda z: left[0] + left[1] * z, lambda z: right[0] + right[1] * z),
        braking=lambda z: braking[0] + braking[1] * z,
        traction=lambda z: traction[0] + traction[1] * z,
        engine=lambda z: hats(np.sqrt(z), knots) @ engine,
        exponent_braking=float(solution.exponent_braking[0]),
        exponent_drive=float(solution.exponent_drive[0]),
        known=True,
    )


def _notes(samples: RoadSamples, events: EventSet, solution: Solution, sides: Growth | None) -> list[str]:
    """What the laps could not carry, in plain words."""
    notes = []
    if samples.numbers.size < FEW_LAPS:
        notes.append(f"envelope: only {samples.numbers.size} laps; its intervals are rough.")
    if samples.repaired:
        notes.append(f"envelope: {samples.repaired} wild samples replaced by their neighbours.")
    if solution.lateral[0, 0, 1] == 0.0:
        notes.append("envelope: the corners' speeds carry no growth of the lateral limit with speed; held constant.")
    if events.speed_cap is not None:
        notes.append(
            f"envelope: the car pulls up to {events.speed_cap * MS_TO_KMH:.0f} km/h and does not pass it (gearing or "
            "rev limiter); the limit lap goes no faster."
        )
    if not samples.banking_known:
        notes.append("envelope: banking unknown; the lateral limit is a mean over the corners.")
    elif samples.banking_doubt > 0.0:
        doubt = math.degrees(samples.banking_doubt)
        notes.append(
            f"envelope: banking read from the lateral accelerometer, good to {doubt:.1f} degrees from corner to "
            "corner; a camber that all share counts as grip."
        )
    if sides is not None:
        notes.append("envelope: left and right turns differ (likelihood ratio test at 0.1 %); fitted apart.")
    if events.trail.count == 0:
        usual = EXPONENT_PRIOR[0]
        notes.append(f"envelope: no braking into corners was seen; the braking exponent is assumed to be {usual:g}.")
    if events.pickup.count == 0:
        notes.append("envelope: no drive out of corners was seen; traction and its exponent are assumed.")
    if samples.throttle is None:
        notes.append("envelope: no throttle channel; engine and cornering drag come from the strongest drive shown.")
    elif samples.throttle_silent is not None:
        gaps = ", ".join(f"{number:.0f}" for number in samples.numbers[samples.throttle_silent.any(axis=1)])
        notes.append(f"envelope: the throttle has gaps on lap {gaps}; there the other laps tell of the engine.")
    return notes
