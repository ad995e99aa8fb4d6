"""Whether left and right turns need lateral limits of their own."""

from dataclasses import replace

import numpy as np

from simlap.envelope_belief import SPEED2_UNIT, Growth, fit_pair
from simlap.envelope_bootstrap import LATERAL_EVENTS, Solution, with_flat
from simlap.envelope_combined import LEVEL_FLOOR
from simlap.envelope_event_types import Events
from simlap.envelope_frontier import at_limit_chance, climb, log_density

# Left and right are told apart when one factor between them raises the log likelihood by half the 99.9 % point of
# chi-square with one degree of freedom, each corner counting once, with so many corners on each side (fewer could just
# be driven worse) and so many of them at its limit; levels count as good to 1 % here (the smooth motion's ringing).
# The factors that are tried, each from these shares of the common limit; downforce knows no side, so that both grow
# with speed alike, within this share.
SIDE_GAIN, SIDE_CORNERS, SIDE_REACHED, SIDE_FLOOR = 5.41, 4, 3, 0.01
SIDE_FACTORS, SIDE_STARTS, SIDE_GROWTH = 1.0 + 0.01 * np.arange(-15, 16), (0.98, 1.0), 0.1
LEAST_APART = 2e-5  # [1/m]


def sides_differ(found: Events, solution: Solution) -> Growth | None:
    """Likelihood ratio test at 0.1 %: do left and right turns need limits of their own? None: no; else what is
    expected of how both grow with speed."""
    left = found.turn >= 0
    sides = [found.stretch[keep] for keep in (left, ~left)]
    corners = [np.unique(side).size for side in sides]
    if min(corners) < SIDE_CORNERS:
        return None
    per_corner = found.count / sum(corners)
    level, deviation, z = (part[:1] for part in solution.levels["lateral"])
    deviation = np.hypot(deviation, (SIDE_FLOOR**2 - LEVEL_FLOOR**2) ** 0.5 * level)
    scale = float(np.median(level))
    expected = with_flat(LATERAL_EVENTS, found.flat)
    kind = replace(expected, shortfall=expected.shortfall * scale)
    _, belief = fit_pair(level, deviation, z, None, Growth(), np.ones_like(level), expected)
    factor, start = (each.ravel() for each in np.meshgrid(SIDE_FACTORS, SIDE_STARTS))
    by = np.where(left, 1.0, factor[:, None])
    levels, error = level * by, np.hypot(deviation * by, LEVEL_FLOOR * scale)
    design = np.stack([np.ones_like(by), np.broadcast_to((z - belief.middle) / SPEED2_UNIT, by.shape)], axis=2)
    begin = start[:, None] * belief.points[np.argmax(belief.chance)]
    precision, pull = Growth().terms()
    tops = climb(levels, error, design, begin, kind, precision, np.zeros(2), pull, np.ones_like(by))
    residual = levels - np.einsum("bjk,bk->bj", design, tops)
    score = np.sum(log_density(residual, error, kind) + np.log(by), axis=1)
    best = int(np.argmax(score))
    gain = score[best] - np.max(score[factor == 1.0])
    reached = at_limit_chance(residual, error, kind)[best] > 0.5
    at_limit = [np.unique(side[reached[keep]]).size for side, keep in zip(sides, (left, ~left), strict=True)]
    if min(at_limit) < SIDE_REACHED or gain / per_corner < SIDE_GAIN:
        return None
    growth = float(tops[best, 1]) / SPEED2_UNIT
    return Growth((growth, SIDE_GROWTH * growth + LEAST_APART))
