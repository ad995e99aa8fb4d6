"""Limits from events, for the laps as driven or for many resamplings of whole laps at once."""

from dataclasses import dataclass, field, replace

import numpy as np

from simlap.envelope import ENGINE_POINTS, ENVELOPE_SIZE, EXPONENT_RANGE, NO_SPEED_CAP, Packed
from simlap.envelope_belief import SPEED2_UNIT, Belief, Growth, fit_pair
from simlap.envelope_combined import LEVEL_FLOOR, TRACTION_GROWTH, fit_exponent, fit_traction
from simlap.envelope_events import CombinedEvents, Events
from simlap.envelope_frontier import Mixture, at_limit_chance, climb, falling, hats, log_density, upper_levels
from simlap.envelope_samples import DRAG, FREE_SLOWING
from simlap.units import G

# What to expect of corners and braking zones: half at the limit, of the others half about 6 % short.
LATERAL_EVENTS = Mixture(spike=0.6, shortfall=0.06, idle=0.3)
# A corner taken flat is hardly ever at the tyres' limit too: it shows that they hold as much, and no more.
FLAT_EVENTS = Mixture(spike=0.05, shortfall=0.06, idle=0.9)
BRAKING_EVENTS = Mixture(spike=0.5, shortfall=0.06, idle=0.5)
# Errors that are the same in all laps and corners of an outing (a driver who is always a little short, the smoothing
# of peaks, a car whose form differs from the model's): standard deviations as shares of lateral, braking, traction and
# engine limits, and of the exponents. Set so that 90 % intervals hold the truth of seeded synthetic sessions in 80 to
# 97 % (tests/test_envelope_calibration.py) and, the lateral one, of the cars of other simulators (DEVELOPERS.md).
DOUBT = np.array([0.005, 0.006, 0.02, 0.008])
EXPONENT_DOUBT = 0.055
# The driver's variation from lap to lap is read from events whose median is so near to the limit; before there is one,
# to the level that this share of them stays below.
NEAR, HIGHEST = 0.03, 0.9
# Left and right are told apart when one factor between them raises the log likelihood by half the 99.9 % point of
# chi-square with one degree of freedom, each corner counting once, with so many corners on each side (fewer could just
# be driven worse) and so many of them at its limit; levels count as good to 1 % here (the smooth motion's ringing).
# The factors that are tried, each from these shares of the common limit; downforce knows no side, so that both grow
# with speed alike, within this share.
SIDE_GAIN, SIDE_CORNERS, SIDE_REACHED, SIDE_FLOOR = 5.41, 4, 3, 0.01
SIDE_FACTORS, SIDE_STARTS, SIDE_GROWTH = 1.0 + 0.01 * np.arange(-15, 16), (0.98, 1.0), 0.1
LEAST_APART = 2e-5  # [1/m]
# A corner's level where the track file states no banking: standard deviations as a share that are tried (0.03 is
# 1.7 degrees), and the chance of each before looking. A circuit that the levels show to be flat counts as flat.
BANKING_CHANCE = {0.0: 0.4, 0.01: 0.2, 0.02: 0.2, 0.03: 0.2}
# Then the middle of a cluster is wanted rather than its upper edge, and more of the corners are expected there. 0.6, as
# elsewhere, suits drivers with deficits better and drivers at the limit of a banked circuit worse (DEVELOPERS.md).
UNBANKED_EVENTS = Mixture(spike=0.75, shortfall=0.06, idle=0.3)


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
# ... up to this many times the fastest drive window's speed.
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


