"""What set each limit: laps, stations, corners, and the speeds that were tested."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simlap.envelope_bootstrap import BRAKING_EVENTS, LATERAL_EVENTS, EventSet, Solution, with_flat
from simlap.envelope_combined import LEVEL_FLOOR
from simlap.envelope_event_types import CombinedEvents, Events
from simlap.envelope_frontier import at_limit_chance, hats
from simlap.envelope_samples import RoadSamples
from simlap.track import inside

# An event sets a limit when the likelihood finds it at the limit rather than short of it.
SETS = 0.5
# A lap reached the limit in an event when its own level comes within this share of it, or within its noise.
REACHED = 0.02


@dataclass(frozen=True)
class LimitEvidence:
    """Where one limit comes from."""

    events: int  #: held windows looked at
    at_limit: int  #: of them, found at the limit
    laps: tuple[int, ...]  #: lap numbers that reached it there
    stations_m: tuple[float, ...]  #: where, middle of the laps' windows
    speeds_ms: tuple[float, ...]  #: and how fast
    corners: tuple[str, ...]  #: names of the corners that hold these stations (braking: or lie ahead), in track order
    spread: float  #: driver's own variation, median over the events [m/s²]
    noise: float  #: error of one window of one lap, median over the events [m/s²]

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers and lists; keys end in their unit."""
        return {
            "events": self.events,
            "at_limit": self.at_limit,
            "laps": list(self.laps),
            "stations_m": [round(s, 1) for s in self.stations_m],
            "speeds_ms": [round(v, 2) for v in self.speeds_ms],
            "corners": list(self.corners),
            "spread_ms2": self.spread,
            "noise_ms2": self.noise,
        }


def chances(events: EventSet, solution: Solution) -> dict[str, np.ndarray]:
    """Per limit the chance that each event was at the limit, (J,)."""
    out = {}
    for name, limit in limits_at_events(solution).items():
        level, deviation, _ = (part[0] for part in solution.levels[name])
        if name == "engine":
            out[name] = at_limit_chance(level - limit, np.hypot(deviation, events.engine.floor), events.engine.windows)
        else:
            scale = float(np.median(level))
            kind = with_flat(LATERAL_EVENTS, events.lateral.flat) if name == "lateral" else BRAKING_EVENTS
            kind = replace(kind, shortfall=kind.shortfall * scale)
            out[name] = at_limit_chance(level - limit, np.hypot(deviation, LEVEL_FLOOR * scale), kind)
    return out


def limits_at_events(solution: Solution) -> dict[str, np.ndarray]:
    """Per limit its value at each event's speed, (J,) [m/s²]."""
    z = {name: parts[2][0] for name, parts in solution.levels.items()}
    side = np.where(solution.lateral_turn >= 0, 0, 1)
    pairs = solution.lateral[0, side]
    engine = hats(np.sqrt(z["engine"]), solution.knots) @ solution.engine[0]
    return {
        "lateral": pairs[:, 0] + pairs[:, 1] * z["lateral"],
        "braking": solution.braking[0, 0] + solution.braking[0, 1] * z["braking"],
        "engine": engine - solution.cornering_drag[0] * solution.drive_load,
    }


def tested_ranges(events: EventSet, solution: Solution) -> dict[str, tuple[float, float]]:
    """Speeds [m/s] between which each limit has data."""
    found: dict[str, tuple[float, float]] = {}
    for name, chance in chances(events, solution).items():
        v = np.sqrt(solution.levels[name][2][0])
        chosen = v[chance > SETS] if (chance > SETS).any() else v
        found[name] = float(chosen.min()), float(chosen.max())
    for name, each in (("combined_braking", events.trail), ("combined_drive", events.pickup)):
        if each.count:
            v = np.sqrt(np.median(each.speed2, axis=0))
            found[name] = float(v.min()), float(v.max())
    if "combined_drive" in found:
        found["traction"] = found["combined_drive"]
    return found


def collect_evidence(
    samples: RoadSamples, events: EventSet, solution: Solution, corners: Sequence[Any], length: float
) -> dict[str, LimitEvidence]:
    """Evidence of each limit; `corners` have name, entry_m, exit_m, and `length` is the lap's [m]."""
    evidence = {}
    limits = limits_at_events(solution)
    chance = chances(events, solution)
    for name, found in (("lateral", events.lateral), ("braking", events.braking), ("engine", events.drive)):
        sets = chance[name] > SETS
        close = found.value >= limits[name] * (1.0 - REACHED) - found.noise
        laps = samples.numbers[(close & sets).any(axis=1)]
        spread = solution.spread[name][0]
        evidence[name] = _evidence(samples, found, sets, laps, corners, length, spread, ahead=name == "braking")
    for name, both in (("combined_braking", events.trail), ("combined_drive", events.pickup)):
        every = np.ones(both.count, dtype=bool)
        evidence[name] = _evidence(samples, both, every, samples.numbers, corners, length, np.zeros(both.count))
    return evidence


def _evidence(
    samples: RoadSamples,
    found: Events | CombinedEvents,
    sets: np.ndarray,
    laps: np.ndarray,
    corners: Sequence[Any],
    length: float,
    spread: np.ndarray,
    *,
    ahead: bool = False,
) -> LimitEvidence:
    middle = np.sort(found.where, axis=0)[found.where.shape[0] // 2] if found.count else np.empty(0, dtype=int)
    stations = samples.station[middle][sets]
    speeds = np.sqrt(np.median(found.speed2, axis=0))[sets] if found.count else np.empty(0)
    noise = found.noise if isinstance(found, Events) else found.noise_along
    held = {_corner_ahead(s, corners, length) for s in stations} if ahead else set()
    return LimitEvidence(
        events=found.count,
        at_limit=int(sets.sum()),
        laps=tuple(int(n) for n in laps) if sets.any() else (),
        stations_m=tuple(float(s) for s in stations),
        speeds_ms=tuple(float(v) for v in speeds),
        corners=tuple(c.name for c in corners if c.name in held or inside(stations, c.entry_m, c.exit_m, length).any()),
        spread=float(np.median(spread)) if found.count else 0.0,
        noise=float(np.median(noise)) if found.count else 0.0,
    )


def _corner_ahead(station: float, corners: Sequence[Any], length: float) -> str:
    """Name of the corner that is braked for at a station: the one whose exit comes next; "" without corners."""
    return min(corners, key=lambda corner: (corner.exit_m - station) % length).name if corners else ""
