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
    """What is expected of the windows under power and of the curve, before looking."""

    windows: Mixture  #: in m/s²; some windows hold a gear change, a lift or traffic
    floor: float  #: every level gets at least this error: what the curve cannot follow [m/s²]
    every: float  #: distance of the curve's knots, which are whole multiples of it [m/s]
    freedom: float  #: degrees of freedom of Student's t, of which the curve's bends are expected to be
    bend: float  #: its scale [m/s²]
    loose: float  #: the climb begins with normal bends so many times as wide, which holds it on no step yet


# With a throttle channel nearly all windows show the engine, and the curve may follow the steps of the gears, all but
# their corners (without a floor that holds them it was drawn up to the windows just before a gear change): within a
# gear the pull bends little from knot to knot, at a change much. Without one half of the windows may be a foot half
# down, those that hold a change look like it, and only bends that are alike everywhere are safe (freedom without end).
ANY_THROTTLE = EnginePrior(Mixture(spike=0.5, shortfall=0.3), 0.03, every=4.0, freedom=1e6, bend=0.2, loose=1.0)
FULLY_OPEN = EnginePrior(Mixture(spike=0.8, shortfall=0.3), 0.05, every=1.5, freedom=2.0, bend=0.092, loose=4.0)
# Resampled laps move the curve by what knots so far apart can.
DRAWN_EVERY = 4.0  # [m/s]
# The climb weighs the bends anew this often.
REWEIGHTS = 4
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

    Outside the drive windows nothing but what is expected before looking holds the curve, which goes on about straight:
    out of slow corners the tyres limit, and an engine that pulled no more than at higher speed would limit instead; and
    a driver who leaves corners slowly has not shown how the pull falls at the limit lap's top speeds.
    """
    drive = np.sqrt(np.median(events.drive.speed2, axis=0))
    slowest = [np.sqrt(np.median(each.speed2, axis=0)).min(initial=np.inf) for each in (events.lateral, events.pickup)]
    low, high = float(min(drive.min(), *slowest)), REACH * max(float(drive.max()), events.top_speed)
    every = events.engine.every  # whole multiples: knots begun at the slowest window would move with the choice of laps
    return every * np.arange(np.floor(low / every), np.ceil(max(high, low + 1.0) / every) + 1.0)


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


@dataclass(frozen=True, eq=False)
class _Expected:
    """Curve and drag before looking: how they fall and bend from knot to knot, and how far they may do otherwise."""

    knots: np.ndarray  #: (K,) [m/s]
    fall: np.ndarray  #: (K - 1,) [m/s²]
    bend: np.ndarray  #: (K - 2,) [m/s²]
    prior: EnginePrior

    @classmethod
    def of(cls, knots: np.ndarray, level: np.ndarray, v: np.ndarray, prior: EnginePrior) -> _Expected:
        """From the median level of pull and the speeds of the windows."""
        pull, speed = float(np.median(level)), float(np.median(v))
        power = pull * speed / knots[1:-1]
        return cls(
            knots,
            -POWER_FALL * pull * np.diff(knots) / speed,
            POWER_BEND * power * (np.diff(knots)[0] / knots[1:-1]) ** 2 * (knots[1:-1] > v.max()),
            prior,
        )

    @property
    def scale(self) -> float:
        """Of the bends, for knots of any distance: as of the integral of a random walk. [m/s²]"""
        return float(self.prior.bend * (np.diff(self.knots)[0] / self.prior.every) ** 1.5)

    def _excess(self, curve: np.ndarray) -> np.ndarray:
        """How much more the curve (K,) bends at each inner knot. [m/s²]"""
        return np.asarray(np.diff(curve, 2) - self.bend)

    def loose(self) -> np.ndarray:
        """Weights (K - 2,) of the bends to begin a climb with. [s⁴/m²]"""
        return np.full(self.bend.size, (self.prior.loose * self.scale) ** -2.0)

    def weights(self, curve: np.ndarray) -> np.ndarray:
        """Weights (K - 2,) of the bends about a curve (K,): Student's t as a mixture of normals (Lange, Little and
        Taylor 1989, doi:10.2307/2290063). [s⁴/m²]"""
        found: np.ndarray = (self.prior.freedom + 1.0) / (self.prior.freedom * self.scale**2 + self._excess(curve) ** 2)
        return found

    def normal(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Precision (K + 1, K + 1) and pull (K + 1,) of the log prior of curve and drag, with weights of the bends."""
        first, second = (np.diff(np.eye(self.knots.size), order, axis=0) for order in (1, 2))
        precision = np.zeros((self.knots.size + 1, self.knots.size + 1))
        precision[:-1, :-1] = (second.T * weights) @ second + first.T @ first / KNOT_FALL**2
        precision[-1, -1] = 1.0 / (DRAG_APART * LOAD_UNIT) ** 2
        pull = first.T @ self.fall / KNOT_FALL**2 + (second.T * weights) @ self.bend
        return precision, np.append(pull, DRAG_EXPECTED * LOAD_UNIT * precision[-1, -1])

    def log_prior(self, p: np.ndarray) -> float:
        """Of curve and drag (K + 1,), but for a constant."""
        bends = np.log1p(self._excess(p[:-1]) ** 2 / (self.prior.freedom * self.scale**2))
        falls = (np.diff(p[:-1]) - self.fall) / KNOT_FALL
        drag = (p[-1] / LOAD_UNIT - DRAG_EXPECTED) / DRAG_APART
        return float(-0.5 * ((self.prior.freedom + 1.0) * bends.sum() + np.sum(falls**2) + drag**2))


