"""An analysis made by hand, whose every number follows from length over speed.

A circle of 1200 m with four corner zones of 300 m: braking 100 m, mid-corner 60 m, exit 140 m. The limit lap runs at
30 m/s everywhere. The typical lap runs at 30 m/s, but at 25 m/s in the exit of the first corner, the braking of the
second and the mid-corner of the third: a stretch of d metres then loses d/25 - d/30 = d/150 s. The first zone starts
50 m before the start line.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from simlap.driven import Driven
from simlap.envelope import Envelope
from simlap.envelope_fit import EnvelopeFit
from simlap.lap_types import Lap, LapSet
from simlap.laptable import LapTable
from simlap.line import Line
from simlap.losses import Ledger
from simlap.motion_types import Motion, MotionQuality
from simlap.phases import PHASES, map_phases
from simlap.results import Advice, Analysis, CornerResult, Finding, Interval, PhaseResult, Priority
from simlap.session import Session
from simlap.solver import LimitProfile
from simlap.target_types import CornerTarget, Mark
from simlap.track import Corner, Track
from simlap.zones import Zone

LENGTH = 1200.0  # [m]
N = 600
DS = LENGTH / N
FAST, SLOW = 30.0, 25.0  # [m/s]
START = 1150.0  # station of the first zone's start [m]
ZONE, BRAKING, MIDDLE = 300.0, 100.0, 60.0  # lengths [m]
NAMES = ("North", "East", "South", "West")
SLOW_PHASES = (2, 3, 7)  # exit of the first corner, braking of the second, mid-corner of the third
LIMIT_S = LENGTH / FAST  # 40 s
LOST_S = {2: 140 / 150, 3: 100 / 150, 7: 60 / 150}  # [s] see above
HALF = 0.05  # half width of every interval [s]
LAP_FACTORS = {1: 0.998, 2: 1.0, 3: 1.1, 4: 1.002}  # lap 3 is set aside
FIRST_START = 100.0  # clock of the log at the start of lap 1 [s]
HOSTILE = ("<script>alert(1)</script>", "x" * 500, "مرحبا שלום", "🏁 $x$ [bold]&amp; --> \x1b[31m")


class StandInTarget:
    """A target with what the report reads of it."""

    no_step = ""
    corners = (
        CornerTarget("East", ("braking",), False, 0.3, Mark(250.0, 255.0), Mark(90.0, 90.2), None, Mark(160.0, 160.0)),
    )

    def to_dict(self) -> dict[str, object]:
        return {
            "shown_s": 41.5,
            "next_step_s": {"value": 41.0, "low": 40.8, "high": 41.3, "chance": 0.6},
            "limit_s": 40.0,
        }


def circle_case(
    names: Sequence[str] = NAMES,
    *,
    advice: bool = True,
    target: bool = False,
    factors: Mapping[int, float] = LAP_FACTORS,
) -> Analysis:
    """The analysis described above, its corners called `names`."""
    line = _circle()
    corners = tuple(_corner(i, name) for i, name in enumerate(names))
    zones = tuple(_zone(i, corner) for i, corner in enumerate(corners))
    phases = map_phases(zones, line.station, LENGTH)
    v = np.where(np.isin(phases.phase, SLOW_PHASES), SLOW, FAST)
    typical = Driven(DS / v, v, np.zeros(N))
    laps = {number: Driven(DS / v * f, v / f, np.zeros(N)) for number, f in factors.items()}
    limit_dt = np.full(N, DS / FAST)
    ledgers = {number: _ledger(lap, phases.sums(lap.dt - limit_dt)) for number, lap in laps.items()}
    typical_ledger = _ledger(typical, phases.sums(typical.dt - limit_dt))
    results = _results(corners, zones, typical_ledger)
    starts = FIRST_START + np.concatenate([[0.0], np.cumsum([lap.lap_time for lap in laps.values()])[:-1]])
    return Analysis(
        session=Session(t=np.arange(0.0, 400.0, 0.1), channels={}, source="circle.csv", notes=("read as text",)),
        motion=_motion(),
        lapset=_lapset(laps, starts),
        track=Track("Round field", line, ((-5.0, 0.0), (5.0, 0.0)), corners),
        table=_table(line, laps, starts, v),
        line=line,
        fit=_fit(),
        limit=LimitProfile(
            line=line, v=np.full(N, FAST), a_lon=np.zeros(N), a_lat=FAST**2 * line.kappa, t=np.arange(N) * DS / FAST,
            segment_time=limit_dt, lap_time=LIMIT_S, active=np.zeros(N), share=np.ones(N), sideways=np.ones(N),
        ),
        grip=np.ones(N),
        phases=phases,
        typical=typical,
        lap_driven=tuple(laps.values()),
        lap_ledgers=tuple(ledgers.values()),
        typical_ledger=typical_ledger,
        corners=results,
        best_lap=1,
        best_lap_s=laps[1].lap_time,
        typical_lap_s=typical.lap_time,
        limit_lap=Interval(LIMIT_S, LIMIT_S - 0.3, LIMIT_S + 0.3),
        unexplained_s=0.004,
        beaten_s=0.0,
        line_s={1: -0.01, 2: 0.02},
        options={"quantile": 0.95, "draws": 200, "laps": None},
        notes=("note of the analysis",),
        advice=_advice(names, starts) if advice else Advice(),
        target=StandInTarget() if target else None,
    )  # fmt: skip


def _circle() -> Line:
    station = np.arange(N) * DS
    angle = 2 * np.pi * station / LENGTH
    radius = LENGTH / (2 * np.pi)
    flat = np.zeros(N)
    return Line(
        station=station, x=radius * np.cos(angle), y=radius * np.sin(angle), z=flat, kappa=np.full(N, 1 / radius),
        kappa_v=flat, grade=flat, bank=flat, ds=np.full(N, DS), length=LENGTH,
    )  # fmt: skip


def _corner(index: int, name: str) -> Corner:
    start = START + index * ZONE
    return Corner(name, "left", (start + 90) % LENGTH, (start + 130) % LENGTH, (start + 170) % LENGTH)


def _zone(index: int, corner: Corner) -> Zone:
    start = START + index * ZONE
    ends = (start, start + BRAKING, start + BRAKING + MIDDLE, start + ZONE)
    return Zone(corner, *(end % LENGTH for end in ends))


def _ledger(lap: Driven, lost: np.ndarray) -> Ledger:
    return Ledger(
        lost=lost, caused=lost, gain_alone=lost, corner_gain=lost.reshape(-1, PHASES).sum(axis=1),
        driven_s=lap.lap_time, kept_s=lap.lap_time, reference_s=LIMIT_S,
    )  # fmt: skip


def _about(value: float) -> Interval:
    return Interval(float(value), float(value) - HALF, float(value) + HALF)


def _results(corners: tuple[Corner, ...], zones: tuple[Zone, ...], ledger: Ledger) -> tuple[CornerResult, ...]:
    rank = np.argsort(np.argsort(-ledger.corner_gain)) + 1
    out = []
    for i, (corner, zone) in enumerate(zip(corners, zones, strict=True)):
        phases = tuple(
            PhaseResult(name, a, b, *(_about(ledger.lost[PHASES * i + k]) for _ in range(3)))
            for k, (name, a, b) in enumerate(zone.phases())
        )
        gain = float(ledger.corner_gain[i])
        slow = gain > 0.01
        out.append(
            CornerResult(
                corner=corner,
                zone=zone,
                rank=int(rank[i]),
                phases=phases,
                lost=_about(gain),
                gain_alone=_about(gain),
                top3_chance=0.9 if slow else 0.05,
                clear=slow,
                build_up=i == 1,
                step_kmh=2.0,
                min_speed_typical=SLOW if slow else FAST,
                min_speed_best=SLOW if slow else FAST,
                min_speed_limit=FAST,
            )
        )
    return tuple(out)


def _motion() -> Motion:
    n = 20
    flat = np.zeros(n)
    quality = MotionQuality(
        fixes_per_second=25.0, lag_s=0.1, rms_position_m=0.3, rms_speed_ms=0.1,
        repaired_share=0.01, speed_source="position", verdict="good", reason="25 fixes a second",
    )  # fmt: skip
    return Motion(
        t=np.arange(n) * 0.02, x=flat, y=flat, s=flat, v=flat, course=flat, kappa=flat, a_lon=flat, a_lat=flat,
        altitude=None, noise_a_lon=np.zeros((4, n)), noise_a_lat=np.zeros((4, n)), origin=None,
        bandwidth_hz=2.0, speed_bandwidth_hz=2.0, valid=np.ones(n), quality=quality,
        notes=("note of the motion",), closes=True,
    )  # fmt: skip


def _lapset(laps: dict[int, Driven], starts: np.ndarray) -> LapSet:
    return LapSet(
        tuple(
            Lap(number, float(start), float(start) + lap.lap_time, number != 3, "traffic" if number == 3 else "", True)
            for (number, lap), start in zip(laps.items(), starts, strict=True)
        ),
        None,
        "start line",
    )


def _table(line: Line, laps: dict[int, Driven], starts: np.ndarray, v: np.ndarray) -> LapTable:
    m = len(laps)
    dt = np.array([lap.dt for lap in laps.values()])
    slow = np.tile(v < FAST, (m, 1))
    zeros = np.zeros((m, N))
    return LapTable(
        numbers=np.array(list(laps)), counted=np.array([number != 3 for number in laps]), station=line.station,
        t=np.concatenate([np.zeros((m, 1)), np.cumsum(dt, axis=1)], axis=1), session_start=starts,
        v=np.array([lap.v for lap in laps.values()]), a_lon=zeros, a_lat=np.tile(v**2 * line.kappa, (m, 1)),
        kappa=np.tile(line.kappa, (m, 1)), ds=np.tile(line.ds, (m, 1)), offset=zeros, x=np.tile(line.x, (m, 1)),
        y=np.tile(line.y, (m, 1)), noise_a_lon=np.zeros((4, m, N)), noise_a_lat=np.zeros((4, m, N)),
        channels={"throttle": np.where(slow, 0.4, 1.0), "brake_pressure": np.where(slow, 2.0e6, 0.0)},
    )  # fmt: skip


def _fit() -> EnvelopeFit:
    envelope = Envelope.from_limits((9.0, 0.0), (8.0, 0.0), (5.0, 0.0), ([0.0, 50.0], [4.0, 1.0]))
    draws = np.array([envelope.scaled(braking=f).pack() for f in (0.9, 0.95, 1.0, 1.05, 1.1)])
    return EnvelopeFit(envelope, draws, np.zeros((5, 3)), 0.95, 0, {}, ("note of the fit",))


def _advice(names: Sequence[str], starts: np.ndarray) -> Advice:
    finding = Finding(
        kind="late throttle",
        corner=names[0],
        phase="exit",
        sentence=f"{names[0]}: throttle opens 1.2 s later than the limit's drive (2 of 3 laps)",
        worth_s=140 / 150,
        laps=(1, 4),
        occurrences=2,
        of_laps=3,
        stations_m=(150.0, 160.0),
        session_times_s=(float(starts[0]) + 5.0, float(starts[3]) + 5.4),
        evidence={"delay_s": 1.2345, "grip_used_percent": 57.0},
    )
    priority = Priority(names[0], "exit", f"{names[0]}: open the throttle earlier.", _about(140 / 150), False, "late")
    return Advice((finding,), (priority,), f"{names[3]}: keep its braking.", ("brake release: not in this log",))
