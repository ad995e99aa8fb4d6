"""Invented drivers: what they leave unused in each corner phase, and how long they take to change pedals."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from simlap.errors import OptionError
from simlap.synthetic_road import BaseLine

PHASES = ("braking", "mid_corner", "exit")
# A corner that costs less speed than this at the limit is taken flat and has a mid-corner phase only.
FLAT_SLOWING = 1.0  # [m/s]
# Share of the slowing at which braking gives way to mid-corner, as in the design of the analysis.
BRAKING_SHARE = 0.9
# Deceleration at which the limit counts as braking.
BRAKING_START = 0.5  # [m/s²]
# Mid-corner lasts while the limit stays this near to its slowest speed, humps within the corner included.
PLATEAU = 0.2  # [m/s]
# A corner of a bare line: where it bends more than this, and more than half of that at its ends.
CORNER_KAPPA = 1.0 / 250.0  # [1/m]
# Braking zones start this far before the earliest lift, so that the onset lies inside.
ZONE_LEAD = 8.0  # [m]
# Usage below this is no driving any more, and would only break the sweeps.
LOWEST_USAGE = 0.3


@dataclass(frozen=True)
class CornerSkill:
    """What a driver does in one corner; 1 and 0 are perfect."""

    braking: float = 1.0  #: share of the braking limit in use
    coast_m: float = 0.0  #: lifts this long before the brake point needed, and rolls [m]
    mid: float = 1.0  #: speed in mid-corner over the possible speed
    exit: float = 1.0  #: share of the available drive in use
    exit_delay_m: float = 0.0  #: distance after the possible throttle point without more throttle [m]

    def better(self, share: float) -> "CornerSkill":
        """With `share` (0..1) of each deficit gone."""
        keep = 1.0 - share
        return CornerSkill(
            1.0 - (1.0 - self.braking) * keep,
            self.coast_m * keep,
            1.0 - (1.0 - self.mid) * keep,
            1.0 - (1.0 - self.exit) * keep,
            self.exit_delay_m * keep,
        )


@dataclass(frozen=True)
class Driver:
    """An invented driver.

    On each lap, corner and phase the usage is the skill times a random share: 1 - |N(0, spread)| when
    `usage_mean` is None, else N(usage_mean, spread) capped at 1. In mid-corner the share applies to speed².
    """

    skill: CornerSkill = CornerSkill()  #: in corners that `corners` does not name
    corners: Mapping[str, CornerSkill] = field(default_factory=dict)  #: by corner name
    spread: float = 0.02  #: of the usage in each phase, from lap to lap
    usage_mean: float | None = None
    form: float = 0.008  #: the whole lap's usage is 1 - |N(0, this)| on top
    onset_spread_m: float = 2.0  #: brakes earlier by |N(0, this)| from lap to lap [m]
    build_s: float = 0.2  #: to build up the brakes [s]
    release_s: float = 0.35  #: to let go of full brakes [s]
    pickup_s: float = 0.3  #: to open the throttle fully [s]
    shift_s: float = 0.06  #: of a gear change, with no drive; 0: none [s]
    line_sd_m: float = 0.35  #: scatter of the path about the line [m]
    line_length_m: float = 90.0  #: over which that scatter changes [m]
    improvement: float = 0.0  #: share of what is left of each deficit that goes from lap to lap

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, float) and not 0.0 <= value < 1e4:
                raise OptionError(f"Driver, {f.name}: {value!r} must be finite and not negative.")

    @classmethod
    def at_limit(cls, **changes: Any) -> "Driver":
        """Uses the whole envelope everywhere on every lap, but for the time to change pedals."""
        return replace(cls(spread=0.0, form=0.0, onset_spread_m=0.0), **changes)

    @classmethod
    def with_deficits(cls, corners: Sequence[Any], seed: int, *, size: float = 1.0, **changes: Any) -> "Driver":
        """Random deficits in about half of the phases of `corners` (anything with a `name`).

        `size` 1 makes a good amateur: up to 15 % of the brakes, 15 m of coasting, 5 % of mid-corner speed,
        25 % of the drive and 25 m of late throttle.
        """
        rng = np.random.default_rng(np.random.SeedSequence([seed, 71]))
        skills = {}
        for corner in corners:
            has = rng.random(5) < (0.5, 0.3, 0.5, 0.4, 0.3)
            most = size * has * rng.uniform(0.2, 1.0, 5) * (0.15, 15.0, 0.05, 0.25, 25.0)
            skills[corner.name] = CornerSkill(1.0 - most[0], most[1], 1.0 - most[2], 1.0 - most[3], most[4])
        return replace(cls(corners=skills), **changes)

    def skill_in(self, name: str, lap: int) -> CornerSkill:
        """Skill in the corner called `name` on flying lap `lap` (from 0)."""
        gone = 1.0 - (1.0 - self.improvement) ** lap
        return self.corners.get(name, self.skill).better(gone)

    def draw(self, rng: np.random.Generator, laps: int, corners: int) -> np.ndarray:
        """Random usage shares, at most 1, shape (laps, corners, 3)."""
        noise = rng.standard_normal((laps, corners, 3)) * self.spread
        usage = 1.0 - np.abs(noise) if self.usage_mean is None else np.minimum(self.usage_mean + noise, 1.0)
        form = 1.0 - np.abs(rng.standard_normal((laps, 1, 1))) * self.form
        return np.clip(usage * form, LOWEST_USAGE, 1.0)


@dataclass(frozen=True)
class TrueZone:
    """One corner zone of the truth; fine-grid indices, may wrap. A flat corner has start = braking_stop and
    mid_stop = stop."""

    name: str
    direction: str
    start: int
    braking_stop: int
    mid_stop: int
    stop: int

    def bounds(self, phase: str) -> tuple[int, int]:
        """First index and end of a phase."""
        places = (self.start, self.braking_stop, self.mid_stop, self.stop)
        i = PHASES.index(phase)
        return places[i], places[i + 1]

    @property
    def phases(self) -> tuple[str, ...]:
        """Phases of some length."""
        return tuple(p for p in PHASES if self.bounds(p)[0] != self.bounds(p)[1])


def span(start: int, stop: int, n: int) -> np.ndarray:
    """Indices from start to stop (excluded) on a lap of n points."""
    return (start + np.arange((stop - start) % n)) % n


@dataclass(frozen=True)
class BareCorner:
    """A corner found on a line that comes without a track file."""

    name: str
    direction: str
    entry_m: float
    apex_m: float
    exit_m: float


def bare_corners(base: BaseLine) -> list[BareCorner]:
    """Stretches that bend more than `CORNER_KAPPA` somewhere and half of it all along; one turn each."""
    n = base.kappa.size
    turning = np.where(np.abs(base.kappa) > 0.5 * CORNER_KAPPA, np.sign(base.kappa), 0.0)
    changes = np.flatnonzero(turning != np.roll(turning, 1))
    if changes.size == 0:
        direction = "left" if base.kappa[0] > 0 else "right"
        return [BareCorner("1", direction, 0.0, 0.0, base.length - base.spacing)] if turning[0] else []
    found = []
    for start, stop in zip(changes, np.roll(changes, -1), strict=True):
        inside = span(int(start), int(stop), n)
        peak = inside[np.argmax(np.abs(base.kappa[inside]))]
        if turning[start] and abs(base.kappa[peak]) > CORNER_KAPPA:
            direction = "left" if turning[start] > 0 else "right"
            found.append((float(start), float(peak), float(stop), direction))
    return [
        BareCorner(str(i + 1), d, a * base.spacing, p * base.spacing, b * base.spacing)
        for i, (a, p, b, d) in enumerate(found)
    ]


def true_zones(base: BaseLine, corners: Sequence[Any], limit_v: np.ndarray, leads: Sequence[float]):
    """Cut the lap into zones from the limit's speed on the fine grid, shape (n,).

    `leads` is, per corner, how far before the limit's brake point the driver lifts at the most [m].
    """
    n, h = limit_v.size, base.spacing
    if not corners:
        return ()
    a_lim = limit_v * (np.roll(limit_v, -1) - np.roll(limit_v, 1)) / (2.0 * h)
    entries = [round(c.entry_m / h) % n for c in corners]
    exits = [round(c.exit_m / h) % n for c in corners]
    slowest = []
    for entry, leave in zip(entries, exits, strict=True):
        inside = span(entry, leave, n)
        slowest.append(int(inside[np.argmin(limit_v[inside])]))
    marks = []
    for k, low in enumerate(slowest):
        before = slowest[k - 1] if len(slowest) > 1 else (low + 1) % n
        room = span(before, low, n)
        peak = int(room[np.argmax(limit_v[room])]) if room.size else low
        fast, slow = limit_v[peak], limit_v[low]
        if fast - slow < FLAT_SLOWING:
            marks.append((entries[k], entries[k], exits[k], True))
            continue
        down = span(peak, low, n)
        brake = int(down[np.argmax(a_lim[down] < -BRAKING_START)])
        stop = int(down[np.argmax(limit_v[down] <= fast - BRAKING_SHARE * (fast - slow))])
        lead = round((leads[k] + ZONE_LEAD) / h)
        free = (brake - exits[k - 1]) % n  # from the end of the corner before; none if it ends behind the brakes
        start = (brake - min(lead, free if free < (brake - before) % n else 0)) % n
        arc = span(low, exits[k], n)
        slow_there = np.flatnonzero(limit_v[arc] <= slow + PLATEAU)
        mid = (low + (int(slow_there[-1]) if slow_there.size else 0) + 1) % n
        marks.append((start, stop, mid, False))
    zones = []
    for k, (start, stop, mid, flat) in enumerate(marks):
        end = marks[(k + 1) % len(marks)][0]
        stop = end if (stop - start) % n > (end - start) % n > 0 else stop
        if flat or (mid - start) % n > (end - start) % n or end == start:
            mid = end
        zones.append(TrueZone(corners[k].name, corners[k].direction, start, stop, mid, end))
    return tuple(zones)
