"""Does a circuit cross itself? Figure-of-eight circuits exist, and a reader of the file should be told."""

from simlap.line import Line


def crosses_itself(line: Line) -> bool:
    """Whether a closed line passes over itself, bridge or level, by the geometry of its stations (shapely)."""
    # shapely loads GEOS, which no command needs before it looks at a track
    from shapely import LinearRing

    return not LinearRing(list(zip(line.x.tolist(), line.y.tolist(), strict=True))).is_simple
