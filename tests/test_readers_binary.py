"""MDF 4, Parquet and Feather: files written by the libraries of the formats come back with the values put in."""

import functools
import importlib

import numpy as np
import pytest

from simlap.errors import ColumnsError, LogFormatError
from simlap.readers import read_session

asammdf = pytest.importorskip("asammdf")
pa = pytest.importorskip("pyarrow")
feather = pytest.importorskip("pyarrow.feather")
parquet = pytest.importorskip("pyarrow.parquet")

T = np.arange(100) / 100.0
SPEED = 100 + 10 * np.sin(T)  # km/h


@pytest.fixture
def mdf(tmp_path):
    def write(*groups, version="4.10"):
        path = tmp_path / "log.dat"
        made = tmp_path / "made.mf4"
        signal = functools.partial(asammdf.Signal, encoding="utf-8")
        with asammdf.MDF(version=version) as file:
            for group in groups:
                file.append([signal(samples, t, name=name, unit=unit) for name, unit, t, samples in group])
            file.save(made, overwrite=True)
        made.rename(path)
        return path

    return write


@pytest.mark.parametrize("version", ["4.00", "4.10", "4.20"])
def test_mdf_channels_come_back_in_si(mdf, version):
    session = read_session(mdf([("Speed", "km/h", T, SPEED), ("LatAcc", "g", T, np.sin(T))], version=version))
    np.testing.assert_allclose(session.t, T, atol=1e-6)  # clocks are kept to a microsecond
    np.testing.assert_allclose(session.channel("speed"), SPEED / 3.6, rtol=1e-12)
    np.testing.assert_allclose(session.channel("a_lat"), np.sin(T) * 9.80665, rtol=1e-12)


def test_mdf_groups_of_different_rates_share_one_clock(mdf):
    slow = T[::10] + 2e-9  # clocks of groups differ in the last bits
    session = read_session(
        mdf([("Latitude", "deg", T, 50 + T), ("Longitude", "deg", T, 8 + T)], [("Speed", "m/s", slow, SPEED[::10])])
    )
    np.testing.assert_allclose(session.t, T, atol=1e-6)
    recorded = np.isfinite(session.channel("speed"))
    np.testing.assert_array_equal(np.flatnonzero(recorded), np.arange(0, 100, 10))
    np.testing.assert_allclose(session.channel("speed")[recorded], SPEED[::10])


def test_mdf_integers_and_unused_texts_do_not_matter(mdf):
    session = read_session(mdf([("Speed", "m/s", T, SPEED), ("Gear", "", T, np.full(100, 3, np.uint8)),
                                ("Comment", "", T, np.array([b"abc"] * 100))]))  # fmt: skip
    np.testing.assert_array_equal(session.channel("gear"), 3.0)


def test_mdf_without_a_unit_says_how_to_state_it(mdf):
    with pytest.raises(LogFormatError, match=r"column 'Speed' \(speed\) states no unit"):
        read_session(mdf([("Speed", "", T, SPEED)]))


def test_a_truncated_mdf_file_is_said_to_be_damaged(mdf):
    path = mdf([("Speed", "km/h", T, SPEED)])
    path.write_bytes(path.read_bytes()[:700])
    with pytest.raises(LogFormatError, match=r"log\.dat: a damaged MDF file"):
        read_session(path)


def test_the_head_of_an_mdf_file_alone_is_said_to_be_damaged_in_words(mdf):
    path = mdf([("Speed", "km/h", T, SPEED)])
    path.write_bytes(path.read_bytes()[:64])
    with pytest.raises(LogFormatError, match=r"log\.dat: a damaged MDF file \([^<>]+\)\. Export it again\."):
        read_session(path)


def test_mdf_3_is_said_to_be_another_version(tmp_path):
    path = tmp_path / "log.dat"
    path.write_bytes(b"MDF     3.30    " + bytes(200))
    with pytest.raises(LogFormatError, match=r"log\.dat: MDF version '3\.30'; only MDF 4 is read"):
        read_session(path)


def table(**columns):
    return pa.table(columns)


def write_table(path, data, kind):
    if kind == "parquet":
        parquet.write_table(data, path)
    elif kind == "feather":
        feather.write_feather(data, path)
    else:
        feather.write_feather(data, path, compression="uncompressed")
    return path


KINDS = ["parquet", "feather", "plain feather"]


@pytest.mark.parametrize("kind", KINDS)
def test_table_columns_come_back_in_si(tmp_path, kind):
    data = table(time_s=T, speed_kmh=SPEED, gear=np.full(100, 4, np.int8), driver=["nobody"] * 100)
    session = read_session(write_table(tmp_path / "log.bin", data, kind))
    np.testing.assert_array_equal(session.t, T)
    np.testing.assert_allclose(session.channel("speed"), SPEED / 3.6, rtol=1e-12)
    np.testing.assert_array_equal(session.channel("gear"), 4.0)


