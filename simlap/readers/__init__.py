"""Reading logs: CSV, GPX, NMEA 0183, ASAM MDF 4, Parquet and Feather into a `Session`."""

from simlap.readers.choices import ColumnChoice, parse_column_option
from simlap.readers.read import describe_channels, read_session

__all__ = ["ColumnChoice", "describe_channels", "parse_column_option", "read_session"]
