"""Limits from events, for the laps as driven or for many resamplings of whole laps at once."""

from dataclasses import dataclass, replace

import numpy as np

from simlap.envelope import ENGINE_POINTS, ENGINE_START, ENVELOPE_SIZE, EXPONENT_RANGE
from simlap.envelope_combined import LEVEL_FLOOR, TRACTION_GROWTH, fit_exponent, fit_traction
from simlap.envelope_events import CombinedEvents, Events
from simlap.envelope_frontier import Mixture, climb, falling, hats, log_density, upper_levels

# What to expect of corners and braking zones: half at the limit, of the others half about 6 % short.
LATERAL_EVENTS = Mixture(spike=0.6, shortfall=0.06, idle=0.3)
BRAKING_EVENTS = Mixture(spike=0.5, shortfall=0.06, idle=0.5)
# Errors that are the same in all laps and corners of an outing (a driver who is always a little short, the smoothing
# of peaks): standard deviations as shares of lateral, braking, traction and engine limits, and of the exponents. Set
# so that 90 % intervals hold the truth of seeded synthetic sessions in 80 to 97 % (tests/test_envelope_calibration.py).
DOUBT = np.array([0.001, 0.006, 0.02, 0.008])
EXPONENT_DOUBT = 0.055
# Left and right are told apart when that raises the log likelihood by half the 99.9 % point of chi-square with two
# degrees of freedom, each corner counting once, with so many corners on each side (fewer could just be driven worse);
# levels count as good to 1 % here (the smooth motion's ringing).
SIDE_GAIN, SIDE_CORNERS, SIDE_FLOOR = 6.91, 4, 0.01
# A corner's level where the track file states no banking: standard deviations as a share that are tried (0.03 is
# 1.7 degrees), and the chance of each before looking. A circuit that the levels show to be flat counts as flat.
BANKING_UNKNOWN = (0.0, 0.01, 0.02, 0.03)
BANKING_CHANCE = (0.4, 0.2, 0.2, 0.2)
# Then the cluster's centre is wanted, not its upper edge: more of the corners are expected there.
UNBANKED_EVENTS = Mixture(spike=0.85, shortfall=0.06, idle=0.5)
# Windows under power, in m/s²: some hold a gear change, a lift or traffic.
ENGINE_EVENTS = Mixture(spike=0.5, shortfall=0.3)
ENGINE_FLOOR = 0.03  # [m/s²]
# The v² term of a limit is expected to be positive and of this size at most (downforce); the prior is exponential.
GROWTH_SCALE = 0.0013  # [1/m]
# Downforce loads all tyres: braking and lateral limit are expected to grow in proportion, within this (drag adds to
# the braking).
GROWTH_APART, GROWTH_APART_SHARE = 0.0003, 0.2  # [1/m], share
# Chance that a limit does not grow with speed at all, before looking.
NO_GROWTH = 0.3
MOST_GROWTH = 6e-3  # [1/m] the largest growth that is tried
# Cells of the grids over level and growth; log likelihood below the best at which the coarse one is left out.
COARSE, FINE, FAINT = (120, 31), (81, 31), 9.0
# The windows of one corner share what the driver leaves there: together they count as their number to this power.
SHARED = 0.0
SPEED2_UNIT = 1000.0  # [m²/s²] v² is measured in this unit while fitting, so that parameters are of one size
# Distance of the engine curve's knots, and how far it may bend between neighbours (standard deviation).
KNOT_EVERY = 4.0  # [m/s]
KNOT_BEND = 0.2  # [m/s²]
# Cornering drag is expected to be of this size (standard deviation): a tyre at 5° of slip loses 9 % of its side force
# to drag, which at 10 m/s² is 0.009 s²/m. Lateral loads are measured in LOAD_UNIT while fitting.
DRAG_EXPECTED = 0.01  # [s²/m]
LOAD_UNIT = 100.0  # [m²/s⁴]


@dataclass(frozen=True, eq=False)
class EventSet:
    """All events of one table of laps."""

    lateral: Events
    braking: Events
    drive: Events
    trail: CombinedEvents
    pickup: CombinedEvents
    banking_known: bool


