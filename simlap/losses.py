"""Three ledgers of loss: lost here, caused here, gain if fixed alone.

All three compare what was driven with the limit profile of one envelope on one path, phase by phase. A lap is
brought to the common path by its times at the common stations: its speed there is path length per time, so that
its lap time is kept to the last digit whatever line was driven.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simlap.errors import NotEnoughData
from simlap.frozen import own
from simlap.line import Line
from simlap.solver import StationLimits, solve_batch
from simlap.zones import Zone

BRAKING, MID_CORNER, EXIT = 0, 1, 2
PHASE_NAMES = ("braking", "mid_corner", "exit")
PHASES = len(PHASE_NAMES)
REPLACE, AT_LEAST = 1, 2  # modes of StationLimits.own_*
# In a corner that the limit takes flat, a driver who speeds up less than the limit by this much for this long holds
# the speed; a gear change at full throttle takes a third of the time.
HELD_BACK, HELD_TIME = 0.4, 1.0  # [m/s²], [s]
# A driver who gains at least this all the way but for a gear change (at most this long, and this share of the way)
# speeds up through mid-corner.
SPEEDS_UP, GEAR_CHANGE, MOSTLY = 0.5, 0.4, 0.15  # [m/s²], [s], share
# A driver who slows in a braking phase by less than this share of the own braking there coasts.
COASTS = 0.35
# Brakes that are this much weaker in a phase than on the rest of the lap were not used there.
UNUSED = 0.4
# A driver whose speed rises by this much before the limit's braking is over has slowed too much.
SLOWED_BELOW = 0.3  # [m/s]
UNBOUND = 1.0e3  # [m/s] a speed cap that no road car reaches: "no cap"


@dataclass(frozen=True, eq=False)
class PhaseMap:
    """Which phase each station (and the path from it to the next one) belongs to.

    Phase ``3 * corner + k`` is braking, mid-corner, exit for k = 0, 1, 2; phases may be empty.
    """

    phase: np.ndarray  #: phase of each station, int, shape (n,)
    order: np.ndarray  #: all phases in track order from the start line, int, shape (p,)
    limit_a: np.ndarray | None = None  #: acceleration of the limit profile, shape (n,) [m/s²]

    def __post_init__(self) -> None:
        own(self, "phase", "order", dtype=int)
        own(self, "limit_a")

    @property
    def count(self) -> int:
        """Number of phases, three for each corner."""
        return int(self.order.size)

    @property
    def kind(self) -> np.ndarray:
        """BRAKING, MID_CORNER or EXIT at each station, shape (n,)."""
        return self.phase % PHASES

    @property
    def flat(self) -> np.ndarray:
        """Whether each corner has a mid-corner phase alone: the limit profile takes it flat. Bool, (corners,)."""
        sizes = np.bincount(self.phase, minlength=self.count).reshape(-1, PHASES)
        return (sizes[:, BRAKING] == 0) & (sizes[:, EXIT] == 0)

    @cached_property
    def stretches(self) -> tuple[np.ndarray, ...]:
        """Stations of each phase in driving order; asked for by every draw."""
        return tuple(self.stretch(phase) for phase in range(self.count))

    def stretch(self, *phases: int) -> np.ndarray:
        """Stations of a phase, or of neighbouring ones, in driving order, also where they cross the start line."""
        where = np.flatnonzero(np.isin(self.phase, phases))
        gaps = np.flatnonzero(np.diff(where) > 1)
        return np.roll(where, -(gaps[0] + 1)) if gaps.size else where

    def sums(self, per_station: np.ndarray) -> np.ndarray:
        """Sum `per_station` (..., n) over the stations of each phase; returns (..., p)."""
        flat = np.atleast_2d(per_station)
        out = np.zeros((flat.shape[0], self.count))
        for row, values in enumerate(flat):
            out[row] = np.bincount(self.phase, weights=values, minlength=self.count)
        return out.reshape(*per_station.shape[:-1], self.count)


def map_phases(
    zones: Sequence[Zone], station: np.ndarray, length: float, limit_a: np.ndarray | None = None
) -> PhaseMap:
    """Give every station to the phase whose half-open stretch holds it.

    Parameters
    ----------
    zones : sequence of Zone
        Corner zones that tile the lap.
    station : float64 array, shape (n,)
        Common stations. [m]
    length : float
        Length of the lap. [m]
    limit_a : float64 array, shape (n,), optional
        Acceleration of the limit profile: tells a speed held in a flat corner from a slow exit carried into it. [m/s²]
    """
    if not zones:
        raise NotEnoughData(
            "No corner was found on this circuit, so that no loss can be placed. "
            "Give a track file that names the corners."
        )
    phase = np.full(station.size, -1)
    first_station = np.zeros(PHASES * len(zones))
    for index, zone in enumerate(zones):
        for k, (_, start, stop) in enumerate(zone.phases()):
            extent = (stop - start) % length if stop != start else 0.0
            phase[(station - start) % length < extent] = PHASES * index + k
            first_station[PHASES * index + k] = start % length
    if (phase < 0).any():
        missing = float(station[np.argmax(phase < 0)])
        raise AssertionError(f"corner zones leave station {missing:.1f} m in no phase")
    order = np.lexsort((np.arange(first_station.size), first_station))
    return PhaseMap(phase, order, limit_a)


@dataclass(frozen=True, eq=False)
class Driven:
    """A lap on the common path: time and speed at its stations."""

    dt: np.ndarray  #: time from each station to the next, shape (n,) [s]
    v: np.ndarray  #: speed at the stations, shape (n,) [m/s]
    a: np.ndarray  #: mean acceleration from each station to the next, shape (n,) [m/s²]

    def __post_init__(self) -> None:
        own(self, "dt", "v", "a")

    @property
    def lap_time(self) -> float:
        """Sum of the segment times [s]."""
        return float(self.dt.sum())


def driven_on(line: Line, dt: np.ndarray) -> Driven:
    """Speed and acceleration on the common path of a lap that took `dt` (n,) s between its stations."""
    ds = line.ds
    v = (np.roll(ds, 1) + ds) / (np.roll(dt, 1) + dt)
    a = (np.roll(v, -1) ** 2 - v**2) / (2.0 * ds)
    return Driven(dt, v, a)


def typical_lap(line: Line, dt: np.ndarray, phases: PhaseMap) -> Driven:
    """The driver's typical lap: in each phase the median time of the laps.

    The time per station is the mean of the middle half of the laps, scaled by a factor that runs smoothly from
    phase to phase so that each phase takes exactly the median of the laps' times for it.

    Parameters
    ----------
    dt : float64 array, shape (m, n)
        Time from each station to the next, one row a lap. [s]
    """
    laps = dt.shape[0]
    cut = laps // 4
    middle = np.sort(dt, axis=0)[cut : laps - cut].mean(axis=0)
    wanted = np.median(phases.sums(dt), axis=0)
    return driven_on(line, _scale_to(middle, wanted, phases, line))


# The smooth factors settle to this in about ten rounds; what is left goes in one factor per phase, a step in speed
# of a millimetre per second that no figure shows.
SCALE_SETTLED = 1e-5  # share of a phase's time
SCALE_ROUNDS = 60


def _scale_to(dt: np.ndarray, wanted: np.ndarray, phases: PhaseMap, line: Line) -> np.ndarray:
    """Scale `dt` (n,) by a continuous factor so that its phase sums become `wanted` (p,)."""
    filled = np.unique(phases.phase)
    station = np.asarray(line.station)
    length = float(line.length)
    angle = np.exp(2j * np.pi * station / length)
    centres = np.array([np.angle(angle[phases.phase == p].mean()) for p in filled]) % (2 * np.pi)
    by_place = np.argsort(centres)
    nodes = centres[by_place] * length / (2 * np.pi)
    factor = np.ones(filled.size)
    scaled = dt
    for _ in range(SCALE_ROUNDS):
        change = wanted[filled] / phases.sums(scaled)[filled]
        if np.abs(change - 1.0).max() < SCALE_SETTLED:
            break
        factor *= change
        scaled = dt * np.interp(station, nodes, factor[by_place], period=length)
    exact = np.ones(phases.count)
    exact[filled] = wanted[filled] / phases.sums(scaled)[filled]
    return scaled * exact[phases.phase]


@dataclass(frozen=True, eq=False)
class Ledger:
    """The three ledgers of one lap; arrays per phase have shape (p,), in seconds."""

    lost: np.ndarray  #: lost here: driven minus reference time over the phase
    caused: np.ndarray  #: caused here, with its knock-on; sums to kept_s - reference_s
    gain_alone: np.ndarray  #: lap time won if this phase alone became perfect
    corner_gain: np.ndarray  #: lap time won if the corner's three phases became perfect, shape (corners,)
    driven_s: float  #: the lap as driven
    kept_s: float  #: the kernel's lap with every phase kept: it must reproduce driven_s
    reference_s: float  #: the limit lap, or the other lap that this one is held against

    def __post_init__(self) -> None:
        own(self, "lost", "caused", "gain_alone", "corner_gain")

    @property
    def unexplained_s(self) -> float:
        """What the kernel does not reproduce of the driven lap; never spread over phases. [s]"""
        return self.driven_s - self.kept_s


def grip_limits(grip: np.ndarray) -> StationLimits:
    """Limits of a track whose grip varies: `grip` (n,) multiplies what tyres give sideways and under braking."""
    return StationLimits(lateral_scale=grip, brake_scale=grip)


def kept_limits(
    lap: Driven,
    phases: PhaseMap,
    kept: np.ndarray,
    other: Driven | None = None,
    grip: np.ndarray | None = None,
) -> StationLimits:
    """Per-station limits that keep the driver's behaviour in the phases `kept` (runs, p), bool.

    Kept braking: the own deceleration is what the brakes give. Kept mid-corner: the own speed is a cap. Kept
    exit: the own acceleration is what the engine gives. What was driven counts as possible there. Elsewhere the
    envelope rules, or, where `other` is given, the behaviour of that lap.
    """
    stations = kept[:, phases.phase]
    scales = {} if grip is None else {"lateral_scale": grip, "brake_scale": grip}
    if other is None:
        return StationLimits(**_behaviour(lap, phases, stations), **scales)
    mine, theirs = _behaviour(lap, phases, stations), _behaviour(other, phases, ~stations)
    return StationLimits(**{name: np.where(stations, mine[name], theirs[name]) for name in mine}, **scales)


def _behaviour(lap: Driven, phases: PhaseMap, stations: np.ndarray) -> dict[str, np.ndarray]:
    """Arrays (runs, n) for StationLimits: the lap's behaviour where `stations` (runs, n) is true.

    In a braking phase the driver may still be on the throttle, or coast, before the own brake point. There the own
    push is kept, and a car that arrives faster brakes later or earlier, as hard as this driver brakes in the phase: a
    better exit is carried down the straight up to the corner.
    """
    braking_of_phase, braked = _braking_strength(lap, phases)
    strength = braking_of_phase[phases.phase]
    kind = _kept_kind(lap, phases, braked)
    braking, middle, leaving = (stations & (kind == k) for k in (BRAKING, MID_CORNER, EXIT))
    pushing = (kind == BRAKING) & _before_brakes(lap, phases, strength)
    brake_mode = np.zeros(stations.shape, dtype=np.int8)
    drive_mode = np.zeros(stations.shape, dtype=np.int8)
    brake_mode[braking] = REPLACE
    brake_mode[middle | leaving] = AT_LEAST
    drive_mode[leaving] = REPLACE
    drive_mode[braking | middle] = AT_LEAST
    drive_mode[braking & pushing] = REPLACE
    # the speed at the end of the last kept segment is the driver's too, though the station begins another phase
    capped = middle | np.roll(middle, 1, axis=1)
    return {
        "cap": np.where(capped, lap.v, UNBOUND),
        "floor": np.where(stations | capped, lap.v, 0.0),
        "own_brake": np.where(stations, np.where(pushing, strength, -lap.a), 0.0),
        "own_drive": np.where(stations, lap.a, 0.0),
        "own_brake_mode": brake_mode,
        "own_drive_mode": drive_mode,
    }


def _before_brakes(lap: Driven, phases: PhaseMap, strength: np.ndarray) -> np.ndarray:
    """Stations of braking phases before the driver brakes, bool, shape (n,); `strength` (n,) [m/s²]."""
    out = np.zeros(lap.a.size, dtype=bool)
    for phase in range(BRAKING, phases.count, PHASES):
        here = phases.stretches[phase]
        brakes = lap.a[here] < -COASTS * strength[here]
        out[here[: np.argmax(brakes) if brakes.any() else here.size]] = True
    return out


def _kept_kind(lap: Driven, phases: PhaseMap, braked: np.ndarray) -> np.ndarray:
    """As what the driver's behaviour is kept at each station, shape (n,): BRAKING, MID_CORNER or EXIT.

    `braked` (p,) tells in which phases the brakes were used.

    A corner that the limit takes flat counts as an exit: its speed comes from the exit before it, and were the own
    speed its cap, what a slow exit costs along the straight would be charged to the flat corner on it. Where the
    driver holds back in it all the same, the speed was the driver's choice and stays a cap. A mid-corner without
    braking before it, in which the driver speeds up all the way, is an exit for the same reason.

    A driver who is slowest before the limit's braking is over has slowed too much and speeds up from there: the own
    speed is a cap as in mid-corner, or the slowest place would not be kept.
    """
    kind = phases.kind
    for phase in range(BRAKING, phases.count, PHASES):
        here = phases.stretches[phase]
        if here.size:
            fastest = int(np.argmax(lap.v[here]))
            slowest = fastest + int(np.argmin(lap.v[here[fastest:]]))
            if lap.v[(here[-1] + 1) % lap.v.size] > lap.v[here[slowest]] + SLOWED_BELOW:
                kind[here[slowest:]] = MID_CORNER
    for corner, flat in enumerate(phases.flat):
        here = phases.stretches[PHASES * corner + MID_CORNER]
        speeds_up = not braked[PHASES * corner + BRAKING] and _speeds_up(lap.a[here], lap.dt[here])
        if speeds_up or (flat and not _holds_back(lap, phases, here)):
            kind[here] = EXIT
    return kind


def _speeds_up(a: np.ndarray, dt: np.ndarray) -> bool:
    """Whether a stretch is driven speeding up all the way but for a gear change."""
    holds = a < SPEEDS_UP
    return bool(_longest(holds, dt) < GEAR_CHANGE and np.sum(dt * holds) < MOSTLY * dt.sum())


def _holds_back(lap: Driven, phases: PhaseMap, here: np.ndarray) -> bool:
    """Whether the driver speeds up less than the limit in the stations `here` of a corner that it takes flat."""
    if phases.limit_a is None:
        return False
    return _longest(lap.a[here] < phases.limit_a[here] - HELD_BACK, lap.dt[here]) >= HELD_TIME


def _longest(yes: np.ndarray, dt: np.ndarray) -> float:
    """Longest time [s] for which `yes` (n,) holds without a break."""
    run = np.cumsum(dt * yes)
    return float((run - np.maximum.accumulate(np.where(yes, 0.0, run))).max(initial=0.0))


def _braking_strength(lap: Driven, phases: PhaseMap) -> tuple[np.ndarray, np.ndarray]:
    """How hard the lap brakes in each phase, mean over the harder half of its slowing [m/s²], and whether it used the
    brakes there; both (p,). Where it did not, the median over the braking phases stands in."""
    hardest = np.zeros(phases.count)
    np.maximum.at(hardest, phases.phase, -lap.a)
    hard = -lap.a >= 0.5 * hardest[phases.phase]
    hard &= hardest[phases.phase] > 0.0
    count = np.bincount(phases.phase, weights=hard, minlength=phases.count)
    total = np.bincount(phases.phase, weights=-lap.a * hard, minlength=phases.count)
    strength = total / np.maximum(count, 1.0)
    braking = strength[BRAKING::PHASES]
    usual = float(np.median(braking[braking > 0.0])) if (braking > 0.0).any() else 0.0
    braked = strength > UNUSED * usual
    return np.where(braked, strength, usual), braked


def ledger_masks(phases: PhaseMap) -> np.ndarray:
    """Kept phases of each run, bool, shape (1 + p + p + corners, p).

    Row 0 keeps all; the next p rows free the phases one after the other in track order; the next p free one
    phase alone; the last rows free the three phases of one corner.
    """
    p = phases.count
    everything = np.ones((1, p), dtype=bool)
    freed = np.ones((p, p), dtype=bool)
    for row, phase in enumerate(phases.order):
        freed[row:, phase] = False
    alone = ~np.eye(p, dtype=bool)
    corner = ~np.repeat(np.eye(p // PHASES, dtype=bool), PHASES, axis=1)
    return np.vstack([everything, freed, alone, corner])


def ledgers(
    line: Line,
    packed: np.ndarray,
    laps: Sequence[Driven],
    phases: PhaseMap,
    *,
    other: Driven | None = None,
    grip: np.ndarray | None = None,
) -> tuple[Ledger, ...]:
    """Compute the three ledgers of each lap against the limit, or against `other`.

    Parameters
    ----------
    line : Line
        The common path.
    packed : float64 array, shape (44,) or (laps, 44)
        The envelope (`Envelope.pack()`), or one for each lap.
    laps : sequence of Driven
        Laps on `line`.
    other : Driven, optional
        Another lap on `line`: freed phases then do what it did, instead of what the envelope allows.
    grip : float64 array, shape (n,), optional
        Factor on the grip of each station, from the track file.

    Returns
    -------
    tuple of Ledger
        Gains are of the kernel's lap with every phase kept.
    """
    masks = ledger_masks(phases)
    p = phases.count
    packed = np.broadcast_to(np.atleast_2d(packed), (len(laps), np.shape(packed)[-1]))
    result = []
    for lap, envelope in zip(laps, packed, strict=True):
        runs = solve_batch(line, envelope[None, :], kept_limits(lap, phases, masks, other, grip))
        time = np.asarray(runs.lap_time)
        free = other.dt if other is not None else np.asarray(runs.segment_time)[p]
        caused = np.empty(p)
        caused[phases.order] = time[:p] - time[1 : p + 1]
        result.append(
            Ledger(
                lost=phases.sums(lap.dt) - phases.sums(free),
                caused=caused,
                gain_alone=time[0] - time[p + 1 : 2 * p + 1],
                corner_gain=time[0] - time[2 * p + 1 :],
                driven_s=lap.lap_time,
                kept_s=float(time[0]),
                reference_s=float(free.sum()),
            )
        )
    return tuple(result)
