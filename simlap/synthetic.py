"""Synthetic sessions with known truth: an invented driver and car on a circuit, seen through invented sensors.

>>> made = synthetic_session(invented_circuit("club"), club_car(), Driver(), Sensors.good(), seed=1)
>>> made.session, made.truth.limit_lap_s, made.truth.caused_s
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from types import MappingProxyType
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.errors import OptionError
from simlap.frozen import own
from simlap.session import Session
from simlap.synthetic_drive import (
    ENGINE_TOP,
    BaseLine,
    Car,
    Inputs,
    Road,
    closed_run,
    run_times,
    simulate,
    wander,
)
from simlap.synthetic_driver import CornerSkill, Driver, TrueZone, bare_corners, span, true_zones
from simlap.synthetic_sensors import Sensors, TrueMotion, record
from simlap.synthetic_usage import inputs_of, ledgers, usage_tables, worst_of

# Where the car leaves and enters the pits, as a share of the lap after and before the start line.
PIT_SHARE = 0.03
# Out- and in-lap: speed in corners, brakes and drive of a driver who warms up or cools down.
SLOW_SKILL = CornerSkill(braking=0.55, mid=0.86, exit=0.6)
# Without out- and in-lap the log begins and ends this share of a lap before and after the flying laps.
LEAD_SHARE = 0.25
# Speed at which the car rolls out of and into the pits [m/s].
PIT_SPEED = 1.0
# The slower car ahead: its speed over the driver's limit, from where to where on the lap (shares).
TRAFFIC_SPEED, TRAFFIC_START, TRAFFIC_STOP = 0.78, 0.3, 0.62
# A missed brake point: the car runs wide by this, centred so far behind the apex, over this length.
WIDE_M, WIDE_AFTER_M, WIDE_LENGTH_M = 2.5, 25.0, 30.0
MISTAKE_SKILL = CornerSkill(mid=0.85, exit_delay_m=35.0)

Key = tuple[str, str]  #: corner name, phase


@dataclass(frozen=True)
class TrueLap:
    """One lap from start line to start line, on the session clock [s]; the out-lap starts at the pits."""

    number: int  #: 0 the out-lap, 1 and on the flying laps, last the in-lap
    kind: str  #: 'out', 'flying', 'traffic', 'mistake' or 'in'
    start_s: float
    stop_s: float

    @property
    def time_s(self) -> float:
        """Lap time [s]."""
        return self.stop_s - self.start_s


@dataclass(frozen=True, eq=False)
class LapStates:
    """The flying laps at the stations of the base line; arrays (m, n), t (m, n + 1)."""

    numbers: np.ndarray  #: (m,)
    station: np.ndarray  #: (n,) of the base line [m]
    t: np.ndarray  #: since the lap's start; last is the lap time [s]
    v: np.ndarray  #: [m/s]
    a_lon: np.ndarray  #: dv/dt [m/s²]
    a_lat: np.ndarray  #: v² kappa [m/s²]
    kappa: np.ndarray  #: of the driven path [1/m]
    offset: np.ndarray  #: left of the base line [m]
    x: np.ndarray  #: [m]
    y: np.ndarray  #: [m]

    def __post_init__(self) -> None:
        own(self, "station", "t", "v", "a_lon", "a_lat", "kappa", "offset", "x", "y")
        own(self, "numbers", dtype=int)


@dataclass(frozen=True, eq=False)
class Truth:
    """All that was put into a session. Times in s, stations in m on the base line."""

    envelope: Envelope
    driver: Driver
    sensors: Sensors
    length_m: float
    zones: tuple[TrueZone, ...]
    zone_stations_m: Mapping[Key, tuple[float, float]]  #: start and end station of each phase
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
    grip_drift : float
        Change of the tyres' limits from lap to lap, as a share; the truth's limit is that of the mean.
    standing_s : float
        Standstill at the start of the log [s], with `out_and_in` only.
    losses : bool
        Also compute the ledgers of injected losses (half of the run time); else they are empty.

    Raises
    ------
    OptionError
        When `laps` is below 1 or a special lap is none of them.
    """
    for name, value in (("traffic_lap", traffic_lap), ("mistake_lap", mistake_lap)):
        if value is not None and not 1 <= value <= laps:
            raise OptionError(f"{name}: {value} is none of the flying laps 1 to {laps}.")
    if laps < 1:
        raise OptionError(f"laps: {laps}; a session needs at least one flying lap.")
    rng_line, rng_usage, rng_sensor = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    base, corners = _circuit(track_or_line)
    n, total = base.x.size, laps + 2  # with the lap before and the lap after
    car = Car(envelope)
    lap_grip = np.ones(n)
    for corner in corners:
        lap_grip[span(_index(base, corner.entry_m), _index(base, corner.exit_m), n)] = getattr(corner, "grip", 1.0)
    z_limit, _ = closed_run(base.shifted(*np.zeros((3, n))), car, lap_grip, Inputs.perfect(n))
    v_limit = np.sqrt(z_limit)
    leads = [driver.skill_in(c.name, 0).coast_m + 2.0 * driver.onset_spread_m for c in corners]
    zones = true_zones(base, corners, v_limit, leads)

    usage = usage_tables(zones, driver, rng_usage, laps)
    offset = wander(rng_line, total * n, base.spacing, driver.line_sd_m, driver.line_length_m)
    whole = np.concatenate((usage[:1], usage, usage[-1:]))
    if out_and_in:
        last = int(np.argmax([zone.start for zone in zones])) if zones else 0  # taken at speed, to start the lap
        pace = np.array(whole[0, last : last + 1])
        whole[[0, -1]] = worst_of(whole[[0, -1]], SLOW_SKILL)
        whole[0, last : last + 1] = pace
    if mistake_lap is not None:
        offset = _miss_brakes(whole[mistake_lap], offset, base, zones, v_limit, mistake_lap)
    inputs = inputs_of(zones, whole, driver, n, base.spacing)
    if traffic_lap is not None:
        inputs = replace(inputs, cap=_behind_slower_car(inputs.cap, v_limit, traffic_lap))
    road = base.shifted(*offset)
    grip = np.tile(lap_grip, total) * (1.0 + grip_drift * (np.arange(total * n) / n - 1.0))

    # Cut the run out of the whole laps: from pit exit to pit entry, or a quarter of a lap before and after.
    share = PIT_SHARE if out_and_in else 1.0 - LEAD_SHARE
    cut = slice(round(share * n), total * n - round(share * n))
    edge = PIT_SPEED if out_and_in else ENGINE_TOP
    wait = standing_s if out_and_in else 0.0
    run = _cut(road, cut)
    z, gear = simulate(run, car, grip[cut], _cut_inputs(inputs, cut), edge, edge)
    driven = _motion(base, run, z, gear, offset, cut, wait)
    source = f"synthetic session, seed {seed}"
    origin = getattr(track_or_line, "origin", None)
    session, rows = record(driven, sensors, car, origin, rng_sensor, standing_s=wait, source=source)

    crossing = np.arange(1, total) * n - cut.start
    true_laps = _true_laps(driven.t, crossing, traffic_lap, mistake_lap)
    plain = np.array([lap.kind == "flying" for lap in true_laps[1:-1]])
    if not plain.any():
        plain[:] = True
    mean_road = base.shifted(*(part.reshape(total, n)[1:-1][plain].mean(axis=0) for part in offset))
    mean_grip = grip.reshape(total, n)[1:-1][plain].mean(axis=0)
    z_mean, limit_lap = closed_run(mean_road, car, mean_grip, Inputs.perfect(n))
    typical = np.median(usage[plain], axis=0)
    typical_inputs = inputs_of(zones, typical[None], driver, n, base.spacing)
    _, typical_lap = closed_run(mean_road, car, mean_grip, typical_inputs)
    books = ledgers(mean_road, car, mean_grip, zones, typical, driver) if losses else ({}, {}, {}, {})
    stations = {
        (zone.name, phase): (zone.bounds(phase)[0] * base.spacing, zone.bounds(phase)[1] * base.spacing)
        for zone in zones
        for phase in zone.phases
    }
    truth = Truth(
        envelope=envelope,
        driver=driver,
        sensors=sensors,
        length_m=base.length,
        zones=zones,
        zone_stations_m=MappingProxyType(stations),
        laps=true_laps,
        states=_states(base, driven, offset[0], cut, crossing),
        motion=rows,
        limit_lap_s=limit_lap,
        limit_station_m=base.station,
        limit_v=np.sqrt(z_mean),
        typical_lap_s=typical_lap,
        caused_s=MappingProxyType(books[0]),
        gain_alone_s=MappingProxyType(books[1]),
        caused_total_s=MappingProxyType(books[2]),
        gain_alone_total_s=MappingProxyType(books[3]),
    )
    return SyntheticSession(session, truth)


