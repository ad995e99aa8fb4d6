"""Logs that are compared are read from what all of them hold: a channel that one lacks would move its limits alone.

Fitted with the throttle and without it, the drive limit of the very same laps differs by 0.25 s of a lap; the lateral
limit of the same drive differs by as much where one receiver gives 25 fixes a second and the other 5, and nothing else
tells of the path.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from simlap.analysis import Prepared, prepare
from simlap.errors import NotEnoughData
from simlap.laptable import LapTable
from simlap.options import Options
from simlap.pedals import throttle_of
from simlap.sensors import median_rate
from simlap.session import POSITIONS, Session

# Channels of the receiver; those that come with the positions are thinned with them.
RECEIVER = ("speed", "course")
SPEEDS = {"speed", "wheel_speed"}
# With these a motion holds between the fixes: 25 and 5 fixes a second then read alike.
ALONG, ACROSS = "a_lon", ("a_lat", "yaw_rate")
# Rates within this share of each other are one: receivers lose fixes.
SAME_RATE = 0.2  # [1]
WORDS = {
    "speed": "speed",
    "course": "course",
    "a_lon": "longitudinal acceleration",
    "a_lat": "lateral acceleration",
    "yaw_rate": "yaw rate",
    "sideslip": "sideslip",
}
THROTTLE_DOUBT = (
    " Without it a driver who opens the throttle better may pass for more engine: log it on each side to have the "
    "drive limit judged well."
)


def on_shared_evidence(logs: Sequence[Prepared], options: Options) -> tuple[tuple[Prepared, ...], tuple[str, ...]]:
    """The same logs, each read from the channels that all of them hold, at one rate; and what was left out.

    Parameters
    ----------
    logs : sequence of Prepared
        Of all sides, each read from all that it holds.

    Raises
    ------
    NotEnoughData
        When a log has no path, or no lap that counts, without what another one lacks.
    """
    used = [_used(one) for one in logs]
    shared = set.intersection(*used)
    every = _every(logs, shared)
    read = [
        one if has == shared and nth == 1 else _again(one, options, has - shared, nth)
        for one, has, nth in zip(logs, used, every, strict=True)
    ]
    told = _told_of_channels(logs, used, shared)
    if max(every) > 1:
        thinned = "; ".join(
            f"{one.session.source}: one fix of {nth}" for one, nth in zip(logs, every, strict=True) if nth > 1
        )
        told.append(
            f"No inertial sensor tells in every log of the path between the fixes, so all are read at about the rate "
            f"of the slowest, {_slowest(logs):.0f} a second ({thinned})."
        )
    opens = [throttle_of(one.table, np.asarray(one.table.counted, dtype=bool)) is not None for one in read]
    if any(opens) and not all(opens):
        # an unusable throttle stays in its table: it has a caution of its own
        read = [
            replace(one, table=_without(one.table, "throttle")) if yes else one
            for one, yes in zip(read, opens, strict=True)
        ]
        told.append(_left_out(logs, [not yes for yes in opens], ["throttle"]) + THROTTLE_DOUBT)
    return tuple(read), tuple(told)


def _used(log: Prepared) -> set[str]:
    """Channels that the log's path was found from; a speed is one, the receiver's or the wheels'.

    With its slip taken out a wheel speed serves like a receiver's, and which of them a log's speed is taken for may
    change from outing to outing.
    """
    return {"speed" if name in SPEEDS else name for name in log.motion.used}


def _every(logs: Sequence[Prepared], shared: Collection[str]) -> list[int]:
    """Which fixes of each log are read, so that all have about as many a second: every first, second, third ..."""
    rates = [one.motion.quality.fixes_per_second for one in logs]
    if not all(rates) or (ALONG in shared and any(name in shared for name in ACROSS)):
        return [1] * len(logs)
    # where a logger drew straight lines between the fixes, most rows with a new position hold no fix
    fresh = [median_rate(one.session.t[_fixes(one.session)]) for one in logs]
    return [
        round(rate / min(rates)) if abs(rows - rate) < SAME_RATE * rate else 1
        for rate, rows in zip(rates, fresh, strict=True)
    ]


def _slowest(logs: Sequence[Prepared]) -> float:
    return min(one.motion.quality.fixes_per_second for one in logs)


def _fixes(session: Session) -> np.ndarray:
    """Rows that hold a new position (k,)."""
    pair = next(pair for pair in POSITIONS if all(session.has(name) for name in pair))
    return _fresh(session, pair)


def _fresh(session: Session, names: Sequence[str]) -> np.ndarray:
    """Rows (k,) in which a value of these channels is new."""
    values = np.array([session.channel(name) for name in names])
    rows = np.flatnonzero(np.isfinite(values).all(axis=0))
    new = np.ones(rows.size, dtype=bool)
    new[1:] = (np.diff(values[:, rows], axis=1) != 0.0).any(axis=0)
    return rows[new]


def _again(old: Prepared, options: Options, left_out: set[str], nth: int) -> Prepared:
    """The log read anew without the channels `left_out`, from every `nth` fix.

    What its accelerometers tell of the road stays, for the road is the same on all sides.
    """
    gone = {*left_out, *(SPEEDS if left_out & SPEEDS else ())}
    kept = {name: values for name, values in old.session.channels.items() if name not in gone}
    session = replace(old.session, channels=kept)
    try:
        new = prepare(_thinned(session, nth) if nth > 1 else session, old.track, options)
    except NotEnoughData as error:
        raise NotEnoughData(
            f"{old.session.source}: what it shares with the other logs does not carry a comparison ({error}) Log the "
            "same channels on all sides."
        ) from error
    table = new.table
    if np.array_equal(table.numbers, old.table.numbers):
        table = replace(table, across=old.table.across, along=old.table.along)
    lapset = replace(new.lapset, found_by=old.lapset.found_by, no_track=old.lapset.no_track)
    return replace(new, session=old.session, lapset=lapset, table=table)


def _thinned(session: Session, nth: int) -> Session:
    """The session with every `nth` fix, and the speed and course that came with it."""
    rows = _fixes(session)
    rate = median_rate(session.t[rows])
    names = [name for pair in POSITIONS for name in pair if session.has(name)]
    names += [
        name
        for name in RECEIVER
        if session.has(name) and abs(median_rate(session.t[_fresh(session, [name])]) - rate) < SAME_RATE * rate
    ]
    channels = dict(session.channels)
    for name in names:
        channels[name] = np.full(session.t.size, np.nan)
        channels[name][rows[::nth]] = session.channels[name][rows[::nth]]
    return replace(session, channels=channels)


def _without(table: LapTable, name: str) -> LapTable:
    return replace(table, channels={other: values for other, values in table.channels.items() if other != name})


def _told_of_channels(logs: Sequence[Prepared], used: Sequence[set[str]], shared: set[str]) -> list[str]:
    """One sentence for the channels of the path that the same logs lack."""
    by_lack: dict[tuple[bool, ...], list[str]] = {}
    for name in WORDS:
        if name not in shared and any(name in has for has in used):
            by_lack.setdefault(tuple(name not in has for has in used), []).append(WORDS[name])
    return [_left_out(logs, lacking, words) for lacking, words in by_lack.items()]


def _left_out(logs: Sequence[Prepared], lacking: Sequence[bool], words: Sequence[str]) -> str:
    it, is_ = ("they", "are") if len(words) > 1 else ("it", "is")
    return (
        f"{_named(logs, lacking)}: no usable {', '.join(words)}. In the other logs {it} {is_} left out as well, so "
        "that the limits of all sides are read alike."
    )


def _named(logs: Sequence[Prepared], chosen: Sequence[bool]) -> str:
    return ", ".join(one.session.source for one, yes in zip(logs, chosen, strict=True) if yes)
