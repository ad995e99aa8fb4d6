"""Small pieces of SVG: escaped elements, linear scales, round ticks."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

# Steps that people count in; a tick lands on a multiple of one of them times a power of ten.
ROUND_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
ROUNDING = 1e-9  # share of a step: a tick that misses the end by rounding alone is still drawn


@dataclass(frozen=True)
class Scale:
    """A linear map from `low`..`high` to `start`..`stop`."""

    low: float
    high: float
    start: float
    stop: float

    def __call__(self, values: np.ndarray) -> np.ndarray:
        """Mapped values, same shape."""
        span = self.high - self.low
        return self.start + (np.asarray(values, dtype=float) - self.low) * (self.stop - self.start) / span

    def one(self, value: float) -> float:
        """One mapped value."""
        return float(self(np.array(value)))


def element(name: str, *inner: Markup | str, **attributes: object) -> Markup:
    """An element with escaped attributes and text; ``class_`` is class, other underscores become hyphens."""
    text = Markup("").join(
        Markup(' {}="{}"').format(key.rstrip("_").replace("_", "-"), _number(value))
        for key, value in attributes.items()
    )
    body = Markup("").join(inner)
    tag = Markup(escape(name))
    return Markup("<{}{}>{}</{}>").format(tag, text, body, tag)


def path_data(x: np.ndarray, y: np.ndarray, digits: int = 1, *, closed: bool = False) -> str:
    """The ``d`` of a line through points (n,), absolute coordinates."""
    points = " ".join(f"{a:.{digits}f},{b:.{digits}f}" for a, b in zip(x, y, strict=True))
    return f"M{points}{'Z' if closed else ''}"


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round values within low..high, at most about `about` of them."""
    return multiples(round_step((high - low) / about), low, high)


def multiples(step: float, low: float, high: float) -> list[float]:
    """Multiples of `step` within low..high, none where high < low."""
    first, last = math.ceil(low / step - ROUNDING), math.floor(high / step + ROUNDING)
    return [step * i for i in range(first, last + 1)]


def round_step(step: float) -> float:
    """The smallest round step that is not below `step`."""
    power = 10.0 ** math.floor(math.log10(step))
    return next(s * power for s in ROUND_STEPS if s * power >= step * (1.0 - ROUNDING))


def tick_text(value: float) -> str:
    """A tick's number as short as it is exact."""
    return f"{value:g}" if abs(value) < 1e5 else f"{value:.0f}"


def join(parts: Iterable[Markup]) -> Markup:
    """Parts after one another."""
    return Markup("").join(parts)


def _number(value: object) -> object:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else value
