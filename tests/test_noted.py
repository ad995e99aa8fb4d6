"""Notes that are acted on carry their kind through whatever is done to them."""

import json
import pickle

from simlap.noted import Kind, Note, behind, of_kind
from simlap.readers import read_session
from simlap.report.data_cautions import clock_cautions

ANEW = Note("the clock restarts", Kind.CLOCK_RESTARTS)


def test_a_note_is_its_text_and_keeps_its_kind_through_a_worker_process_and_behind_a_name():
    for note in (ANEW, pickle.loads(pickle.dumps(ANEW)), behind("", ANEW)):
        assert note == "the clock restarts"
        assert of_kind(["the clock restarts", note], Kind.CLOCK_RESTARTS) == [note]
    assert json.loads(json.dumps([behind("a.csv: ", ANEW)])) == ["a.csv: the clock restarts"]
    assert of_kind([behind("a.csv: ", ANEW), behind("a.csv: ", "plain")], *Kind) == ["a.csv: the clock restarts"]
    assert of_kind([ANEW], Kind.DEAD_PEDAL) == []


def write(path, times, column="gear"):
    rows = [f"{time / 10:.1f},{60 + time % 7},{time % 5}" for time in times]
    path.write_text("\n".join([f"time_s,speed_kmh,{column}", *rows]) + "\n")
    return path


def test_joined_files_tell_what_was_mended_in_each(tmp_path):
    first = write(tmp_path / "a.csv", [*range(100), *range(20, 60)])
    (told,) = clock_cautions(read_session([first, write(tmp_path / "b.csv", range(5000, 5100))]))
    assert told.key == "rows written twice"
    assert "40 rows left out" in told.text


def test_words_of_a_caution_in_the_name_of_a_column_raise_none(tmp_path):
    # user text is data: a column without a number is named in a note, whatever it is called
    name = "added to the rows from there on and earlier ones with the same times and values"
    path = write(tmp_path / "a.csv", range(100), name)
    path.with_name("columns.toml").write_text(f'[columns]\nbrake = "{name} here:%"\n')
    session = read_session(path)
    assert any(name in note for note in session.notes)
    assert clock_cautions(session) == []
