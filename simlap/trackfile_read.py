"""From the text of a track file to a Track: every rule is checked, every message names feature and property."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from simlap.errors import OptionError, TrackFormatError
from simlap.geodesy import origin_of, to_plane
from simlap.polyline import line_from_vertices
from simlap.projection import Curve
from simlap.track import Corner, SurfaceNote, Track, inside

ROLES = ("reference line", "start line", "corner", "surface")
# Decimals of a degree in the file. 1e-10 deg is 0.01 mm: rounding then moves the curvature between vertices 2 m apart
# by up to 1e-5 1/m (0.04 m/s² at 60 m/s); with 1e-7 deg it would be a thousand times that.
DECIMALS = 10
LARGEST_FILE = 50_000_000  # [bytes] a circuit of 100 km with vertices every 2 m has 5 MB
LONGEST_NAME = 1000  # [characters] tables cut or wrap long ones; longer than this is a pasted text
SHORTEST_LINE = 50.0  # [m] less is no circuit but a slip of the decimal point
WIDEST = 200.0  # [m] to one edge; a runway has 30
STEEPEST_BANK = 60.0  # [deg] the steepest banked tracks have about 50
# The steepest public streets rise by 0.35 to 0.38 (common knowledge, no source). Ground models jump by a metre or two.
STEEPEST_ROAD = 1.0  # [m/m]
HEIGHT_STEP = 3.0  # [m] allowed whatever the way
GRIP_RANGE = (0.1, 3.0)  # factors beyond are a percentage or a slip
# Corners and notes are marks on the line: one this far off was meant for another place. A wide track has 20 m.
FARTHEST_MARK = 25.0  # [m]
# Corners may meet: marks rounded to five decimals of a degree lie up to 0.8 m off, and two of them meet.
TOUCHING = 2.0  # [m]
# Names of the one coordinate system that RFC 7946 allows, as older GIS programs still write them.
CRS_NAMES = ("urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:OGC::CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326")


@dataclass(frozen=True)
class Place:
    """Where in the file something stands, for messages."""

    source: str
    index: int = -1
    role: str = ""

    def fail(self, what: str) -> NoReturn:
        """Raise with the place in front."""
        feature = f", features[{self.index}]" if self.index >= 0 else ""
        raise TrackFormatError(f"{self.source}{feature}{f' ({self.role})' if self.role else ''}{what}")


def load_json(source: str) -> Any:
    """Parse a file strictly: UTF-8, no NaN, no key twice.

    Raises
    ------
    TrackFormatError
        With line and column of what is wrong.
    """
    path = Path(source)
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise TrackFormatError(f"{source}: {path.stat().st_size} bytes; a track file has at most {LARGEST_FILE}.")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise TrackFormatError(
            f"{source}: cannot be read ({error.strerror}). Give the path of a track file."
        ) from error
    except UnicodeDecodeError as error:
        raise TrackFormatError(
            f"{source}: byte {error.start} is not UTF-8, so this is no GeoJSON file. Give a track file."
        ) from error

    def constant(name: str) -> NoReturn:
        raise TrackFormatError(f"{source}: {name} is no number in JSON. Write a number, or leave the property out.")

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        seen: dict[str, Any] = {}
        for key, value in pairs:
            if key in seen:
                raise TrackFormatError(f"{source}: {_short(key)} stands twice in one object. Keep one of them.")
            seen[key] = value
        return seen

    try:
        return json.loads(text, parse_constant=constant, object_pairs_hook=unique)
    except json.JSONDecodeError as error:
        raise TrackFormatError(
            f"{source}, row {error.lineno}, column {error.colno}: {error.msg}. This is no JSON; give a track file "
            "(GeoJSON)."
        ) from error
    except (RecursionError, ValueError) as error:  # nested too deep, or a number of thousands of digits
        raise TrackFormatError(f"{source}: cannot be read as JSON ({error}). Give a track file (GeoJSON).") from error


def track_from_geojson(data: Any, source: str) -> Track:
    """Build the track of a parsed FeatureCollection (GeoJSON, RFC 7946).

    Parameters
    ----------
    data : parsed JSON
        Positions in degrees, heights in metres. README, "Track files", tells what each feature holds.
    source : str
        Named in messages.

    Raises
    ------
    TrackFormatError
        Naming the source, the feature and what is wrong with it.
    """
    features = _features(data, source)
    place, feature = _only(features, "reference line", source)
    start_place, start_feature = _only(features, "start line", source)
    position, points, origin = _vertices(place, feature)
    columns = _columns(place, feature, position)
    start_line = _start_line(start_place, start_feature, origin)
    try:
        line, widths = line_from_vertices(
            points[:-1],
            {key: values[:-1] for key, values in columns.items()},
            start_line,
            rounding=rounding_of_degrees(position[:, :2]),
        )
    except OptionError as error:
        raise TrackFormatError(f"{source}: {error}") from error
    curve = Curve(line)
    name = _text(place, feature, "name", Path(source).stem)
    return Track(
        name=name,
        line=line,
        start_line=start_line,
        corners=_corners(features, curve, line.kappa, origin),
        origin=origin,
        has_elevation=position.shape[1] == 3,
        width_left=widths.get("width_left_m"),
        width_right=widths.get("width_right_m"),
        notes=_notes(features, curve, origin),
    )


def _features(data: Any, source: str) -> list[tuple[Place, dict[str, Any]]]:
    """The features that have a role, checked as far as RFC 7946 section 3 goes."""
    top = Place(source)
    if not isinstance(data, dict) or data.get("type") != "FeatureCollection":
        top.fail(": the outermost object is no GeoJSON FeatureCollection (RFC 7946, section 3.3). Give a track file.")
    crs = data.get("crs")
    if crs is not None:
        properties = crs.get("properties") if isinstance(crs, dict) else {"name": crs}
        name = properties.get("name") if isinstance(properties, dict) else None
        if name not in CRS_NAMES:
            top.fail(f': "crs" is {name!r}; GeoJSON is in WGS 84 (RFC 7946, section 4). Save it in EPSG:4326.')
    if not isinstance(data.get("features"), list):
        top.fail(': "features" is no array (RFC 7946, section 3.3). Give a track file.')
    kept = []
    for index, feature in enumerate(data["features"]):
        place = Place(source, index)
        if not isinstance(feature, dict) or feature.get("type") != "Feature":
            place.fail(': its "type" is not "Feature" (RFC 7946, section 3.2).')
        properties = feature.get("properties")
        if properties is None or not isinstance(properties, dict) or "role" not in properties:
            continue
        role = properties["role"]
        if role not in ROLES:
            place.fail(f", property 'role': {role!r} is none of {', '.join(ROLES)}.")
        kept.append((Place(source, index, role), feature))
    return kept


def _only(features: list[tuple[Place, dict[str, Any]]], role: str, source: str) -> tuple[Place, dict[str, Any]]:
    """The one feature of a role that stands in the file once."""
    found = [(place, feature) for place, feature in features if place.role == role]
    if len(found) != 1:
        Place(source).fail(f': {len(found)} features have the property "role": "{role}"; a track file has exactly one.')
    return found[0]


def _vertices(place: Place, feature: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """Positions of the closed reference line, (n, 2) or (n, 3), the same in the plane (n, 2) [m], and its origin."""
    position = _positions(place, feature, "LineString")
    _check_closed(place, position)
    origin = origin_of(position[:, 1], position[:, 0])
    points = np.stack(to_plane(position[:, 1], position[:, 0], origin), axis=1)
    if position.shape[1] == 3:
        _check_heights(place, points[:, 0], points[:, 1], position[:, 2])
    long = float(np.sum(np.hypot(*np.diff(points, axis=0).T)))
    if long < SHORTEST_LINE:
        place.fail(
            f": the line is {long:.1f} m long; a circuit has at least {SHORTEST_LINE:g} m. Positions are [longitude, "
            "latitude] in degrees."
        )
    return position, points, origin


def _columns(place: Place, feature: dict[str, Any], position: np.ndarray) -> dict[str, np.ndarray]:
    """What the reference line states at each of its positions: height, widths and banking, each (n,)."""
    columns = {"z": position[:, 2] if position.shape[1] == 3 else np.zeros(len(position))}
    for key, low, high in (
        ("width_left_m", 0.0, WIDEST),
        ("width_right_m", 0.0, WIDEST),
        ("banking_deg", -STEEPEST_BANK, STEEPEST_BANK),
    ):
        values = _per_position(place, feature, key, len(position), low, high)
        if values is not None:
            columns[key] = values
    return columns


def _start_line(
    place: Place, feature: dict[str, Any], origin: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The two ends of the start line in the plane [m]."""
    ends = _positions(place, feature, "LineString")
    if len(ends) != 2:
        place.fail(f": it has {len(ends)} positions; a start line has two, one on each side of the track.")
    x, y = to_plane(ends[:, 1], ends[:, 0], origin)
    return (float(x[0]), float(y[0])), (float(x[1]), float(y[1]))


