"""The one thing not to change: a phase that is near the limit and alike from lap to lap."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlap.conditions import below_driven
from simlap.habit_laps import TRAFFIC
from simlap.habit_single import SINGLE_LOSS
from simlap.habits import spoken
from simlap.phases import PHASE_WORDS
from simlap.results import Finding, Priority
from simlap.track import inside

if TYPE_CHECKING:
    from simlap.results import Analysis

# What is worth keeping: loss (there, or down the straight behind it), and spread from lap to lap (middle half), as
# shares of the phase's time. Larger values would praise phases that a driver knows to be poor: common practice, no
# source.
KEEP_LOST, KEEP_SPREAD = 0.03, 0.04  # [1]
# Shorter phases are no achievement.
KEEP_TIME = 0.8  # [s]
# Fewer laps do not show that something is repeated.
KEEP_LAPS = 3
# A corner for which the limit profile gives up less than this asks for nothing but courage.
KEEP_SLOWS = 3.0  # [m/s]


@dataclass(frozen=True)
class PhaseUse:
    """How well one phase is driven."""

    corner: str
    phase: str
    lost_s: float  #: typical lap against the limit [s]
    time_s: float  #: of the typical lap [s]
    spread_s: float  #: from lap to lap, middle half of the counted laps [s]
    laps: int  #: counted laps
    slows: float  #: speed that the limit gives up for this corner [m/s]
    set_aside: bool = False  #: a lap that does not count was held up in this corner or left the track in it
    worth_s: float = 0.0  #: lap time gained if this phase alone were at the limit, also further on [s]
    no_bound: bool = False  #: the limit is slower in this corner than what was driven


def phase_uses(analysis: "Analysis") -> tuple[PhaseUse, ...]:
    """Loss and consistency of the braking and mid-corner phases; exits are mostly the engine's."""
    times = analysis.phases.sums(np.array([analysis.lap_driven[row].dt for row in analysis.counted]))
    typical = analysis.phases.sums(analysis.typical.dt)
    limit_v = np.asarray(analysis.limit.v)
    station, length = np.asarray(analysis.line.station), float(analysis.line.length)
    places = np.array(
        [lap.place_m for lap in analysis.lapset.flying if not lap.counted and lap.place_m is not None], dtype=float
    )
    below = {each.corner.name for each in below_driven(analysis)}
    uses = []
    for index, corner in enumerate(analysis.corners):
        numbers = [len(corner.phases) * index + k for k in range(len(corner.phases))]
        here = np.flatnonzero(np.isin(analysis.phases.phase, numbers[:2]))
        way_in = limit_v[here[np.argsort((station[here] - corner.zone.start) % length)]]
        slows = float((np.maximum.accumulate(way_in) - way_in).max(initial=0.0))
        set_aside = inside(places, corner.zone.start, corner.corner.exit_m, length).any()
        for number, phase in zip(numbers[:2], corner.phases[:2], strict=True):
            low, high = np.quantile(times[:, number], [0.25, 0.75])
            uses.append(
                PhaseUse(
                    corner=corner.corner.name,
                    phase=phase.name,
                    lost_s=phase.lost.value,
                    time_s=float(typical[number]),
                    spread_s=float(high - low),
                    laps=len(analysis.counted),
                    slows=slows,
                    worth_s=phase.gain_alone.value,
                    set_aside=bool(set_aside),
                    no_bound=corner.corner.name in below,
                )
            )
    return tuple(uses)


def best_used(uses: Sequence[PhaseUse], findings: Sequence[Finding], priorities: Sequence[Priority]) -> str:
    """One thing not to change: the phase nearest the limit and most consistent; empty where none is both."""
    taken = {(f.corner, f.phase) for f in findings if f.kind != TRAFFIC} | {(p.corner, p.phase) for p in priorities}
    lost_once = {f.corner for f in findings if f.kind == SINGLE_LOSS}
    good = [
        use
        for use in uses
        if use.time_s >= KEEP_TIME
        and use.slows >= KEEP_SLOWS
        and use.laps >= KEEP_LAPS
        and not use.set_aside
        and not use.no_bound  # nearness to a limit that is none says nothing
        and (use.corner, use.phase) not in taken
        and use.corner not in lost_once
        and max(use.lost_s, use.worth_s) <= KEEP_LOST * use.time_s  # a slow corner is paid for on the straight
        and use.spread_s <= KEEP_SPREAD * use.time_s
    ]
    if not good:
        return ""
    best = min(good, key=lambda use: (max(use.lost_s, 0.0) + use.spread_s) / use.time_s)
    near = "at the limit" if best.lost_s < 0.01 else f"{best.lost_s:.2f} s off the limit"
    return (
        f"{spoken(best.corner)}, {PHASE_WORDS[best.phase]}: {near}, and half of the {best.laps} laps lie within "
        f"{max(best.spread_s, 0.01):.2f} s of each other. Do not change it."
    )