@dataclass(frozen=True, eq=False)
class EventSet:
    """All events of one table of laps."""

    lateral: Events
    braking: Events
    drive: Events
    trail: CombinedEvents
    pickup: CombinedEvents
    banking_known: bool
    top_speed: float  #: of the median lap [m/s]
    banking_doubt: float = 0.0  #: standard deviation of the banking that is known [rad]
    speed_cap: float | None = None  #: speed that the car does not pass, though it still pulls just below [m/s]
    throttle_logged: bool = False  #: `drive` holds stretches of full throttle

    @property
    def engine(self) -> EnginePrior:
        """What is expected of the engine curve."""
        return FULLY_OPEN if self.throttle_logged else ANY_THROTTLE


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
    beliefs: dict[str, Belief]  #: of lateral 0, lateral 1 and braking, from the fit
    speed_cap: float | None = None  #: [m/s]

    def packed(self) -> np.ndarray:
        """(B, ENVELOPE_SIZE) vectors in the order of `Envelope.unpack`."""
        out = np.zeros((self.braking.shape[0], ENVELOPE_SIZE))
        out[:, Packed.LEFT], out[:, Packed.RIGHT] = self.lateral[:, 0], self.lateral[:, 1]
        out[:, Packed.BRAKING], out[:, Packed.TRACTION] = self.braking, self.traction
        out[:, Packed.EXPONENT_BRAKING], out[:, Packed.EXPONENT_DRIVE] = self.exponent_braking, self.exponent_drive
        out[:, Packed.CORNERING_DRAG] = self.cornering_drag
        step = self.knots[-1] / (ENGINE_POINTS - 1)
        out[:, Packed.ENGINE_STEP] = step
        out[:, Packed.SPEED_CAP] = NO_SPEED_CAP if self.speed_cap is None else self.speed_cap
        out[:, Packed.DRAG] = DRAG
        out[:, Packed.ENGINE] = self.engine @ hats(step * np.arange(ENGINE_POINTS), self.knots).T
        return out


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