def _positions(place: Place, feature: dict[str, Any], *kinds: str) -> np.ndarray:
    """Positions [longitude, latitude(, elevation)], shape (n, 2) or (n, 3)."""
    geometry: Any = feature.get("geometry")
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    rows = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind == "MultiLineString" and "LineString" in kinds:  # GIS programs turn the lines of a layer into these
        if not isinstance(rows, list) or len(rows) != 1:
            parts = f"{len(rows)} parts" if isinstance(rows, list) else "no parts"
            place.fail(f": its geometry is a MultiLineString of {parts}. Merge them into one LineString.")
        kind, rows = "LineString", rows[0]
    if kind not in kinds:
        place.fail(f": its geometry is {kind!r}; it must be {' or '.join(kinds)}.")
    rows = [rows] if kind == "Point" else rows
    if not isinstance(rows, list) or len(rows) < (1 if kind == "Point" else 2):
        place.fail(': its "coordinates" hold no positions (RFC 7946, section 3.1.4).')
    for number, row in enumerate(rows):
        if not isinstance(row, list) or len(row) < 2 or not all(_is_number(value) for value in row):
            place.fail(f", coordinates[{number}]: {_short(row)} is no position [longitude, latitude, elevation].")
        if not (abs(row[0]) <= 180.0 and abs(row[1]) <= 90.0):
            place.fail(
                f", coordinates[{number}]: longitude {row[0]:g}, latitude {row[1]:g} is no place on the globe. "
                "Positions are [longitude, latitude, elevation] in degrees and metres."
            )
    sizes = {min(len(row), 3) for row in rows}
    if len(sizes) > 1:
        place.fail(": some positions have an elevation and some have none. Give it to all of them, or to none.")
    table = np.array([row[: sizes.copy().pop()] for row in rows], dtype=float)
    if np.ptp(table[:, 0]) > 180.0:
        place.fail(": the line crosses the 180th meridian, which track files cannot hold.")
    return table


