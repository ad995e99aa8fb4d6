"""Every command that gives numbers to act on tells what its data warn of."""

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from report_case import circle_case
from typer.testing import CliRunner

from simlap.cli import app
from simlap.report.cautions import comparison_cautions


def side(label, case, source, laps=5):
    case = replace(case, session=SimpleNamespace(source=source))
    return SimpleNamespace(label=label, prepared=(case,), laps=laps)


def drifting(case):
    return replace(case, motion=replace(case.motion, closes=False))


def test_a_comparison_tells_each_caution_once_with_the_logs_that_raise_it():
    case = circle_case()
    sides = (side("A", case, "a.csv"), side("B", drifting(case), "b.csv", laps=3))
    found = {caution.key: caution.text for caution in comparison_cautions(SimpleNamespace(sides=sides))}
    assert found["path rebuilt"].startswith("b.csv: The log holds no usable position")
    assert found["few laps"].startswith("Side B: only 3 counted laps: ")
    assert found["banking unknown"].startswith("Nothing is known of the banking")  # of both logs: no name before it
    assert len(found) == len(comparison_cautions(SimpleNamespace(sides=sides)))


@pytest.mark.parametrize(
    ("command", "more"), [("envelope", ()), ("sweep", ("--parameter", "grip", "--factors", "1,1.01"))]
)
def test_envelope_and_sweep_print_their_cautions(command, more, club, monkeypatch):
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
