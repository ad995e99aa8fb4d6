"""The five limits of an envelope over speed, with the 90 % interval of its draws, and where laps have tested them."""

from collections.abc import Iterable

import numpy as np

from simlap.envelope import Envelope

#: Rows of `limits_over_speed`.
NAMES = ("lateral left", "lateral right", "braking", "traction", "engine")
PERCENTILES = (5.0, 95.0)  # [%] ends of the 90 % interval over draws
# Beyond this share of the lateral limit, the edge of a g-g figure tells of the lateral limit more than of the other.
SIDE_SHARE = 0.6


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


def tested_at(envelope: Envelope, name: str, v: np.ndarray) -> np.ndarray:
    """Whether the limit called `name` has data at speeds `v` (n,) [m/s]; bool array, shape (n,).

    `name` is one of `NAMES`, "lateral" for both sides, or "drive": the lower one of traction and engine.
    """
    speed = np.asarray(v, dtype=float)
    if name == "drive":
        traction, engine = (tested_at(envelope, one, speed) for one in ("traction", "engine"))
        return np.where(envelope.engine_limit(speed) <= envelope.traction_limit(speed), engine, traction)
    low, high = envelope.tested.get(name.split()[0], (np.inf, -np.inf))
    return (low <= speed) & (speed <= high)


def edge_tested(envelope: Envelope, v: float, a_lat: np.ndarray, a_lon: np.ndarray) -> np.ndarray:
    """Whether the edge (a_lat, a_lon), each (n,), of a g-g figure at speed `v` [m/s] has data; bool, shape (n,)."""
    lateral, braking, drive = (bool(tested_at(envelope, name, np.array(v))) for name in ("lateral", "braking", "drive"))
    side = np.abs(a_lat) > SIDE_SHARE * np.max(np.abs(a_lat))
    return np.where(side, lateral, np.where(a_lon < 0.0, braking, drive)).astype(bool)


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
