"""The local plane against geodesics and against published constants."""

import numpy as np
import pytest
from pyproj import Geod

from simlap.errors import NotEnoughData
from simlap.geodesy import origin_of, to_geodetic, to_plane


@pytest.mark.parametrize("origin", [(47.3, 11.1), (-42.0, -118.0), (0.0, 179.9999), (69.5, 18.9)])
def test_distances_in_the_plane_are_those_of_the_geodesic(origin):
    # Source: geodesics on WGS 84, Karney (2013), doi:10.1007/s00190-012-0578-z, as implemented in pyproj.Geod.
    # Within 3 km of the origin the plane stretches by (x / R)² / 2 < 1.2e-7, 0.4 mm in 3 km.
    rng = np.random.default_rng(1)
    azimuth, distance = rng.uniform(0.0, 360.0, 20), rng.uniform(10.0, 3000.0, 20)
    geod = Geod(ellps="WGS84")
    longitude, latitude, _ = geod.fwd(np.full(20, origin[1]), np.full(20, origin[0]), azimuth, distance)
    x, y = to_plane(np.asarray(latitude), np.asarray(longitude), origin)
    assert np.hypot(x, y) == pytest.approx(distance, abs=5e-4)
    _, _, leg = geod.inv(longitude[:-1], latitude[:-1], longitude[1:], latitude[1:])
    assert np.hypot(np.diff(x), np.diff(y)) == pytest.approx(leg, abs=1e-3)


def test_east_is_x_and_north_is_y():
    x, y = to_plane(np.array([47.3, 47.31]), np.array([11.11, 11.1]), (47.3, 11.1))
    assert x[0] > 700.0
    assert abs(y[0]) < 0.1
    assert abs(x[1]) < 1e-6
    # one hundredth of a degree of latitude at 47.3 degrees is 1111.8 m (WGS 84: M = 6 370 110 m, times pi / 18000)
    assert y[1] == pytest.approx(1111.8, abs=0.1)


def test_way_there_and_back_ends_where_it_began():
    latitude, longitude = np.array([47.29, 47.31]), np.array([11.09, 11.12])
    back = to_geodetic(*to_plane(latitude, longitude, (47.3, 11.1)), (47.3, 11.1))
    assert back[0] == pytest.approx(latitude, abs=1e-10)  # 1e-10 degrees are 0.01 mm
    assert back[1] == pytest.approx(longitude, abs=1e-10)


def test_circuit_across_the_date_line_gets_an_origin_inside_it():
    latitude, longitude = np.array([10.0, 10.0, 10.0]), np.array([179.99, -179.99, -179.998])
    lat0, lon0 = origin_of(latitude, longitude)
    assert -180.0 <= lon0 <= 180.0
    x, y = to_plane(latitude, longitude, (lat0, lon0))
    assert np.abs(x).max() < 3000.0  # the three points lie within 0.02 degrees, 2.2 km
    assert np.abs(y).max() < 20.0


def test_missing_positions_stay_missing_and_a_log_without_any_is_refused():
    x, _ = to_plane(np.array([47.3, np.nan]), np.array([11.1, 11.1]), (47.3, 11.1))
    assert np.isnan(x[1])
    with pytest.raises(NotEnoughData, match="both latitude and longitude"):
        origin_of(np.array([np.nan]), np.array([11.1]))
