"""Parquet, and Feather (Arrow IPC) files; needs pyarrow."""

from collections.abc import Callable
from types import ModuleType

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.columns import Assigned, assign
from simlap.readers.convert import convert
from simlap.readers.table import RawLog, Request, need_extra, parsing

# A small file can unpack to any number of rows: 55 h at 100 Hz is more than one outing.
MAX_ROWS = 20_000_000
#: Keys under which a column's metadata may state its unit.
UNIT_KEYS = (b"unit", b"units")
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


def read_arrow(request: Request, head: bytes) -> RawLog:
    """Read one Parquet or Feather file; only the columns that are used are loaded.

    Units come from the column's metadata (key ``unit``) or its name.

    Raises
    ------
    LogFormatError
        When pyarrow is missing, the file is damaged or too long, or a column cannot be read as numbers.
    """
    pa = need_extra("pyarrow", "parquet", request.source, "Parquet and Feather")
    errors = (pa.ArrowException, OSError, ValueError, MemoryError)
    with parsing(request.source, "Parquet or Feather", errors):
        schema, rows, load = _open(request, head)
    if rows > MAX_ROWS:
        raise LogFormatError(f"{request.source}: {rows} rows, more than the {MAX_ROWS} that are read at once.")
    headers = [field.name for field in schema]
    units = [_unit(field) for field in schema]
    clocks = frozenset(i for i, field in enumerate(schema) if _is_time(pa, field.type))
    nested = frozenset(i for i, field in enumerate(schema) if pa.types.is_nested(field.type))
    assigned, columns, notes = assign(request.source, headers, units, request.choices, clocks, nested=nested)

    def fetch(item: Assigned) -> np.ndarray:
        with parsing(request.source, "Parquet or Feather", errors):
            return _cells(pa, load(item.index), request.source, headers[item.index])

    return convert(request.source, assigned, columns, notes, fetch, first_row=1)


def _open(request: Request, head: bytes) -> tuple:
    """Schema, number of rows, and a function that loads one column by its place."""
    load: Callable[[int], object]
    if head.startswith(b"PAR1"):
        import pyarrow.parquet as parquet

        file = parquet.ParquetFile(request.path)
        schema = file.schema_arrow

        def load(index: int) -> object:
            name = schema.field(index).name
            return file.read(columns=[name]).column(schema.names[:index].count(name))

        return schema, file.metadata.num_rows, load
    import pyarrow.feather as feather

    table = feather.read_table(request.path, memory_map=False)
    return table.schema, table.num_rows, table.column


def _unit(field: object) -> str | None:
    metadata = getattr(field, "metadata", None) or {}
    return next((metadata[key].decode("utf-8", "replace") for key in UNIT_KEYS if key in metadata), None)


def _is_time(pa: ModuleType, kind: object) -> bool:
    return pa.types.is_timestamp(kind) or pa.types.is_time(kind) or pa.types.is_duration(kind)


def _cells(pa: ModuleType, column: object, source: str, header: str) -> np.ndarray:
    """Cells as float64 (NaN where null), or as objects where they are texts."""
    kind = column.type  # type: ignore[attr-defined]
    if _is_time(pa, kind):
        ticks = column.cast(pa.int64() if kind.bit_width == 64 else pa.int32())  # type: ignore[attr-defined]
        return _numeric(pa, ticks) * _SECONDS[kind.unit]
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type  # type: ignore[attr-defined]
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return np.array(column.to_pylist(), dtype=object)  # type: ignore[attr-defined]
    types = pa.types
    if types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind) or types.is_boolean(kind):
        return _numeric(pa, column)
    raise LogFormatError(f"{source}, column {header!r}: cells of type {kind} are not numbers.")


def _numeric(pa: ModuleType, column: object) -> np.ndarray:
    numbers = column.cast(pa.float64(), safe=False)  # type: ignore[attr-defined]
    return np.asarray(numbers.to_numpy(), dtype=float)
