"""Track files: GeoJSON (RFC 7946) that any GIS program reads and that can be edited by hand.

A FeatureCollection whose features carry a property "role":

- "reference line": LineString in driving order, closed (its last position repeats the first), with elevation as
  third coordinate where it is known. Properties: "name", and optionally, one number per position, "width_left_m",
  "width_right_m" and "banking_deg" (positive when the left edge is lower).
- "start line": LineString of two positions across the reference line.
- "corner": LineString of three positions on the reference line, entry, apex, exit. Properties "name", "grip".
- "surface": Point or LineString on the reference line. Property "note".

Where things lie is told by the positions alone: what is moved on the map is moved. Stations and directions stand
beside them for people; reading takes only ``apex_m`` from there, to tell the legs of a crossing apart. Features
without a role are left alone.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simlap.errors import OptionError
from simlap.files import write_text
from simlap.geodesy import to_geodetic
from simlap.projection import Curve
from simlap.trackfile_read import DECIMALS, LONGEST_NAME, is_name, load_json, track_from_geojson

if TYPE_CHECKING:
    from simlap.track import Track

ELEVATION_DECIMALS = 5  # 0.01 mm as well, for the vertical curvature

LONGEST_SHOWN = 40  # characters of a refused name that the message repeats


def write_track(track: Track, path: str | os.PathLike[str]) -> Path:
    """Write `track` as GeoJSON and return the path; what `read_track` would refuse is not written.

    Raises
    ------
    OptionError
        When the track has no place on the globe, crosses the 180th meridian, holds a name that cannot be read back, or
        the file cannot be written.
    TrackFormatError
        When the track could not be read back: names feature and property.
    """
    text = track_to_geojson(track)
    track_from_geojson(json.loads(text), os.fspath(path))
    return write_text(path, text)


def read_track(path: str | os.PathLike[str]) -> Track:
    """Read a track file.

    The reference line is cut where it crosses the start line; stations are metres from there along the line.

    Raises
    ------
    TrackFormatError
        When the file is no track file: names feature and property, and says what to do.
    OptionError
        When `path` is no path.
    """
    if not isinstance(path, (str, os.PathLike)):
        raise OptionError(f"track {path!r}: is no path. Name a track file.")
    source = os.fspath(path)
    return track_from_geojson(load_json(source), source)


def track_to_geojson(track: Track) -> str:
    """The text of a track file (GeoJSON, RFC 7946; positions in degrees, lengths in metres), one feature a line.

    Raises
    ------
    OptionError
        When the track has no latitude and longitude, crosses the 180th meridian or holds a text that cannot be written.
    """
    if track.origin is None:
        raise OptionError(
            f"track {track.name!r} has no latitude and longitude, and a track file is in degrees. "
            "State where its x = 0, y = 0 lies (--origin LAT,LON)."
        )
    _check_texts(track)
    origin = track.origin
    curve = Curve(track.line)

    def positions(x: Any, y: Any, z: Any = None) -> list[list[float]]:
        lat, lon = to_geodetic(np.asarray(x), np.asarray(y), origin)
        if np.ptp(lon) > 180.0:
            raise OptionError(f"track {track.name!r} crosses the 180th meridian; track files cannot hold that.")
        columns = [np.round(lon, DECIMALS), np.round(lat, DECIMALS)]
        if z is not None:
            columns.append(np.round(z, ELEVATION_DECIMALS))
        return np.stack(columns, axis=1).tolist()

    def on_line(stations: Sequence[float]) -> list[list[float]]:
        return positions(*curve.at(np.asarray(stations, dtype=float)).T)

    line = track.line
    reference: dict[str, Any] = {"role": "reference line", "name": track.name, "length_m": round(track.length, 3)}
    for key, values in (("width_left_m", track.width_left), ("width_right_m", track.width_right)):
        if values is not None:
            reference[key] = np.round(_closed(values), 3).tolist()
    if line.bank_stated:
        reference["banking_deg"] = np.round(np.degrees(_closed(line.bank)), 4).tolist()
    height = _closed(line.z) if track.has_elevation else None
    features = [
        _feature("LineString", positions(_closed(line.x), _closed(line.y), height), reference),
        _feature("LineString", positions(*np.array(track.start_line).T), {"role": "start line"}),
    ]
    for corner in track.corners:
        places = (corner.entry_m, corner.apex_m, corner.exit_m)
        features.append(
            _feature(
                "LineString",
                on_line(places),
                {
                    "role": "corner",
                    "name": corner.name,
                    "direction": corner.direction,
                    **{f"{key}_m": round(s, 2) for key, s in zip(("entry", "apex", "exit"), places, strict=True)},
                    "grip": corner.grip,
                },
            )
        )
    for note in track.notes:
        extent = (note.stop_m - note.start_m) % track.length
        if extent == 0.0:
            features.append(_feature("Point", on_line([note.start_m])[0], {"role": "surface", "note": note.text}))
        else:
            ends = on_line([note.start_m, note.start_m + 0.5 * extent, note.stop_m])
            features.append(_feature("LineString", ends, {"role": "surface", "note": note.text}))
    rows = ",\n".join(json.dumps(f, ensure_ascii=False, allow_nan=False, separators=(",", ":")) for f in features)
    return '{"type":"FeatureCollection","features":[\n' + rows + "\n]}\n"


def _check_texts(track: Track) -> None:
    """Refuse names and notes that reading refuses."""
    texts = [("the track", track.name), *(("a corner", corner.name) for corner in track.corners)]
    for what, text in (*texts, *(("a surface note", note.text) for note in track.notes)):
        if not is_name(text):
            raise OptionError(
                f"The name of {what}, {text[:LONGEST_SHOWN]!r}{'...' if len(text) > LONGEST_SHOWN else ''}, has "
                f"{len(text)} characters; a track file takes texts of 1 to {LONGEST_NAME}, not all blank. "
                "Choose a shorter one (--name names the circuit)."
            )


def _closed(values: np.ndarray) -> np.ndarray:
    return np.append(values, values[0])


def _feature(kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}
