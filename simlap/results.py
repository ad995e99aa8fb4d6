"""What an analysis hands out: frozen results that the report, the notes and the notebooks read."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simlap.corners import Corner
    from simlap.driven import Driven
    from simlap.envelope_fit import EnvelopeFit
    from simlap.lap_types import LapSet
    from simlap.laptable import LapTable
    from simlap.line import Line
    from simlap.losses import Ledger
    from simlap.motion import Motion
    from simlap.phases import PhaseMap
    from simlap.session import Session
    from simlap.solver import LimitProfile
    from simlap.track import Track
    from simlap.zones import Zone


@dataclass(frozen=True)
class Interval:
    """A value with the limits of its 90 % interval, in the unit of the field that holds it."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.2f} ({self.low:.2f} to {self.high:.2f})"

    def holds(self, number: float) -> bool:
        """True where `number` lies within the interval."""
        return self.low <= number <= self.high


@dataclass(frozen=True)
class Finding:
    """One observation in one corner, with its evidence."""

    kind: str  #: plain name of the rule that raised it
    corner: str  #: name of the corner
    phase: str  #: braking, mid_corner or exit
    sentence: str  #: plain words, numbers included
    worth_s: float  #: what curing the phase alone is worth [s]
    laps: tuple[int, ...]  #: lap numbers in which it occurred
    occurrences: int  #: in how many of the counted laps
    of_laps: int  #: number of counted laps looked at
    stations_m: tuple[float, ...]  #: where it occurred, one value a lap [m]
    session_times_s: tuple[float, ...]  #: when it occurred, one value a lap, clock of the log [s]
    evidence: Mapping[str, float]  #: named numbers, medians over these laps; keys end in their unit
    own: tuple[str, ...] = ()  #: the observation with that lap's own numbers, one text a lap
    occasional: bool = False  #: on few laps, which are slower there; the typical lap does not hold it


@dataclass(frozen=True)
class Priority:
    """One thing to do in the next outing."""

    corner: str
    phase: str
    sentence: str  #: one or two sentences that a driver can act on
    worth: Interval  #: [s]
    build_up: bool  #: True: fast corner, only in small steps
    kind: str  #: kind of the finding behind it, or "time lost" where no channel tells why
    on_laps: float = 1.0  #: share of the laps looked at that show the finding
    step: str = ""  #: what to do, without the observation; no full stop
    step_worth_s: float | None = None  #: what that step alone brings; None where it has no stated size [s]


@dataclass(frozen=True)
class Advice:
    """What to tell the driver."""

    findings: tuple[Finding, ...] = ()
    priorities: tuple[Priority, ...] = ()  #: at most three
    keep: str = ""  #: one thing not to change
    not_judged: tuple[str, ...] = ()  #: what the channels of the log cannot show, and why
    order: str = ""  #: how the priorities go with the target and the corners' losses; "" where nothing is to be said
    refused: str = ""  #: why nothing is advised on these data; "" where they allow it

    def of_kind(self, kind: str) -> tuple[Finding, ...]:
        """The findings of one kind."""
        return tuple(finding for finding in self.findings if finding.kind == kind)

    def braking_first(self, kinds: Collection[str]) -> frozenset[str]:
        """Corners of which a priority asks for other braking, of one of `kinds`: a later brake point waits for it."""
        asked = (one for one in self.priorities if one.phase == "braking" and one.kind in kinds)
        return frozenset(one.corner for one in asked)


@dataclass(frozen=True)
class PhaseResult:
    """Losses of the typical lap over one phase of one corner."""

    name: str  #: braking, mid_corner or exit
    start_m: float
    stop_m: float
    lost: Interval  #: lost here [s]
    caused: Interval  #: caused here, with its knock-on [s]
    gain_alone: Interval  #: gain if this phase alone is fixed [s]
    gear_changes_s: float | None = None  #: part of the loss that changes of gear cost; None where no channel tells

    @property
    def empty(self) -> bool:
        """True where the phase has no length: a corner taken flat has no braking and no exit."""
        return self.start_m == self.stop_m


@dataclass(frozen=True)
class CornerResult:
    """One corner zone of the typical lap."""

    corner: "Corner"
    zone: "Zone"
    rank: int  #: 1 = most time on the table (gain if the corner alone is fixed)
    phases: tuple[PhaseResult, PhaseResult, PhaseResult]
    lost: Interval  #: sum over the phases [s]
    gain_alone: Interval  #: gain if the whole corner is fixed alone [s]
    top3_chance: float  #: chance that the corner belongs to the three with most to gain
    clear: bool  #: False: the gain may be less than a hundredth of a second, no clear loss
    build_up: bool  #: fast corner: build up in small steps
    step_kmh: float  #: suggested largest step in minimum speed per outing [km/h]
    min_speed_typical: float  #: slowest speed of the zone [m/s]
    min_speed_best: float  #: of the car in the best lap [m/s]
    min_speed_limit: float  #: of the limit profile [m/s]


@dataclass(frozen=True, eq=False, repr=False)
class Analysis:
    """All that one walk from log to losses found; arrays refer to the stations of `table`."""

    session: "Session"
    motion: "Motion"
    lapset: "LapSet"
    track: "Track"
    table: "LapTable"  #: all flying laps on common stations
    line: "Line"  #: mean path of the counted laps, on the same stations
    fit: "EnvelopeFit"
    limit: "LimitProfile"  #: on `line`
    grip: Any  #: factor on the grip of each station, from the track file, float64 (n,)
    phases: "PhaseMap"
    typical: "Driven"
    lap_driven: tuple["Driven", ...]  #: every lap of the table on `line`
    lap_ledgers: tuple["Ledger | None", ...]  #: of every lap of the table; None for a lap that stood or has a gap
    typical_ledger: "Ledger"
    corners: tuple[CornerResult, ...]  #: in track order; see `ranked`
    best_lap: int  #: number of the fastest counted lap
    best_lap_s: float
    typical_lap_s: float
    limit_lap: Interval
    unexplained_s: float
    beaten_s: float  #: most by which the typical lap beats the limit over one phase, 0 if nowhere
    line_s: Mapping[int, float]  #: per lap number: time lost (+) or won (-) by its line against the mean line
    options: Mapping[str, Any]
    notes: tuple[str, ...] = ()
    less_grip: Mapping[str, float] = field(default_factory=dict)  #: corners that were given grip of their own, factor
    advice: Advice = field(default_factory=Advice)
    target: Any = None
    no_target: str = ""  #: why there is none, "" where there is one

    def __repr__(self) -> str:
        return (
            f"<Analysis of {self.session.source}: {len(self.counted)} counted laps, typical {self.typical_lap_s:.3f} s"
            f", limit {self.limit_lap} s>"
        )

    @property
    def ranked(self) -> tuple[CornerResult, ...]:
        """Corners, the one with most time on the table first."""
        return tuple(sorted(self.corners, key=lambda corner: corner.rank))

    @property
    def counted(self) -> tuple[int, ...]:
        """Rows of the table that are counted laps."""
        return tuple(i for i, yes in enumerate(self.table.counted) if yes)
