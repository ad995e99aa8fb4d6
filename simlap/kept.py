"""What the driver did, as limits at the stations: the behaviour that the ledgers keep in a phase."""

import numpy as np

from simlap._kernels import OWN_AT_LEAST, OWN_REPLACES
from simlap.driven import Driven
from simlap.phases import BRAKING, EXIT, MID_CORNER, PHASES, PhaseMap
from simlap.station_limits import StationLimits

# In a corner that the limit takes flat, a driver who speeds up less than the limit by this much for this long holds
# the speed; a gear change at full throttle takes a third of the time.
HELD_BACK, HELD_TIME = 0.4, 1.0  # [m/s²], [s]
# A driver who gains at least this all the way but for a gear change (at most this long, and this share of the way)
# speeds up through mid-corner.
SPEEDS_UP, GEAR_CHANGE, MOSTLY = 0.5, 0.4, 0.15  # [m/s²], [s], share
# Speeding up that ends so soon behind the limit's mid-corner, and for longer than a gear change takes, was ended by the
# corner.
SOON = 0.5  # [s]
# A driver who slows in a braking phase by less than this share of the own braking there coasts.
COASTS = 0.35
# Brakes that are this much weaker in a phase than on the rest of the lap were not used there.
UNUSED = 0.4
# A driver whose speed rises by this much before the limit's braking is over has slowed too much.
SLOWED_BELOW = 0.3  # [m/s]
UNBOUND = 1.0e3  # [m/s] a speed cap that no road car reaches: "no cap"


def grip_limits(grip: np.ndarray) -> StationLimits:
    """Limits of a track whose grip varies: `grip` (n,) multiplies all that tyres give, and nothing of the engine."""
    return StationLimits(lateral_scale=grip, brake_scale=grip, traction_scale=grip)


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
    scales = {} if grip is None else {"lateral_scale": grip, "brake_scale": grip, "traction_scale": grip}
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
    brake_mode[braking] = OWN_REPLACES
    brake_mode[middle | leaving] = OWN_AT_LEAST
    drive_mode[leaving] = OWN_REPLACES
    drive_mode[braking | middle] = OWN_AT_LEAST
    drive_mode[braking & pushing] = OWN_REPLACES
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
    braking before it, in which the driver speeds up all the way, is an exit for the same reason; where that ends with
    it and the speed is held, the corner holds it, and the own speed is a cap there, however fast the car arrives.

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
        if speeds_up and not flat:
            leaving = phases.stretches[PHASES * corner + EXIT]
            kind[leaving[_held(lap.a[leaving], lap.dt[leaving])]] = MID_CORNER
    return kind


def _speeds_up(a: np.ndarray, dt: np.ndarray) -> bool:
    """Whether a stretch is driven speeding up all the way but for a gear change."""
    holds = a < SPEEDS_UP
    return bool(_longest(holds, dt) < GEAR_CHANGE and np.sum(dt * holds) < MOSTLY * dt.sum())


def _held(a: np.ndarray, dt: np.ndarray) -> slice:
    """Places of an exit, from its first one on, at which the speed is held at once, for longer than a gear change."""
    held = a < SPEEDS_UP
    start = int(np.argmax(held))
    stop = start + int(np.argmin(np.append(held[start:], False)))
    begun, lasts = float(dt[:start].sum()), float(dt[start:stop].sum())
    return slice(0, stop) if begun <= SOON and lasts > GEAR_CHANGE else slice(0, 0)


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
    # those in which the car only coasts tell nothing of the brakes, however many they are
    used = braking > UNUSED * braking.max(initial=0.0)
    usual = float(np.median(braking[used])) if used.any() else 0.0
    braked = strength > UNUSED * usual
    return np.where(braked, strength, usual), braked
