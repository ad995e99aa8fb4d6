"""The five limits of an envelope over speed, with the 90 % interval of its draws."""

from collections.abc import Iterable

import numpy as np

from simlap.envelope import Envelope

#: Rows of `limits_over_speed`.
NAMES = ("lateral left", "lateral right", "braking", "traction", "engine")
PERCENTILES = (5.0, 95.0)  # [%] ends of the 90 % interval over draws


def limits_over_speed(envelope: Envelope, v: np.ndarray) -> np.ndarray:
    """The limits `NAMES` at speeds `v` (n,) [m/s], shape (5, n) [m/s²]."""
    return np.array(
        [
            envelope.lateral_limit(v, 1),
            envelope.lateral_limit(v, -1),
            envelope.braking_limit(v),
            envelope.traction_limit(v),
            envelope.engine_limit(v),
        ]
    )


def limits_with_interval(
    envelope: Envelope, draws: Iterable[np.ndarray], v: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Value, low and high of the limits `NAMES` over speed.

    Parameters
    ----------
    draws : float64 array, shape (B, ENVELOPE_SIZE)
        Packed envelopes; without any, low and high are the value.
    v : float64 array, shape (n,)
        Speeds. [m/s]

    Returns
    -------
    three float64 arrays, shape (5, n)
        [m/s²]
    """
    value = limits_over_speed(envelope, v)
    drawn = [limits_over_speed(Envelope.unpack(packed), v) for packed in draws]
    low, high = np.percentile(drawn or [value], PERCENTILES, axis=0)
    return value, low, high