def solve(
    events: EventSet,
    laps: np.ndarray,
    quantile: np.ndarray,
    start: Solution | None = None,
    *,
    sides: Growth | None = None,
    rng: np.random.Generator | None = None,
) -> Solution:
    """Limits of each draw of `laps` (B, m indices) at `quantile` (B,).

    `start` is the solution to begin from; `sides` fits left and right turns apart, with that growth; with `rng` the
    events, too, count with random weights (Bayesian bootstrap, Rubin 1981, doi:10.1214/aos/1176345338): what one
    corner's surface or the ringing of the smooth motion adds is the same on every lap, and resampling laps alone does
    not show it.
    """
    draws = _Draws(events, laps, quantile, start, rng)
    lateral, braking = draws.pure_limits(sides)
    curve = draws.engine_curve()
    tyres = braking - np.array(DRAG[:2])
    exponent_braking = fit_exponent(events.trail, laps, quantile, lateral, tyres, draws.weights(events.trail.count))
    ratio, exponent_drive = fit_traction(
        events.pickup,
        laps,
        quantile,
        lateral,
        braking,
        curve.knots,
        curve.engine,
        curve.drag,
        curve.slowest,
        draws.weights(events.pickup.count),
    )
    traction = braking * ratio[:, None] * np.array([1.0, TRACTION_GROWTH])
    return Solution(
        lateral, braking, traction, curve.knots, curve.engine, curve.drag, exponent_braking, exponent_drive,
        events.lateral.turn, curve.load[0], draws.spread, draws.levels, draws.beliefs, events.speed_cap,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Curve:
    """The engine of B draws."""

    knots: np.ndarray  #: (K,) [m/s]
    engine: np.ndarray  #: (B, K) [m/s²]
    drag: np.ndarray  #: (B,) of the cornering [s²/m]
    load: np.ndarray  #: (B, J) mean square of the lateral acceleration in each drive event [m²/s⁴]
    slowest: float  #: of the events driven at full throttle, infinite where there is none [m/s]


@dataclass(eq=False)
class _Draws:
    """Draws of laps on the way to their `Solution`: what is found of one limit is kept for the next."""

    events: EventSet
    laps: np.ndarray  #: (B, m) indices
    quantile: np.ndarray  #: (B,)
    start: Solution | None
    rng: np.random.Generator | None
    spread: dict[str, np.ndarray] = field(default_factory=dict)
    levels: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]] = field(default_factory=dict)
    beliefs: dict[str, Belief] = field(default_factory=dict)

    def weights(self, count: int) -> np.ndarray:
        """How often each of `count` events counts in each draw, (B, count)."""
        shape = (self.laps.shape[0], count)
        return np.ones(shape) if self.rng is None else self.rng.standard_exponential(shape)

    def pure_limits(self, sides: Growth | None) -> tuple[np.ndarray, np.ndarray]:
        """Lateral limits (B, 2 sides, 2) and braking limits (B, 2)."""
        beside = {"lateral": Growth(), "braking": Growth()}
        if self.rng is None:  # each limit alone first: what it tells of growth with speed goes into the other
            self._lateral(0, None, Growth())
            self._braking(Growth())
            typical = {name: float(np.median(self.levels[name][0])) for name in beside}
            beside = {
                "lateral": Growth.like(self.beliefs["braking"], typical["lateral"], -FREE_SLOWING[1]),
                "braking": Growth.like(self.beliefs["lateral 0"], typical["braking"], FREE_SLOWING[1]),
            }
        turn = self.events.lateral.turn
        groups = [None] if sides is None else [turn >= 0, turn < 0]
        fitted = [self._lateral(side, keep, sides or beside["lateral"]) for side, keep in enumerate(groups)]
        return np.stack([fitted[0], fitted[-1]], axis=1), self._braking(beside["braking"])

    def _lateral(self, side: int, keep: np.ndarray | None, growth: Growth) -> np.ndarray:
        begin = None if self.start is None else self.start.lateral[0, side]
        return self._pair("lateral", self.events.lateral, keep, begin, growth, LATERAL_EVENTS, f"lateral {side}")

    def _braking(self, growth: Growth) -> np.ndarray:
        begin = None if self.start is None else self.start.braking[0]
        return self._pair("braking", self.events.braking, None, begin, growth, BRAKING_EVENTS, "braking")

    def _pair(
        self,
        name: str,
        found: Events,
        keep: np.ndarray | None,
        begin: np.ndarray | None,
        growth: Growth,
        mixture: Mixture,
        key: str,
    ) -> np.ndarray:
        """Limit (B, 2) of the events `keep` (J,), all without it; `begin` is the pair to begin from, `key` the name of
        the belief."""
        keep = np.ones(found.count, dtype=bool) if keep is None else keep
        z = np.median(found.speed2[self.laps], axis=1)
        values = _at_middle(found, self.laps, begin)
        near = _nearness(values, z, begin)
        level, deviation, self.spread[name] = upper_levels(values, found.noise, self.quantile, near)
        _, number, count = np.unique(found.stretch, return_inverse=True, return_counts=True)
        # the windows of one corner share what the driver leaves there: together they count as one
        weight = self.weights(count.size)[:, number] / count[number]
        self.levels[name] = level, deviation, z
        belief = None if self.start is None or self.rng is None else self.start.beliefs[key]
        if name == "lateral":  # d(lateral) / d(bank) = g + a_lat² / g
            deviation = np.hypot(deviation, (G + level**2 / G) * self.events.banking_doubt)
        flat = None if found.flat is None else found.flat[keep]
        if belief is not None:
            shares = [belief.banking]
        elif name == "braking" or self.events.banking_known:
            shares = [0.0]
        else:
            shares = list(BANKING_CHANCE)
        tried = []
        for share in shares:
            doubted = np.hypot(deviation, np.median(level) * share)
            kind = with_flat(mixture if share == 0.0 else UNBANKED_EVENTS, flat)
            limits, believed = fit_pair(
                level[:, keep], doubted[:, keep], z[:, keep], belief, growth, weight[:, keep], kind, self.rng
            )
            tried.append((limits, replace(believed, banking=share)))
        limits, self.beliefs[key] = max(tried, key=lambda one: one[1].evidence + np.log(BANKING_CHANCE[one[1].banking]))
        return limits

    def engine_curve(self) -> _Curve:
        """Engine curve and cornering drag, from the windows under power."""
        drive, start = self.events.drive, self.start
        knots = engine_knots(self.events) if start is None else start.knots
        v = np.sqrt(np.median(drive.speed2[self.laps], axis=1))
        load = np.median(drive.load[self.laps], axis=1)
        pull, begin = drive.value, None
        if start is not None:
            curve = hats(np.sqrt(drive.speed2), knots) @ start.engine[0] - start.cornering_drag[0] * drive.load
            pull = pull - curve + np.median(curve, axis=0)
            begin = np.append(start.engine[0], start.cornering_drag[0])
        # at full throttle all laps pull alike: what is left between them is measurement, no driver's variation
        usual = np.full_like(self.quantile, 0.5)
        level, deviation, self.spread["engine"] = upper_levels(pull[self.laps], drive.noise, usual)
        self.levels["engine"] = level, deviation, v**2
        weight = self.weights(drive.count)
        engine, drag = fit_curve(level, deviation, v, knots, begin, load, weight, self.events.engine)
        slowest = float(np.min(v, where=~drive.opened, initial=np.inf))
        return _Curve(knots, engine, drag, load, slowest)


