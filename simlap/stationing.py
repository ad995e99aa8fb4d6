"""Station of every sample of a lap: all laps at once, each within a window around where its odometer says it is."""

from __future__ import annotations

import numpy as np

from simlap.projection import Curve

WINDOW = 40.0  # [m] a foot further than this from the expected station is another part of the circuit
CANDIDATE = 4.0  # [m] step of the search within the window
SEARCH_STEP = 6.0  # [m] driven between the points that are searched; those between are refined from their neighbours
PULL = 0.15  # a foot 20 m from the expected station must be 3 m nearer to win
PASSES = 3  # each pass centres the window on the feet of the pass before
# A lap passes the reference's stations about as fast as it drives: 3 m inside of a hairpin of 8 m radius 1.6 times as
# fast. Where it is more than so many times faster or slower over so many metres, its nearest station is chance.
FOLLOWED, FOLLOWED_STEP, UNLIKE_PACE = 6.0, 2.0, 2.5  # [m], [m], [1]
# Up to here a reckoned lap's pace is its own line; beyond, where it lies is to blame. A line 2 m inside of a hairpin of
# 12 m radius is passed 1.2 times as fast. Laid over always, large circuits lose more than they gain (DEVELOPERS.md).
OWN_PACE = 1.2  # [1]
# No circuit is wider. A reckoned lap that lies further out lies there for its drift, or for a gap before it.
BESIDE = 15.0  # [m]
FADE = 60.0  # [m] over which a lap's ends are drawn onto the start line; a few decimetres are 1 % of its pace there
LEAST_ADVANCE = 1e-4  # [m] station gained from sample to sample, at least: t(station) rises strictly


def station_of_lap(curve: Curve, x: np.ndarray, y: np.ndarray, s: np.ndarray) -> np.ndarray:
    """Station (n,) of a full lap's samples, strictly rising from about 0 to about the line's length.

    Parameters
    ----------
    curve : Curve
        The closed reference line; the lap starts at its station 0.
    x, y, s : float64 arrays, shape (n,)
        The lap in the line's plane and its driven distance, strictly rising. [m]

    Notes
    -----
    Expected station = driven share of the lap times the length; three passes over windows of ±40 m follow a lap that is
    driven up to a few per cent longer or shorter. A straight alongside or a crossing lies outside the window.
    """
    driven = s - s[0]
    count = max(int(driven[-1] / SEARCH_STEP), 8)
    at = np.linspace(0.0, driven[-1], count + 1)
    points = np.column_stack([np.interp(at, driven, x), np.interp(at, driven, y)])
    expected = at * (curve.length / driven[-1])
    away = np.arange(-WINDOW, WINDOW + 0.5 * CANDIDATE, CANDIDATE)
    for _ in range(PASSES):
        candidates = expected[:, None] + away
        gap = points[:, None, :] - curve.at(candidates.ravel()).reshape(*candidates.shape, 2)
        cost = np.sum(gap * gap, axis=2) + (PULL * away) ** 2
        expected = np.maximum.accumulate(candidates[np.arange(count + 1), np.argmin(cost, axis=1)])
    guess = np.interp(driven, at, _eased(expected))
    foot = curve.foot(np.column_stack([x, y]), guess)
    stray = np.abs(foot - guess) > WINDOW
    foot[stray] = guess[stray]
    return strictly_rising(foot)


def not_followed(station: np.ndarray, driven: np.ndarray) -> float | None:
    """Station [m] where a lap passes the stations (n,) much faster or slower than the `driven` (n,) [m]; or None."""
    place, times = _worst_pace(station, driven)
    return place if times > UNLIKE_PACE else None


