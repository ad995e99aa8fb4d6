"""The command `notes`: what it prints, as text and as JSON, and how it fails."""

import json
import re
import subprocess
import sys

import pytest
import webvtt

from simlap.cues import FAST
from simlap.demo import csv_text, demo_session


def run(*arguments, command="notes"):
    """The command in a process of its own, as a shell would run it."""
    command = [sys.executable, "-m", "simlap.cli", command, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", timeout=300)


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("notes") / "outing.csv"
    path.write_text(csv_text(demo_session("before", losses=False).session, style="plain"), encoding="utf-8")
    return path


def test_thresholds_that_cannot_be_used_end_in_one_line_that_names_file_and_key(tmp_path):
    # The file of thresholds is looked at before the log: this one need not exist.
    bad = tmp_path / "mine.toml"
    bad.write_text("coasting_s = 0.5\n", encoding="utf-8")
    done = run("no-such-log.csv", "--thresholds", bad)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1
    assert f"{bad}, 'coasting_s': no such threshold" in done.stderr
    assert "Traceback" not in done.stderr


def test_notes_as_json_and_as_text_hold_the_same_advice(log, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text("late_throttle_s = 9.0\n", encoding="utf-8")
    options = (log, "--draws", "20", "--thresholds", mine)
    data = json.loads(run(*options, "--json", "--all").stdout)
    assert data["schema"] == "simlap.notes/1"
    assert 1 <= len(data["priorities"]) <= 3
    assert {finding["kind"] for finding in data["findings"]}.isdisjoint({"late throttle"})  # 9 s is never reached
    text = run(*options)
    assert text.returncode == 0
    assert max(map(len, text.stdout.splitlines())) <= 80
    flowing = " ".join(text.stdout.split())
    for priority in data["priorities"]:
        assert priority["sentence"] in flowing
        worth = priority["worth_s"]
        said = re.search(r"Worth (\S+) s \((\S+) to (\S+) s\)", flowing[flowing.index(priority["sentence"]) :])
        # the text rounds to hundredths, the JSON to thousandths
        assert [float(x) for x in said.groups()] == pytest.approx(
            [worth["value"], worth["low"], worth["high"]], abs=0.0056
        )
    # No track file was given, which `analyse` warns of: the notes must too. The standing cautions stay one line.
    numbering = next(caution["text"] for caution in data["cautions"] if caution["key"] == "numbering")
    assert numbering in flowing
    assert "Before you act on it:" in text.stdout
    assert flowing.count("Closed courses only") + flowing.count("closed courses only") == 1
    assert "Findings (" not in flowing


def test_notes_over_the_video_are_the_findings_of_the_notes_with_the_same_options(log, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text("late_throttle_s = 9.0\n", encoding="utf-8")
    options = (log, "--draws", "20", "--quantile", "0.95", "--thresholds", mine)
    notes = json.loads(run(*options, "--json", "--all").stdout)
    found = notes["findings"]
    lap = max(number for finding in found for number in finding["laps"] if finding["kind"] != "held up")
    vtt = tmp_path / "notes.vtt"
    done = run(*options, "--lap", lap, "--video-start", "0", "--out", vtt, command="cues")
    assert done.returncode == 0, done.stderr
    # a finding is a line, or counted in the "(+2 more)" that ends the notes of a moment; the first cue is the caution.
    # What the notes advise about it may follow as a line of its own.
    texts = [cue.text for cue in webvtt.read(str(vtt))][1:]
    more = sum(int(number) for text in texts for number in re.findall(r"\(\+(\d+) more\)$", text))
    lines = [re.sub(r" \(\+\d+ more\)$", "", line) for text in texts for line in text.splitlines()]
    advice = [line for line in lines if line == FAST or any(f". {line}" in p["sentence"] for p in notes["priorities"])]
    assert advice
    assert len(lines) - len(advice) + more == sum(one["laps"].count(lap) for one in found)


def test_analysis_notes_and_target_judge_by_the_same_thresholds(log, tmp_path):
    # 9 s are never reached, and at 30 bar a brake point lies metres behind where it lies at 3.
    mine = tmp_path / "mine.toml"
    mine.write_text("late_throttle_s = 9.0\nbrake_on_bar = 30.0\n", encoding="utf-8")
    options = (log, "--draws", "20", "--thresholds", mine, "--json")
    whole = json.loads(run(*options, command="analyse").stdout)
    assert whole["options"]["thresholds"] == {"late_throttle_s": 9.0, "brake_on_bar": 30.0}
    assert "late throttle" not in {one["kind"] for corner in whole["corners"] for one in corner["findings"]}
    assert whole["priorities"] == json.loads(run(*options).stdout)["priorities"] != []
    corners = json.loads(run(*options, command="target").stdout)["corners"]
    assert any(corner["brake_point_m"] for corner in corners)
    assert corners == whole["target"]["corners"]
