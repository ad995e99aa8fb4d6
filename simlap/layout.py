"""Plan of a circuit from straights, clothoids and arcs that closes exactly; curvature known in closed form."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simlap.errors import OptionError
from simlap.frozen import own

# Longest piece over which heading is integrated at once. Five Gauss points on 1 m at a radius of 5 m leave less
# than 1e-12 m; longer pieces lose digits in tight bends, shorter ones only cost time.
INTEGRATION_STEP = 1.0  # [m]


@dataclass(frozen=True)
class Straight:
    """A straight of a plan; its length is adjusted by `closed_layout`."""

    length: float  #: wanted length [m]
    fixed: bool = False  #: keep the length as wanted


@dataclass(frozen=True)
class Bend:
    """A bend: clothoid in, arc, clothoid out."""

    angle_deg: float  #: change of heading, left positive [deg]
    radius: float  #: of the arc, positive [m]
    ease_in: float = 0.0  #: length of the clothoid before the arc [m]
    ease_out: float = 0.0  #: length of the clothoid behind the arc [m]

    @property
    def arc(self) -> float:
        """Length of the arc [m]: each clothoid turns half as far as an arc of its length."""
        return math.radians(abs(self.angle_deg)) * self.radius - 0.5 * (self.ease_in + self.ease_out)


@dataclass(frozen=True, eq=False)
class Layout:
    """A plan whose curvature is linear between breaks; arrays float64, shape (k,)."""

    breaks: np.ndarray  #: stations where the curvature changes its slope, rising from 0 to the length [m]
    kappa_after: np.ndarray  #: curvature right behind each break, left positive; the last one is unused [1/m]
    kappa_before: np.ndarray  #: curvature right before each break; the first one is unused [1/m]
    heading: float  #: at station 0, anticlockwise from east [rad]
    bends: tuple[tuple[float, float, float], ...]  #: entry, middle of the arc, exit of each bend [m]

    def __post_init__(self) -> None:
        own(self, "breaks", "kappa_after", "kappa_before")

    @property
    def length(self) -> float:
        """Length of the plan [m]."""
        return float(self.breaks[-1])

    def _piece(self, s: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Index of the piece of each station, distance into it and the piece's slope of curvature."""
        index = np.clip(np.searchsorted(self.breaks, s, side="right") - 1, 0, self.breaks.size - 2)
        span = np.diff(self.breaks)
        slope = (self.kappa_before[1:] - self.kappa_after[:-1]) / span
        return index, s - self.breaks[index], slope[index]

    def curvature(self, s: np.ndarray) -> np.ndarray:
        """Curvature at the stations `s` in [0, length], left positive. [1/m]"""
        index, into, slope = self._piece(np.asarray(s, dtype=float))
        return self.kappa_after[index] + slope * into

    def headings(self, s: np.ndarray) -> np.ndarray:
        """Heading at the stations `s`, anticlockwise from east, not wrapped. [rad]"""
        index, into, slope = self._piece(np.asarray(s, dtype=float))
        turned = 0.5 * (self.kappa_after[:-1] + self.kappa_before[1:]) * np.diff(self.breaks)
        at_break = self.heading + np.concatenate(([0.0], np.cumsum(turned)))
        return at_break[index] + (self.kappa_after[index] + 0.5 * slope * into) * into

    def positions(self, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Plane coordinates at the rising stations `s`, from (0, 0) at station 0. [m]"""
        s = np.asarray(s, dtype=float)
        steps = np.arange(0.0, self.length, INTEGRATION_STEP)
        knots = np.unique(np.concatenate((steps, self.breaks, s)))
        nodes, weights = np.polynomial.legendre.leggauss(5)
        half = 0.5 * np.diff(knots)
        inside = (knots[:-1] + half)[:, None] + half[:, None] * nodes
        heading = self.headings(inside.ravel()).reshape(inside.shape)
        x = np.concatenate(([0.0], np.cumsum(half * (np.cos(heading) @ weights))))
        y = np.concatenate(([0.0], np.cumsum(half * (np.sin(heading) @ weights))))
        at = np.searchsorted(knots, s)
        return x[at], y[at]


def layout(elements: Sequence[Straight | Bend], *, heading: float = 0.0) -> Layout:
    """Put straights and bends one behind the other, as they are.

    Parameters
    ----------
    elements : sequence of Straight and Bend
        In driving order from the start line.
    heading : float
        At the start line, anticlockwise from east. [rad]

    Raises
    ------
    OptionError
        When a length is negative or a bend's clothoids turn further than the bend.
    """
    breaks, after, before, bends = [0.0], [], [0.0], []
    for number, element in enumerate(elements, start=1):
        if isinstance(element, Straight):
            pieces = [(element.length, 0.0, 0.0)]
        else:
            kappa = math.copysign(1.0 / element.radius, element.angle_deg)
            pieces = [(element.ease_in, 0.0, kappa), (element.arc, kappa, kappa), (element.ease_out, kappa, 0.0)]
            entry = breaks[-1]
            middle = entry + element.ease_in + 0.5 * element.arc
            bends.append((entry, middle, entry + element.ease_in + element.arc + element.ease_out))
        if min(length for length, _, _ in pieces) < 0.0:
            raise OptionError(
                f"circuit plan, element {number} ({element}): a part of it has a negative length. "
                "Shorten its clothoids or change the straights."
            )
        for length, first, last in pieces:
            if length > 0.0:
                breaks.append(breaks[-1] + length)
                after.append(first)
                before.append(last)
    return Layout(np.array(breaks), np.array([*after, 0.0]), np.array(before), heading, tuple(bends))


def closed_layout(elements: Sequence[Straight | Bend], *, heading: float = 0.0) -> Layout:
    """Like `layout`, with the straights changed as little as possible so that the plan closes exactly.

    The end point is linear in the lengths of the straights, so the smallest change (each measured against its own
    wanted length) is one least-norm solution, not a search.

    Raises
    ------
    OptionError
        When the bends do not add up to a multiple of 360 degrees, or a straight would become negative.
    """
    total = sum(e.angle_deg for e in elements if isinstance(e, Bend))
    if abs(total - 360.0 * round(total / 360.0)) > 1e-9:
        raise OptionError(
            f"circuit plan: its bends add up to {total:g} degrees; a closed circuit needs a "
            "multiple of 360 (0 for a figure of eight)."
        )
    plan = layout(elements, heading=heading)
    end_x, end_y = plan.positions(np.array([plan.length]))
    turned, columns, free = heading, [], []
    for index, element in enumerate(elements):
        if isinstance(element, Bend):
            turned += math.radians(element.angle_deg)
        elif not element.fixed:
            columns.append((math.cos(turned) * element.length, math.sin(turned) * element.length))
            free.append(index)
    if len(free) < 2:
        raise OptionError("circuit plan: at least two straights must be free to change for it to close.")
    share, *_ = np.linalg.lstsq(np.array(columns).T, -np.array([end_x[0], end_y[0]]), rcond=None)
    changed = list(elements)
    for index, change in zip(free, share, strict=True):
        element = changed[index]
        assert isinstance(element, Straight)
        changed[index] = replace(element, length=element.length * (1.0 + float(change)))
    return layout(changed, heading=heading)
