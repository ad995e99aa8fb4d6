"""Frozen results own their arrays: a copy that nobody can write to."""

import numpy as np


def own(instance: object, *names: str, dtype: type = float) -> None:
    """Replace the named array fields of a frozen dataclass by read-only copies.

    Fields that are None stay None. Call it from ``__post_init__``.
    """
    for name in names:
        value = getattr(instance, name)
        if value is None:
            continue
        copy: np.ndarray = np.array(value, dtype=dtype)
        copy.setflags(write=False)
        object.__setattr__(instance, name, copy)
