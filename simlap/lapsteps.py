"""Trends and steps in the times of laps that chance does not explain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.chance import SCATTER

# Of fewer laps no order is rare, perfect or not; of four or five none is rare enough by itself (one of 120 rises or
# falls throughout), and a line through them has to be clear as well.
LEAST_LAPS, ORDERED_LAPS = 4, 6
# Chance of such laps without a change; the usual stricter choice, no source. Kendall's tau for the order of the laps,
# Student's t for the rest; where several places or splits are tried, for all of them together (Bonferroni).
RARE = 0.01
# Change from the first counted lap to the last, as shares of the lap time. Drivers get faster too: 60 seeded ones
# who cure up to 12 % of their deficits from lap to lap gained 2.2 % at most over 8 laps, 3.0 % over 16; none lost.
RISES, FALLS = 0.015, 0.03
# Laps on either side of a step. Two in a row are often slow for one cause that passes: cold tyres, another car.
LEAST_GROUP = 3


@dataclass(frozen=True)
class Trend:
    """A clear trend of the counted laps."""

    change_s: float  #: from the first counted lap to the last; positive: lap times rise [s]
    share: float  #: the same as a share of the median lap

    @property
    def later_s(self) -> float:
        """How much slower the later laps are; negative: faster. [s]"""
        return self.change_s

    @property
    def sentence(self) -> str:
        """What was seen, and what to do about it."""
        verb, why = "rise", "most likely the track or the tyres changed"
        if self.change_s < 0.0:
            verb, why = "fall", "most likely the track or the tyres changed, or the driver has much to learn here"
        return (
            f"Lap times {verb} from lap to lap, by {abs(self.change_s):.1f} s ({100.0 * abs(self.share):.1f} %) in "
            f"all: {why}. Choose laps of like conditions with --laps."
        )


@dataclass(frozen=True)
class Step:
    """Consecutive laps that took another time than the others, by more than the scatter of both explains."""

    run: tuple[int, ...]  #: numbers of the consecutive laps; the first ones where both groups are consecutive
    others: tuple[int, ...]  #: numbers of the other laps
    change_s: float  #: mean of `run` less mean of `others` [s]
    share: float  #: the same as a share of the mean of the faster group
    chance: float  #: of so clear a step at any place among laps that are all alike

    @property
    def later_s(self) -> float:
        """How much slower the later laps are; negative: faster. Of a run in the middle, that run. [s]"""
        return self.change_s if self.run[0] > self.others[0] else -self.change_s

    @property
    def is_progress(self) -> bool:
        """Whether the later laps are the faster ones, as a driver's who learns."""
        return self.change_s > 0.0 and self.others[0] > self.run[-1]

    def words(self, where: str = "") -> str:
        """Which laps were faster or slower than which, without a full stop."""
        how = "slower" if self.change_s > 0.0 else "faster"
        return f"{lap_list(self.run)} were {abs(self.change_s):.1f} s {how}{where} than {lap_list(self.others)}"

    @property
    def sentence(self) -> str:
        """What was seen, and what to do about it."""
        words = self.words()
        return (
            f"{words[0].upper()}{words[1:]} ({100.0 * abs(self.share):.1f} %), more than the laps of either group "
            "scatter: another driver, other tyres, rain? Choose laps of like conditions with --laps."
        )


