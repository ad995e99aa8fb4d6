"""What a start line, a lap and the laps of a session are."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

import numpy as np

from simlap.errors import OptionError
from simlap.geodesy import Origin, to_plane

CLOSED_ONLY = "simlap judges laps of a closed circuit, not a course from one place to another such as a hill climb."


@dataclass(frozen=True)
class StartLine:
    """Two points in the plane of the motion [m]; a lap starts where the path crosses between them."""

    x1: float
    y1: float
    x2: float
    y2: float

    @classmethod
    def from_geodetic(cls, lat1: float, lon1: float, lat2: float, lon2: float, origin: Origin | None) -> StartLine:
        """From latitudes and longitudes [deg].

        Raises
        ------
        OptionError
            When the motion has no place on the globe, or the two points are one.
        """
        if origin is None:
            raise OptionError(
                "A start line in latitude and longitude needs a log with latitude and longitude. "
                "Leave it out: laps are then found from the path."
            )
        x, y = to_plane(np.array([lat1, lat2]), np.array([lon1, lon2]), origin)
        if np.hypot(x[1] - x[0], y[1] - y[0]) < 0.5:
            raise OptionError(
                f"Start line {lat1},{lon1},{lat2},{lon2}: the two points are less than 0.5 m apart. "
                "Give the two edges of the track."
            )
        return cls(float(x[0]), float(y[0]), float(x[1]), float(y[1]))

    @property
    def middle(self) -> tuple[float, float]:
        """Point half-way. [m]"""
        return 0.5 * (self.x1 + self.x2), 0.5 * (self.y1 + self.y2)


class Aside(Enum):
    """Kind of reason for which a lap, or a piece of one, does not count; the text of the reason begins with its words.

    Who acts on a reason asks for its kind and never reads its words.
    """

    BEFORE = "out-lap"
    BEHIND = "in-lap"
    CUT_OFF = "cut off"
    NOT_CROSSED_BEFORE = "line not crossed before"
    NOT_CROSSED_AGAIN = "line not crossed again"
    GAP = "gap"  #: a hole in the lap
    STOP = "stop"
    OTHER_WAY = "other way"
    OFF = "off"  #: beside the reference line
    PATH = "path"  #: it cannot be followed along the reference, or is reckoned to lie elsewhere
    NO_RUN_UP = "no run-up"
    TRAFFIC = "traffic"  #: held up on a straight
    SLOW = "slow"  #: far slower than the laps at speed
    DROPPED = "dropped by the user"
    NOT_CHOSEN = "not among the laps chosen by the user"


class Why(NamedTuple):
    """Why a lap does not count."""

    kind: Aside
    words: str = ""

    @property
    def reason(self) -> str:
        """The text for the reader."""
        return f"{self.kind.value}: {self.words}" if self.words else self.kind.value


@dataclass(frozen=True)
class Lap:
    """One lap, or the piece before the first or after the last crossing."""

    number: int  #: unique; 0 is the piece before the first crossing; a lap channel's own where they only rise
    start_s: float  #: session clock, interpolated [s]
    stop_s: float
    counted: bool
    reason: str  #: why it is set aside; empty when counted
    flying: bool  #: a full circuit from line to line
    place_m: float | None = None  #: station where it was held up or left the track; None for other reasons [m]
    kind: Aside | None = None  #: of the reason; None when counted

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""
        return self.stop_s - self.start_s


@dataclass(frozen=True)
class LapSet:
    """All laps in driving order."""

    laps: tuple[Lap, ...]
    start_line: StartLine | None
    found_by: str  #: 'start line', 'track file', 'lap channel', 'beacon' or 'path alone'
    notes: tuple[str, ...] = ()  #: what was decided about the laps' numbers, in plain words
    no_track: str = ""  #: why a track that was given does not lie under these laps; empty where it does, or none was

    @property
    def flying(self) -> tuple[Lap, ...]:
        """Full circuits."""
        return tuple(lap for lap in self.laps if lap.flying)

    @property
    def counted(self) -> tuple[Lap, ...]:
        """Laps that count."""
        return tuple(lap for lap in self.laps if lap.counted)