@dataclass(frozen=True, eq=False)
class Windows:
    """Levels of the windows under power in B draws of laps."""

    level: np.ndarray  #: (B, J) [m/s²]
    deviation: np.ndarray  #: (B, J) its standard error [m/s²]
    v: np.ndarray  #: (B, J) [m/s]
    load: np.ndarray  #: (B, J) mean square of the lateral acceleration [m²/s⁴]
    weight: np.ndarray  #: (B, J) how often each counts

    def design(self, knots: np.ndarray) -> np.ndarray:
        """(B, J, K + 1): level = design @ (curve at the knots, drag in `LOAD_UNIT`)."""
        return np.concatenate([hats(self.v, knots), -self.load[:, :, None] / LOAD_UNIT], axis=2)


def fit_curve(
    windows: Windows, knots: np.ndarray, begin: np.ndarray | None = None, prior: EnginePrior = ANY_THROTTLE
) -> tuple[np.ndarray, float]:
    """Engine curve at the knots, (K,), falling, and the cornering drag, of the first draw of `windows`.

    `begin` (K + 1,) is a curve with its drag to begin the climb from; without one it begins at each of `EDGES`, and the
    likeliest of the tops is kept.
    """
    level, v = windows.level[0], windows.v[0]
    error = np.hypot(windows.deviation[0], prior.floor)
    design, expected = windows.design(knots)[0], _Expected.of(knots, level, v, prior)
    if begin is None:
        normal = expected.normal(expected.loose())
        tops = np.array([_edge_of(share, design, level, *normal) for share in EDGES])
        normals = [normal] * len(EDGES)
    else:
        tops = (begin * np.append(np.ones(knots.size), LOAD_UNIT))[None]
        normals = [expected.normal(expected.weights(tops[0, :-1]))]
    lowest = np.append(np.full(knots.size, -np.inf), 0.0)
    levels, errors, designs, weights = (
        np.stack([each] * tops.shape[0]) for each in (level, error, design, windows.weight[0])
    )
    for weighed in range(1 if begin is not None else 1 + REWEIGHTS):
        if weighed:
            normals = [expected.normal(expected.weights(top[:-1])) for top in tops]
        precision, pull = (np.stack(part) for part in zip(*normals, strict=True))
        tops = climb(levels, errors, designs, tops, prior.windows, precision, lowest, pull, weights)
    told = [
        log_density(level - design @ top, error, prior.windows) @ windows.weight[0] + expected.log_prior(top)
        for top in tops
    ]
    best = tops[np.argmax(told)]
    return falling(best[None, :-1])[0], float(best[-1] / LOAD_UNIT)


def draw_curves(
    windows: Windows, knots: np.ndarray, curve: np.ndarray, drag: float, prior: EnginePrior = ANY_THROTTLE
) -> tuple[np.ndarray, np.ndarray]:
    """Engine curve of each draw at the knots, (B, K), falling, and the cornering drag (B,).

    Each is the fit's `curve` (K,) and `drag`, moved by hats about knots `DRAWN_EVERY` apart: where the gears change,
    all draws change them.
    """
    fit = np.append(curve, drag * LOAD_UNIT)
    count = max(2, 1 + int(np.ceil((knots[-1] - knots[0]) / DRAWN_EVERY)))
    moves = np.zeros((knots.size + 1, count + 1))
    moves[:-1, :-1] = hats(knots, np.linspace(knots[0], knots[-1], count))
    moves[-1, -1] = 1.0
    expected = _Expected.of(knots, windows.level, windows.v, prior)
    precision, pull = expected.normal(expected.weights(curve))
    design = windows.design(knots)
    moved = climb(
        windows.level,
        np.hypot(windows.deviation, prior.floor),
        design @ moves,
        np.zeros((windows.level.shape[0], count + 1)),
        prior.windows,
        moves.T @ precision @ moves,
        np.append(np.full(count, -np.inf), -fit[-1]),
        moves.T @ (pull - precision @ fit),
        windows.weight,
        design @ fit,
    )
    found = fit + moved @ moves.T
    return falling(found[:, :-1]), found[:, -1] / LOAD_UNIT