def _index(base: BaseLine, station: float) -> int:
    return round(station / base.spacing) % base.x.size


def _circuit(track_or_line: Any) -> tuple[BaseLine, list[Any]]:
    """The fine base line, and the corners at its stations; those of a track's line may measure slopes."""
    line = getattr(track_or_line, "line", track_or_line)
    base = BaseLine.of(line)
    if not hasattr(track_or_line, "corners"):
        return base, list(bare_corners(base))
    scale = base.length / line.length
    return base, [
        replace(c, entry_m=c.entry_m * scale, apex_m=c.apex_m * scale, exit_m=c.exit_m * scale)
        for c in track_or_line.corners
    ]


def _miss_brakes(
    row: np.ndarray,
    offset: tuple[np.ndarray, ...],
    base: BaseLine,
    zones: tuple[TrueZone, ...],
    v: np.ndarray,
    lap: int,
) -> tuple[np.ndarray, ...]:
    """Miss the brake point of the hardest corner on flying lap `lap`: change its usage `row` (zones, 5) in
    place, and return the offset (with derivatives) of a car that runs wide there."""
    n = base.x.size
    braking = [k for k, zone in enumerate(zones) if "braking" in zone.phases]
    if not braking:
        raise OptionError("mistake_lap: this circuit has no braking zone in which to miss the brake point.")
    slowing = [v[zones[k].start] - v[zones[k].mid_stop % n] for k in braking]
    worst = braking[int(np.argmax(slowing))]
    row[worst] = worst_of(row[worst], MISTAKE_SKILL)
    outward = -1.0 if zones[worst].direction == "left" else 1.0
    place = lap * n + zones[worst].start + (zones[worst].mid_stop - zones[worst].start) % n
    d = base.spacing * (np.arange(offset[0].size) - place) - WIDE_AFTER_M
    bump = outward * WIDE_M * np.exp(-0.5 * (d / WIDE_LENGTH_M) ** 2)
    slope = -d / WIDE_LENGTH_M**2
    return offset[0] + bump, offset[1] + bump * slope, offset[2] + bump * (slope**2 - 1.0 / WIDE_LENGTH_M**2)


