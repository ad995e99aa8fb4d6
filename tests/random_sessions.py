"""Random circuits, cars, drivers and loggers: sessions of which nothing is known but their seed, with their truth.

Wider than the invented circuits and the demo's car on purpose: 7 to 13 corners of 9 to 260 m radius, banked or not,
110 to 330 W/kg, 0.9 to 1.5 g, with and without downforce, traction from half to three quarters of the grip, deficits
in half of the corner phases or more, 5 to 13 laps, jumps and gaps.
"""

from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import LinearRing

from simlap.circuits import Plan, circuit_of, eased_bend
from simlap.envelope import Envelope
from simlap.errors import OptionError
from simlap.layout import Straight
from simlap.synthetic import Driver, Sensors, SyntheticSession, synthetic_session
from simlap.track import Track

# Per kind: share of sessions, radii [m], straights [m], shortest lap [m]
KINDS = {
    "club": (0.5, (18.0, 110.0), (50.0, 420.0), 1500.0),
    "fast": (0.3, (40.0, 260.0), (80.0, 600.0), 1500.0),
    "kart": (0.2, (9.0, 32.0), (30.0, 150.0), 500.0),
}
TRIES = 400
# What loggers lack or do, one of them in each of the `poorer` sessions.
POORER = {
    "no throttle": {"gone": ("throttle",)},
    "no accelerometers": {"gone": ("a_lon", "a_lat", "yaw_rate")},
    "no yaw rate, no course": {"gone": ("yaw_rate", "course")},
    "no speed, no yaw rate": {"gone": ("speed", "course", "yaw_rate")},
    "no altitude, no course": {"gone": ("altitude", "course")},
    "no positions": {"gone": ("latitude", "longitude", "course")},
    "no pedals, turned sign": {"gone": ("throttle", "brake_pressure"), "sign_a_lat": -1},
    "gaps and jumps": {"jumps": 6, "dropouts": 5},
    "lag of 0.3 s": {"fix_lag_s": 0.3},
    "5 fixes per second": {"fix_hz": 5.0},
    "positions and speed": {
        "gone": ("throttle", "brake_pressure", "gear", "engine_speed", "a_lon", "a_lat", "yaw_rate", "course")
    },
}


@dataclass(frozen=True, eq=False)
class RandomSession:
    """One session and what is true of it."""

    seed: int
    kind: str
    track: Track
    made: SyntheticSession

    def caused(self) -> np.ndarray:
        """Seconds that each corner really caused, (corners,)."""
        return self._per_corner(self.made.truth.corner_s(self.made.truth.caused_total_s))

    def gain(self) -> np.ndarray:
        """Seconds that each corner alone would really gain, (corners,)."""
        return self._per_corner(self.made.truth.gain_corner_total_s)

    def _per_corner(self, seconds) -> np.ndarray:
        return np.array([seconds.get(corner.name, 0.0) for corner in self.track.corners])


def random_circuit(rng: np.random.Generator) -> tuple[str, Track]:
    """A circuit that does not cross itself."""
    kind = str(rng.choice(list(KINDS), p=[share for share, *_ in KINDS.values()]))
    _, radii, straights, shortest = KINDS[kind]
    for _ in range(TRIES):
        count = rng.integers(7, 14)
        angle = rng.uniform(25.0, 160.0, count) * np.where(rng.random(count) < 0.62, -1.0, 1.0)
        angle += (-360.0 - angle.sum()) / count
        if (np.abs(angle) < 15.0).any() or (np.abs(angle) > 190.0).any():
            continue
        radius = np.exp(rng.uniform(*np.log(radii), count))
        elements = [Straight(float(rng.uniform(*straights)))]
        for a, r in zip(angle, radius, strict=True):
            elements += [eased_bend(float(a), float(r)), Straight(float(rng.uniform(*straights)))]
        flat = kind == "kart"
        bank = {i + 1: float(rng.normal(0.0, 2.0)) for i in range(count) if not flat and rng.random() < 0.4}
        heights = [(i / 5, float(rng.uniform(0.0, 1.0 if flat else 15.0))) for i in range(5)]
        plan = Plan("Test ring", (-40.0, -120.0), float(rng.uniform(0.0, 360.0)), elements, heights, bank, 5.0, {})
        try:
            track = circuit_of(plan)
        except OptionError:  # a straight would have become negative
            continue
        ring = LinearRing(np.column_stack([track.line.x, track.line.y])[::3])
        if ring.is_simple and track.length > shortest:
            return kind, track
    raise AssertionError(f"no circuit in {TRIES} tries")


def random_car(rng: np.random.Generator) -> Envelope:
    """Limits of an invented car."""
    v = np.linspace(0.0, 80.0, 61)
    power, grip = float(rng.uniform(110.0, 330.0)), float(rng.uniform(9.0, 14.5))
    downforce = float(rng.choice([0.0, 0.0, 0.0006, 0.0012, 0.0025]))
    return Envelope.from_limits(
        lateral=(grip, downforce),
        braking=(grip * rng.uniform(0.75, 1.0), downforce * rng.uniform(0.8, 1.4)),
        traction=(grip * rng.uniform(0.5, 0.75), 0.5 * downforce),
        engine=(v, power / np.hypot(v, rng.uniform(10.0, 28.0)) - 0.25 - 0.0009 * v**2),
        exponent_braking=float(rng.uniform(1.5, 2.2)),
        exponent_drive=float(rng.uniform(1.6, 2.2)),
        cornering_drag=float(rng.uniform(0.0, 0.008)),
    )


def random_session(seed: int, poorer: str | None = None, shift_s: float | None = None) -> RandomSession:
    """The session of a seed; `poorer` is a key of `POORER`, `shift_s` the time of a change of gear, the usual one
    without."""
    rng = np.random.default_rng(seed)
    kind, track = random_circuit(rng)
    car = random_car(rng)
    size = float(rng.choice([0.7, 1.0, 1.5, 2.5]))
    driver = Driver.with_deficits(track.corners, seed=seed, size=size, spread=float(rng.uniform(0.008, 0.03)))
    if shift_s is not None:
        driver = replace(driver, shift_s=shift_s)
    logger = getattr(Sensors, str(rng.choice(["good", "fair", "poor"], p=[0.5, 0.3, 0.2])))
    sensors = logger(jumps=int(rng.integers(0, 3)), dropouts=int(rng.integers(0, 2)))
    laps = int(rng.integers(5, 14))
    traffic = int(rng.integers(2, 5)) if rng.random() < 0.3 else None
    mistake = 1 if rng.random() < 0.2 else None
    if poorer is not None:
        changes = dict(POORER[poorer])
        sensors = replace(sensors.without(*changes.pop("gone", ())), **changes)
    made = synthetic_session(
        track, car, driver, sensors, laps=laps, seed=seed, traffic_lap=traffic, mistake_lap=mistake
    )
    return RandomSession(seed, kind, track, made)
