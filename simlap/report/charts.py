"""The page's charts over station: plots that stretch to any width while their text keeps its size.

The curves are an SVG that is stretched in both directions, with strokes that do not scale; ticks, phases and the
station marker are HTML placed in per cent, so that a phone and a wide screen both show readable text.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from markupsafe import Markup

from simlap.report.svg import Scale, element, multiples, path_data, round_step, tick_text, ticks
from simlap.results import Analysis, CornerResult

VIEW = 1000.0  # units of the stretched drawing, both ways
POINTS = 800  # most points of one curve: finer than the pixels of a wide screen
X_TICKS, Y_TICKS = 8, 4  # at most about this many: more run into one another on a phone
# Least widths of a plot [px]: over the lap on a screen that is no phone's, and on a phone of 360 px or where two stand
# side by side. Width of a digit over it and the gap to the next number [px], by the style sheet's size.
WIDE_PLOT, NARROW_PLOT = 690.0, 285.0
DIGIT, DIGIT_GAP = 8.0, 3.0
HEADROOM = 0.06  # share of the range left free above and below


@dataclass(frozen=True, eq=False)
class Curve:
    """One curve of a chart: values at all stations of the lap."""

    name: str  #: shown in the legend
    style: str  #: class in the style sheet: driven, best, limit, loss, pedal
    values: np.ndarray  #: shape (n,), in the unit of the chart
    filled: bool = False  #: filled down to zero
    lap_scale: bool = False  #: drawn on the scale of the whole lap also where one corner is shown


@dataclass(frozen=True)
class Tick:
    """A tick: where, in per cent of the plot from the left or from the top, and its text."""

    at: float
    text: str


@dataclass(frozen=True)
class Band:
    """A phase behind the curves, in per cent of the plot's width."""

    phase: str
    left: float
    width: float


@dataclass(frozen=True)
class Mark:
    """A corner's number over the plot, in per cent of its width, and the row above it that the number stands in."""

    at: float
    text: str
    wide: int = 0  #: row on a desk's screen, 0 next to the plot
    narrow: int = 0  #: on a phone