@dataclass(frozen=True, eq=False)
class Solution:
    """Limits for B draws."""

    lateral: np.ndarray  #: (B, 2 sides, 2)
    braking: np.ndarray  #: (B, 2)
    traction: np.ndarray  #: (B, 2)
    knots: np.ndarray  #: (K,) speeds of the engine curve [m/s]
    engine: np.ndarray  #: (B, K)
    cornering_drag: np.ndarray  #: (B,) [s²/m]
    exponent_braking: np.ndarray  #: (B,)
    exponent_drive: np.ndarray  #: (B,)
    lateral_turn: np.ndarray  #: (J,) side of each lateral event
    drive_load: np.ndarray  #: (J,) mean square of the lateral acceleration in each drive event [m²/s⁴]
    spread: dict[str, np.ndarray]  #: driver's own variation per limit, (B, J) [m/s²]
    levels: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]  #: level, deviation, v² per limit, (B, J)
    beliefs: "dict[str, Belief]"  #: of lateral 0, lateral 1 and braking, from the fit

    def packed(self) -> np.ndarray:
        """(B, ENVELOPE_SIZE) vectors in the order of `Envelope.unpack`."""
        out = np.zeros((self.braking.shape[0], ENVELOPE_SIZE))
        out[:, 0:2], out[:, 2:4] = self.lateral[:, 0], self.lateral[:, 1]
        out[:, 4:6], out[:, 6:8] = self.braking, self.traction
        out[:, 8], out[:, 9], out[:, 10] = self.exponent_braking, self.exponent_drive, self.cornering_drag
        step = self.knots[-1] / (ENGINE_POINTS - 1)
        out[:, 11] = step
        out[:, ENGINE_START:] = self.engine @ hats(step * np.arange(ENGINE_POINTS), self.knots).T
        return out


def engine_knots(events: Events) -> np.ndarray:
    """Uniform speeds over the range of the drive events [m/s]."""
    v = np.sqrt(np.median(events.speed2, axis=0))
    low, high = float(v.min()), float(v.max())
    count = max(2, 1 + int(np.ceil((high - low) / KNOT_EVERY)))
    return np.linspace(low, max(high, low + 1.0), count)


