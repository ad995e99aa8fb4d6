"""Files joined to one session: which laps are whose, and whether they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from simlap.chance import SCATTER, without_slip
from simlap.lapsteps import LEAST_GROUP, RARE, scatter_about

if TYPE_CHECKING:
    from simlap.results import Analysis


@dataclass(frozen=True)
class UnlikeOutings:
    """Files joined to one session whose laps differ by more than the laps of each scatter."""

    slower: int  #: number of the file with the slower laps, counted from 1
    faster: int
    gap_s: float  #: between the means of their counted laps, those with a slip left out [s]

    @property
    def sentence(self) -> str:
        """What was seen, and what to do about it."""
        return (
            f"The joined files differ: the laps of file {self.faster} are {self.gap_s:.1f} s faster than those of file "
            f"{self.slower}, more than the laps of either scatter. Typical lap, limit and advice rest on both; compare "
            "them with 'simlap compare', and analyse one of them by itself. The chance is drawn from the spread within "
            "the files, about the last one's laps."
        )


def outing_of_lap(parts: Sequence[float], starts: np.ndarray) -> np.ndarray:
    """Index of the joined file that each lap belongs to; `parts` and `starts` (m,) on the clock of the log. [s]"""
    return np.maximum(np.searchsorted(np.asarray(parts, dtype=float), starts, side="right") - 1, 0)


def unlike_outings(outings: np.ndarray, lap_times: np.ndarray) -> UnlikeOutings | None:
    """The two joined files that differ most clearly by Student's t, None where no two do; slips are left out.

    Parameters
    ----------
    outings : int array, shape (m,)
        File of each lap, counted from 0; files with fewer than `LEAST_GROUP` laps are not asked.
    lap_times : float64 array, shape (m,)
        [s]
    """
    from scipy.stats import t

    y, usual = np.asarray(lap_times, dtype=float), SCATTER * float(np.median(lap_times))
    laps = [(int(one), y[outings == one]) for one in np.unique(outings)]
    groups = [(one, own[without_slip(own, usual)]) for one, own in laps if own.size >= LEAST_GROUP]
    pairs = list(combinations(groups, 2))
    found: list[tuple[float, UnlikeOutings]] = []
    for (one, first), (two, second) in pairs:
        freedom = first.size + second.size - 2
        squares = float(((first - first.mean()) ** 2).sum() + ((second - second.mean()) ** 2).sum())
        gap = float(first.mean() - second.mean())
        error = scatter_about(squares, freedom, usual) * np.sqrt(1.0 / first.size + 1.0 / second.size)
        chance = float(2.0 * t.sf(abs(gap) / error, freedom)) * len(pairs)
        slower, faster = (one, two) if gap > 0.0 else (two, one)
        found.append((chance, UnlikeOutings(slower + 1, faster + 1, abs(gap))))
    clearest = min(found, key=lambda each: each[0], default=None)
    return clearest[1] if clearest is not None and clearest[0] <= RARE else None


def within_outings(outings: np.ndarray, lap_times: np.ndarray) -> np.ndarray:
    """Lap times (m,) without what joined files differ by: each file's median at the last one's level. [s]

    What lies between two outings is no scatter of a driver from lap to lap. As they are where no two files differ
    clearly; laps of files with fewer than `LEAST_GROUP` stay.
    """
    y = np.array(lap_times, dtype=float)
    if unlike_outings(outings, y) is None:
        return y
    large = [one for one in np.unique(outings) if (outings == one).sum() >= LEAST_GROUP]
    level = float(np.median(y[outings == large[-1]]))
    for one in large:
        y[outings == one] += level - float(np.median(y[outings == one]))
    return y


def outings_of(analysis: Analysis) -> np.ndarray:
    """File of each counted lap, counted from 0."""
    return outing_of_lap(analysis.session.parts, np.asarray(analysis.table.session_start)[list(analysis.counted)])


def unlike_outings_of(analysis: Analysis) -> UnlikeOutings | None:
    """Files of an analysis that were joined though their laps differ."""
    times = np.array([analysis.lap_driven[row].lap_time for row in analysis.counted])
    return unlike_outings(outings_of(analysis), times)
