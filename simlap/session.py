"""One outing as it was logged: channels in SI on one clock, and how each column was read."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Self

import numpy as np

from simlap.channels import BY_NAME, si_symbol
from simlap.errors import NotEnoughData

#: Pairs of channels that place a lap; the first that a log holds is taken.
POSITIONS = (("latitude", "longitude"), ("x", "y"))


@dataclass(frozen=True)
class Column:
    """How one column of the file was read.

    `channel` and `unit` are None when it was left unread; `note` then says why, and else tells the conversion.
    """

    name: str
    channel: str | None
    unit: str | None
    note: str


@dataclass(frozen=True, eq=False)
class Session:
    """Channels of one outing, all float64, shape (n,), read-only.

    Attributes
    ----------
    t : float64 array, shape (n,)
        One clock, strictly rising, as logged. [s]
    channels : mapping of str to float64 array, shape (n,)
        Canonical names of `simlap.channels.CHANNELS`, in SI (latitude and longitude in degrees); NaN where the
        file has no value at this row.
    columns : tuple of Column
        How each column of the file was read.
    source : str
        File name or description, for messages.
    notes : tuple of str
        Repairs and corrections, in plain words.
    parts : tuple of float
        Where it was joined from several files, the clock at the first row of each. [s]
    time_of_day : bool
        Whether the clock counts from midnight (of the first day).
    repaired_share : float
        Share of the rows of which the reader took a cell out, 0..1.
    """

    t: np.ndarray
    channels: Mapping[str, np.ndarray]
    columns: tuple[Column, ...] = ()
    source: str = "arrays"
    notes: tuple[str, ...] = field(default=())
    parts: tuple[float, ...] = ()
    time_of_day: bool = False
    repaired_share: float = 0.0

    def __post_init__(self) -> None:
        t = _owned(self.t)
        if t.ndim != 1 or t.size < 2 or not np.all(np.isfinite(t)) or not np.all(np.diff(t) > 0):
            raise ValueError(f"Session of {self.source}: t must be (n,) with n >= 2, finite and strictly rising")
        owned = {}
        for name, values in self.channels.items():
            if name not in BY_NAME or name == "time":
                raise ValueError(
                    f"Session of {self.source}: {name!r} is no canonical channel (simlap.channels.CHANNELS)"
                )
            array = _owned(values)
            if array.shape != t.shape:
                raise ValueError(f"Session of {self.source}: {name} is {array.shape}, t is {t.shape}")
            if np.any(np.isinf(array)):
                raise ValueError(f"Session of {self.source}: {name} holds an infinite value; NaN means none")
            owned[name] = array
        object.__setattr__(self, "t", t)
        object.__setattr__(self, "channels", MappingProxyType(owned))
        object.__setattr__(self, "columns", tuple(self.columns))
        object.__setattr__(self, "notes", tuple(self.notes))
        object.__setattr__(self, "parts", tuple(self.parts))

    @classmethod
    def from_arrays(cls, t: np.ndarray, *, source: str = "arrays", notes: tuple[str, ...] = (),
                    **channels: np.ndarray) -> Self:  # fmt: skip
        """Session from arrays in SI, one keyword per canonical channel; for synthetic use and tests.

        Raises
        ------
        ValueError
            When t does not rise strictly, a name is not canonical, or a shape differs from that of t.
        """
        columns = tuple(Column(name, name, si_symbol(name), "given in SI") for name in channels if name in BY_NAME)
        return cls(t, channels, columns, source, notes)

    def __reduce__(self) -> tuple:
        # The read-only view of the channels cannot be pickled; worker processes get a session of their own.
        return type(self), (
            self.t,
            dict(self.channels),
            self.columns,
            self.source,
            self.notes,
            self.parts,
            self.time_of_day,
            self.repaired_share,
        )

    @property
    def duration(self) -> float:
        """Time from the first row to the last. [s]"""
        return float(self.t[-1] - self.t[0])

    def has(self, name: str) -> bool:
        """Whether the log carries this channel, with at least one value."""
        return name in self.channels and bool(np.isfinite(self.channels[name]).any())

    def channel(self, name: str) -> np.ndarray:
        """Values of one channel, NaN where a row has none, shape (n,).

        Raises
        ------
        NotEnoughData
            When the log does not carry it; the text names what there is.
        """
        try:
            return self.channels[name]
        except KeyError:
            there = ", ".join(self.channels) or "none"
            raise NotEnoughData(
                f"{self.source}: no channel {name!r} (there are: {there}). "
                f'If a column holds it under another name, say so: --column {name}="NAME":UNIT.'
            ) from None


def _owned(values: np.ndarray) -> np.ndarray:
    array = np.array(values, dtype=float)
    array.setflags(write=False)
    return array
