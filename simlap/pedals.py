"""Where the pedals' channels begin and end: closed and full throttle, a brake at rest, whatever the log calls them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from simlap.laptable import LapTable

BRAKES = ("brake_pressure", "brake")
# Share of the samples below the widest opening: single spikes are not the pedal's stop.
WIDEST = 0.99  # [1]
# A channel that never opens this far shows no full throttle; one that opens further than so is in another unit than
# said.
OPENS, TOO_WIDE = 0.5, 1.05  # [1]
# Where the car slows more than this the throttle is closed, but for this share of the time at the most (a blip for each
# down-shift, a foot that comes late); where it speeds up by this the brake is not touched.
SLOWS, MOSTLY, SPEEDS_UP = -2.5, 0.1, 0.5  # [m/s²], share, [m/s²]
# No car slows so hard without its brake. Common practice, no source.
BRAKED = -5.0  # [m/s²]
# Less than this is noise about zero, more than this share of the widest opening no closed throttle.
NOUGHT, TURNED_ROUND = 0.02, 0.5  # [1], share


def widest_opening(table: LapTable, rows: np.ndarray) -> float | None:
    """Widest opening of the throttle on the laps `rows` (indices or bool), as a share of full; None without channel."""
    if "throttle" not in table.channels:
        return None
    values = np.asarray(table.channels["throttle"])[rows]
    values = values[np.isfinite(values)]
    return float(np.quantile(values, WIDEST)) if values.size else 0.0


def closed_opening(table: LapTable, rows: np.ndarray) -> float:
    """What the throttle channel reads with a closed throttle on the laps `rows`, as a share of full; 0 for near it."""
    values = np.asarray(table.channels["throttle"])[rows]
    values = values[np.isfinite(values) & (np.asarray(table.a_lon)[rows] < SLOWS)]
    closed = float(np.quantile(values, MOSTLY)) if values.size else 0.0
    return closed if closed > NOUGHT else 0.0


def at_rest(table: LapTable, name: str, rows: np.ndarray) -> float:
    """What a brake channel reads with no foot on it on the laps `rows`: its median while the car speeds up."""
    values = np.asarray(table.channels[name])[rows]
    values = values[np.isfinite(values) & (np.asarray(table.a_lon)[rows] > SPEEDS_UP)]
    return float(np.median(values)) if values.size else 0.0


def pressed(table: LapTable, name: str, rows: np.ndarray) -> float | None:
    """What a brake channel reads beyond its rest while the car brakes hard on the laps `rows`, its median; None where
    the car never does."""
    values = np.asarray(table.channels[name])[rows]
    values = values[np.isfinite(values) & (np.asarray(table.a_lon)[rows] < BRAKED)]
    return float(np.median(values)) - at_rest(table, name, rows) if values.size else None


def throttle_of(table: LapTable, rows: np.ndarray, least: float = OPENS) -> np.ndarray | None:
    """Throttle (m, n) of all laps as shares of the way from closed to the widest opening on `rows`; None where it never
    opens `least`, or is open while the car slows."""
    widest = widest_opening(table, rows)
    if widest is None or widest < least:
        return None
    closed = closed_opening(table, rows)
    if closed > TURNED_ROUND * widest:
        return None
    return np.asarray((table.channels["throttle"] - closed) / (widest - closed))
