"""A circuit: reference line, start line, corners, widths and notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from simlap.errors import OptionError
from simlap.frozen import own
from simlap.geodesy import to_geodetic, to_plane
from simlap.line import Line

Direction = Literal["left", "right"]
Point = tuple[float, float]


@dataclass(frozen=True)
class Corner:
    """One corner; stations in [0, length), `exit_m` < `entry_m` when it crosses the start line."""

    name: str
    direction: Direction
    entry_m: float  #: station where the turn begins [m]
    apex_m: float  #: station of the strongest curvature [m]
    exit_m: float  #: station where the turn ends [m]
    grip: float = 1.0  #: grip here against the rest of the circuit, factor on all that tyres give [1]


@dataclass(frozen=True)
class SurfaceNote:
    """A remark on the surface from one station to another (the same for a point)."""

    text: str
    start_m: float  #: [m]
    stop_m: float  #: [m]


@dataclass(frozen=True, eq=False)
class Track:
    """A circuit on a local plane (x east, y north of `origin`).

    Station 0 of `line` lies on the start line. Widths are float64, shape (n,) like the line's arrays.
    """

    name: str
    line: Line  #: closed reference line
    start_line: tuple[Point, Point]  #: two points of the plane, right and left edge as driven [m]
    corners: tuple[Corner, ...] = ()
    origin: tuple[float, float] | None = None  #: latitude, longitude of the plane's origin [deg]
    has_elevation: bool = False  #: False: `line.z` is flat because nothing is known
    width_left: np.ndarray | None = None  #: from the line to the left edge [m]
    width_right: np.ndarray | None = None  #: from the line to the right edge [m]
    notes: tuple[SurfaceNote, ...] = ()
    heights_logged: bool = False  #: True: `line.z` comes from the very laps that are judged on it

    def __post_init__(self) -> None:
        own(self, "width_left", "width_right")
        if not self.line.closed:
            raise OptionError(f"track {self.name!r}: its reference line is open; a circuit needs a closed one.")
        for name in ("width_left", "width_right"):
            width = getattr(self, name)
            if width is not None and width.shape != self.line.x.shape:
                raise OptionError(
                    f"track {self.name!r}: {name} has shape {width.shape}, "
                    f"the line {self.line.x.shape}; both must be (n,)."
                )

    @property
    def length(self) -> float:
        """Length of the reference line [m]."""
        return self.line.length

    def in_plane(self, origin: tuple[float, float] | None) -> Track:
        """The same track on the local plane of another origin (latitude, longitude in degrees).

        Returns the track itself when the origin is the same, or None (a motion without positions).

        Raises
        ------
        OptionError
            When the track has no place on the globe.
        """
        if origin is None or origin == self.origin:
            return self
        if self.origin is None:
            raise OptionError(
                f"track {self.name!r} has no latitude and longitude, so it cannot be laid under "
                "positions. Build it with an origin, or from the session."
            )
        here = self.origin

        def moved(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            return to_plane(*to_geodetic(x, y, here), origin)

        x, y = moved(self.line.x, self.line.y)
        line = Line.from_points(x, y, self.line.z, self.line.bank if self.line.bank_stated else None)
        (x1, y1), (x2, y2) = zip(*moved(*np.array(self.start_line).T), strict=True)
        stretch = line.length / self.line.length  # planes differ by less than 1e-6
        return replace(
            self,
            line=line,
            origin=origin,
            start_line=((float(x1), float(y1)), (float(x2), float(y2))),
            corners=tuple(
                replace(c, entry_m=c.entry_m * stretch, apex_m=c.apex_m * stretch, exit_m=c.exit_m * stretch)
                for c in self.corners
            ),
            notes=tuple(replace(k, start_m=k.start_m * stretch, stop_m=k.stop_m * stretch) for k in self.notes),
        )


def grip_scale(corners: Sequence[Corner], station: np.ndarray, length: float) -> np.ndarray:
    """Grip factor of each station: that of the corner it lies in, else 1.

    Parameters
    ----------
    corners : sequence of Corner
    station : float64 array, shape (n,)
        Stations along the reference line. [m]
    length : float
        Of the lap. [m]

    Returns
    -------
    float64 array, shape (n,)
        Factor on the lateral, braking and traction limit. [1]
    """
    station = np.asarray(station, dtype=float)
    scale = np.ones(station.shape)
    for corner in corners:
        scale[inside(station, corner.entry_m, corner.exit_m, length)] = corner.grip
    return scale


def inside(station: np.ndarray, start: float, stop: float, length: float) -> np.ndarray:
    """Which stations lie in [start, stop) of a lap; `stop` < `start` crosses the start line, equal is empty."""
    return (station - start) % length < (stop - start) % length


def start_line_across(line: Line, half_width: float) -> tuple[Point, Point]:
    """Two points across `line` at station 0, right and left of the driving direction. [m]"""
    dx, dy = line.x[1] - line.x[-1], line.y[1] - line.y[-1]
    size = float(np.hypot(dx, dy))
    nx, ny = -dy / size * half_width, dx / size * half_width
    x, y = float(line.x[0]), float(line.y[0])
    return crossing_once(line, ((x - float(nx), y - float(ny)), (x + float(nx), y + float(ny))))


def crossing_once(line: Line, start_line: tuple[Point, Point]) -> tuple[Point, Point]:
    """The start line of a closed line, cut back half-way to where the line crosses it a second time. [m]"""
    a, b = np.array(start_line[0]), np.array(start_line[1])
    size = float(np.hypot(*(b - a)))
    along = (b - a) / size
    points = np.stack((line.x, line.y), axis=1)
    beside = (points - a) @ np.array([-along[1], along[0]])
    ahead = np.roll(beside, -1)
    cuts = np.flatnonzero((beside < 0.0) != (ahead < 0.0))
    share = beside[cuts] / (beside[cuts] - ahead[cuts])
    where = (points[cuts] + share[:, None] * (np.roll(points, -1, axis=0)[cuts] - points[cuts]) - a) @ along
    on = (where >= 0.0) & (where <= size)
    if on.sum() < 2:
        return start_line
    station = line.station[cuts[on]]
    own = where[on][np.argmin(np.minimum(station, line.length - station))]
    others = where[on][where[on] != own]
    low = 0.5 * (own + np.max(others[others < own], initial=-own))
    high = 0.5 * (own + np.min(others[others > own], initial=2.0 * size - own))
    (x1, y1), (x2, y2) = a + low * along, a + high * along
    return (float(x1), float(y1)), (float(x2), float(y2))