@dataclass(frozen=True, eq=False)
class Chart:
    """All that the template needs to show one chart."""

    title: str
    unit: str
    start_m: float  #: station at the left edge
    span_m: float  #: metres from edge to edge
    drawing: Markup
    curves: tuple[Curve, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    bands: tuple[Band, ...] = ()
    marks: tuple[Mark, ...] = field(default=())

    @property
    def wide_rows(self) -> int:
        """Rows of numbers beyond the first, on a desk's screen."""
        return max((mark.wide for mark in self.marks), default=0)

    @property
    def narrow_rows(self) -> int:
        """The same on a phone."""
        return max((mark.narrow for mark in self.marks), default=0)


def lap_chart(
    analysis: Analysis, title: str, unit: str, curves: Sequence[Curve],
    band: tuple[np.ndarray, np.ndarray] | None = None,
) -> Chart:  # fmt: skip
    """A chart over the whole lap.

    Parameters
    ----------
    band : (low, high), each of shape (n,), optional
        Spread of the counted laps, drawn behind the curves.
    """
    return _chart(analysis, title, unit, tuple(curves), 0.0, float(analysis.line.length), band)


def corner_chart(analysis: Analysis, corner: CornerResult, title: str, unit: str, curves: Sequence[Curve]) -> Chart:
    """A chart over one corner zone."""
    length = float(analysis.line.length)
    start = corner.phases[0].start_m % length
    span = (corner.phases[-1].stop_m - corner.phases[0].start_m) % length or length
    return _chart(analysis, title, unit, tuple(curves), start, span, None)


def _chart(
    analysis: Analysis, title: str, unit: str, curves: tuple[Curve, ...], start: float, span: float,
    band: tuple[np.ndarray, np.ndarray] | None,
) -> Chart:  # fmt: skip
    station = np.asarray(analysis.table.station)
    length = float(analysis.line.length)
    ahead = (station - start) % length
    inside = np.flatnonzero(ahead <= span)
    order = inside[np.argsort(ahead[inside])]
    order = order[:: max(1, -(-order.size // POINTS))]
    shown = [curve.values[order] for curve in curves] + ([] if band is None else [side[order] for side in band])
    shown += [curve.values for curve in curves if curve.lap_scale]
    low, high = min(float(part.min()) for part in shown), max(float(part.max()) for part in shown)
    if any(curve.filled for curve in curves):
        low, high = min(low, 0.0), max(high, 0.0)
    # A flat curve (a brake never touched) gets a range of its own: one unit, or a tenth of its value.
    room = HEADROOM * (high - low) if high > low else max(0.5, 0.05 * abs(high))
    across = Scale(0.0, span, 0.0, VIEW)
    up = Scale(low - room, high + room, VIEW, 0.0)
    x = across(ahead[order])
    parts = []
    if band is not None:
        both = np.concatenate([up(band[0][order]), up(band[1][order])[::-1]])
        parts.append(element("path", class_="spread", d=path_data(np.concatenate([x, x[::-1]]), both, closed=True)))
    for curve in curves:
        y = up(curve.values[order])
        if curve.filled:
            base = np.array([up.one(0.0)])
            area = path_data(np.r_[x[:1], x, x[-1:]], np.concatenate([base, y, base]), closed=True)
            parts.append(element("path", class_=f"area {curve.style}", d=area))
        parts.append(element("path", class_=f"curve {curve.style}", d=path_data(x, y)))
    drawing = element(
        "svg", *parts, viewBox=f"0 0 {VIEW:.0f} {VIEW:.0f}", preserveAspectRatio="none", aria_hidden="true"
    )
    return Chart(
        title=title,
        unit=unit,
        start_m=start,
        span_m=span,
        drawing=drawing,
        curves=curves,
        x_ticks=_station_ticks(start, span, length),
        y_ticks=tuple(Tick(up.one(v) * 100.0 / VIEW, tick_text(v)) for v in ticks(low - room, high + room, Y_TICKS)),
        bands=_bands(analysis, start, span),
        marks=_marks(analysis, start, span, WIDE_PLOT if span == length else NARROW_PLOT),
    )


def _station_ticks(start: float, span: float, length: float) -> tuple[Tick, ...]:
    """Ticks at round stations, on both sides of the start line where it lies in the plot."""
    step = round_step(span / X_TICKS)
    before = [(m, m) for m in multiples(step, start, min(start + span, length)) if m < length]
    after = [(m, m + length) for m in multiples(step, 0.0, start + span - length) if m < start]
    return tuple(Tick(100.0 * (place - start) / span, tick_text(m)) for m, place in before + after)


def _bands(analysis: Analysis, start: float, span: float) -> tuple[Band, ...]:
    """Braking and mid-corner phases that lie in the plot; the exits stay free."""
    length = float(analysis.line.length)
    bands = []
    for corner in analysis.corners:
        for phase in corner.phases:
            extent = (phase.stop_m - phase.start_m) % length
            if phase.name == "exit" or extent == 0.0:
                continue
            for left in ((phase.start_m - start) % length, (phase.start_m - start) % length - length):
                a, b = max(left, 0.0), min(left + extent, span)
                if a < b:
                    bands.append(Band(phase.name, 100.0 * a / span, 100.0 * (b - a) / span))
    return tuple(bands)


def _marks(analysis: Analysis, start: float, span: float, wide_plot: float) -> tuple[Mark, ...]:
    length = float(analysis.line.length)
    places = [((corner.corner.apex_m - start) % length, number) for number, corner in numbered(analysis)]
    shown = sorted((100.0 * ahead / span, str(number)) for ahead, number in places if ahead <= span)
    rows = zip(_rows(shown, wide_plot), _rows(shown, NARROW_PLOT), strict=True)
    return tuple(Mark(at, text, wide, narrow) for (at, text), (wide, narrow) in zip(shown, rows, strict=True))


def _rows(shown: Sequence[tuple[float, str]], plot: float) -> list[int]:
    """For each text [per cent of the plot's width from the left, rising] the first row in which it has room."""
    ends: list[float] = []  # right end of the last text of each row [px]
    rows = []
    for at, text in shown:
        middle, half = at / 100.0 * plot, DIGIT * len(text) / 2.0
        row = next((i for i, end in enumerate(ends) if middle - half >= end + DIGIT_GAP), len(ends))
        ends[row : row + 1] = [middle + half]
        rows.append(row)
    return rows


def numbered(analysis: Analysis) -> list[tuple[int, CornerResult]]:
    """Corners with their number along the lap, counted from the start line."""
    return list(enumerate(analysis.corners, start=1))
