"""The engine curve: pull over speed and the drag of cornering, from the windows under power."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlap.envelope_frontier import Mixture, climb, falling, hats, log_density

if TYPE_CHECKING:
    from simlap.envelope_bootstrap import EventSet


@dataclass(frozen=True)
class EnginePrior:
    """What is expected of the engine curve and of the windows under power, before looking."""

    every: float  #: distance of the curve's knots [m/s]
    bend: float  #: how far it may bend at one of them (standard deviation) [m/s²]
    windows: Mixture  #: in m/s²; some windows hold a gear change, a lift or traffic
    floor: float  #: every level gets at least this error: what the curve cannot follow [m/s²]


# Without a throttle channel half of the windows may be a foot half down. With it nearly all show the engine, and the
# curve may follow the steps of the gears, all but their corners (without a floor that holds them it was drawn up to the
# windows just before a gear change).
ANY_THROTTLE = EnginePrior(every=4.0, bend=0.2, windows=Mixture(spike=0.5, shortfall=0.3), floor=0.03)
FULLY_OPEN = EnginePrior(every=3.0, bend=0.25, windows=Mixture(spike=0.8, shortfall=0.3), floor=0.05)
# The curve reaches up to this many times the fastest speed, of the drive windows or of the median lap.
REACH = 1.1
# Pull times speed is constant for constant power; with gears and drag the pull is expected to fall by this share of
# that from knot to knot, give or take.
POWER_FALL, KNOT_FALL = 0.5, 1.0  # share, [m/s²]
# ... and, beyond the fastest window, to fall ever less steeply: constant power over v bends by twice the pull per
# v², drag takes some of it. Slower than the slowest window no gear follows that curve.
POWER_BEND = 1.0
# The climb to the likeliest curve begins at each of these expectiles of the levels. For the highest of them sixty
# rounds gave the same curve as twelve (25 synthetic sessions without throttle channel).
EDGES, EDGE_ROUNDS = (0.97, 0.85, 0.6), 12
EDGE_ERROR = 0.3  # [m/s²] of a level there, against the prior
# Cornering drag is expected to be of this size, give or take: tyres at 3 to 5° of slip lose 5 to 9 % of their side
# force to drag, which at 10 m/s² is 0.005 to 0.009 s²/m; grip reached at less slip, 0.002. Lateral loads are measured
# in LOAD_UNIT while fitting.
DRAG_EXPECTED, DRAG_APART = 0.005, 0.003  # [s²/m]
LOAD_UNIT = 100.0  # [m²/s⁴]


def engine_knots(events: EventSet) -> np.ndarray:
    """Uniform speeds from the slowest event to beyond the fastest under power [m/s].

    Outside the drive windows nothing but `bend` and `KNOT_FALL` hold the curve, which goes on about straight:
    out of slow corners the tyres limit, and an engine that pulled no more than at higher speed would limit instead; and
    a driver who leaves corners slowly has not shown how the pull falls at the limit lap's top speeds.
    """
    drive = np.sqrt(np.median(events.drive.speed2, axis=0))
    slowest = [np.sqrt(np.median(each.speed2, axis=0)).min(initial=np.inf) for each in (events.lateral, events.pickup)]
    low, high = float(min(drive.min(), *slowest)), REACH * max(float(drive.max()), events.top_speed)
    count = max(2, 1 + int(np.ceil((high - low) / events.engine.every)))
    return np.linspace(low, max(high, low + 1.0), count)


def _edge_of(
    share: float, design: np.ndarray, level: np.ndarray, precision: np.ndarray, pull: np.ndarray
) -> np.ndarray:
    """Curve and drag (K + 1,) at an expectile of the levels, by asymmetric least squares (Newey and Powell 1987,
    doi:10.2307/1911031) under the prior. The likelihood takes levels far above a curve for wild ones, and levels far
    below for half-open throttles, so the climb to its top must not begin in the middle of a cloud alone, nor without
    drag; nor at its upper edge alone, where a few high levels can hold it up over many that agree."""
    weight = np.ones(level.size)
    curve: np.ndarray = np.zeros(design.shape[1])
    for _ in range(EDGE_ROUNDS):
        weighted = design.T * (weight / EDGE_ERROR**2)
        curve = np.linalg.solve(weighted @ design + precision, weighted @ level + pull)
        weight = np.where(level > design @ curve, share, 1.0 - share)
    return curve


def _likeliest(
    level: np.ndarray,
    error: np.ndarray,
    design: np.ndarray,
    weight: np.ndarray,
    kind: Mixture,
    precision: np.ndarray,
    pull: np.ndarray,
    lowest: np.ndarray,
) -> np.ndarray:
    """Curve and drag (K + 1,) of one draw: the highest of the tops that are reached from `EDGES`."""
    starts = np.array([_edge_of(share, design, level, precision, pull) for share in EDGES])
    levels, errors, designs, weights = (np.stack([row] * len(EDGES)) for row in (level, error, design, weight))
    tops = climb(levels, errors, designs, starts, kind, precision, lowest, pull, weights)
    told = log_density(level - tops @ design.T, error, kind)
    score = told @ weight + tops @ pull - 0.5 * np.sum(tops @ precision * tops, axis=1)
    top: np.ndarray = tops[np.argmax(score)]
    return top


def fit_curve(
    level: np.ndarray,
    deviation: np.ndarray,
    v: np.ndarray,
    knots: np.ndarray,
    begin: np.ndarray | None,
    load: np.ndarray,
    weight: np.ndarray,
    prior: EnginePrior = ANY_THROTTLE,
) -> tuple[np.ndarray, np.ndarray]:
    """Engine curve of each draw at the knots, (B, K), falling, and the cornering drag (B,).

    `load` (B, J) is the mean square of the lateral acceleration, `weight` (B, J) how often each event counts.
    """
    error = np.sqrt(deviation**2 + prior.floor**2)
    design = np.concatenate([hats(v, knots), -load[:, :, None] / LOAD_UNIT], axis=2)
    first, second = (np.diff(np.eye(knots.size), order, axis=0) for order in (1, 2))
    fall = -POWER_FALL * float(np.median(level)) * np.diff(knots) / float(np.median(v))
    precision = np.zeros((knots.size + 1, knots.size + 1))
    precision[:-1, :-1] = second.T @ second / prior.bend**2 + first.T @ first / KNOT_FALL**2
    precision[-1, -1] = 1.0 / (DRAG_APART * LOAD_UNIT) ** 2
    expected = float(np.median(level)) * float(np.median(v)) / knots[1:-1]
    bend = POWER_BEND * expected * (np.diff(knots)[0] / knots[1:-1]) ** 2 * (knots[1:-1] > v.max())
    pull = first.T @ fall / KNOT_FALL**2 + second.T @ bend / prior.bend**2
    pull = np.append(pull, DRAG_EXPECTED * LOAD_UNIT * precision[-1, -1])
    lowest = np.append(np.full(knots.size, -np.inf), 0.0)
    if begin is None:
        start = _likeliest(level[0], error[0], design[0], weight[0], prior.windows, precision, pull, lowest)
    else:
        start = begin * np.append(np.ones(knots.size), LOAD_UNIT)
    start = np.broadcast_to(start, (level.shape[0], knots.size + 1))
    p = climb(level, error, design, start, prior.windows, precision, lowest, pull, weight)
    return falling(p[:, :-1]), p[:, -1] / LOAD_UNIT
