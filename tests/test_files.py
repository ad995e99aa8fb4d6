"""Files are written whole or not at all, behind their links, and over nothing but files."""

import os
import stat
from pathlib import Path

import pytest
from typer.testing import CliRunner

from simlap import files
from simlap.cli import app
from simlap.errors import OptionError
from simlap.files import write_bytes


def test_a_link_stays_and_the_file_behind_it_is_written(tmp_path):
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_bytes(b"old")
    link.symlink_to(real)
    assert write_bytes(link, b"new") == link
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


def test_a_link_to_a_file_that_is_not_there_yet_makes_it(tmp_path):
    (tmp_path / "link.csv").symlink_to(tmp_path / "later" / "real.csv")
    write_bytes(tmp_path / "link.csv", b"new")
    assert (tmp_path / "later" / "real.csv").read_bytes() == b"new"


def test_a_file_keeps_its_permissions_and_a_new_one_gets_the_usual_ones(tmp_path):
    (tmp_path / "own.csv").write_bytes(b"old")
    (tmp_path / "own.csv").chmod(0o600)
    (tmp_path / "usual.csv").touch()  # by the system itself
    for name in ("own.csv", "new.csv"):
        write_bytes(tmp_path / name, b"new")
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    assert modes["own.csv"] == 0o600
    assert modes["new.csv"] == modes["usual.csv"]


def special(place, kind):
    path = place / kind
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "link to a pipe":
        os.mkfifo(place / "pipe")
        path.symlink_to(place / "pipe")
    elif kind == "folder":
        path.mkdir()
    else:
        path = Path(kind)
    return path


@pytest.mark.parametrize("kind", ["pipe", "link to a pipe", "loop", "folder", "/dev/null", "/dev/stdout", "/dev/fd/1"])
def test_what_is_no_file_is_refused_and_stays(tmp_path, kind):
    path = special(tmp_path, kind)
    before = os.lstat(path).st_mode
    # The check alone for the system's own: were it broken, writing would take their place.
    check = files.check_target if kind.startswith("/dev") else lambda one: write_bytes(one, b"new")
    with pytest.raises(OptionError, match=r"is no file that can be written anew.*use what the command prints\.$"):
        check(path)
    assert os.lstat(path).st_mode == before


def test_a_command_refuses_a_pipe_before_it_reads(tmp_path):
    path = special(tmp_path, "pipe")
    done = CliRunner().invoke(app, ["sweep", str(tmp_path / "absent.csv"), "--csv", str(path)])
    assert isinstance(done.exception, OptionError)
    assert "is no file that can be written anew" in str(done.exception)


def test_a_special_name_in_the_folder_of_a_report_is_told_before_the_log_is_read(tmp_path):
    (tmp_path / "losses.csv").mkdir()
    done = CliRunner().invoke(app, ["analyse", str(tmp_path / "absent.csv"), "--out", str(tmp_path)])
    assert "losses.csv: is no file that can be written anew" in str(done.exception)


@pytest.mark.parametrize("broken", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_nothing_is_left_behind_when_writing_breaks_off(tmp_path, monkeypatch, broken):
    (tmp_path / "one.csv").write_bytes(b"old")

    def breaks(*_):
        raise broken

    monkeypatch.setattr(files.os, "replace", breaks)
    with pytest.raises(KeyboardInterrupt if broken is KeyboardInterrupt else OptionError):
        write_bytes(tmp_path / "one.csv", b"new")
    assert os.listdir(tmp_path) == ["one.csv"]
    assert (tmp_path / "one.csv").read_bytes() == b"old"
