"""Statistics that a few wild values do not move."""

import numpy as np

# Standard deviation of a normal law over its median absolute deviation, 1 / Φ⁻¹(3/4).
DEVIATION_PER_MEDIAN = 1.4826


def deviation(off: np.ndarray) -> float:
    """Standard deviation of values `off` (n,) about nought, from the median of their sizes; unit of `off`."""
    return DEVIATION_PER_MEDIAN * float(np.median(np.abs(off)))