def solve(
    events: EventSet,
    laps: np.ndarray,
    quantile: np.ndarray,
    start: Solution | None = None,
    *,
    sides: bool = False,
    rng: np.random.Generator | None = None,
) -> Solution:
    """Limits of each draw of `laps` (B, m indices) at `quantile` (B,).

    `start` is the solution to begin from; `sides` fits left and right turns apart; with `rng` the events, too, count
    with random weights (Bayesian bootstrap, Rubin 1981, doi:10.1214/aos/1176345338): what one corner's surface or the
    ringing of the smooth motion adds is the same on every lap, and resampling laps alone does not show it.
    """
    spread: dict[str, np.ndarray] = {}
    levels: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
    beliefs: dict[str, Belief] = {}

    def weights(count: int) -> np.ndarray:
        shape = (laps.shape[0], count)
        return np.ones(shape) if rng is None else rng.standard_exponential(shape)

    def pair(
        name: str, found: Events, keep: np.ndarray, begin: np.ndarray | None, growth: Growth, mixture: Mixture, key: str
    ) -> np.ndarray:
        z = np.median(found.speed2[laps], axis=1)
        level, deviation, spread[name] = upper_levels(_at_middle(found, laps, begin), found.noise, quantile)
        _, number, count = np.unique(found.stretch, return_inverse=True, return_counts=True)
        weight = weights(count.size)[:, number] * count[number] ** (SHARED - 1.0)
        levels[name] = level, deviation, z
        belief = None if start is None or rng is None else start.beliefs[key]
        if name == "braking" or events.banking_known:
            banking: tuple[float, ...] = (0.0,)
        else:
            banking = BANKING_UNKNOWN if belief is None else (belief.banking,)
        best: tuple[np.ndarray, Belief] | None = None
        for share, chance in zip(banking, BANKING_CHANCE, strict=False):
            doubted = np.hypot(deviation, np.median(level) * share)
            kind = mixture if share == 0.0 else UNBANKED_EVENTS
            limits, found_belief = fit_pair(
                level[:, keep], doubted[:, keep], z[:, keep], belief, growth, weight[:, keep], kind, rng
            )
            if belief is None:
                found_belief = replace(found_belief, banking=share, evidence=found_belief.evidence + np.log(chance))
            if best is None or found_belief.evidence > best[1].evidence:
                best = limits, found_belief
        assert best is not None
        beliefs[key] = best[1]
        return best[0]

    turns, zones, drive = events.lateral, events.braking, events.drive
    groups = [turns.turn >= 0, turns.turn < 0] if sides else [np.ones(turns.count, dtype=bool)] * 2
    every = [np.ones(found.count, dtype=bool) for found in (turns, zones)]
    begin_lateral = [None if start is None else start.lateral[0, side] for side in (0, 1)]
    begin_braking = None if start is None else start.braking[0]
    beside = {"lateral": Growth(), "braking": Growth()}
    if rng is None:  # each limit alone first: what it tells of growth with speed goes into the other
        pair("lateral", turns, every[0], begin_lateral[0], Growth(), LATERAL_EVENTS, "lateral 0")
        pair("braking", zones, every[1], begin_braking, Growth(), BRAKING_EVENTS, "braking")
        typical = {name: float(np.median(levels[name][0])) for name in beside}
        beside = {
            "lateral": Growth.like(beliefs["braking"], typical["lateral"]),
            "braking": Growth.like(beliefs["lateral 0"], typical["braking"]),
        }
    fitted = [
        pair("lateral", turns, keep, begin_lateral[side], beside["lateral"], LATERAL_EVENTS, f"lateral {side}")
        for side, keep in enumerate(groups[: 2 if sides else 1])
    ]
    lateral = np.stack([fitted[0], fitted[-1]], axis=1)
    braking = pair("braking", zones, every[1], begin_braking, beside["braking"], BRAKING_EVENTS, "braking")

    knots = engine_knots(drive) if start is None else start.knots
    v = np.sqrt(np.median(drive.speed2[laps], axis=1))
    load = np.median(drive.load[laps], axis=1)
    pull, begin = drive.value, None
    if start is not None:
        curve = hats(np.sqrt(drive.speed2), knots) @ start.engine[0] - start.cornering_drag[0] * drive.load
        pull = pull - curve + np.median(curve, axis=0)
        begin = np.append(start.engine[0], start.cornering_drag[0])
    level, deviation, spread["engine"] = upper_levels(pull[laps], drive.noise, quantile)
    levels["engine"] = level, deviation, v**2
    engine, drag = fit_curve(level, deviation, v, knots, begin, load, weights(drive.count))

    exponent_braking = fit_exponent(events.trail, laps, quantile, lateral, braking, weights(events.trail.count))
    ratio, exponent_drive = fit_traction(
        events.pickup, laps, quantile, lateral, braking, knots, engine, drag, weights(events.pickup.count)
    )
    traction = braking * ratio[:, None] * np.array([1.0, TRACTION_GROWTH])
    return Solution(
        lateral, braking, traction, knots, engine, drag, exponent_braking, exponent_drive,
        turns.turn, load[0], spread, levels, beliefs,
    )  # fmt: skip