@pytest.mark.parametrize("kind", KINDS)
def test_table_units_may_stand_in_the_metadata_of_a_column(tmp_path, kind):
    schema = pa.schema([
        pa.field("time", pa.float64(), metadata={"unit": "ms"}),
        pa.field("speed", pa.float32(), metadata={"unit": "m/s"}),
    ])  # fmt: skip
    data = pa.table([pa.array(T * 1000), pa.array(SPEED.astype(np.float32))], schema=schema)
    session = read_session(write_table(tmp_path / "log.bin", data, kind))
    np.testing.assert_allclose(session.t, T, atol=1e-12)
    np.testing.assert_allclose(session.channel("speed"), SPEED, rtol=1e-7)  # float32 holds seven digits


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_table_time_stamps_are_seconds(tmp_path, unit):
    per_second = {"s": 1, "ms": 1000, "us": 10**6, "ns": 10**9}[unit]
    # 2026-11-25 00:00:00 UTC is 1795564800 s after 1970 (20782 days of 86400 s); the rows lie 1 s apart
    ticks = (1795564800 + 36000 + np.arange(5)) * per_second
    data = pa.table({"timestamp": pa.array(ticks, pa.timestamp(unit)), "speed_kmh": np.arange(5.0)})
    session = read_session(write_table(tmp_path / "log.bin", data, "parquet"))
    np.testing.assert_allclose(session.t, 36000 + np.arange(5), atol=1e-6)


def test_table_null_cells_are_not_recorded(tmp_path):
    data = pa.table({"time_s": [0.0, 1.0, 2.0], "speed_kmh": pa.array([36, None, 72], pa.int64())})
    session = read_session(write_table(tmp_path / "log.bin", data, "parquet"))
    np.testing.assert_allclose(session.channel("speed"), [10, np.nan, 20])


@pytest.mark.parametrize("kind", KINDS)
def test_a_text_in_a_column_of_numbers_is_named(tmp_path, kind):
    data = table(time_s=[0.0, 1.0], speed_kmh=["36", "fast"])
    with pytest.raises(LogFormatError, match=r"row 2, column 'speed_kmh': 'fast' is not a number"):
        read_session(write_table(tmp_path / "log.bin", data, kind))


def test_the_second_of_two_table_columns_of_one_name_can_be_chosen(tmp_path):
    data = pa.table(
        [pa.array([0.0, 1.0]), pa.array([36.0, 36.0]), pa.array([72.0, 72.0])], ["time_s", "speed_kmh", "speed_kmh"]
    )
    session = read_session(write_table(tmp_path / "log.bin", data, "parquet"), ["speed=#3"])
    np.testing.assert_allclose(session.channel("speed"), 20.0)


def test_cells_that_are_lists_are_named(tmp_path):
    data = table(time_s=[0.0, 1.0], speed_kmh=[[1.0], [2.0]])
    with pytest.raises(LogFormatError, match=r"column 'speed_kmh': cells of type list.* are not numbers"):
        read_session(write_table(tmp_path / "log.bin", data, "parquet"))


@pytest.mark.parametrize("kind", KINDS)
def test_columns_within_a_column_are_told_as_nested(tmp_path, kind):
    inside = pa.array([{"latitude_deg": 50.0}, {"latitude_deg": 51.0}])
    path = write_table(tmp_path / "log.bin", pa.table({"time_s": [0.0, 1.0], "gps": inside, "oil": [1, 2]}), kind)
    with pytest.raises(ColumnsError, match=r"'gps', 'oil'\. Nested, so not read: 'gps'\.$") as caught:
        read_session(path)
    notes = {column.name: column.note for column in caught.value.columns}
    assert notes["gps"] == "nested, so not read: write what is in it as columns of its own"
    assert notes["oil"] == "no channel of this name"


@pytest.mark.parametrize("kind", KINDS)
def test_a_truncated_table_is_said_to_be_damaged(tmp_path, kind):
    path = write_table(tmp_path / "log.bin", table(time_s=T, speed_kmh=SPEED), kind)
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(LogFormatError, match=r"log\.bin: a damaged Parquet or Feather file"):
        read_session(path)


@pytest.mark.parametrize(
    ("content", "package", "extra"),
    [
        (b"MDF     4.10    ", "asammdf", r"simlap\[mdf\]"),
        (b"PAR1", "pyarrow", r"simlap\[parquet\]"),
        (b"ARROW1", "pyarrow", r"simlap\[parquet\]"),
    ],
)
def test_a_missing_extra_says_how_to_install_it(tmp_path, monkeypatch, content, package, extra):
    real = importlib.import_module

    def without(name, *rest):
        if name.partition(".")[0] == package:
            raise ModuleNotFoundError(f"No module named {name!r}")
        return real(name, *rest)

    monkeypatch.setattr(importlib, "import_module", without)
    path = tmp_path / "log.bin"
    path.write_bytes(content)
    with pytest.raises(
        LogFormatError, match=rf"log\.bin: reading .* needs the package {package}\. Install it: pip install \"{extra}\""
    ):
        read_session(path)
