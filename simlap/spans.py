"""Stretches of an array in which something holds."""

import numpy as np

Span = tuple[int, int]  #: half-open range of indices, empty where both are equal


def true_spans(mask: np.ndarray) -> list[Span]:
    """Half-open ranges in which `mask` (n,) is true, in order."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(mask, dtype=int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