def with_doubt(packed: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draws (B, ENVELOPE_SIZE) with the errors that no resampling of one outing shows."""
    out = np.array(packed)
    lateral, braking, traction, engine = np.exp(rng.standard_normal((4, packed.shape[0], 1)) * DOUBT[:, None, None])
    out[:, Packed.LATERAL] *= lateral
    out[:, Packed.BRAKING] *= braking
    out[:, Packed.TRACTION] *= traction
    out[:, Packed.ENGINE] *= engine
    out[:, Packed.EXPONENTS] += rng.standard_normal((packed.shape[0], 2)) * EXPONENT_DOUBT
    out[:, Packed.EXPONENTS] = np.clip(out[:, Packed.EXPONENTS], *EXPONENT_RANGE)
    return out


def with_flat(usual: Mixture, flat: np.ndarray | None) -> Mixture:
    """What is expected of each event before looking, those taken `flat` (J,) told from the others."""
    return usual if flat is None else usual.where(~flat, FLAT_EVENTS)


def sides_differ(found: Events, solution: Solution) -> Growth | None:
    """Likelihood ratio test at 0.1 %: do left and right turns need limits of their own? None: no; else what is
    expected of how both grow with speed."""
    left = found.turn >= 0
    sides = [found.stretch[keep] for keep in (left, ~left)]
    corners = [np.unique(side).size for side in sides]
    if min(corners) < SIDE_CORNERS:
        return None
    per_corner = found.count / sum(corners)
    level, deviation, z = (part[:1] for part in solution.levels["lateral"])
    deviation = np.hypot(deviation, (SIDE_FLOOR**2 - LEVEL_FLOOR**2) ** 0.5 * level)
    scale = float(np.median(level))
    expected = with_flat(LATERAL_EVENTS, found.flat)
    kind = replace(expected, shortfall=expected.shortfall * scale)
    _, belief = fit_pair(level, deviation, z, None, Growth(), np.ones_like(level), expected)
    factor, start = (each.ravel() for each in np.meshgrid(SIDE_FACTORS, SIDE_STARTS))
    by = np.where(left, 1.0, factor[:, None])
    levels, error = level * by, np.hypot(deviation * by, LEVEL_FLOOR * scale)
    design = np.stack([np.ones_like(by), np.broadcast_to((z - belief.middle) / SPEED2_UNIT, by.shape)], axis=2)
    begin = start[:, None] * belief.points[np.argmax(belief.chance)]
    precision, pull = Growth().terms()
    tops = climb(levels, error, design, begin, kind, precision, np.zeros(2), pull, np.ones_like(by))
    residual = levels - np.einsum("bjk,bk->bj", design, tops)
    score = np.sum(log_density(residual, error, kind) + np.log(by), axis=1)
    best = int(np.argmax(score))
    gain = score[best] - np.max(score[factor == 1.0])
    reached = at_limit_chance(residual, error, kind)[best] > 0.5
    at_limit = [np.unique(side[reached[keep]]).size for side, keep in zip(sides, (left, ~left), strict=True)]
    if min(at_limit) < SIDE_REACHED or gain / per_corner < SIDE_GAIN:
        return None
    growth = float(tops[best, 1]) / SPEED2_UNIT
    return Growth((growth, SIDE_GROWTH * growth + LEAST_APART))


def _at_middle(found: Events, laps: np.ndarray, begin: np.ndarray | None) -> np.ndarray:
    """Values (B, m, J) carried to the median lap's speed along the limit's own growth with v²."""
    if begin is None:
        return found.value[laps]
    shape = begin[0] + begin[1] * found.speed2
    return (found.value / shape * np.median(shape, axis=0))[laps]


def _nearness(values: np.ndarray, z: np.ndarray, begin: np.ndarray | None) -> np.ndarray:
    """How much each event (B, J) tells of the driver's variation at the limit; values (B, m, J), v² (B, J)."""
    middle = np.median(values, axis=1)
    if begin is None:  # nothing but the highest events tells of the limit yet
        limit, reach = np.quantile(middle, HIGHEST, axis=1, keepdims=True), 2.0 * NEAR
    else:
        limit, reach = begin[0] + begin[1] * z, NEAR
    return np.asarray(np.exp(-0.5 * (np.maximum(1.0 - middle / limit, 0.0) / reach) ** 2))


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
