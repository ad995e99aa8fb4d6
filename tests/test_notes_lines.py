"""The notes' list of findings: each names its laps once."""

from types import SimpleNamespace

import pytest
from report_case import circle_case

from simlap.habit_laps import TRAFFIC, Occurrence
from simlap.habits import _held_up_finding
from simlap.notes import findings_lines, notes_lines
from simlap.results import Advice, Finding


def found(laps, of_laps=9, kind="early braking", sentence="Corner 4: brakes early."):
    marks = tuple(float(lap) for lap in laps)
    return Finding(
        kind=kind, corner="4", phase="braking", sentence=sentence, worth_s=0.1, laps=tuple(laps),
        occurrences=len(laps), of_laps=of_laps, stations_m=marks, session_times_s=marks, evidence={},
    )  # fmt: skip


def seen(lap):
    return Occurrence(lap=lap, station_m=10.0, time_s=1.0, phase="exit", numbers={"lost_s": 1.4})


@pytest.mark.parametrize(("laps", "named"), [((11,), "(lap 11)"), ((3, 11), "(laps 3 and 11)")])
def test_a_lap_held_up_is_named_once_in_the_list_of_all_findings(laps, named):
    sheet = SimpleNamespace(corner="4", traces=range(9))
    one = _held_up_finding(sheet, [seen(lap) for lap in laps])
    assert one.kind == TRAFFIC
    line = findings_lines([one])[-1]
    assert line.endswith(f"{named}.")
    assert line.count("11") == 1


@pytest.mark.parametrize(
    ("laps", "end"), [((11,), " Lap 11."), ((3, 11), " Laps 3 and 11."), (tuple(range(9)), "brakes early.")]
)
def test_other_findings_name_their_laps_where_not_all_show_it(laps, end):
    assert findings_lines([found(laps)])[-1] == "- Corner 4: brakes early." + end.replace("brakes early.", "")


def test_findings_of_a_fast_corner_say_how_small_the_steps_are():
    # the largest step per outing is common practice, no source
    held = _held_up_finding(SimpleNamespace(corner="4", traces=range(9)), [seen(3)])
    lines = findings_lines([found((11,)), held], {"4": 2.0})
    assert [line for line in lines if line.endswith("Fast corner: steps of 2 km/h per outing at most.")] == [
        "- Corner 4: brakes early. Lap 11. Fast corner: steps of 2 km/h per outing at most."
    ]
    assert not any("Fast corner" in line for line in findings_lines([found((11,))], {"5": 2.0}))


def test_data_that_allow_no_advice_are_not_said_to_show_no_findings():
    case = circle_case()
    looked = notes_lines(case, Advice(), everything=True)
    assert "Findings: none." in looked
    refused = notes_lines(case, Advice(refused="The data are rated 'not enough'."), everything=True)
    assert not [line for line in refused if line.startswith("Findings")]
    assert "The data are rated 'not enough'." in refused
