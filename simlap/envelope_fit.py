"""Fit an envelope to a table of laps: what the driver has shown, with its spread and its evidence."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.envelope_bootstrap import DRIVE_EXPONENTS, EXPONENTS, EventSet, Solution, hats, solve
from simlap.envelope_events import EventFinder, Guess
from simlap.envelope_samples import RoadSamples, road_samples
from simlap.frozen import own

# Share of the laps at which a level is read from the driver's own variation, noise taken out.
QUANTILE = 0.95
# Resamplings of whole laps.
DRAWS = 200
# Draws take their quantile from this range around the chosen one: the choice is part of the interval.
QUANTILE_RANGE = (0.90, 0.98)
ROUNDS = 4


@dataclass(frozen=True, eq=False)
class EnvelopeFit:
    """An envelope with its spread and evidence."""

    envelope: Envelope
    draws: np.ndarray  #: (B, ENVELOPE_SIZE) packed envelopes
    draw_laps: np.ndarray  #: (B, m) indices into the counted laps
    quantile: float
    seed: int
    evidence: dict[str, Any]
    notes: tuple[str, ...]

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
) -> EnvelopeFit:
    """Limits of acceleration that the counted laps of `table` show."""
    samples = road_samples(table, line, use)
    events, solution = fit_events(samples, quantile)
    packed = solution.packed()[0]
    laps = samples.numbers.size
    rng = np.random.default_rng(seed)
    draw_laps = rng.integers(0, laps, (draws, laps))
    chosen = rng.uniform(*QUANTILE_RANGE, draws)
    spread = solve(events, draw_laps, chosen, solution).packed() if draws else np.empty((0, packed.size))
    return EnvelopeFit(Envelope.unpack(packed), spread, draw_laps, quantile, seed, {}, ())


def fit_events(samples: RoadSamples, quantile: float) -> tuple[EventSet, Solution]:
    """Find events and limits in turn until both stand still."""
    finder = EventFinder(samples)
    guess = _first_guess(samples, finder)
    every = np.arange(samples.numbers.size)[None]
    level = np.array([quantile])
    solution = None
    for _ in range(ROUNDS):
        events = EventSet(
            lateral=finder.lateral_events(guess),
            braking=finder.braking_events(guess),
            drive=finder.drive_events(guess),
            trail=finder.combined_events(guess, EXPONENTS, braking=True),
            pickup=finder.combined_events(guess, DRIVE_EXPONENTS, braking=False),
            full_throttle=samples.throttle is not None,
        )
        solution = solve(events, every, level, None)
        if guess.known:
            solution = solve(events, every, level, solution)
        guess = _guess_of(solution)
    return events, solution


def _first_guess(samples: RoadSamples, finder: EventFinder) -> Guess:
    lateral = float(np.quantile(np.abs(finder.windows.mean(finder.lateral * np.ones_like(samples.lateral))), 0.95))
    held = finder.windows.mean(np.broadcast_to(finder.along, samples.along.shape))
    braking = float(np.quantile(-held, 0.97))
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
    braking, traction = solution.braking[0], solution.traction[0]
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
