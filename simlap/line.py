"""The line: a path along the road as curvature, slope and banking at stations."""

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from simlap.errors import OptionError
from simlap.frozen import own
from simlap.units import G

# Degree of the spline through the points. Its second derivative is off by O(h⁴): on a circle of 50 m with points
# every 2 m the curvature is right to 1e-6, where a cubic spline is off by 1e-4.
SPLINE_DEGREE = 5
MIN_POINTS = SPLINE_DEGREE + 3
# Points closer than this are one point written twice (receivers and drawing programs both do it). [m]
SAME_POINT = 1e-6
# Subdivisions of a spline interval for the arc length; Simpson's rule is then right to 1e-9 of the length.
ARC_STEPS = 8
# Rows of `Line.road_loads`: the tyres' lateral demand is LAT_SLOPE z - LAT_BANK, the normal load g_n / g is
# NORMAL + NORMAL_SLOPE z, both linear in z = v²; CLIMB is gravity along the path, STEP the length to the next station.
LAT_SLOPE, LAT_BANK, NORMAL, NORMAL_SLOPE, CLIMB, STEP = range(6)
_PER_STATION = ("station", "x", "y", "z", "kappa", "kappa_v", "grade", "bank", "ds")


@dataclass(frozen=True, eq=False)
class Line:
    """A path along the road at n stations; all arrays float64, shape (n,), read-only.

    On a closed line station n - 1 is followed by station 0. On an open line the last ``ds`` is not used.
    """

    station: np.ndarray  #: distance from the start line, rising [m]
    x: np.ndarray  #: east [m]
    y: np.ndarray  #: north [m]
    z: np.ndarray  #: height [m]
    kappa: np.ndarray  #: curvature seen from above, left turn positive; v² kappa is the lateral acceleration [1/m]
    kappa_v: np.ndarray  #: vertical curvature, dip positive, crest negative [1/m]
    grade: np.ndarray  #: slope of the road along the path, uphill positive [rad]
    bank: np.ndarray  #: slope across, positive when the left edge is lower (which helps left turns) [rad]
    ds: np.ndarray  #: path length from each station to the next [m]
    length: float  #: length of the station axis [m]
    closed: bool = True
    #: whether the banking is known: somebody stated it, flat or not, or the log told it. What is not known is 0 in
    #: `bank` as well, so any other value counts as stated.
    bank_stated: bool = False
    #: standard deviation of the banking where it was read from a log; 0 where it was stated [rad]
    bank_doubt: float = 0.0

    def __post_init__(self) -> None:
        own(self, *_PER_STATION)
        object.__setattr__(self, "bank_stated", bool(self.bank_stated or np.any(self.bank != 0.0)))
        n = self.station.size
        for name in _PER_STATION:
            values = getattr(self, name)
            if values.shape != (n,):
                raise OptionError(f"line: {name} has shape {values.shape}, station ({n},); both must be (n,).")
            _check_finite(name, values)
        if n < 2:
            raise OptionError(f"line: {n} stations; at least 2 are needed.")
        steps = np.diff(self.station)
        if (steps <= 0.0).any():
            at = int(np.argmax(steps <= 0.0))
            raise OptionError(
                f"line: station {self.station[at + 1]} m follows {self.station[at]} m; stations must rise."
            )
        used = self.ds if self.closed else self.ds[:-1]
        if (used <= 0.0).any():
            at = int(np.argmax(used <= 0.0))
            raise OptionError(f"line: path length {used[at]} m behind station {at}; it must be positive.")

    @cached_property
    def road_loads(self) -> np.ndarray:
        """What the road asks of the tyres at speed sqrt(z), shape (6, n), rows as named in this module; read-only.

        In the plane of the road, with slope g and bank b: lateral demand z kappa cos b - G sin b cos g, left
        positive; g_n = G cos g cos b + z (kappa_v + kappa sin b); gravity along the path G sin g.
        """
        loads = np.empty((6, self.kappa.size))
        cos_bank, sin_bank, cos_grade = np.cos(self.bank), np.sin(self.bank), np.cos(self.grade)
        loads[LAT_SLOPE] = self.kappa * cos_bank
        loads[LAT_BANK] = G * sin_bank * cos_grade
        loads[NORMAL] = cos_grade * cos_bank
        loads[NORMAL_SLOPE] = (self.kappa_v + self.kappa * sin_bank) / G
        loads[CLIMB] = G * np.sin(self.grade)
        loads[STEP] = self.ds
        loads.setflags(write=False)
        return loads

    # -- making one

    @classmethod
    def from_points(
        cls,
        x: Any,
        y: Any,
        z: Any = None,
        bank: Any = None,
        closed: bool = True,
        smoothing: float | None = None,
    ) -> "Line":
        """A smooth line through points, at as many stations, evenly spaced along it.

        Parameters
        ----------
        x, y, z : array-like, shape (n,)
            Points along the path, east, north and height; z is 0 when not given. The first point may be repeated
            at the end of a closed line. [m]
        bank : array-like, shape (n,), optional
            Slope across the road at the points, positive when the left edge is lower. [rad]
        closed : bool
            Whether the last point leads back to the first.
        smoothing : float, optional
            Standard deviation of the points from the true path; the spline then passes that far from them on
            average. Without it the spline passes through every point. [m]

        Returns
        -------
        Line
            ``length`` and ``station`` are measured along the slope, not on the map.

        Raises
        ------
        OptionError
            When there are fewer than 8 points, shapes differ or a number is not finite.

        Notes
        -----
        Parametric spline of degree 5 over chord length, periodic when closed. With the heading psi and the grade
        g, ``kappa`` = cos(g) dpsi/ds, so that v² kappa is the horizontal acceleration across the path also on a
        slope, and ``kappa_v`` = dg/ds.
        """
        points, slope = _checked_points(x, y, z, bank, closed)
        knots = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        curve = _spline(knots, points, closed, smoothing)
        count = knots.size - 1 if closed else knots.size
        u, station, length = _even_parameters(curve, knots, count, closed)
        first, second = curve(u, 1), curve(u, 2)
        speed2 = (first**2).sum(axis=1)
        flat2 = first[:, 0] ** 2 + first[:, 1] ** 2
        turn = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / flat2
        along = (first * second).sum(axis=1)
        grade = np.arctan2(first[:, 2], np.sqrt(flat2))
        # sin(grade) = z'/|r'|, so dgrade/ds cos(grade) = (z'' |r'|² - z' r'.r'') / |r'|⁴
        kappa_v = (second[:, 2] * speed2 - first[:, 2] * along) / speed2**2 / np.cos(grade)
        position = curve(u)
        gap = np.diff(np.append(station, length)) if closed else np.append(np.diff(station), 0.0)
        return cls(
            station=station,
            x=position[:, 0],
            y=position[:, 1],
            z=position[:, 2],
            kappa=turn / np.sqrt(speed2) * np.cos(grade),
            kappa_v=kappa_v,
            grade=grade,
            bank=np.interp(u, knots, slope),
            ds=gap,
            length=length,
            closed=closed,
            bank_stated=bank is not None,
        )

    @classmethod
    def from_curvature(
        cls,
        kappa: Any,
        ds: Any,
        *,
        x: Any = None,
        y: Any = None,
        grade: Any = 0.0,
        bank: Any = 0.0,
        kappa_v: Any = 0.0,
        closed: bool = True,
        like: "Line | None" = None,
    ) -> "Line":
        """A line given by its curvature; the segments need not have one length.

        Parameters
        ----------
        kappa : array-like, shape (n,)
            Curvature at the stations, left positive. [1/m]
        ds : float or array-like, shape (n,)
            Path length from each station to the next. [m]
        x, y : array-like, shape (n,), optional
            Positions; without them those of `like`, or integrated from the curvature. [m]
        grade, bank, kappa_v : float or array-like
            As the fields; not used when `like` is given.
        closed : bool
            Whether the last station is followed by the first; not used when `like` is given.
        like : Line, optional
            Line with the same stations, from which all that is not given is taken, stations and length too.

        Raises
        ------
        OptionError
            When a value is not finite, or the line that this one is `like` has other stations.
        """
        bend = np.asarray(kappa, dtype=float)
        for name, values in (("kappa", bend), ("ds", np.asarray(ds, dtype=float)), ("grade", np.asarray(grade))):
            _check_finite(name, np.atleast_1d(values))
        gap = np.broadcast_to(np.asarray(ds, dtype=float), bend.shape)
        if like is not None:
            if bend.shape != like.kappa.shape:
                raise OptionError(f"line: curvature has shape {bend.shape}, the line it is like {like.kappa.shape}.")
            return replace(like, kappa=bend, ds=gap, x=like.x if x is None else x, y=like.y if y is None else y)
        station = np.concatenate([[0.0], np.cumsum(gap[:-1])])
        slope = np.broadcast_to(np.asarray(grade, dtype=float), bend.shape)
        heading = np.concatenate([[0.0], np.cumsum(gap[:-1] * 0.5 * (bend[:-1] + bend[1:]))])
        step = gap[:-1] * np.cos(0.5 * (slope[:-1] + slope[1:]))
        middle = 0.5 * (heading[:-1] + heading[1:])
        rise = gap[:-1] * np.sin(0.5 * (slope[:-1] + slope[1:]))
        return cls(
            station=station,
            x=np.concatenate([[0.0], np.cumsum(step * np.cos(middle))]) if x is None else x,
            y=np.concatenate([[0.0], np.cumsum(step * np.sin(middle))]) if y is None else y,
            z=np.concatenate([[0.0], np.cumsum(rise)]),
            kappa=bend,
            kappa_v=np.broadcast_to(np.asarray(kappa_v, dtype=float), bend.shape),
            grade=slope,
            bank=np.broadcast_to(np.asarray(bank, dtype=float), bend.shape),
            ds=gap,
            length=float(station[-1] + (gap[-1] if closed else 0.0)),
            closed=closed,
        )

    # -- changed copies

    def resample(self, spacing: float) -> "Line":
        """The same line at evenly spaced stations about `spacing` [m] apart, so that they divide its length.

        Cubic interpolation of every array over the station; path length stays that of the segments.

        Raises
        ------
        OptionError
            When `spacing` does not lie between 0 and the line's length.
        """
        from scipy.interpolate import CubicSpline

        if not (math.isfinite(spacing) and 0.0 < spacing < self.length):
            raise OptionError(f"line: spacing {spacing!r} m; give a number between 0 and {self.length:g} m.")
        pieces = max(round(self.length / spacing), 2)
        axis = self.length / pieces * np.arange(pieces if self.closed else pieces + 1)
        wrapped = self.closed
        knots = np.append(self.station, self.station[0] + self.length) if wrapped else self.station
        bc = "periodic" if wrapped else "not-a-knot"

        def at(values: np.ndarray) -> np.ndarray:
            ends = np.append(values, values[0]) if wrapped else values
            return np.asarray(CubicSpline(knots, ends, bc_type=bc)(axis))

        travelled = np.concatenate([[0.0], np.cumsum(self.ds if wrapped else self.ds[:-1])])
        path = np.interp(axis if wrapped else axis[:-1], knots, travelled)
        gap = np.diff(np.append(path, travelled[-1]))
        moved: dict[str, Any] = {
            name: at(getattr(self, name)) for name in ("x", "y", "z", "kappa", "kappa_v", "grade", "bank")
        }
        return replace(self, station=axis, ds=gap if wrapped else np.append(gap, 0.0), **moved)

    def rolled(self, k: int) -> "Line":
        """The closed line with its start line moved to station `k`, an index that may run on beyond the last.

        Raises
        ------
        OptionError
            When the line is open.
        """
        if not self.closed:
            raise OptionError("line: only a closed line can start elsewhere.")
        shift = int(k) % self.station.size
        moved: dict[str, Any] = {
            name: np.roll(getattr(self, name), -shift) for name in _PER_STATION if name != "station"
        }
        station = (np.roll(self.station, -shift) - self.station[shift]) % self.length
        return replace(self, station=station, **moved)

    def mirrored(self) -> "Line":
        """Left and right exchanged."""
        return replace(self, y=-self.y, kappa=-self.kappa, bank=-self.bank)

    def reversed(self) -> "Line":
        """Driven the other way: station i becomes station n - 1 - i."""
        turned: dict[str, Any] = {name: getattr(self, name)[::-1] for name in ("x", "y", "z", "kappa_v")}
        negated: dict[str, Any] = {name: -getattr(self, name)[::-1] for name in ("kappa", "grade", "bank")}
        gap = np.append(self.ds[:-1][::-1], self.ds[-1])
        return replace(self, station=self.station[-1] - self.station[::-1], ds=gap, **turned, **negated)

    def opened(self) -> "Line":
        """One lap of a closed line as an open run that ends where it began, with n + 1 stations."""
        if not self.closed:
            return self
        ends: dict[str, Any] = {name: np.append(getattr(self, name), getattr(self, name)[0]) for name in _PER_STATION}
        ends["station"][-1] = self.station[0] + self.length
        return replace(self, closed=False, **ends)


