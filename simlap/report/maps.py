"""The page's drawings that keep their proportions: the map of loss and the g-g figure."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from markupsafe import Markup

from simlap.labels import laid_down, place_labels
from simlap.limits import edge_tested
from simlap.palette import CIVIDIS
from simlap.report.charts import numbered
from simlap.report.plain import clean
from simlap.report.svg import element, join, path_data, tick_text, ticks
from simlap.results import Analysis
from simlap.traces import Traces, beyond_scale, gg_boundary, gg_samples, gg_speeds, loss_scale
from simlap.units import MS_TO_KMH, G

SIZE = 560.0  # units of the longer side of the path's drawing
MARGIN = 14.0  # around path and labels
THINNEST, THICKEST = 3.0, 15.0  # units: width of the path at no loss and at the top of the scale
LABEL = (68.0, 58.0)  # width and height of a disc with its seconds, at the size that a phone shows
DISC_OUT = 11.0  # from the middle of a label to that of its disc
SECONDS_BELOW, SECONDS_ABOVE = 24.0, -10.0  # base line of the seconds, from the middle of the label
CASING = 3.0  # dark rim of the path, both sides together
LABEL_OUT = 18.0  # least distance of a label from its corner
NORTH = 26.0  # length of the arrow to the north
GG_SIZE = 420.0
GG_MARGIN = 40.0
GG_TICKS = 8


@dataclass(frozen=True, eq=False)
class LossMap:
    """The map and what the script and the legend need of it."""

    drawing: Markup
    x: np.ndarray  #: stations in units of the drawing, shape (n,)
    y: np.ndarray
    steps: Sequence[tuple[str, float, str]]  #: legend: colour, width, seconds per 100 m


def loss_map(analysis: Analysis, lap: Traces) -> LossMap:
    """Path coloured and widened by the time lost there, the corners numbered, the start line across it."""
    x, y, turned = _fitted(lap)
    top = loss_scale(lap.loss_per_100m)
    level = np.clip(np.round(lap.loss_per_100m / top * (len(CIVIDIS) - 1)), 0, len(CIVIDIS) - 1).astype(int)
    level = _without_flicker(level)
    apexes, centres = _label_places(analysis, lap, x, y, level)
    corner = np.minimum([x.min(), y.min()], (centres - np.array(LABEL) / 2).min(axis=0)) - MARGIN
    far = np.maximum([x.max(), y.max()], (centres + np.array(LABEL) / 2).max(axis=0)) + MARGIN
    width, height = far - corner
    drawing = element(
        "svg",
        element("title", "Map of the circuit: the path is wider and brighter where more time is lost"),
        join(_pieces(x, y, level)),
        join(_leaders(apexes, _discs(apexes, centres))),
        _start_line(x, y),
        join(_labels(analysis, apexes, centres)),
        _north(corner + MARGIN, turned) if analysis.motion.closes else Markup(),
        element("circle", class_="marker", r=9.0, cx=float(x[0]), cy=float(y[0])),
        viewBox=f"{corner[0]:.0f} {corner[1]:.0f} {width:.0f} {height:.0f}",
        role="img",
        class_="map",
    )
    steps = [(CIVIDIS[i], _width(i), f"{top * i / (len(CIVIDIS) - 1):.2f}") for i in range(0, len(CIVIDIS), 2)]
    steps[-1] = (*steps[-1][:2], beyond_scale(lap.loss_per_100m) or steps[-1][2])
    return LossMap(drawing, x, y, steps)


def _fitted(lap: Traces) -> tuple[np.ndarray, np.ndarray, bool]:
    """Path in units of the drawing, y down; True where a tall circuit was laid on its side."""
    points, turned = laid_down(lap.x, lap.y)
    scale = SIZE / float(np.ptp(points, axis=0).max())
    return (points[:, 0] - points[:, 0].min()) * scale, (points[:, 1].max() - points[:, 1]) * scale, turned


def _width(level: int) -> float:
    return THINNEST + (THICKEST - THINNEST) * level / (len(CIVIDIS) - 1)


def _without_flicker(level: np.ndarray) -> np.ndarray:
    """Levels (n,) with changes of one step dropped where the level comes back at once."""
    before, after = np.roll(level, 1), np.roll(level, -1)
    return np.where((before == after) & (np.abs(level - before) == 1), before, level)


def _pieces(x: np.ndarray, y: np.ndarray, level: np.ndarray) -> list[Markup]:
    """One dark and one coloured stroke for each run of stations of the same level."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(level)) + 1, [level.size]])
    under, over = [], []
    for a, b in pairwise(starts):
        index = np.arange(a, b + 1) % level.size
        d = path_data(x[index], y[index])
        width = _width(int(level[a]))
        under.append(element("path", class_="casing", d=d, stroke_width=width + CASING))
        over.append(element("path", class_="lost", d=d, stroke=CIVIDIS[int(level[a])], stroke_width=width))
    return under + over


