"""Wrong kinds of argument to the public functions: our own error, which names the value and says what to do."""

import re

import numpy as np
import pytest

import simlap
from simlap.against import against_lap
from simlap.analysis import prepare
from simlap.cli_common import emit_json
from simlap.errors import OptionError


@pytest.mark.parametrize("function", [simlap.analyse, prepare])
@pytest.mark.parametrize("given", ["lap.csv", None, 3])
def test_something_else_than_a_session_is_refused(function, given):
    with pytest.raises(OptionError, match=re.escape(f"session {given!r}: is no Session. Read the log first: simlap.r")):
        function(given)


@pytest.mark.parametrize("function", ["analyse", "prepare"])
def test_something_else_than_a_track_or_options_is_refused(function, club):
    function = {"analyse": simlap.analyse, "prepare": prepare}[function]
    with pytest.raises(
        OptionError, match=r"track 'club.geojson': is no Track. Read the track file first: simlap.read_"
    ):
        function(club.session, "club.geojson")
    with pytest.raises(OptionError, match=r"options 3: are no Options. Write simlap.Options"):
        function(club.session, club.track, 3)


@pytest.mark.parametrize(("given", "named"), [(3, "3"), (None, "None"), (b"a.csv", "b'a.csv'"), (["a.csv", 3], "3")])
def test_something_else_than_the_path_of_a_log_is_refused(given, named):
    with pytest.raises(OptionError, match=re.escape(f"log {named}: is no path. Name a log file, or a list of")):
        simlap.read_session(given)


@pytest.mark.parametrize("given", [3, None, ["a.geojson"]])
def test_something_else_than_the_path_of_a_track_file_is_refused(given):
    with pytest.raises(OptionError, match=re.escape(f"track {given!r}: is no path. Name a track file.")):
        simlap.read_track(given)


@pytest.mark.parametrize(
    ("field", "given", "told"),
    [
        ("start_line", 47.1, "write two points in degrees"),
        ("start_line", (47.1, 8.2, 47.2), "write two points in degrees"),
        ("start_line", (47.1, 8.2, 47.2, float("nan")), "write two points in degrees"),
        ("start_line", "1234", "write two points in degrees"),
        ("start_line", (91.0, 8.2, 47.2, 8.3), "91 is no latitude; it runs from -90 to 90 degrees"),
        ("start_line", (47.1, 8.2, 47.2, -181), "-181 is no longitude; it runs from -180 to 180 degrees"),
        ("laps", 3, "write lap numbers in brackets, such as laps=(3, 4)"),
        ("laps", "34", "write lap numbers in brackets, such as laps=(3, 4)"),
        ("laps", (3, 4.5), "write lap numbers in brackets, such as laps=(3, 4)"),
        ("drop", 3, "write lap numbers in brackets, such as drop=(3, 4)"),
        ("drop", None, "write lap numbers in brackets, such as drop=(3, 4)"),
        ("spacing", 0.0, "write metres, such as 2, from 0.2 to 10"),
        ("spacing", 1000.0, "write metres, such as 2, from 0.2 to 10"),
        ("spacing", "2", "write metres, such as 2, from 0.2 to 10"),
        ("quantile", 1.5, "write a level, such as 0.98, from 0.5 to 0.99"),
        ("quantile", float("nan"), "write a level, such as 0.98, from 0.5 to 0.99"),
        ("draws", 0, "the intervals need resamplings of the laps"),
        ("draws", 1, "write a whole number from 2 to 5000"),
        ("draws", 5001, "write a whole number from 2 to 5000"),
        ("draws", 2.5, "write a whole number from 2 to 5000"),
        ("draws", True, "write a whole number from 2 to 5000"),
        ("seed", -1, "write a whole number from 0 on"),
        ("seed", 1.0, "write a whole number from 0 on"),
        ("corner_grip", "no", "write True or False"),
    ],
)
def test_a_choice_that_cannot_be_used_is_refused_where_it_is_stated(field, given, told):
    with pytest.raises(OptionError, match=f"(?i)^{re.escape(f'{field} {given!r}: ')}.*{re.escape(told)}"):
        simlap.Options(**{field: given})


def test_choices_in_lists_and_arrays_are_taken_as_plain_numbers():
    # Plain ones, for they are written into the JSON.
    made = simlap.Options(
        start_line=[47, 8, 47, 9], laps=np.array([2, 3]), drop=range(4, 6), draws=np.int64(40), spacing=1, quantile=0.5
    )
    told = (made.start_line, made.laps, made.drop, made.draws, made.spacing, made.quantile)
    assert told == ((47.0, 8.0, 47.0, 9.0), (2, 3), (4, 5), 40, 1.0, 0.5)
    assert {type(one) for one in (*made.laps, *made.drop, made.draws)} == {int}
    assert {type(one) for one in (*made.start_line, made.spacing, made.quantile)} == {float}


@pytest.mark.parametrize("given", ["abc", "-3", "", 2.7, None])
def test_a_lap_is_held_against_best_typical_or_a_number_only(club, given):
    with pytest.raises(OptionError, match=re.escape(f"lap {given!r}: write best, typical or a lap number.")):
        against_lap(club.analysis, given)


def test_a_result_that_is_no_json_is_never_printed(capsys):
    with pytest.raises(ValueError, match="not JSON compliant"):
        emit_json({"gain_s": float("nan")})
    assert capsys.readouterr().out == ""
    emit_json({"gain_s": 0.5, "corner": "Épingle"})
    assert capsys.readouterr().out == '{\n "gain_s": 0.5,\n "corner": "Épingle"\n}\n'
