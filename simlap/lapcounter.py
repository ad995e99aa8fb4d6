"""The lap counter of a logger: where it changes, and numbers that stay unique when it starts anew."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from simlap.frozen import own
from simlap.session import Session

FLICKER_S = 8.0  # [s] a number that stands no longer than this is no lap's: the shortest lap takes longer
BLIP_S = 1.0  # [s] a number that stands no longer, in the midst of another, is a row that the logger lost
# A number further than the first from a whole one is a part of a lap; a counter of parts has more of them than this.
PART, MOSTLY_PARTS = 0.02, 0.5
SAME_LAP = 0.02  # share of the usual lap: how alike the distances are that a car drives from line to line
MOST_TOLD = 3  # restarts told in one note


@dataclass(frozen=True, eq=False)
class Changes:
    """Changes of a lap counter in driving order; arrays of shape (n,)."""

    t: np.ndarray  #: first row of the new number [s]
    was: np.ndarray
    to: np.ndarray

    def __post_init__(self) -> None:
        own(self, "t")
        own(self, "was", "to", dtype=int)

    def between(self, start: float, stop: float) -> "Changes":
        """Those that lie between two times. [s]"""
        keep = (self.t > start) & (self.t < stop)
        return Changes(self.t[keep], self.was[keep], self.to[keep])


def counter_changes(session: Session) -> Changes:
    """Changes of the channel `lap`, up or down; a number that only flickers up, or rows that are lost, are passed over.

    The first and the last number may stand as briefly as they like: there the log begins and ends.
    """
    value = session.channel("lap")
    rows = np.flatnonzero(np.isfinite(value))
    t, number = _stretches(session.t[rows], _whole(value[rows]))
    for lost in (_mostly_brief, _in_the_midst):
        keep = ~(lost(number, np.diff(t, append=np.inf) <= BLIP_S))
        t, number = _stretches(t[keep], number[keep])
    steady = np.diff(t, append=np.inf) > FLICKER_S
    steady[0] = True
    t, number = _stretches(t[steady], number[steady])
    at = np.flatnonzero(np.diff(number)) + 1
    return Changes(t[at], number[at - 1], number[at])


def _whole(value: np.ndarray) -> np.ndarray:
    """Numbers of a counter: whole ones, or, where it counts parts of laps as well, the whole laps that are over."""
    nearest = np.round(value)
    if np.mean(np.abs(value - nearest) > PART) > MOSTLY_PARTS:
        nearest = np.floor(value)
    return nearest.astype(int)


def _mostly_brief(number: np.ndarray, brief: np.ndarray) -> np.ndarray:
    """Brief stretches of a number that stands briefly most times: what the logger writes when it has none."""
    _, which = np.unique(number, return_inverse=True)
    return brief & (np.bincount(which, brief)[which] > 0.5 * np.bincount(which)[which])


def _in_the_midst(number: np.ndarray, brief: np.ndarray) -> np.ndarray:
    """Brief stretches with the same number before and behind."""
    out = np.zeros(number.size, dtype=bool)
    out[1:-1] = brief[1:-1] & (number[:-2] == number[2:])
    return out


def _stretches(t: np.ndarray, number: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Start and number of each stretch of one number."""
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    return t[starts], number[starts]


def a_lap_apart(s: np.ndarray, rises: np.ndarray) -> np.ndarray:
    """Which marks at distances `s` [m] lie a usual lap from a neighbour; usual is what lies between two rises."""
    driven = np.diff(s)
    between = driven[rises[:-1] & rises[1:]]
    usual = float(np.median(between if between.size else driven))
    alike = np.abs(driven - usual) < SAME_LAP * usual
    return np.concatenate([alike, [False]]) | np.concatenate([[False], alike])


def numbered_on(logged: Iterable[int]) -> list[int]:
    """Lap numbers that rise from 1 or more: the logged ones, carried on from where they would not rise."""
    numbers: list[int] = []
    last, more = 0, 0
    for number in logged:
        if number + more <= last:
            more = last + 1 - int(number)
        last = int(number) + more
        numbers.append(last)
    return numbers


def numbering_notes(times: np.ndarray, logged: np.ndarray, numbers: list[int]) -> tuple[str, ...]:
    """Says so where the laps that begin at `times` [s] are not numbered as they are logged."""
    more = np.asarray(numbers) - logged
    anew = np.flatnonzero(np.diff(more, prepend=0))
    if anew.size == 0:
        return ()
    told = [f"from {times[i]:.1f} s on its lap {logged[i]} is lap {numbers[i]} here" for i in anew[:MOST_TOLD]]
    rest = f", and so on {anew.size - MOST_TOLD} times more" if anew.size > MOST_TOLD else ""
    return (f"The lap counter of the log starts anew: laps are numbered on, {', '.join(told)}{rest}.",)
