"""Limits from events, for the laps as driven or for many resamplings of whole laps at once."""

from dataclasses import dataclass, field, replace

import numpy as np

from simlap.envelope import EXPONENT_RANGE
from simlap.envelope_belief import Belief, Growth, fit_pair
from simlap.envelope_combined import TRACTION_GROWTH, fit_exponent, fit_traction
from simlap.envelope_engine import ANY_THROTTLE, FULLY_OPEN, EnginePrior, Windows, draw_curves, engine_knots, fit_curve
from simlap.envelope_event_types import CombinedEvents, Events
from simlap.envelope_frontier import Mixture, hats, upper_levels
from simlap.envelope_packed import ENGINE_POINTS, ENVELOPE_SIZE, NO_SPEED_CAP, Packed
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
# A corner's level where neither track file nor sensor tells the banking: standard deviations as a share that are tried
# (0.03 is 1.7 degrees), and the chance of each before looking. Paths smoothed to half a Hertz scatter the levels as
# banking does, so that only clear evidence counts (DEVELOPERS.md).
BANKING_CHANCE = {0.0: 0.97, 0.01: 0.01, 0.02: 0.01, 0.03: 0.01}
# Then the middle of a cluster is wanted rather than its upper edge, and more of the corners are expected there. 0.6, as
# elsewhere, suits drivers with deficits better and drivers at the limit of a banked circuit worse (DEVELOPERS.md).
UNBANKED_EVENTS = Mixture(spike=0.75, shortfall=0.06, idle=0.3)


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
        pull = drive.value
        if start is not None:
            curve = hats(np.sqrt(drive.speed2), knots) @ start.engine[0] - start.cornering_drag[0] * drive.load
            pull = pull - curve + np.median(curve, axis=0)
        # at full throttle all laps pull alike: what is left between them is measurement, no driver's variation
        usual = np.full_like(self.quantile, 0.5)
        level, deviation, self.spread["engine"] = upper_levels(pull[self.laps], drive.noise, usual)
        self.levels["engine"] = level, deviation, v**2
        windows = Windows(level, deviation, v, load, self.weights(drive.count))
        if start is None or self.rng is None:
            begin = None if start is None else np.append(start.engine[0], start.cornering_drag[0])
            one, slowed = fit_curve(windows, knots, begin, self.events.engine)
            engine, drag = one[None], np.array([slowed])
        else:
            engine, drag = draw_curves(
                windows, knots, start.engine[0], float(start.cornering_drag[0]), self.events.engine
            )
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
