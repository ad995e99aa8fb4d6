"""The table of thresholds and the TOML file that overrides it."""

import os
import subprocess
import sys

import pytest

from simlap.errors import OptionError
from simlap.thresholds import TABLE, default_thresholds, read_thresholds

# Unit of a name's ending. Source: the rule stated at simlap.thresholds.TABLE.
ENDINGS = {"s": "s", "m": "m", "bar": "bar", "ms": "m/s", "ms2": "m/s²", "share": "1"}


def write(folder, text):
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_overrides_what_it_names_and_nothing_else(tmp_path):
    read = read_thresholds(write(tmp_path, "coast_s = 0.7\npeak_zones = 5\n"))
    assert (read["coast_s"], read["peak_zones"]) == (0.7, 5.0)
    others = {name: value for name, value in read.values.items() if name not in ("coast_s", "peak_zones")}
    assert others == {name: default_thresholds()[name] for name in others}
    assert default_thresholds()["coast_s"] == TABLE["coast_s"].value != 0.7


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("coast = 0.7", r"mine\.toml, 'coast': no such threshold\. Known: .*coast_s"),
        ('coast_s = "long"', r"mine\.toml, 'coast_s': 'long' must be a number from 0 to 10"),
        ("coast_s = -1", r"mine\.toml, 'coast_s': -1 must be a number"),
        ("coast_s = nan", r"'coast_s': nan must be"),
        ("coast_s = true", r"'coast_s': True must be"),
        ("[coast_s]\nvalue = 1", r"'coast_s': \{'value': 1\} must be"),
        ("coast_s = ", r"mine\.toml: not a TOML file"),
    ],
)
def test_a_bad_file_is_refused_with_file_and_key(tmp_path, text, says):
    with pytest.raises(OptionError, match=says):
        read_thresholds(write(tmp_path, text))


def test_a_missing_file_and_one_that_is_no_text_are_refused(tmp_path):
    with pytest.raises(OptionError, match=r"none\.toml: cannot be read"):
        read_thresholds(tmp_path / "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(OptionError, match=r"binary\.toml: cannot be read"):
        read_thresholds(tmp_path / "binary.toml")


def test_a_byte_order_mark_is_passed_over_and_a_huge_number_refused(tmp_path):
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xef\xbb\xbfcoast_s = 0.7\n")  # as some editors save UTF-8
    assert read_thresholds(path)["coast_s"] == 0.7
    with pytest.raises(OptionError, match=r"'coast_s': .* must be a number from"):
        read_thresholds(write(tmp_path, "coast_s = 1" + 400 * "0" + "\n"))


def test_the_printed_table_can_be_read_again_whatever_the_encoding_of_the_system(tmp_path):
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252"}  # what a redirected stdout has on a Western Windows
    code = [sys.executable, "-m", "simlap.cli", "thresholds"]
    done = subprocess.run(code, capture_output=True, env=environment, check=True)
    path = tmp_path / "own.toml"
    path.write_bytes(done.stdout)
    assert read_thresholds(path).values == default_thresholds().values


@pytest.mark.parametrize("name", sorted(TABLE))
def test_every_threshold_states_unit_reason_and_effect(name):
    entry = TABLE[name]
    assert entry.low <= entry.value <= entry.high
    assert entry.reason
    assert len(entry.effect) > 10
    ending = name.rsplit("_", 1)[-1]
    if ending in ENDINGS:
        assert entry.unit == ENDINGS[ending]


def test_a_file_that_is_not_there_is_told_in_words(tmp_path):
    with pytest.raises(OptionError) as told:
        read_thresholds(tmp_path / "absent.toml")
    assert "absent.toml: cannot be read (No such file or directory). Give" in str(told.value)
    assert "Errno" not in str(told.value)