def with_doubt(packed: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draws (B, ENVELOPE_SIZE) with the errors that no resampling of one outing shows."""
    out = np.array(packed)
    lateral, braking, traction, engine = np.exp(rng.standard_normal((4, packed.shape[0], 1)) * DOUBT[:, None, None])
    out[:, 0:4] *= lateral
    out[:, 4:6] *= braking
    out[:, 6:8] *= traction
    out[:, ENGINE_START:] *= engine
    out[:, 8:10] += rng.standard_normal((packed.shape[0], 2)) * EXPONENT_DOUBT
    out[:, 8:10] = np.clip(out[:, 8:10], *EXPONENT_RANGE)
    return out


def sides_differ(found: Events, solution: Solution) -> bool:
    """Likelihood ratio test at 0.1 %: do left and right turns need limits of their own?"""
    left = found.turn >= 0
    corners = [np.unique(found.stretch[keep]).size for keep in (left, ~left)]
    if min(corners) < SIDE_CORNERS:
        return False
    per_corner = found.count / sum(corners)
    level, deviation, z = (part[:1] for part in solution.levels["lateral"])
    deviation = np.hypot(deviation, (SIDE_FLOOR**2 - LEVEL_FLOOR**2) ** 0.5 * level)
    scale = float(np.median(level))
    kind = replace(LATERAL_EVENTS, shortfall=LATERAL_EVENTS.shortfall * scale)

    def score(keep: np.ndarray) -> float:
        part = level[:, keep], deviation[:, keep], z[:, keep]
        pair, _ = fit_pair(*part, None, Growth(), np.ones_like(part[0]), LATERAL_EVENTS)
        error = np.hypot(part[1], LEVEL_FLOOR * scale)
        return float(log_density(part[0] - pair[:, :1] - pair[:, 1:] * part[2], error, kind).sum())

    gain = score(left) + score(~left) - score(np.ones(left.size, dtype=bool))
    return bool(gain / per_corner > SIDE_GAIN)


def _at_middle(found: Events, laps: np.ndarray, begin: np.ndarray | None) -> np.ndarray:
    """Values (B, m, J) carried to the median lap's speed along the limit's own growth with v²."""
    if begin is None:
        return found.value[laps]
    shape = begin[0] + begin[1] * found.speed2
    return (found.value / shape * np.median(shape, axis=0))[laps]


@dataclass(frozen=True)
class Growth:
    """What is expected of a limit's v² term before looking [1/m]: none, or exponential; and near another limit's."""

    beside: tuple[float, float] | None = None  #: expected value and standard deviation that another limit tells

    @classmethod
    def like(cls, other: "Belief", limit: float) -> "Growth":
        """Of a limit of about `limit` m/s² when another has shown how the car grows with speed."""
        mean, deviation = other.growth()
        scale = limit / other.mean()[0]
        apart = GROWTH_APART + GROWTH_APART_SHARE * mean * scale
        return cls((mean * scale, float(np.hypot(deviation * scale, apart))))

    def log_prior(self, c1: np.ndarray, step: float) -> np.ndarray:
        """Log of the prior mass in a cell of width `step` around each v² term (in `SPEED2_UNIT`), up to a constant."""
        scale = GROWTH_SCALE * SPEED2_UNIT
        mass = (1.0 - NO_GROWTH) * step / scale * np.exp(-c1 / scale)
        out = np.log(np.where(c1 == 0.0, NO_GROWTH + 0.5 * mass, mass))
        if self.beside is not None:
            out -= 0.5 * ((c1 / SPEED2_UNIT - self.beside[0]) / self.beside[1]) ** 2
        return out

    def terms(self) -> tuple[np.ndarray, np.ndarray]:
        """Precision (2, 2) and slope (2,) of the log prior over (level, v² term in `SPEED2_UNIT`)."""
        pull = np.array([0.0, -1.0 / (GROWTH_SCALE * SPEED2_UNIT)])
        if self.beside is None:
            return np.zeros((2, 2)), pull
        precision = 1.0 / (self.beside[1] * SPEED2_UNIT) ** 2
        pull[1] += self.beside[0] * SPEED2_UNIT * precision
        return np.diag([0.0, precision]), pull


def fit_pair(
    level: np.ndarray,
    deviation: np.ndarray,
    z: np.ndarray,
    belief: "Belief | None",
    growth: Growth,
    weight: np.ndarray,
    mixture: Mixture,
    rng: np.random.Generator | None = None,
) -> tuple[np.ndarray, "Belief"]:
    """(c0, c1) of each draw, (B, 2), and what is believed of them; `weight` (B, J) is how often each event counts.

    Without a belief there is one draw, and its limits are the posterior mean over a grid. Draws begin at limits drawn
    from the belief of the fit, each in its own basin, and climb from there.
    """
    scale = float(np.mean(np.median(level, axis=1)))
    error = np.sqrt(deviation**2 + (LEVEL_FLOOR * scale) ** 2)
    kind = replace(mixture, shortfall=mixture.shortfall * scale)
    if belief is None or rng is None:
        middle = float(np.mean(z))
        design = np.stack([np.ones_like(z), (z - middle) / SPEED2_UNIT], axis=2)
        belief = _believe(level[0], error[0], design[0], weight[0], kind, growth, middle)
        mean = belief.mean()
        return np.array([[mean[0] - mean[1] * middle / SPEED2_UNIT, mean[1] / SPEED2_UNIT]]), belief
    design = np.stack([np.ones_like(z), (z - belief.middle) / SPEED2_UNIT], axis=2)
    precision, pull = belief.expected.terms()
    begin = belief.points[rng.choice(belief.chance.size, size=level.shape[0], p=belief.chance)]
    free = climb(level, error, design, begin, kind, precision, np.zeros(2), pull, weight)
    flat = climb(level, error, design[:, :, :1], begin[:, :1], kind, np.zeros((1, 1)), np.zeros(1), None, weight)
    constant = begin[:, 1] == 0.0
    c1 = np.where(constant, 0.0, free[:, 1] / SPEED2_UNIT)
    return np.stack([np.where(constant, flat[:, 0], free[:, 0]) - c1 * belief.middle, c1], axis=1), belief


@dataclass(frozen=True, eq=False)
class Belief:
    """Posterior over (level at the middle speed, v² term in `SPEED2_UNIT`), on a grid."""

    points: np.ndarray  #: (K, 2)
    chance: np.ndarray  #: (K,), sums to 1
    middle: float  #: v² at which the level is taken [m²/s²]
    evidence: float  #: log of the mean likelihood under the prior
    expected: Growth  #: what was expected of the v² term before looking
    banking: float = 0.0  #: standard deviation of a corner's level that unknown banking makes, as a share

    def mean(self) -> np.ndarray:
        """Posterior mean, (2,)."""
        return np.asarray(self.chance @ self.points)

    def growth(self) -> tuple[float, float]:
        """Mean and standard deviation of the v² term [1/m]."""
        c1 = self.points[:, 1] / SPEED2_UNIT
        mean = float(self.chance @ c1)
        return mean, float(np.sqrt(max(self.chance @ (c1 - mean) ** 2, 0.0)))


def _believe(
    level: np.ndarray,
    error: np.ndarray,
    design: np.ndarray,
    weight: np.ndarray,
    kind: Mixture,
    growth: Growth,
    middle: float,
) -> Belief:
    """Posterior on a coarse grid, then on a fine one where the coarse one lies."""
    a = np.linspace(0.8 * level.min(), 1.1 * level.max(), COARSE[0])
    c1 = np.linspace(0.0, MOST_GROWTH * SPEED2_UNIT, COARSE[1])
    for last in (False, True):
        limit = a[:, None, None] + c1[None, :, None] * design[:, 1]
        score = (log_density(level - limit, error, kind) * weight).sum(axis=2)
        step = c1[1] - c1[0]
        value = score + growth.log_prior(c1, step)
        if last:
            break
        near = value > value.max() - FAINT
        rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
        a = np.linspace(a[max(rows[0] - 1, 0)], a[min(rows[-1] + 1, a.size - 1)], FINE[0])
        c1 = np.linspace(c1[max(columns[0] - 1, 0)], c1[min(columns[-1] + 1, c1.size - 1)], FINE[1])
    top = float(value.max())
    chance = np.exp(value - top)
    total = float(chance.sum())
    evidence = top + np.log(total * (a[1] - a[0]))
    points = np.column_stack([np.repeat(a, c1.size), np.tile(c1, a.size)])
    return Belief(points, (chance / total).ravel(), middle, evidence, growth)


def fit_curve(
    level: np.ndarray,
    deviation: np.ndarray,
    v: np.ndarray,
    knots: np.ndarray,
    begin: np.ndarray | None,
    load: np.ndarray,
    weight: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Engine curve of each draw at the knots, (B, K), falling, and the cornering drag (B,).

    `load` (B, J) is the mean square of the lateral acceleration, `weight` (B, J) how often each event counts.
    """
    error = np.sqrt(deviation**2 + ENGINE_FLOOR**2)
    design = np.concatenate([hats(v, knots), -load[:, :, None] / LOAD_UNIT], axis=2)
    second = np.hstack([np.diff(np.eye(knots.size), 2, axis=0), np.zeros((knots.size - 2, 1))])
    precision = second.T @ second / KNOT_BEND**2
    precision[-1, -1] = 1.0 / (DRAG_EXPECTED * LOAD_UNIT) ** 2
    if begin is None:
        start = np.linalg.lstsq(
            np.vstack([design[0, :, :-1], second[:, :-1] * 0.5]),
            np.concatenate([level[0], np.zeros(second.shape[0])]),
            rcond=None,
        )[0]
        start = np.append(start, 0.0)
    else:
        start = begin * np.append(np.ones(knots.size), LOAD_UNIT)
    lowest = np.append(np.full(knots.size, -np.inf), 0.0)
    start = np.broadcast_to(start, (level.shape[0], knots.size + 1))
    p = climb(level, error, design, start, ENGINE_EVENTS, precision, lowest, None, weight)
    return falling(p[:, :-1]), p[:, -1] / LOAD_UNIT
