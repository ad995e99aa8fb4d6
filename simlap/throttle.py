"""How far the throttle channel opens: the pedal's own full travel, whatever the logger calls it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from simlap.laptable import LapTable

# Share of the samples below the widest opening: single spikes are not the pedal's stop.
WIDEST = 0.99  # [1]
# A channel that never opens this far shows no full throttle; one that opens further than so is in another unit than
# said.
OPENS, TOO_WIDE = 0.5, 1.05  # [1]


def widest_opening(table: LapTable, rows: np.ndarray) -> float | None:
    """Widest opening of the throttle on the laps `rows` (indices or bool), as a share of full; None without channel."""
    if "throttle" not in table.channels:
        return None
    values = np.asarray(table.channels["throttle"])[rows]
    values = values[np.isfinite(values)]
    return float(np.quantile(values, WIDEST)) if values.size else 0.0


def throttle_of(table: LapTable, rows: np.ndarray, least: float = OPENS) -> np.ndarray | None:
    """Throttle (m, n) of all laps as shares of the widest opening on `rows`; None where it never opens `least`."""
    widest = widest_opening(table, rows)
    if widest is None or widest < least:
        return None
    return np.asarray(table.channels["throttle"]) / widest