def _start_line(x: np.ndarray, y: np.ndarray) -> Markup:
    along = np.array([x[1] - x[-1], y[1] - y[-1]])
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9) * 16.0
    bar = element(
        "line", class_="start", x1=float(x[0] - across[0]), y1=float(y[0] - across[1]), x2=float(x[0] + across[0]),
        y2=float(y[0] + across[1]),
    )  # fmt: skip
    ahead = along / max(float(np.hypot(*along)), 1e-9) * 28.0
    tail = np.array([x[0], y[0]]) + across * 1.6
    tip = tail + ahead
    barbs = [tip - 0.4 * ahead + side * 0.45 * across for side in (1.0, -1.0)]
    arrow = path_data(*np.array([tail, tip, barbs[0], tip, barbs[1]]).T)
    return bar + element("path", class_="heading", d=arrow)


def _label_places(
    analysis: Analysis, lap: Traces, x: np.ndarray, y: np.ndarray, level: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Apexes and centres of the labels, (m, 2) each, in the drawing's units."""
    at = [int(np.argmin(np.abs(lap.station - corner.corner.apex_m))) for corner in analysis.corners]
    path = np.stack([x, y], axis=1)
    half = np.array([(_width(one) + CASING) / 2.0 for one in level.tolist()])
    return path[at], place_labels(path[at], path, [LABEL] * len(at), LABEL_OUT, half_widths=half)


def _discs(apexes: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Middles of the discs (m, 2): the half of the label next to the apex, so that no leader crosses the seconds."""
    below = apexes[:, 1] > centres[:, 1]
    return centres + np.stack([np.zeros(len(centres)), np.where(below, DISC_OUT, -DISC_OUT)], axis=1)


def _leaders(apexes: np.ndarray, centres: np.ndarray) -> list[Markup]:
    return [
        element("path", class_="leader", d=path_data(*np.array([apex, centre]).T))
        for apex, centre in zip(apexes, centres, strict=True)
    ]


def _labels(analysis: Analysis, apexes: np.ndarray, centres: np.ndarray) -> list[Markup]:
    """A numbered disc for each corner, with the seconds it is worth on the side away from the apex."""
    out = []
    places = zip(centres.tolist(), _discs(apexes, centres)[:, 1].tolist(), strict=True)
    for (number, corner), ((cx, cy), disc) in zip(numbered(analysis), places, strict=True):
        seconds_y = cy + (SECONDS_BELOW if disc < cy else SECONDS_ABOVE)
        out.append(
            element(
                "g",
                element("title", clean(corner.corner.name)),
                element("circle", class_="disc", cx=cx, cy=disc, r=14.0),
                element("text", str(number), class_="number", x=cx, y=disc + 6.0, text_anchor="middle"),
                element(
                    "text", f"{corner.gain_alone.value:.2f} s", class_="worth", x=cx, y=seconds_y, text_anchor="middle"
                ),
                class_="" if corner.clear else "unclear",
            )
        )
    return out


def _north(corner: np.ndarray, turned: bool) -> Markup:
    """An arrow to the north in the upper left of the drawing: up, or to the left where the map was turned."""
    x, y = (float(value) for value in corner)
    shaft = (
        f"M{x + NORTH:.1f},{y + 8:.1f}h{-NORTH}l9,-6m-9,6l9,6"
        if turned
        else (f"M{x + 8:.1f},{y + NORTH:.1f}v{-NORTH}l-6,9m6,-9l6,9")
    )
    text = element("text", "N", class_="north", x=x + (NORTH + 6.0 if turned else 20.0), y=y + 14.0)
    return element("path", class_="heading", d=shaft) + text


def gg_figure(analysis: Analysis) -> tuple[Markup, list[tuple[str, str]]]:
    """Accelerations driven and the envelope at two speeds, thin where untested; drawing and legend (style, text)."""
    a_lat, a_lon = gg_samples(analysis)
    boundaries = [(v, *gg_boundary(analysis, v)) for v in gg_speeds(analysis)]
    reach = 1.05 * max(float(np.abs(part).max()) for part in (a_lat, a_lon, *(b[1] for b in boundaries))) / G
    scale = (GG_SIZE - 2 * GG_MARGIN) / (2 * reach)

    def place(lateral: np.ndarray, along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return GG_SIZE / 2 - lateral / G * scale, GG_SIZE / 2 - along / G * scale

    x, y = place(a_lat, a_lon)
    dots = "".join(f"M{a:.0f},{b:.0f}h0" for a, b in zip(x, y, strict=True))
    grid, texts = [], []
    for value in ticks(-reach, reach, GG_TICKS):
        at = float(GG_SIZE / 2 + value * scale)
        grid.append(element("path", class_="grid", d=f"M{at:.1f},{GG_MARGIN}V{GG_SIZE - GG_MARGIN}"))
        grid.append(element("path", class_="grid", d=f"M{GG_MARGIN},{at:.1f}H{GG_SIZE - GG_MARGIN}"))
        texts.append(element("text", tick_text(value + 0.0), x=at, y=GG_SIZE - GG_MARGIN + 16, text_anchor="middle"))
        texts.append(element("text", tick_text(0.0 - value), x=GG_MARGIN - 6, y=at + 5, text_anchor="end"))
    for text, tx, ty, anchor in (
        ("left [g]", GG_MARGIN, GG_SIZE - 4, "start"),
        ("right [g]", GG_SIZE - GG_MARGIN, GG_SIZE - 4, "end"),
        ("drive [g]", GG_SIZE / 2, GG_MARGIN - 10, "middle"),
        ("braking [g]", GG_SIZE / 2, GG_SIZE - 4, "middle"),
    ):
        texts.append(element("text", text, x=tx, y=ty, text_anchor=anchor))
    curves, legend, untested = [], [("dots", "counted laps")], False
    for style, (v, lateral, along) in zip(("slower", "faster"), boundaries, strict=True):
        shown = edge_tested(analysis.fit.envelope, v, lateral, along)
        for start, stop in _runs(shown):
            part = path_data(*place(lateral[start:stop], along[start:stop]))
            curves.append(element("path", class_=f"curve {style}{'' if shown[start] else ' untested'}", d=part))
        untested |= not shown.all()
        legend.append((style, f"envelope at {v * MS_TO_KMH:.0f} km/h"))
    if untested:
        legend.append(("untested", "thin: not shown at the limit at that speed"))
    drawing = element(
        "svg",
        element("title", "Accelerations along and across the path, and the envelope at two speeds"),
        *grid,
        element("path", class_="dots", d=dots),
        *curves,
        *texts,
        viewBox=f"0 0 {GG_SIZE:.0f} {GG_SIZE:.0f}",
        role="img",
        class_="gg",
    )
    return drawing, legend


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Half-open index ranges of equal values of `mask` (n,); each reaches one point into the next, to join."""
    starts = [0, *(np.flatnonzero(np.diff(mask)) + 1).tolist(), mask.size]
    return [(a, min(b + 1, mask.size)) for a, b in pairwise(starts)]