def _check_finite(name: str, values: np.ndarray) -> None:
    if not np.isfinite(values).all():
        at = int(np.argmin(np.isfinite(values)))
        raise OptionError(f"line: {name}[{at}] is {values[at]}; give finite numbers.")


def _checked_points(x: Any, y: Any, z: Any, bank: Any, closed: bool) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) and banking (n,) without repeats; closed ones end with the first point again."""
    columns = {"x": x, "y": y, "z": z, "bank": bank}
    count = np.asarray(x).size
    arrays = []
    for name, values in columns.items():
        array = np.zeros(count) if values is None else np.asarray(values, dtype=float)
        if array.shape != (count,):
            raise OptionError(f"line: {name} has shape {array.shape}, x ({count},); give one number a point.")
        _check_finite(name, array)
        arrays.append(array)
    if count == 0:
        raise OptionError("line: there are no points; give at least 8.")
    table = np.column_stack(arrays)
    if closed:
        table = np.vstack([table, table[:1]])
    apart = np.linalg.norm(np.diff(table[:, :3], axis=0), axis=1) > SAME_POINT
    keep = np.concatenate([[True], apart])
    if closed and not apart[-1]:  # the caller repeated the first point: the appended one stays, the repeat goes
        keep[-1] = True
        keep[-2] = False
    table = table[keep]
    if len(table) < MIN_POINTS:
        raise OptionError(f"line: {len(table) - closed} different points; at least {MIN_POINTS - closed} are needed.")
    return table[:, :3], table[:, 3]


def _spline(knots: np.ndarray, points: np.ndarray, closed: bool, smoothing: float | None) -> Any:
    """Parametric spline (u, derivative) -> (len(u), 3)."""
    from scipy.interpolate import BSpline, make_interp_spline, splprep

    if smoothing is None:
        return make_interp_spline(knots, points, k=SPLINE_DEGREE, bc_type="periodic" if closed else None)
    if not (math.isfinite(smoothing) and smoothing >= 0.0):
        raise OptionError(f"line: smoothing {smoothing!r} m; give a standard deviation of the points, 0 or more.")
    (t, c, k), _ = splprep(points.T, u=knots, s=len(points) * smoothing**2, k=SPLINE_DEGREE, per=closed)
    return BSpline(t, np.array(c).T, k)


def _even_parameters(curve: Any, knots: np.ndarray, count: int, closed: bool) -> tuple[np.ndarray, np.ndarray, float]:
    """Parameters at `count` stations evenly spaced in arc length, the stations and the length."""
    fine = np.concatenate(
        [
            np.repeat(knots[:-1], ARC_STEPS)
            + np.tile(np.arange(ARC_STEPS) / ARC_STEPS, knots.size - 1) * np.repeat(np.diff(knots), ARC_STEPS),
            knots[-1:],
        ]
    )
    middle = 0.5 * (fine[:-1] + fine[1:])
    rate, rate_middle = (np.linalg.norm(curve(at, 1), axis=1) for at in (fine, middle))
    arc = np.concatenate([[0.0], np.cumsum(np.diff(fine) * (rate[:-1] + 4.0 * rate_middle + rate[1:]) / 6.0)])
    length = float(arc[-1])
    station = length / (count if closed else count - 1) * np.arange(count)
    from scipy.interpolate import CubicHermiteSpline

    u = CubicHermiteSpline(arc, fine, 1.0 / rate)(station)
    return u, station, length
