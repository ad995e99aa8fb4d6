"""One rounding of lap times, and of what lies between two of them, for everything that prints one."""

from dataclasses import replace

import pytest

from simlap.report.plain import lap_time, time_gap
from simlap.report.sentences import answer
from simlap.report.table import laps_table, print_parts
from simlap.report.target import print_target
from simlap.report.terminal import console
from simlap.results import Interval


def test_a_lap_time_is_printed_alike_before_and_after_the_json():
    # 96.2949 s is 96.295 in the JSON. One rule for both: the millisecond's half is rounded up.
    for raw, printed in ((96.2949, "1:36.30"), (96.2951, "1:36.30"), (96.2944, "1:36.29"), (94.0050001, "1:34.01")):
        assert lap_time(raw) == lap_time(round(raw, 3)) == printed
    assert lap_time(0.125) == lap_time(0.1249999) == "0.13"  # a half in binary too
    assert lap_time(59.9951) == "1:00.00"
    assert lap_time(-0.004) == "0.00"
    assert lap_time(96.2949, 3) == "1:36.295"


def test_what_lies_between_two_lap_times_is_the_difference_of_those_printed():
    # 94.0050 - 93.5190 = 0.486 s, yet 1:34.01 less 1:33.52 is 0.49 s; 94.0149 and 93.5151 are 0.4998 s apart
    assert time_gap(94.0050, 93.5190) == "0.49"
    assert (lap_time(94.0149), lap_time(93.5151), time_gap(94.0149, 93.5151)) == ("1:34.02", "1:33.52", "0.50")
    assert (lap_time(94.0141), lap_time(93.5151), time_gap(94.0141, 93.5151)) == ("1:34.01", "1:33.52", "0.49")
    assert time_gap(90.0, 90.0) == time_gap(90.001, 90.004) == "0.00"
    assert time_gap(90.0, 91.5) == "-1.50"


@pytest.mark.parametrize("part", ["answer", "laps", "target"])
def test_every_output_prints_the_lap_times_and_gaps_of_the_others(part, club, capsys):
    limit, typical = 93.5151, 94.0141  # 0.499 s apart, 0.49 s as printed
    target = replace(
        club.analysis.target, limit_s=limit, limit_with_transitions_s=typical, shown_s=typical, best_phases_sum_s=limit
    )
    analysis = replace(
        club.analysis, typical_lap_s=typical, limit_lap=Interval(limit, limit, limit), best_lap_s=typical, target=target
    )
    if part == "answer":
        assert "takes 1:34.01; the limit lies 0.49 s below it" in answer(analysis)[0]
    elif part == "laps":
        print_parts(console(), [laps_table(analysis)])
        assert "1:33.52 -0.49 s" in " ".join(capsys.readouterr().out.split())
    else:
        print_target(analysis, target)
        text = " ".join(capsys.readouterr().out.split())
        assert "they cost 0.49 s" in text
        assert "give 1:33.52: 0.49 s less" in text
