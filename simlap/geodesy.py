"""Latitude and longitude to metres in a local plane, and back."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import NotEnoughData

if TYPE_CHECKING:
    from pyproj import Transformer

Origin = tuple[float, float]  #: latitude, longitude of the plane's origin [deg]


@lru_cache(maxsize=32)
def _transformer(origin: Origin) -> Transformer:
    """Transverse Mercator with scale 1 on the meridian of `origin`, WGS 84."""
    from pyproj import Transformer

    lat0, lon0 = origin
    plane = f"+proj=tmerc +lat_0={lat0:.12f} +lon_0={lon0:.12f} +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m"
    return Transformer.from_crs("EPSG:4326", plane, always_xy=True)


def origin_of(latitude: np.ndarray, longitude: np.ndarray) -> Origin:
    """Median position, rounded to 1e-4 deg (11 m) so that sessions of one circuit often share it.

    Parameters
    ----------
    latitude, longitude : float64 arrays, shape (n,)
        NaN where there is no position. [deg]

    Returns
    -------
    (float, float)
        Latitude and longitude, from -180 up to 180. [deg]

    Raises
    ------
    NotEnoughData
        When no position is finite.
    """
    fine = np.isfinite(latitude) & np.isfinite(longitude)
    if not fine.any():
        raise NotEnoughData("No row has both latitude and longitude. Log a position, or leave both columns out.")
    lat0 = float(np.median(latitude[fine]))
    unit = np.exp(1j * np.radians(longitude[fine]))  # the mean direction survives a circuit on the date line
    turned = np.degrees(np.angle(unit * np.conj(unit[0])))
    lon0 = float(longitude[fine][0] + np.median(turned))
    return round(lat0, 4), round((lon0 + 180.0) % 360.0 - 180.0, 4)


def to_plane(latitude: np.ndarray, longitude: np.ndarray, origin: Origin) -> tuple[np.ndarray, np.ndarray]:
    """Metres east and north of `origin`.

    Parameters
    ----------
    latitude, longitude : float64 arrays, shape (n,)
        Geodetic, WGS 84; NaN stays NaN. [deg]
    origin : (float, float)
        Latitude and longitude of the plane's origin. [deg]

    Notes
    -----
    Transverse Mercator stretches by (x / R)² / 2: 3e-7 at 5 km from the origin. Distances are those on the
    ellipsoid; 1000 m above it they are 1.6e-4 longer, which is left out.
    """
    latitude = np.asarray(latitude, dtype=float)
    longitude = np.asarray(longitude, dtype=float)
    x = np.full(np.broadcast(latitude, longitude).shape, np.nan)
    y = x.copy()
    fine = np.isfinite(latitude) & np.isfinite(longitude)
    if fine.any():
        x[fine], y[fine] = _transformer(origin).transform(longitude[fine], latitude[fine])
    return x, y


def to_geodetic(x: np.ndarray, y: np.ndarray, origin: Origin) -> tuple[np.ndarray, np.ndarray]:
    """Latitude and longitude [deg] of points `x` east and `y` north of `origin` [m]; inverse of `to_plane`."""
    x = np.asarray(x, dtype=float)
    y = np.asarray(y, dtype=float)
    longitude, latitude = _transformer(origin).transform(x, y, direction="INVERSE")
    return np.asarray(latitude), np.asarray(longitude)
