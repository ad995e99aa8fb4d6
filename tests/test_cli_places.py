"""Outputs never take the place of what a command reads; told before anything is computed."""

import os

import pytest
from report_case import circle_case
from typer.testing import CliRunner

from simlap import figures
from simlap.cli import app
from simlap.errors import OptionError
from simlap.report import write_outputs
from simlap.report.filenames import FIGURES_FOLDER, REPORT_FILES

LOG = "time_s,speed_kmh,lateral_g\n" + "".join(f"{t / 10},100,0.1\n" for t in range(50))
SQUARE = "x_m,y_m\n0,0\n200,0\n200,200\n0,200\n"
VIDEO = ("--video-start", "0")


def run(*arguments):
    return CliRunner().invoke(app, [str(one) for one in arguments])


@pytest.fixture
def logs(tmp_path):
    for name in ("log.csv", "losses.csv", "analysis.json", "comparison.json", "envelope.json", "other.csv"):
        (tmp_path / name).write_text(LOG)
    (tmp_path / "line.csv").write_text(SQUARE)
    os.link(tmp_path / "log.csv", tmp_path / "hard.csv")
    (tmp_path / "soft.csv").symlink_to(tmp_path / "log.csv")
    return tmp_path


@pytest.mark.parametrize(
    "arguments",
    [
        ("track", "build", "{}/log.csv", "--out", "{}/log.csv"),
        ("track", "build", "--centre-line", "{}/line.csv", "--origin", "47,8", "--out", "{}/line.csv"),
        ("track", "show", "{}/log.csv", "--out", "{}/log.csv"),
        ("cues", "{}/log.csv", *VIDEO, "--out", "{}/log.csv"),
        ("cues", "{}/other.csv", "{}/log.csv", *VIDEO, "--out", "{}/x/../log.csv"),
        ("cues", "{}/log.csv", *VIDEO, "--out", "{}/hard.csv"),
        ("cues", "{}/log.csv", *VIDEO, "--out", "{}/soft.csv"),
        ("cues", "{}/log.csv", *VIDEO, "--out", "{}/new.vtt", "--chapters", "{}/log.csv"),
        ("cues", "{}/other.csv", "--track", "{}/log.csv", *VIDEO, "--out", "{}/log.csv"),
        ("sweep", "{}/log.csv", "--csv", "{}/log.csv"),
        ("analyse", "{}/losses.csv", "--out", "{}"),
        ("analyse", "{}/log.csv", "--track", "{}/analysis.json", "--out", "{}"),
        ("analyse", "{}/log.csv", "--against", "{}/losses.csv", "--out", "{}"),
        ("compare", "{}/log.csv", "{}/comparison.json", "--out", "{}"),
        ("envelope", "{}/envelope.json", "--out", "{}"),
    ],
    ids=lambda arguments: " ".join(arguments).replace("{}/", ""),
)
def test_an_output_on_top_of_an_input_is_refused_and_the_input_stays(arguments, logs):
    (logs / "x").mkdir()
    before = {path.name: path.read_bytes() for path in logs.iterdir() if path.is_file()}
    done = run(*(one.format(logs) for one in arguments))
    assert isinstance(done.exception, OptionError), done.output
    assert "is an input of this command and would be overwritten" in str(done.exception)
    assert {path.name: path.read_bytes() for path in logs.iterdir() if path.is_file()} == before


def test_the_columns_file_beside_the_log_is_an_input(logs):
    (logs / "columns.toml").write_text("[columns]\n")
    done = run("track", "build", logs / "log.csv", "--out", logs / "columns.toml")
    assert "columns.toml: is an input of this command" in str(done.exception)


def test_two_outputs_of_one_name_are_refused(logs):
    done = run("cues", logs / "log.csv", *VIDEO, "--out", logs / "n.vtt", "--chapters", logs / "x" / ".." / "n.vtt")
    assert "--out and --chapters name the same file" in str(done.exception)


def test_a_folder_given_as_a_file_is_refused_before_anything_is_read(logs):
    done = run("cues", logs / "absent.csv", *VIDEO, "--out", logs)
    assert "is a folder. Name a file to write" in str(done.exception)


def test_a_folder_below_a_file_is_refused_before_anything_is_read(logs):
    done = run("envelope", logs / "absent.csv", "--out", logs / "log.csv" / "deep")
    assert "log.csv: is a file. Name a folder to write to" in str(done.exception)


def test_the_names_guarded_in_a_report_folder_are_those_that_are_written(tmp_path):
    write_outputs(circle_case(), tmp_path, figures=())
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(REPORT_FILES)


def test_a_file_in_the_place_of_the_figures_is_told_before_the_log_is_read(logs):
    (logs / "new").mkdir()
    (logs / "new" / FIGURES_FOLDER).write_text("mine")
    done = run("analyse", logs / "absent.csv", "--out", logs / "new")
    assert "figures: is a file. Name a folder to write to" in str(done.exception)


@pytest.mark.parametrize("how", ["drawing", "writing"])
def test_figures_that_fail_leave_no_report_behind(tmp_path, monkeypatch, how):
    def breaks(*_):
        raise OptionError("cannot be drawn")

    if how == "drawing":
        monkeypatch.setattr(figures, "make_figure", breaks)
    else:
        (tmp_path / FIGURES_FOLDER).write_text("mine")
    with pytest.raises(OptionError, match="cannot be"):
        write_outputs(circle_case(), tmp_path)
    assert [path.name for path in tmp_path.iterdir() if path.name != FIGURES_FOLDER] == []


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs a folder that refuses files even to root")
@pytest.mark.parametrize(
    "arguments",
    [
        ("analyse", "{}/log.csv", "--out", "/proc/simlap"),
        ("cues", "{}/log.csv", *VIDEO, "--out", "/proc/simlap/notes.vtt"),
        ("sweep", "{}/log.csv", "--csv", "/proc/sweep.csv"),
        ("track", "invent", "kart", "--out", "/proc/simlap/kart.geojson"),
    ],
)
def test_a_folder_that_takes_no_file_is_told_before_anything_is_read(logs, arguments):
    result = run(*(one.format(logs) for one in arguments))
    assert isinstance(result.exception, OptionError)
    assert "/proc" in str(result.exception)
    assert "cannot be written to. Choose another folder." in str(result.exception)
    assert "reading" not in result.stderr


def test_looking_for_room_leaves_no_file_behind(logs):
    before = set(os.listdir(logs))
    run("analyse", logs / "log.csv", "--out", logs / "new")
    assert set(os.listdir(logs)) == before


def test_an_ending_that_is_no_picture_is_told_before_the_track_is_read(tmp_path):
    result = run("track", "show", tmp_path / "none.geojson", "--out", tmp_path / "map.bmp")
    assert "pictures end in .png, .svg, .pdf" in str(result.exception)
