"""The mean driven path of the counted laps, with what their accelerometers tell of the road below it."""

from dataclasses import replace

import numpy as np

from simlap.laptable import LapTable
from simlap.line import Line
from simlap.slopes import Banking, Grade, grade_contradicted, read_banking, read_grade
from simlap.track import Track


def mean_path(table: LapTable, reference: Line, has_elevation: bool = False, heights_logged: bool = False) -> Line:
    """The mean driven path of the counted laps, on the table's stations.

    Curvature and path length are means over the laps of the very motion that the envelope is fitted to; grade,
    banking and vertical curvature are the reference line's, or grade and banking what the accelerometers felt where
    it states none. `has_elevation`: a reference line that is flat is known to be. `heights_logged`: its heights come
    from these laps, and give way where the accelerometer contradicts them.
    """
    rows = np.asarray(table.counted, dtype=bool)
    line = Line.from_curvature(
        kappa=np.asarray(table.kappa)[rows].mean(axis=0),
        ds=np.asarray(table.ds)[rows].mean(axis=0),
        x=np.asarray(table.x)[rows].mean(axis=0),
        y=np.asarray(table.y)[rows].mean(axis=0),
        like=reference,
    )
    if not line.bank_stated:
        found = banking_of(table)
        if found is not None:
            line = replace(line, bank=found.bank, bank_stated=True, bank_doubt=found.doubt)
    known = has_elevation or line.grade.any()
    felt = None if known and not heights_logged else grade_of(table)
    if felt is not None and not known:
        line = replace(line, grade=felt.grade)
    elif felt is not None and _contradicted(table, line, felt):
        line = replace(line, grade=felt.grade, kappa_v=np.zeros(line.kappa.size))
    return line


def grade_of(table: LapTable) -> Grade | None:
    """Slope along the road as the counted laps' longitudinal accelerometer tells it; None where it does not."""
    rows = np.asarray(table.counted, dtype=bool)
    return None if table.along is None else read_grade(table.along[rows], table.ds[rows])


def _contradicted(table: LapTable, line: Line, felt: Grade | None) -> bool:
    """Whether the counted laps' longitudinal accelerometer contradicts the grade of a line on the table's stations."""
    rows = np.asarray(table.counted, dtype=bool)
    return grade_contradicted(line.grade, felt, line.ds, table.a_lat[rows], table.a_lon[rows], table.v[rows])


def heights_contradicted(table: LapTable, track: Track) -> bool:
    """Whether the longitudinal accelerometer contradicts the heights that the track file states or the laps logged."""
    reference = track.line.resample(track.length / table.station.size)
    known = track.has_elevation or bool(reference.grade.any())
    return known and _contradicted(table, reference, grade_of(table))


def banking_of(table: LapTable) -> Banking | None:
    """Banking as the counted laps' lateral accelerometer tells it; None where it does not."""
    if table.across is None:
        return None
    rows = np.asarray(table.counted, dtype=bool)
    duration = np.diff(table.t[rows], axis=1)
    return read_banking(table.across[rows], table.a_lat[rows], table.a_lon[rows], table.v[rows], duration)


def grade_notes(track: Track, line: Line) -> tuple[str, ...]:
    """Says so where the slope along the road is not the track's."""
    if track.has_elevation or track.line.grade.any() or not line.grade.any():
        return ()
    return ("No elevation known: the slope along the road was read from the longitudinal accelerometer.",)
