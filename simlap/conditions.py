"""Signs that laps were driven in unlike conditions: a trend of the lap times, a best lap below the limit lap."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.results import Analysis

# With fewer laps even a perfect order is no rare thing: of five laps, one order in 60 rises or falls throughout.
LEAST_LAPS = 6
# Chance of such an order without a trend (Kendall's tau); the usual stricter choice, no source.
RARE = 0.01
# Change from the first counted lap to the last, as shares of the lap time. Drivers get faster too: 60 seeded ones
# who cure up to 12 % of their deficits from lap to lap gained 2.2 % at most over 8 laps, 3.0 % over 16; none lost.
RISES, FALLS = 0.015, 0.03
# A best lap that beats the limit lap by less than this is as fast as it: lap times are printed to a hundredth.
SAME_TIME = 0.01  # [s]


@dataclass(frozen=True)
class Trend:
    """A clear trend of the counted laps."""

    change_s: float  #: from the first counted lap to the last; positive: lap times rise [s]
    share: float  #: the same as a share of the median lap

    @property
    def sentence(self) -> str:
        """What was seen, and what to do about it."""
        verb = "rise" if self.change_s > 0.0 else "fall"
        return (
            f"Lap times {verb} from lap to lap, by {abs(self.change_s):.1f} s ({100.0 * abs(self.share):.1f} %) in "
            "all: most likely the track or the tyres changed. Choose laps of like conditions with --laps."
        )


def lap_trend(numbers: Sequence[int] | np.ndarray, lap_times: Sequence[float] | np.ndarray) -> Trend | None:
    """The trend of lap times, None where none is clear.

    Parameters
    ----------
    numbers : int array, shape (m,)
        Lap numbers, rising; laps set aside leave gaps.
    lap_times : float64 array, shape (m,)
        Of the counted laps. [s]

    Notes
    -----
    Kendall's tau for the order, the median of the pairwise slopes (Theil and Sen) for the size: one slow lap moves
    neither.
    """
    from scipy.stats import kendalltau, theilslopes

    x, y = np.asarray(numbers, dtype=float), np.asarray(lap_times, dtype=float)
    if y.size < LEAST_LAPS:
        return None
    change = float(theilslopes(y, x).slope * (x[-1] - x[0]))
    share = change / float(np.median(y))
    if not (share >= RISES or share <= -FALLS) or kendalltau(x, y).pvalue > RARE:
        return None
    return Trend(change, share)


def trend_of(analysis: Analysis) -> Trend | None:
    """The trend of an analysis' counted laps."""
    rows = list(analysis.counted)
    return lap_trend(np.asarray(analysis.table.numbers)[rows], [analysis.lap_driven[row].lap_time for row in rows])


def beats_limit(analysis: Analysis) -> bool:
    """Whether the best counted lap is faster than the limit lap, which is then no bound."""
    return analysis.best_lap_s < analysis.limit_lap.value - SAME_TIME
