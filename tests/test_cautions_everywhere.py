"""Every command that gives numbers to act on tells what its data warn of."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from report_case import circle_case
from typer.testing import CliRunner

from simlap.cli import app
from simlap.noted import Kind, Note
from simlap.readers import read_session
from simlap.report.cautions import cautions
from simlap.report.data_cautions import comparison_cautions, data_cautions
from simlap.session import Column


def side(label, case, source, laps=5):
    case = replace(case, session=SimpleNamespace(source=source, columns=(), notes=(), parts=(), has=lambda name: True))
    return SimpleNamespace(label=label, prepared=(case,), laps=laps)


def drifting(case):
    return replace(case, motion=replace(case.motion, closes=False))


def test_the_notebooks_write_notes_over_a_video_with_the_caution():
    texts = [path.read_text(encoding="utf-8") for path in (Path(__file__).parents[1] / "notebooks").glob("*.ipynb")]
    writing = [text for text in texts if "webvtt(" in text]
    assert writing
    assert all(text.count("webvtt(with_caution(") == text.count("webvtt(") for text in writing)


def test_what_the_reader_repaired_is_told_in_one_line():
    notes = (
        Note("speed: 2 infinite values taken as not recorded", Kind.REPAIRED),
        "rows without a value, of 900: gear 3",  # empty cells are no repair
        Note("101 positions at 0,0 (no fix) removed", Kind.REPAIRED),
        "1 gap in the clock, first after 3.00 s, longest 9.00 s",  # nor is a pause
    )
    case = circle_case()
    assert "repairs" not in {caution.key for caution in data_cautions(case)}
    found = {c.key: c.text for c in data_cautions(replace(case, session=replace(case.session, notes=notes)))}
    assert found["repairs"] == f"Repaired on reading: {notes[0]}; {notes[2]}."


def test_every_repair_of_the_reader_is_told(tmp_path):
    rows = [[f"{0.1 * i:.1f}", f"{45.0 + 1e-4 * i:.6f}", "9.0", "36"] for i in range(1000)]
    rows[100][1:3] = "0", "0"
    rows[200][1] = "95.0"
    rows[300][1] = "46.0"
    rows[400][3] = "inf"
    rows[500][0] = ""
    rows[600], rows[601] = rows[601], rows[600]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["time_s,latitude,longitude,speed_kmh", *map(",".join, rows)]) + "\n", encoding="utf-8")
    case = circle_case()
    [told] = [c.text for c in data_cautions(replace(case, session=read_session(path))) if c.key == "repairs"]
    for words in (
        "1 position at 0,0 (no fix) removed",
        "1 position off the globe removed",
        "position jumps by more than 1 km 2 times",
        "1 infinite value taken as not recorded",
        "1 row without a time left out",
        "1 row out of order sorted by time",
    ):
        assert words in told


def test_laps_on_another_circuit_that_were_left_out_are_told():
    case = circle_case()
    text = "The log holds laps of another circuit as well, left out: only 0.00 to 9.00 s is taken, on the other."
    note = Note(text, Kind.ELSEWHERE)
    case = replace(case, motion=replace(case.motion, notes=(note,)))
    assert note in {caution.text for caution in data_cautions(case)}


def test_a_comparison_tells_each_caution_once_with_the_logs_that_raise_it():
    case = circle_case()
    sides = (side("A", case, "a.csv"), side("B", drifting(case), "b.csv", laps=3))
    found = {caution.key: caution.text for caution in comparison_cautions(SimpleNamespace(sides=sides))}
    assert found["path rebuilt"].startswith("b.csv: The log holds no usable position")
    assert found["few laps"].startswith("Side B: only 3 counted laps: ")
    assert found["banking unknown"].startswith("Nothing is known of the banking")  # of both logs: no name before it
    assert len(found) == len(comparison_cautions(SimpleNamespace(sides=sides)))


@pytest.mark.parametrize(
    ("command", "more"),
    [("envelope", ()), ("sweep", ("--parameter", "grip", "--factors", "1,1.01")), ("target", ())],
)
def test_envelope_sweep_and_target_print_their_cautions(command, more, club, monkeypatch):
    monkeypatch.setattr(f"simlap.cli_{command}.load_session", lambda *_: club.session)
    arguments = [command, "log.csv", "--draws", "20", *more]
    text = CliRunner().invoke(app, arguments)
    assert text.exception is None, text.output
    flowing = " ".join(text.output.split())
    data = json.loads(CliRunner().invoke(app, [*arguments, "--json"]).stdout.strip())
    keys = [caution["key"] for caution in data["cautions"]]
    assert "numbering" in keys  # no track file was given
    assert "limit is a bound" in keys
    for caution in data["cautions"]:
        assert caution["text"] in flowing


def test_a_sweep_of_the_limit_lap_warns_of_no_target_and_of_no_place_on_the_lap(club, monkeypatch):
    motion = replace(club.analysis.motion, bandwidth_hz=0.3)
    blurred = replace(club.analysis, motion=motion, no_target="Lap times scatter too much.")
    assert {"no target", "places", "gear changes"} <= {caution.key for caution in cautions(blurred)}
    monkeypatch.setattr("simlap.cli_sweep.load_session", lambda *_: club.session)
    monkeypatch.setattr("simlap.analysis.analyse", lambda *_: blurred)
    arguments = ["sweep", "log.csv", "--parameter", "grip", "--factors", "1,1.01"]
    done = CliRunner().invoke(app, [*arguments, "--json"])
    assert done.exception is None, done.output
    keys = {caution["key"] for caution in json.loads(done.stdout)["cautions"]}
    assert keys == {caution.key for caution in cautions(blurred)} - {"no target", "places", "gear changes"}
    assert "limit is a bound" in keys
    assert "No target" not in CliRunner().invoke(app, arguments).stdout


def test_json_of_target_and_laps_names_its_schema_and_its_log(club, monkeypatch):
    for command, module in (("target", "cli_target"), ("laps", "cli_app")):
        monkeypatch.setattr(f"simlap.{module}.load_session", lambda *_: club.session)
        done = CliRunner().invoke(app, [command, "log.csv", "--json"])
        assert done.exception is None, done.output
        data = json.loads(done.stdout)
        assert data["schema"] == f"simlap.{command}/1"
        assert data["source"] == club.session.source


def test_laps_tell_what_the_reader_repaired_once(club, monkeypatch):
    notes = ("101 positions at 0,0 (no fix) removed", Note("50.00 s added from row 9 on", Kind.CLOCK_RESTARTS))
    session = replace(club.session, notes=notes)
    monkeypatch.setattr("simlap.cli_app.load_session", lambda *_: session)
    text = " ".join(CliRunner().invoke(app, ["laps", "log.csv"]).output.split())
    assert text.count(notes[0]) == 1
    assert text.count(notes[1]) == 1  # as a caution
    data = json.loads(CliRunner().invoke(app, ["laps", "log.csv", "--json"]).stdout)
    assert data["notes"][:2] == list(notes)
    assert data["motion"]["speed_source"] == "speed"
    assert "Source of the speed: speed" in text


def test_columns_left_unread_are_named_where_a_channel_is_missing():
    case = circle_case()

    def told(*channels, unread=("Fuss rechts [%]",)):
        columns = (*(Column(name, name, "1", "") for name in channels), *(Column(n, None, None, "") for n in unread))
        session = SimpleNamespace(source="a.csv", columns=columns, notes=(), has=lambda name: name in channels)
        return {caution.key: caution.text for caution in data_cautions(replace(case, session=session))}

    text = told("a_lat", "brake")["columns unread"]
    assert text.startswith("The log has no throttle by a name that is known")
    assert "'Fuss rechts [%]'" in text
    assert "--column" in text
    assert "columns unread" not in told("a_lat", "brake", "throttle")  # nothing is missing
    assert "columns unread" not in told("a_lat", unread=())  # nothing is left to be it
    many = told("throttle", unread=[f"P{i}" for i in range(40)])["columns unread"]
    assert "lateral acceleration or brake" in many
    assert "and 34 more" in many
