"""What a target holds: the ladder of lap times, and what has to change for the next step."""

from dataclasses import dataclass, replace
from typing import Any

from simlap.results import Interval
from simlap.transitions import Transitions


@dataclass(frozen=True)
class Steps:
    """Largest changes asked of a driver for one outing; common practice, no source."""

    corners: int = 3  #: corners to work on
    brake_point_m: float = 5.0  #: brake later by at most this
    min_speed_kmh: float = 4.0  #: carry at most this much more speed
    full_throttle_m: float = 10.0  #: full throttle earlier, or held longer before the brake, by at most this
    fast_share: float = 0.5  #: in fast corners only this share of each step
    lap_share: float = 0.006  #: all together ask for at most this share of the lap time
    least_chance: float = 0.3  #: a lap less likely than this is no realistic next step

    def times(self, share: float) -> "Steps":
        """The same corners, lap time and chance, each change of place and speed only this share as large."""
        return replace(
            self,
            brake_point_m=share * self.brake_point_m,
            min_speed_kmh=share * self.min_speed_kmh,
            full_throttle_m=share * self.full_throttle_m,
        )

    def speed_kmh(self, fast: bool) -> float:
        """Most by which one outing may raise a slowest speed [km/h].

        Wider steps hold for `fast` corners no more than the usual ones: the notes name that cap to the driver.
        """
        return min(self.min_speed_kmh, Steps.min_speed_kmh) * self.fast_share if fast else self.min_speed_kmh


@dataclass(frozen=True)
class Mark:
    """Where something is now and where it should be next."""

    now: float
    next: float


@dataclass(frozen=True)
class CornerTarget:
    """What must change in one corner for the next step."""

    corner: str
    phases: tuple[str, ...]  #: phases that are raised
    build_up: bool
    worth_s: float  #: lap time that the changes in this corner add to those before it in the list [s]
    brake_point_m: Mark | None  #: station where braking begins; None: no braking here [m]
    min_speed_kmh: Mark  #: [km/h]
    full_throttle_m: Mark | None  #: station where full drive begins; None: not reached in the zone [m]
    exit_speed_kmh: Mark | None  #: at the end of the exit; None: no exit before the next corner [km/h]
    lift_m: Mark | None = None  #: station where the throttle closes; None: not too early before the brake [m]


@dataclass(frozen=True)
class Target:
    """Realistic lap times for this driver in this car."""

    shown_s: float  #: own phases as the driver repeats them, joined so that the speed is continuous
    next_step: Interval  #: [s]
    chance: float  #: that the best lap up to the end of that outing reaches the step
    limit_s: float  #: a bound, never a target
    limit_with_transitions_s: float  #: the limit for a driver who changes pedals as this one does
    transitions: Transitions
    best_phases_sum_s: float  #: best time of each phase simply added up: not drivable
    corners: tuple[CornerTarget, ...]
    repeat_s: float  #: part of the step that the best lap has shown already, and no corner adds [s]
    outing: int  #: how many outings ahead the step looks
    held_by: str = ""  #: why no more is asked for: "chance", "lap_share" or "steps"
    no_step: str = ""  #: why the next step is not to be claimed; empty where it may be

    @property
    def phases_gap_s(self) -> float:
        """By how much the added-up best phases are faster than a lap that joins them. [s]"""
        return self.shown_s - self.best_phases_sum_s

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON; keys end in their unit."""

        def mark(value: Mark | None, digits: int) -> dict[str, float] | None:
            return None if value is None else {"now": round(value.now, digits), "next": round(value.next, digits)}

        return {
            "outing": self.outing,
            "shown_s": round(self.shown_s, 3),
            "next_step_s": None
            if self.no_step
            else {
                "value": round(self.next_step.value, 3),
                "low": round(self.next_step.low, 3),
                "high": round(self.next_step.high, 3),
                "chance": round(self.chance, 2),
            },
            "no_step": self.no_step,
            "held_by": "" if self.no_step else self.held_by,
            "repeat_s": round(self.repeat_s, 3) + 0.0,
            "limit_s": round(self.limit_s, 3),
            "limit_with_transitions_s": round(self.limit_with_transitions_s, 3),
            "transitions": {
                "onset_s": round(self.transitions.onset_s, 2),
                "release_s": round(self.transitions.release_s, 2),
                "pickup_s": round(self.transitions.pickup_s, 2),
            },
            "best_phases_sum_s": round(self.best_phases_sum_s, 3),
            "best_phases_gap_s": round(self.phases_gap_s, 3),
            "corners": [
                {
                    "name": corner.corner,
                    "phases": list(corner.phases),
                    "build_up": corner.build_up,
                    "worth_s": round(corner.worth_s, 3),
                    "brake_point_m": mark(corner.brake_point_m, 0),
                    "min_speed_kmh": mark(corner.min_speed_kmh, 1),
                    "full_throttle_m": mark(corner.full_throttle_m, 0),
                    "exit_speed_kmh": mark(corner.exit_speed_kmh, 1),
                    "lift_m": mark(corner.lift_m, 0),
                }
                for corner in (() if self.no_step else self.corners)
            ],
        }
