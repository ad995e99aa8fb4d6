"""Wrong kinds of argument to the public functions: our own error, which names the value and says what to do."""

import re

import pytest

import simlap
from simlap.analysis import prepare
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