def _behind_slower_car(cap: np.ndarray, v_limit: np.ndarray, lap: int) -> np.ndarray:
    n = v_limit.size
    where = np.arange(round(TRAFFIC_START * n), round(TRAFFIC_STOP * n))
    capped = np.array(cap)
    capped[lap * n + where] = TRAFFIC_SPEED * v_limit[where]
    return capped


def _cut(road: Road, cut: slice) -> Road:
    return Road(*(getattr(road, f.name)[cut] for f in fields(road)))


def _cut_inputs(inputs: Inputs, cut: slice) -> Inputs:
    arrays = {f.name: getattr(inputs, f.name)[cut] for f in fields(inputs) if f.name != "lifts"}
    size = cut.stop - cut.start
    lifts = tuple(
        (max(first - cut.start, 0), min(stop - cut.start, size), coast)
        for first, stop, coast in inputs.lifts
        if stop > cut.start and first < cut.stop - 1
    )
    return Inputs(**arrays, lifts=lifts)


def _motion(
    base: BaseLine, run: Road, z: np.ndarray, gear: np.ndarray, offset: tuple[np.ndarray, ...], cut: slice, wait: float
) -> TrueMotion:
    n = base.x.size
    place = np.arange(cut.start, cut.stop)
    i = place % n
    o, slope = offset[0][cut], offset[1][cut]
    turn = 2.0 * np.pi * round((base.course[-1] - base.course[0]) / (2.0 * np.pi))
    course = base.course[i] + turn * (place // n) + np.arctan2(slope, 1.0 - base.kappa[i] * o)
    return TrueMotion.driven(
        t=run_times(z, run.ds) + wait,
        ds=run.ds,
        z2=z,
        x=base.x[i] - o * np.sin(base.course[i]),
        y=base.y[i] + o * np.cos(base.course[i]),
        height=base.z[i],
        course=course,
        kappa=run.kappa,
        grade=run.grade,
        bank=run.bank,
        gear=gear,
    )


def _true_laps(t: np.ndarray, crossing: np.ndarray, traffic: int | None, mistake: int | None) -> tuple[TrueLap, ...]:
    edges = [t[0], *t[crossing], t[-1]]
    laps = []
    for number, (start, stop) in enumerate(pairwise(edges)):
        kind = "traffic" if number == traffic else "mistake" if number == mistake else "flying"
        if number == 0:
            kind = "out"
        elif number == len(edges) - 2:
            kind = "in"
        laps.append(TrueLap(number, kind, float(start), float(stop)))
    return tuple(laps)


def _states(base: BaseLine, driven: TrueMotion, offset: np.ndarray, cut: slice, crossing: np.ndarray) -> LapStates:
    n = base.x.size
    laps = crossing.size - 1
    at = crossing[:-1, None] + np.arange(n + 1)
    t = driven.t[at] - driven.t[crossing[:-1], None]
    lap = at[:, :-1]
    arrays = {k: getattr(driven, k)[lap] for k in ("v", "a_lon", "a_lat", "kappa", "x", "y")}
    return LapStates(numbers=np.arange(1, laps + 1), station=base.station, t=t, offset=offset[cut][lap], **arrays)
