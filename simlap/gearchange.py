"""What gear changes cost: time in the exits that no driver gets back by driving better.

The limit profile changes gear in no time, so a change is charged to the exit that holds it. Here each counted lap is
solved twice with all its behaviour kept: as driven, and with the pull carried straight over every change of gear.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from simlap.driven import Driven
from simlap.kept import kept_limits
from simlap.line import Line
from simlap.phases import EXIT, PHASES, PhaseMap
from simlap.solver import solve_batch

# From so long before a change to so long behind it the pull is carried over: the change itself, and half a period of
# the motion's 2 Hz bandwidth on either side.
BEFORE, BEHIND = 0.4, 0.6  # [s]
# Engine speed per road speed falls by this much where a higher gear is taken; neighbouring gears are 15 to 50 % apart.
RATIO_FALLS, WITHIN = 0.08, 0.25  # share, [s]
# A change counts where the car pulls before and behind it.
PULLS = 0.2  # [m/s²]
# Without a gear for longer than this (a stand, a roll in neutral, a gap in the channel) the car changes no gear: a slow
# change by hand leaves neutral in less.
NEUTRAL = 1.0  # [s]
MOSTLY = 0.5  # share of an exit on which the channel must be known; an empty exit costs nothing


def gear_change_cost(
    line: Line,
    packed: np.ndarray,
    laps: Sequence[Driven],
    channels: Mapping[str, np.ndarray],
    phases: PhaseMap,
    grip: np.ndarray,
) -> np.ndarray | None:
    """Mean time that the laps' changes to a higher gear cost, per phase, (p,) [s]; None where no channel tells.

    A lap counts in the exits on most of which its channel is known.

    Parameters
    ----------
    line, phases : Line, PhaseMap
        Common path of n stations, and the phase of each.
    packed : float64 array, shape (ENVELOPE_SIZE,)
        The envelope.
    laps : sequence of Driven
        Counted laps on `line`.
    grip : float64 array, shape (n,)
        Factor on the grip of each station.
    channels : mapping
        ``gear`` or ``engine_speed`` [rad/s] of the laps at the stations, each (laps, n); NaN where unknown.
    """
    if not {"gear", "engine_speed"} & channels.keys():
        return None
    told = channels["gear" if "gear" in channels else "engine_speed"]
    exits = np.arange(EXIT, phases.count, PHASES)
    cost, known = np.zeros((2, phases.count))
    for row, lap in enumerate(laps):
        at = _up_shifts(lap, {name: values[row] for name, values in channels.items()})
        healed = _carried_over(lap, at)
        everything = kept_limits(lap, phases, np.ones((1 + exits.size, phases.count), dtype=bool), grip=grip)
        pull = np.array(everything.own_drive)
        for k, phase in enumerate(exits):
            here = phases.stretches[phase]
            pull[1 + k, here] = healed[here]
        time = np.asarray(solve_batch(line, packed[None, :], replace(everything, own_drive=pull)).lap_time)
        finite = [np.isfinite(told[row, phases.stretches[phase]]) for phase in exits]
        holds = np.array([there.sum() > MOSTLY * there.size for there in finite])
        cost[exits] += np.where(holds, np.maximum(time[0] - time[1:], 0.0), 0.0)
        known[exits] += holds
    return cost / np.maximum(known, 1.0)


def _up_shifts(lap: Driven, channels: Mapping[str, np.ndarray]) -> np.ndarray:
    """Stations at which a higher gear is taken; the lap's end is followed by its start."""
    t, stations = lap.t, lap.v.size
    if "gear" in channels:
        gear = np.round(channels["gear"])
        geared = np.flatnonzero(gear > 0.0)  # neither neutral nor unknown
        behind = np.roll(geared, -1)
        without = (t[behind] - t[geared]) % lap.lap_time - lap.dt[geared]
        rises = (gear[behind] > gear[geared]) & (without <= NEUTRAL)
        return (geared + (behind - geared) % stations // 2)[rises] % stations
    ratio = channels["engine_speed"] / lap.v
    later, before = (np.interp(t + shift, t, ratio, period=lap.lap_time) for shift in (WITHIN, -WITHIN))
    falls = 1.0 - later / before
    falls[~np.isfinite(falls)] = 0.0
    peaks = (falls > RATIO_FALLS) & (falls >= np.roll(falls, 1)) & (falls > np.roll(falls, -1))
    return np.flatnonzero(peaks)


def _carried_over(lap: Driven, at: np.ndarray) -> np.ndarray:
    """The closed lap's accelerations (n,) with a straight line over each change of gear where it lies above them."""
    t = np.concatenate([lap.t - lap.lap_time, lap.t, lap.t + lap.lap_time])
    out = np.array(lap.a)
    for station in at:
        first, last = np.searchsorted(t, [lap.t[station] - BEFORE, lap.t[station] + BEHIND])
        inside = np.arange(first, last + 1) % out.size
        pull = lap.a[inside]
        if pull[0] > PULLS and pull[-1] > PULLS:
            over = np.interp(t[first : last + 1], t[[first, last]], pull[[0, -1]])
            out[inside] = np.maximum(out[inside], over)
    return out