def _worst_pace(station: np.ndarray, driven: np.ndarray) -> tuple[float, float]:
    """Where a lap passes the stations (n,) most unlike the `driven` (n,) [m], and how many times as fast or slow."""
    at = np.arange(driven[0], driven[-1], FOLLOWED_STEP)
    there = np.interp(at, driven, station)
    step = round(FOLLOWED / FOLLOWED_STEP)
    if at.size <= step:
        return 0.0, 1.0
    passed = np.abs(np.log(np.maximum(there[step:] - there[:-step], 1e-6) / FOLLOWED))
    worst = int(np.argmax(passed))
    return float(there[worst]), float(np.exp(passed[worst]))


def station_of_path(
    curve: Curve, x: np.ndarray, y: np.ndarray, s: np.ndarray, closes: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Station, x and y (n,) of a full lap. One that was reckoned without positions, and so does not close, is laid over
    the line where it cannot be followed as it lies, lies beside it, or is then followed clearly better; the rest as
    `station_of_lap`.

    Reckoned laps drift away from each other lap by lap. A lap that lies 5 m inside of a kart hairpin of 12 m radius
    passes its stations 1.7 times as fast as it drives.
    """
    station = station_of_lap(curve, x, y, s)
    if closes:
        return station, x, y
    _, times = _worst_pace(station, s)
    beside = _beside(curve, station, x, y) > BESIDE
    if times <= OWN_PACE and not beside:
        return station, x, y
    x_laid, y_laid = laid_over(x, y, s, *curve.points.T)
    laid = station_of_lap(curve, x_laid, y_laid, s)
    better = times > UNLIKE_PACE or beside or _worst_pace(laid, s)[1] < times
    return (laid, x_laid, y_laid) if better else (station, x, y)


def _beside(curve: Curve, station: np.ndarray, x: np.ndarray, y: np.ndarray) -> float:
    """Largest distance of a lap from its stations on the line. [m]"""
    return float(np.hypot(*(np.column_stack([x, y]) - curve.at(station)).T).max())


def laid_over(
    x: np.ndarray, y: np.ndarray, s: np.ndarray, line_x: np.ndarray, line_y: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A reckoned lap x, y (n,) closed on itself, turned and shifted so that it lies over a line as well as it can.

    Parameters
    ----------
    s : float64 array, shape (n,)
        Driven distance of the lap. [m]
    line_x, line_y : float64 arrays, shape (k,)
        Points of the line, evenly spaced from its start line on. [m]
    """
    share = (s - s[0]) / (s[-1] - s[0])
    path = x + 1j * y
    path = path - share * (path[-1] - path[0])
    even = np.linspace(0.0, 1.0, line_x.size, endpoint=False)
    here = np.interp(even, share, path.real) + 1j * np.interp(even, share, path.imag)
    there = line_x + 1j * line_y
    turn = np.vdot(here - here.mean(), there - there.mean())  # least squares rotation of the plane
    moved = (path - here.mean()) * turn / np.abs(turn) + there.mean()
    return moved.real, moved.imag


def _eased(values: np.ndarray) -> np.ndarray:
    """Three-point mean, ends kept: rounds the steps of the candidates off."""
    out = values.copy()
    out[1:-1] = (values[:-2] + values[1:-1] + values[2:]) / 3.0
    return out


def strictly_rising(values: np.ndarray) -> np.ndarray:
    """The values, each at least `LEAST_ADVANCE` above all before it."""
    ramp = LEAST_ADVANCE * np.arange(values.size)
    return np.maximum.accumulate(values - ramp) + ramp


def pinned(station: np.ndarray, length: float) -> np.ndarray:
    """Station that starts at exactly 0 and ends at exactly `length`.

    The first and the last sample lie on the start line, whose foot on the reference may be a few decimetres off; the
    difference fades out over `FADE`.
    """
    first, last = station[0], station[-1] - length
    fade_in = np.clip(1.0 - (station - station[0]) / FADE, 0.0, 1.0)
    fade_out = np.clip(1.0 - (station[-1] - station) / FADE, 0.0, 1.0)
    out = strictly_rising(station - first * fade_in - last * fade_out)
    inner = np.clip(out[1:-1], 0.0, length)
    return np.concatenate([[0.0], inner, [length]])
