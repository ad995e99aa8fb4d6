"""What a pedal's sensor reads and no foot does: spikes, a logger's error values, and a sensor that has died."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simlap.lap_types import LapSet
from simlap.motion_types import Motion
from simlap.noted import Kind, Note
from simlap.sensors import heard
from simlap.session import Session
from simlap.spans import Span, true_spans
from simlap.units import PA_TO_BAR

WORDS = {"throttle": "throttle", "brake_pressure": "brake pressure", "brake": "brake pedal"}
# A value that comes and goes within this is no foot's. At 25 rows a second and more it is one row; at fewer a single
# row may be a foot that left the throttle for a change of gear. Common practice, no source.
SPIKE_S = 0.045  # [s]
SPIKE = 0.25  # of full, or of the pressure that is reached in a fiftieth of the log (`OFTEN`): less is noise
LEAST_PRESSURE = 5.0 / PA_TO_BAR  # [Pa] of a spike
OFTEN = 0.98  # [1] quantile
# What a pedal's channel cannot read where its unit is right: a share far beyond full, a pressure that no brake circuit
# holds (race cars reach 150 bar; common practice, no source). On more of the rows than `RARE` it is the unit.
BEYOND = {"throttle": (-0.2, 1.2), "brake": (-0.2, 1.2), "brake_pressure": (-50.0 / PA_TO_BAR, 400.0 / PA_TO_BAR)}
RARE = 0.02  # [1] of the rows
# A pedal that moves by less than this share of all it ever moved, for longer than the quickest lap takes, stands still.
STILL = 0.02  # [1]
BIN = 1.0  # [s] in which movement is looked for
# It is its sensor that has died where the car meanwhile did what this pedal does for at least this share of the time
# that it did so elsewhere. A throttle held open over a lap of an oval, or a brake that is not needed there, does not
# let the car slow as it does under the brake. Common practice, no source.
AS_USUAL = 0.5  # [1]
MOVED = 0.1  # [1] of all that a pedal moves: pressed, or let go


def without_wild_pedals(session: Session) -> Session:
    """The session without spikes and error values of its pedals, each kind counted in a note."""
    channels, notes = dict(session.channels), []
    for name, words in WORDS.items():
        if not session.has(name):
            continue
        value = np.array(session.channel(name))
        spikes = _spikes(session.t, value, name)
        value[spikes] = np.nan
        low, high = BEYOND[name]
        beyond = np.isfinite(value) & ((value < low) | (value > high))
        if beyond.sum() > RARE * np.isfinite(value).sum():
            beyond[:] = False
        value[beyond] = np.nan
        told = ((spikes, "jump away and back faster than a foot"), (beyond, "lie beyond what it can read"))
        notes += [f"{words}: {left.sum()} values {what}; left out.".capitalize() for left, what in told if left.any()]
        channels[name] = value
    return replace(session, channels=channels, notes=(*session.notes, *notes)) if notes else session


def _spikes(t: np.ndarray, value: np.ndarray, name: str) -> np.ndarray:
    """Rows (n,) at which a pedal jumps away and back within `SPIKE_S`, values that are written again counted as one.

    A throttle is only taken to jump open: closed for so short a time it may be the engine's cut at a change of gear.
    """
    out = np.zeros(t.size, dtype=bool)
    rows = np.flatnonzero(np.isfinite(value))
    if rows.size == 0:
        return out
    first = np.append(0, np.flatnonzero(np.diff(value[rows])) + 1)  # of each run of equal values
    if first.size < 3:
        return out
    level, starts = value[rows[first]], t[rows[first]]
    least = SPIKE
    if name == "brake_pressure":
        least = max(LEAST_PRESSURE, SPIKE * float(np.quantile(value[rows], OFTEN)))
    before, behind = level[1:-1] - level[:-2], level[1:-1] - level[2:]
    away = np.where(before * behind > 0.0, np.sign(before) * np.minimum(np.abs(before), np.abs(behind)), 0.0)
    jumps = away > least if name == "throttle" else np.abs(away) > least
    runs = np.flatnonzero(jumps & (starts[2:] - starts[1:-1] <= SPIKE_S)) + 1
    for run in runs.tolist():
        out[rows[first[run] : first[run + 1]]] = True
    return out


def without_dead_pedals(session: Session, motion: Motion, lapset: LapSet) -> Session:
    """The session with pedals unknown where their sensor stands still while the car is driven as on the other laps."""
    flying = np.zeros(motion.t.size, dtype=bool)
    for lap in lapset.flying:
        flying |= (motion.t >= lap.start_s) & (motion.t < lap.stop_s)
    channels, notes = dict(session.channels), []
    for name in WORDS:
        rows = np.flatnonzero(np.isfinite(session.channel(name))) if session.has(name) else np.zeros(0, dtype=int)
        if rows.size < 2 or not flying.any():
            continue
        t, value = session.t[rows], session.channel(name)[rows]
        shortest = min(lap.time_s for lap in lapset.flying)
        still = _still(t, value, shortest)
        rests = flying & ~_inside(motion.t, t, still)
        pedal = np.interp(motion.t, t, value)
        kept = np.array(session.channel(name))
        for a, b in still:
            here = flying & (motion.t >= t[a]) & (motion.t <= t[b - 1])
            if _driven_as_usual(name, motion, pedal, here, rests, shortest):
                kept[rows[a:b]] = np.nan
                notes.append(_dead_note(name, t[a], t[b - 1], float(np.median(value[a:b])), lapset))
        channels[name] = kept
    return replace(session, channels=channels, notes=(*session.notes, *notes)) if notes else session


def _still(t: np.ndarray, value: np.ndarray, least: float) -> list[Span]:
    """Ranges of the rows `t`, `value` (n,) over which a pedal stands still for `least` seconds or more."""
    slack = STILL * float(np.ptp(value))
    bins = np.floor((t - t[0]) / BIN).astype(int)
    count, width = int(bins[-1]) + 1, max(int(least / BIN), 1)
    if slack == 0.0 or count < width:
        return []
    known = heard(t, t[0] + BIN * (np.arange(count) + 0.5))  # what it does while it is silent is not known
    low, high = np.where(known, np.inf, -np.inf), np.where(known, -np.inf, np.inf)
    np.minimum.at(low, bins, value)
    np.maximum.at(high, bins, value)
    windows = np.lib.stride_tricks.sliding_window_view
    starts = np.flatnonzero(windows(high, width).max(axis=1) - windows(low, width).min(axis=1) <= slack)
    covered = np.zeros(count, dtype=bool)
    for start in starts.tolist():
        covered[start : start + width] = True
    found = []
    for first, stop in true_spans(covered):
        a, b = int(np.searchsorted(bins, first)), int(np.searchsorted(bins, stop))
        moved = np.flatnonzero(np.abs(value - np.median(value[a:b])) > slack)
        before, behind = moved[moved < a], moved[moved >= b]
        found.append((int(before[-1]) + 1 if before.size else 0, int(behind[0]) if behind.size else value.size))
    return found


def _inside(at: np.ndarray, t: np.ndarray, spans: list[Span]) -> np.ndarray:
    """Which times `at` (n,) lie in one of the spans of rows `t`. [s]"""
    inside = np.zeros(at.size, dtype=bool)
    for a, b in spans:
        inside |= (at >= t[a]) & (at <= t[b - 1])
    return inside


def _driven_as_usual(
    name: str, motion: Motion, pedal: np.ndarray, here: np.ndarray, rests: np.ndarray, lap: float
) -> bool:
    """Whether the car does `here`, for as many laps of `lap` seconds as there are, what it does under this pedal in the
    `rests` of the laps: slow under the brake; speed up with the throttle open, and slow with it closed."""
    laps = int((here.sum() * (motion.t[1] - motion.t[0]) + BIN) / lap)
    if laps == 0 or not rests.any():
        return False
    low, high = float(pedal[rests].min()), float(pedal[rests].max())
    moved = MOVED * (high - low)
    does = [(-motion.a_lon, pedal > low + moved)]
    if name == "throttle":
        does = [(motion.a_lon, pedal > high - moved), (-motion.a_lon, pedal < low + moved)]
    whole_laps = laps * lap / (motion.t[1] - motion.t[0])
    for a, under in does:
        if not (rests & under).any():
            return False
        usual = float(np.median(a[rests & under]))
        if (a[here] >= usual).sum() < AS_USUAL * whole_laps * (a[rests] >= usual).mean():
            return False
    return True


def _dead_note(name: str, start: float, stop: float, value: float, lapset: LapSet) -> Note:
    laps = [lap.number for lap in lapset.flying if lap.start_s < stop - BIN and lap.stop_s > start + BIN]
    where = f"laps {laps[0]} to {laps[-1]}" if len(laps) > 1 else f"lap {laps[0]}"
    reads = f"{PA_TO_BAR * value:.1f} bar" if name == "brake_pressure" else f"{100.0 * value:.0f} %"
    return Note(
        f"The {WORDS[name]} stands at {reads} from {start:.0f} to {stop:.0f} s ({where}) while the car brakes and "
        "speeds up as on the other laps: it counts as unknown there.",
        Kind.DEAD_PEDAL,
    )
