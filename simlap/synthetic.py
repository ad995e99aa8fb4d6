"""Synthetic sessions with known truth: an invented driver and car on a circuit, seen through invented sensors.

>>> from simlap.circuits import invented_circuit
>>> from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
>>> made = synthetic_session(invented_circuit("club"), club_car(), Driver(), Sensors.good(), seed=1)
>>> made.session.has("throttle"), bool(min(made.truth.lap_times_s) > made.truth.limit_lap_s)
(True, True)
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.frozen import own
from simlap.session import Session
from simlap.synthetic_drive import Inputs, closed_run
from simlap.synthetic_driver import CornerSkill, Driver, TrueZone
from simlap.synthetic_outing import Course, DrivenOuting, LapStates, Outing, TrueLap, drive_outing
from simlap.synthetic_sensors import Sensors, TrueMotion, record
from simlap.synthetic_usage import Key, inputs_of, ledgers

__all__ = [
    "CornerSkill",
    "Driver",
    "Sensors",
    "SyntheticSession",
    "TrueLap",
    "Truth",
    "club_car",
    "synthetic_pair",
    "synthetic_session",
]


@dataclass(frozen=True, eq=False)
class Truth:
    """All that was put into a session. Times in s, stations in m on the base line."""

    envelope: Envelope
    driver: Driver
    sensors: Sensors
    length_m: float
    zones: tuple[TrueZone, ...]
    laps: tuple[TrueLap, ...]  #: out-lap, flying laps, in-lap
    states: LapStates  #: flying laps
    motion: TrueMotion  #: on the session's rows
    limit_lap_s: float  #: of the envelope on the mean path of the plain flying laps
    limit_station_m: np.ndarray  #: (n,)
    limit_v: np.ndarray  #: (n,) [m/s]
    typical_lap_s: float  #: the driver with the median usage of the plain flying laps, on the same path
    caused_s: Mapping[Key, float]  #: deficits freed in track order; sums to typical less typical without deficits
    gain_alone_s: Mapping[Key, float]  #: typical lap less the same with this phase's deficits gone
    caused_total_s: Mapping[Key, float]  #: also the time to change pedals and gears; sums to typical less limit
    gain_alone_total_s: Mapping[Key, float]
    gain_corner_total_s: Mapping[str, float]  #: the same with all phases of a corner freed at once

    def __post_init__(self) -> None:
        own(self, "limit_station_m", "limit_v")

    @property
    def lap_times_s(self) -> np.ndarray:
        """Of the flying laps."""
        return np.array([lap.time_s for lap in self.laps if lap.kind not in ("out", "in")])

    @property
    def plain(self) -> np.ndarray:
        """Which flying laps have neither traffic nor a mistake."""
        return np.array([lap.kind == "flying" for lap in self.laps if lap.kind not in ("out", "in")])

    def corner_s(self, ledger: Mapping[Key, float]) -> dict[str, float]:
        """A ledger summed over the phases of each corner."""
        out: dict[str, float] = {}
        for (corner, _), value in ledger.items():
            out[corner] = out.get(corner, 0.0) + value
        return out


@dataclass(frozen=True, eq=False)
class SyntheticSession:
    """A session as a logger would have written it, and the truth behind it."""

    session: Session
    truth: Truth


def club_car(*, power: float = 210.0, lateral: float = 10.8, aero: float = 0.0012, braking: float = 10.0) -> Envelope:
    """An invented light track car.

    Parameters
    ----------
    power : float
        Power per mass [W/kg]; the engine curve is power / v less drag, gone flat at low speed.
    lateral, braking : float
        Limits at standstill [m/s²].
    aero : float
        Growth of both with v² [1/m].
    """
    v = np.linspace(0.0, 75.0, 61)
    engine = power / np.hypot(v, 24.0) - 0.25 - 0.00075 * v**2
    return Envelope.from_limits(
        lateral=(lateral, aero),
        braking=(braking, aero),
        traction=(7.6, 0.5 * aero),
        engine=(v, engine),
        exponent_braking=1.8,
        exponent_drive=2.0,
        cornering_drag=0.004,
    )


def synthetic_session(
    track_or_line: Any,
    envelope: Envelope,
    driver: Driver,
    sensors: Sensors,
    *,
    laps: int = 8,
    seed: int = 0,
    out_and_in: bool = True,
    traffic_lap: int | None = None,
    mistake_lap: int | None = None,
    grip: float = 1.0,
    grip_drift: float = 0.0,
    standing_s: float = 4.0,
    losses: bool = True,
) -> SyntheticSession:
    """Drive an outing and log it.

    Parameters
    ----------
    track_or_line : simlap.track.Track or simlap.line.Line
        Closed; a Track brings its corners (with their grip) and its origin, a Line gets corners found here.
    laps : int
        Flying laps.
    out_and_in : bool
        With an out-lap from the pits and an in-lap to them; else a quarter of a lap before and after.
    traffic_lap, mistake_lap : int, optional
        Number of the flying lap (from 1) behind a slower car, and of the one with a missed brake point.
    grip, grip_drift : float
        Scale of the tyres' limits (lateral, braking, traction) as the first flying lap begins, and its change from
        lap to lap as a share; the truth's limit is that of the mean.
    standing_s : float
        Standstill at the start of the log [s], with `out_and_in` only.
    losses : bool
        Also compute the ledgers of injected losses (most of the run time); else they are empty.

    Raises
    ------
    OptionError
        When `laps` is below 1 or a special lap is none of them.
    """
    outing = Outing(laps, out_and_in, traffic_lap, mistake_lap, grip, grip_drift, standing_s)
    rng_line, rng_usage, rng_sensor = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    course = Course.of(track_or_line, envelope, driver)
    driven = drive_outing(course, driver, outing, rng_line, rng_usage)
    session, rows = record(
        driven.motion,
        sensors,
        course.car,
        getattr(track_or_line, "origin", None),
        rng_sensor,
        standing_s=driven.wait_s,
        source=f"synthetic session, seed {seed}",
    )
    return SyntheticSession(session, _truth(course, driven, rows, envelope, driver, sensors, losses))


def _truth(
    course: Course,
    driven: DrivenOuting,
    rows: TrueMotion,
    envelope: Envelope,
    driver: Driver,
    sensors: Sensors,
    losses: bool,
) -> Truth:
    """What was put into an outing that was `driven`, `rows` its motion on the rows of the log; limit and typical lap
    are driven again on the mean path, and so are the ledgers with `losses`."""
    base, car, zones = course.base, course.car, course.zones
    road, surface, n = driven.mean_road, driven.mean_grip, base.x.size
    z_limit, limit_lap = closed_run(road, car, surface, Inputs.perfect(n))
    typical = np.median(driven.usage[driven.plain], axis=0)
    _, typical_lap = closed_run(road, car, surface, inputs_of(zones, typical[None], driver, n, base.spacing))
    books = ledgers(road, car, surface, zones, typical, driver) if losses else ({}, {}, {}, {}, {})
    return Truth(
        envelope=envelope,
        driver=driver,
        sensors=sensors,
        length_m=base.length,
        zones=zones,
        laps=driven.laps,
        states=driven.states,
        motion=rows,
        limit_lap_s=limit_lap,
        limit_station_m=base.station,
        limit_v=np.sqrt(z_limit),
        typical_lap_s=typical_lap,
        caused_s=MappingProxyType(books[0]),
        gain_alone_s=MappingProxyType(books[1]),
        caused_total_s=MappingProxyType(books[2]),
        gain_alone_total_s=MappingProxyType(books[3]),
        gain_corner_total_s=MappingProxyType(books[4]),
    )


def synthetic_pair(
    track_or_line: Any,
    envelope: Envelope,
    driver: Driver,
    sensors: Sensors,
    *,
    changed: Envelope | None = None,
    better: float = 0.0,
    laps: int = 10,
    seed: int = 0,
    **options: Any,
) -> tuple[SyntheticSession, SyntheticSession]:
    """Two outings with a change between them: to the car (`changed`), to the driver (`better`), or to neither.

    `better` is the share of each deficit that is gone in the second outing, lap-to-lap spread included. The other
    options are those of `synthetic_session` and hold for both.
    """
    keep = 1.0 - better
    skills = {name: skill.better(better) for name, skill in driver.corners.items()}
    later = replace(
        driver,
        skill=driver.skill.better(better),
        corners=skills,
        spread=driver.spread * keep,
        form=driver.form * keep,
        onset_spread_m=driver.onset_spread_m * keep,
    )
    return (
        synthetic_session(track_or_line, envelope, driver, sensors, laps=laps, seed=2 * seed, **options),
        synthetic_session(track_or_line, changed or envelope, later, sensors, laps=laps, seed=2 * seed + 1, **options),
    )