def lap_list(numbers: Sequence[int]) -> str:
    """Lap numbers in words: "laps 1 to 3", "laps 1 to 3, 8 and 10"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    texts = []
    for run in runs:
        texts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    words = f"{', '.join(texts[:-1])} and {texts[-1]}" if len(texts) > 1 else texts[0]
    return f"lap{'s' * (len(numbers) > 1)} {words}"


def lap_trend(
    numbers: Sequence[int] | np.ndarray,
    lap_times: Sequence[float] | np.ndarray,
    counted: Sequence[bool] | np.ndarray | None = None,
    *,
    least: tuple[float, float] = (RISES, FALLS),
) -> Trend | None:
    """The trend of lap times, None where none is clear.

    Parameters
    ----------
    numbers : int array, shape (m,)
        Lap numbers, rising; laps set aside leave gaps.
    lap_times : float64 array, shape (m,)
        Of the counted laps, and of others that tell of the conditions. [s]
    counted : bool array, shape (m,), optional
        Which laps count, all by default. Whether there is a trend is asked of all laps, its size of these alone: slow
        laps before a row of even ones do no harm.
    least : (float, float)
        Smallest rise and smallest fall that are told, as shares of the lap time. [1]

    Notes
    -----
    Kendall's tau for the order, the median of the pairwise slopes (Theil and Sen) for the size: one slow lap moves
    neither. Too few laps for that have to be in perfect order and near a line.
    """
    from scipy.stats import theilslopes

    x, y = np.asarray(numbers, dtype=float), np.asarray(lap_times, dtype=float)
    own = np.ones(y.size, dtype=bool) if counted is None else np.asarray(counted, dtype=bool)
    if y.size < LEAST_LAPS or own.sum() < 2:
        return None
    change = float(theilslopes(y[own], x[own]).slope * (x[own][-1] - x[own][0]))
    share = change / float(np.median(y[own]))
    if not (share >= least[0] or share <= -least[1]) or not _in_order(x, y):
        return None
    return Trend(change, share)


def _in_order(x: np.ndarray, y: np.ndarray) -> bool:
    """Whether y (m,) rises or falls with x (m,) as laps without a trend hardly ever do."""
    from scipy.stats import kendalltau, t

    if y.size >= ORDERED_LAPS:
        return bool(kendalltau(x, y).pvalue <= RARE)
    if not ((np.diff(y) > 0.0).all() or (np.diff(y) < 0.0).all()):
        return False
    off = x - x.mean()
    slope = float(off @ y) / float(off @ off)
    freedom = y.size - 2
    deviation = scatter_about(float(np.sum((y - y.mean() - slope * off) ** 2)), freedom, SCATTER * float(np.median(y)))
    return bool(2.0 * t.sf(abs(slope) * np.sqrt(off @ off) / deviation, freedom) <= RARE)


def scatter_about(squares: np.ndarray | float, freedom: np.ndarray | float, usual: float) -> np.ndarray:
    """Deviation of single laps [s] from the sum of `squares` about what is fitted [s²]; never below the `usual` [s].

    Three laps that happen to be alike do not make a driver who never varies.
    """
    return np.sqrt(np.maximum(squares / freedom, usual**2))


def step_in(
    numbers: Sequence[int] | np.ndarray,
    times: Sequence[float] | np.ndarray,
    usual: float,
    *,
    places: int = 1,
) -> Step | None:
    """The clearest step of the times of laps, None where chance makes one as clear.

    Parameters
    ----------
    numbers : int array, shape (m,)
        Lap numbers, rising.
    times : float64 array, shape (m,)
        Of whole laps, or through one place. [s]
    usual : float
        Scatter from lap to lap that is usual of such times. [s]
    places : int
        How many places are asked.

    Notes
    -----
    Every run of consecutive laps against all others, with all laps or any one of them left out for a slip, by
    Student's t with one scatter for both groups; the chance of the clearest is multiplied by how many were tried, at
    all places (Bonferroni).
    """
    from scipy.stats import t

    laps, y = np.asarray(numbers), np.asarray(times, dtype=float)
    inside = _runs(y.size)
    if not inside.size:
        return None
    kept = ~np.vstack([np.zeros((1, y.size), dtype=bool), np.eye(y.size, dtype=bool)])  # all laps, or all but one
    off = y - np.median(y)
    (n, sum_, squares), (others, sum_others, squares_others) = (
        [group.astype(float) @ (kept * power).T for power in (1.0, off, off**2)] for group in (inside, ~inside)
    )
    enough = (n >= LEAST_GROUP) & (others >= LEAST_GROUP)
    n, others = np.maximum(n, 1.0), np.maximum(others, 1.0)
    change = sum_ / n - sum_others / others
    left = np.maximum(squares + squares_others - sum_**2 / n - sum_others**2 / others, 0.0)
    freedom = np.maximum(n + others - 2.0, 1.0)
    apart = np.abs(change) / (scatter_about(left, freedom, usual) * np.sqrt(1.0 / n + 1.0 / others))
    chances = np.where(enough, 2.0 * t.sf(apart, freedom) * int(enough.sum()) * places, np.inf)
    row, column = np.unravel_index(int(np.argmin(chances)), chances.shape)
    if chances[row, column] > RARE:
        return None
    one, other = inside[row] & kept[column], ~inside[row] & kept[column]
    step = float(change[row, column])
    return Step(
        run=tuple(int(number) for number in laps[one]),
        others=tuple(int(number) for number in laps[other]),
        change_s=step,
        share=step / min(float(y[one].mean()), float(y[other].mean())),
        chance=float(chances[row, column]),
    )


def _runs(laps: int) -> np.ndarray:
    """Runs of consecutive laps with enough laps in them and beside them, bool (runs, laps); each split once."""
    found = []
    for start in range(laps):
        for stop in range(start + LEAST_GROUP, laps + (start == 0)):
            if laps - (stop - start) >= LEAST_GROUP:
                found.append((np.arange(laps) >= start) & (np.arange(laps) < stop))
    return np.array(found)


def lap_step(numbers: Sequence[int] | np.ndarray, lap_times: Sequence[float] | np.ndarray) -> Step | None:
    """A step of the times (m,) of the counted laps that no driver's progress explains, None where there is none."""
    if len(lap_times) < 2 * LEAST_GROUP:
        return None
    step = step_in(numbers, lap_times, SCATTER * float(np.median(lap_times)))
    return step if step is not None and abs(step.share) >= (FALLS if step.is_progress else RISES) else None


def unlike_laps(
    numbers: Sequence[int] | np.ndarray,
    lap_times: Sequence[float] | np.ndarray,
    counted: Sequence[bool] | np.ndarray | None = None,
) -> Trend | Step | None:
    """What tells that laps were driven in unlike conditions: the clearer of trend and step; None where nothing does.

    Parameters as in `lap_trend`.
    """
    own = np.ones(len(lap_times), dtype=bool) if counted is None else np.asarray(counted, dtype=bool)
    x, y = np.asarray(numbers)[own], np.asarray(lap_times, dtype=float)[own]
    trend, step = lap_trend(numbers, lap_times, counted), lap_step(x, y)
    if trend is None or step is None:
        return trend or step
    line = float(np.polyfit(x, y, 1, full=True)[1][0]) if y.size > 2 else 0.0
    within = sum(float(y[rows].var() * rows.sum()) for rows in (np.isin(x, step.run), ~np.isin(x, step.run)))
    return step if within < line else trend