def _check_closed(place: Place, position: np.ndarray) -> None:
    first, last = position[0], position[-1]
    if not np.array_equal(first, last):
        x, y = to_plane(position[[0, -1], 1], position[[0, -1], 0], (float(first[1]), float(first[0])))
        place.fail(
            f": its last position lies {math.hypot(x[1] - x[0], y[1] - y[0]):.3g} m from its first. Close the "
            "line: the last position repeats the first, elevation too."
        )


def _check_heights(place: Place, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> None:
    """Refuse a step of the elevations `z` (n,) [m] that no road has: a position added by hand often comes with 0."""
    rise, way = np.abs(np.diff(z)), np.hypot(np.diff(x), np.diff(y))
    steps = np.flatnonzero(rise > HEIGHT_STEP + STEEPEST_ROAD * way)
    if steps.size:
        at = int(steps[0])
        place.fail(
            f", coordinates[{at}] and [{at + 1}]: elevations {z[at]:g} and {z[at + 1]:g} m, {way[at]:.1f} m apart. No "
            "road is so steep: correct the wrong one, or take the elevation out of all positions."
        )


def _per_position(
    place: Place, feature: dict[str, Any], key: str, count: int, low: float, high: float
) -> np.ndarray | None:
    """An array property with one number per position, or None where it is not given."""
    values = feature["properties"].get(key)
    if values is None:
        return None
    if not isinstance(values, list) or len(values) != count:
        has = f"{len(values)} values" if isinstance(values, list) else _short(values)
        place.fail(
            f", property {key!r}: {has}, but the line has {count} positions. Give one number per position, or "
            "delete the property."
        )
    for number, value in enumerate(values):
        if not _is_number(value) or not low <= value <= high:
            place.fail(f", property '{key}[{number}]': {_short(value)} is no number from {low:g} to {high:g}.")
    return np.array(values, dtype=float)


def is_name(text: str) -> bool:
    """Whether a track file may hold `text` as a name or a note."""
    return bool(text.strip()) and len(text) <= LONGEST_NAME


def _text(place: Place, feature: dict[str, Any], key: str, default: str | None = None) -> str:
    """A text property; a whole number is taken as its digits (GIS programs turn "3" into 3)."""
    value = feature["properties"].get(key, default)
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str) or not is_name(value):
        place.fail(f", property {key!r}: {_short(value)} is no text of 1 to {LONGEST_NAME} characters.")
    return value


def _corners(
    features: list[tuple[Place, dict[str, Any]]], curve: Curve, kappa: np.ndarray, origin: tuple[float, float]
) -> tuple[Corner, ...]:
    """Corners sorted by apex, their stations taken from their positions."""
    found: list[Corner] = []
    place_of: dict[str, Place] = {}
    for place, feature in features:
        if place.role != "corner":
            continue
        name = _text(place, feature, "name")
        if name in [corner.name for corner in found]:
            place.fail(f", property 'name': {name!r} is the name of another corner too. Names must differ.")
        grip = feature["properties"].get("grip", 1.0)
        if not _is_number(grip) or not GRIP_RANGE[0] <= grip <= GRIP_RANGE[1]:
            place.fail(
                f", property 'grip': {_short(grip)} is no factor from {GRIP_RANGE[0]:g} to {GRIP_RANGE[1]:g}; "
                "1 is the grip of the rest of the circuit."
            )
        points = _positions(place, feature, "LineString")
        if len(points) != 3:
            place.fail(f": it has {len(points)} positions; a corner has three: entry, apex, exit.")
        hint = feature["properties"].get("apex_m")
        apex = _mark(place, curve, points[1], origin, float(hint) if _is_number(hint) else None)
        entry = _mark(place, curve, points[0], origin, apex)
        leave = _mark(place, curve, points[2], origin, apex)
        if (apex - entry) % curve.length + (leave - apex) % curve.length >= curve.length:
            place.fail(
                f": entry at {entry:.1f} m, apex at {apex:.1f} m and exit at {leave:.1f} m are not in driving "
                "order. Swap its positions, or turn the reference line round."
            )
        station = np.arange(kappa.size) * (curve.length / kappa.size)
        turned = float(kappa[inside(station, entry, leave, curve.length)].sum())
        found.append(Corner(name, "left" if turned > 0.0 else "right", entry, apex, leave, float(grip)))
        place_of[name] = place
    found.sort(key=lambda corner: corner.apex_m)
    _check_apart(found, curve.length, place_of)
    return tuple(found)


def _check_apart(corners: list[Corner], length: float, places: dict[str, Place]) -> None:
    """Refuse a corner that ends behind the entry of the next one, or begins before the last one's apex."""
    for number, corner in enumerate(corners if len(corners) > 1 else ()):
        after = corners[(number + 1) % len(corners)]
        own, gap = ((station - corner.apex_m) % length for station in (corner.exit_m, after.apex_m))
        entry = gap - (after.apex_m - after.entry_m) % length
        if own > entry + TOUCHING:
            places[corner.name].fail(
                f", corner {_short(corner.name)}: its exit at {corner.exit_m:.1f} m lies behind the entry of corner "
                f"{_short(after.name)} at {after.entry_m:.1f} m. Corners may touch, not overlap: move one of the two."
            )


def _notes(
    features: list[tuple[Place, dict[str, Any]]], curve: Curve, origin: tuple[float, float]
) -> tuple[SurfaceNote, ...]:
    """Surface notes; of a line only the two ends count."""
    found = []
    for place, feature in features:
        if place.role == "surface":
            points = _positions(place, feature, "Point", "LineString")
            middle = _mark(place, curve, points[len(points) // 2], origin, None)
            start, stop = (_mark(place, curve, points[k], origin, middle) for k in (0, -1))
            found.append(SurfaceNote(_text(place, feature, "note"), start, stop))
    return tuple(found)


def _mark(place: Place, curve: Curve, position: np.ndarray, origin: tuple[float, float], hint: float | None) -> float:
    """Station of a position marked on the line."""
    x, y = to_plane(position[1:2], position[0:1], origin)
    point = np.array([x[0], y[0]])
    station, distance = curve.nearest(point, hint)
    if distance > FARTHEST_MARK:
        place.fail(
            f": the position {position[0]:.6f}, {position[1]:.6f} lies {distance:.0f} m from the reference line. "
            f"Put it on the line (at most {FARTHEST_MARK:g} m off)."
        )
    return station


def rounding_of_degrees(degrees: np.ndarray) -> float:
    """Standard deviation that rounding to the decimals used in the file gives to positions (n, 2). [m]"""
    decimals = next((d for d in range(DECIMALS) if np.array_equal(np.round(degrees, d), degrees)), DECIMALS)
    metres_per_degree = 111_320.0  # on a meridian, and an upper bound along a parallel
    return 0.0 if decimals >= DECIMALS else metres_per_degree * 10.0**-decimals / math.sqrt(12.0)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
