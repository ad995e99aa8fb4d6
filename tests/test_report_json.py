"""analysis.json and losses.csv against the hand-made analysis of report_case.py."""

import csv
import io
import json
import re
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from report_case import FAST, HALF, HOSTILE, LENGTH, LIMIT_S, LOST_S, NAMES, circle_case

from simlap.against import Against, against_lap
from simlap.cli_envelope import report_dict
from simlap.cli_track import track_to_dict
from simlap.envelope_grip import corner_grip
from simlap.noted import Kind, Note
from simlap.notes import notes_to_dict
from simlap.report.against import print_against
from simlap.report.cautions import BEATEN_S, cautions
from simlap.report.json import SCHEMA_TEXT, analysis_to_dict, analysis_to_json, plain
from simlap.report.lists import laps_to_dict
from simlap.report.losses_csv import cell, losses_csv
from simlap.report.outputs import write_outputs
from simlap.report.page import NO_BREAK, render_page
from simlap.report.target import target_to_dict
from simlap.results import Interval
from simlap.sweep import sweep
from simlap.thresholds import TABLE

MS = 1e-3  # [s] times are written to the millisecond


@pytest.fixture(scope="module")
def data():
    return analysis_to_dict(circle_case(target=True))


def test_json_text_reads_back_as_the_same_data_and_holds_no_nan(data):
    text = analysis_to_json(circle_case(target=True))
    assert json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} in the JSON")) == data


def test_every_phase_loses_length_over_speed_differences(data):
    # Source: d/25 - d/30 seconds on d metres, see report_case.py.
    lost = [corner["phases"][name]["lost_s"] for corner in data["corners"] for name in corner["phases"]]
    for phase, values in enumerate(lost):
        assert values["value"] == pytest.approx(LOST_S.get(phase, 0.0), abs=MS)
        assert values["low"] == pytest.approx(LOST_S.get(phase, 0.0) - HALF, abs=MS / 2)


def test_written_phase_losses_add_up_to_typical_minus_limit_lap(data):
    # 12 parts rounded one by one could miss the sum by 6 ms; only the rounding of the three times may be left.
    total = sum(p["lost_s"]["value"] for c in data["corners"] for p in c["phases"].values())
    assert total == pytest.approx(data["typical_lap_s"] - data["limit_lap_s"]["value"], abs=1.0001 * MS)


@pytest.mark.parametrize("ledger", ["lost", "caused"])
def test_rounded_parts_keep_their_sum_where_plain_rounding_loses_it(ledger):
    # Eleven thirds of a millisecond over: plain rounding would drop 11 * 0.333 ms = 3.7 ms.
    case = circle_case()
    third = {ledger: Interval(0.0103333, 0.0, 0.1)}
    corners = tuple(replace(c, phases=tuple(replace(p, **third) for p in c.phases)) for c in case.corners)
    written = analysis_to_dict(replace(case, corners=corners))
    total = sum(p[f"{ledger}_s"]["value"] for c in written["corners"] for p in c["phases"].values())
    assert total == pytest.approx(12 * 0.0103333, abs=MS / 2)


def test_written_parts_add_up_to_the_written_sums_digit_for_digit():
    # Typical 100.00049 s, limit 90.00051 s, unexplained -0.0004 s: written 100.000, 90.001 and 0.000, so a reader
    # subtracts to 9.999 s, while the causes add up to 10.00038 s. A phase of nothing stays nothing.
    case = circle_case()
    limit, unexplained = Interval(90.00051, 90.0, 90.1), -0.0004
    typical = 100.00049
    share = {"lost": (typical - limit.value) / 8.0, "caused": (typical - limit.value - unexplained) / 8.0}
    part = {ledger: Interval(value, value, value) for ledger, value in share.items()}
    none = {ledger: Interval(0.0, 0.0, 0.0) for ledger in share}
    corners = tuple(
        replace(c, phases=(replace(c.phases[0], **part), replace(c.phases[1], **part), replace(c.phases[2], **none)),
                lost=Interval(2.0 * share["lost"], 0.0, 9.0))
        for c in case.corners
    )  # fmt: skip
    written = analysis_to_dict(
        replace(case, corners=corners, typical_lap_s=typical, limit_lap=limit, unexplained_s=unexplained)
    )
    between = written["typical_lap_s"] - written["limit_lap_s"]["value"]
    phases = [phase for corner in written["corners"] for phase in corner["phases"].values()]
    assert sum(phase["lost_s"]["value"] for phase in phases) == pytest.approx(between, abs=1e-9)
    caused = sum(phase["caused_s"]["value"] for phase in phases)
    assert caused == pytest.approx(between - written["unexplained_s"], abs=1e-9)
    assert {phase[f"{ledger}_s"]["value"] for phase in phases[2::3] for ledger in share} == {0.0}
    for corner in written["corners"]:
        own = sum(phase["lost_s"]["value"] for phase in corner["phases"].values())
        assert corner["lost_s"]["value"] == pytest.approx(own, abs=1e-9)
    for phase in phases:
        assert phase["lost_s"]["low"] <= phase["lost_s"]["value"] <= phase["lost_s"]["high"]


def test_banking_of_an_apex_behind_the_last_station_lies_between_it_and_the_first():
    # Stations every 2 m of 1200: an apex at 1199 m lies half-way from 4 degrees at 1198 to 2 degrees at 0.
    case = circle_case()
    bank = np.zeros(case.line.bank.size)
    bank[-1], bank[0] = np.radians(4.0), np.radians(2.0)
    first = case.corners[0]
    placed = replace(first, corner=replace(first.corner, apex_m=LENGTH - 1.0))
    written = analysis_to_dict(replace(case, line=replace(case.line, bank=bank), corners=(placed, *case.corners[1:])))
    assert written["corners"][0]["banking_deg"] == pytest.approx(3.0)


def test_what_typical_and_best_lap_and_limit_carried_stand_under_their_own_names():
    case = circle_case()
    first = replace(case.corners[0], min_speed_typical=20.0, min_speed_best=21.0, min_speed_limit=25.0)
    written = analysis_to_dict(replace(case, corners=(first, *case.corners[1:])))["corners"][0]["min_speed_kmh"]
    assert written == {"typical": 72.0, "best": 75.6, "limit": 90.0}  # 3.6 km/h per m/s


@pytest.mark.parametrize(("of_log", "of_path", "percent"), [(0.02, 0.05, 5.0), (0.05, 0.02, 5.0)])
def test_quality_tells_the_larger_share_of_repairs_and_whether_positions_drift(of_log, of_path, percent):
    case = circle_case()
    session = replace(case.session, repaired_share=of_log)
    motion = replace(case.motion, closes=False, quality=replace(case.motion.quality, repaired_share=of_path))
    written = analysis_to_dict(replace(case, session=session, motion=motion))["quality"]
    assert (written["repaired_percent"], written["position_drifts"]) == (percent, True)
    assert not analysis_to_dict(case)["quality"]["position_drifts"]


def test_speeds_are_written_in_km_per_hour_and_limits_in_g(data):
    # Sources: 1 m/s is 3.6 km/h; g is 9.80665 m/s² (CGPM 1901); report_case.py sets braking to 8 m/s².
    assert data["corners"][0]["min_speed_kmh"]["limit"] == FAST * 3.6
    for row in data["envelope"]["limits"]:
        assert row["braking_g"]["value"] == pytest.approx(8.0 / 9.80665, abs=5e-4)
        # The five draws scale braking by 0.9 to 1.1; the 5 % and 95 % percentiles of five lie 0.2 draws inside.
        assert row["braking_g"]["low"] == pytest.approx(0.91 * 8.0 / 9.80665, abs=5e-4)
        assert row["braking_g"]["high"] == pytest.approx(1.09 * 8.0 / 9.80665, abs=5e-4)
    assert data["envelope"]["limits"][-1]["speed_kmh"] >= FAST * 3.6
    # The engine gives 4 m/s² at standstill and 1 at 50 m/s, in a straight line: 2.5 at 25 m/s, which is 90 km/h.
    at_90 = next(row for row in data["envelope"]["limits"] if row["speed_kmh"] == 90.0)
    assert at_90["engine_g"]["value"] == pytest.approx(2.5 / 9.80665, abs=5e-4)


def test_corners_are_in_track_order_with_the_most_to_gain_as_rank_1(data):
    assert [corner["name"] for corner in data["corners"]] == list(NAMES)
    assert [corner["rank"] for corner in data["corners"]] == [1, 2, 3, 4]
    assert [corner["clear_loss"] for corner in data["corners"]] == [True, True, True, False]


def test_banking_is_written_in_degrees_with_what_told_it():
    case = circle_case()
    tilted = np.radians(4.0) * np.ones(case.line.bank.size)

    def written(**changes):
        found = analysis_to_dict(replace(case, line=replace(case.line, **changes)))
        return found["banking"], found["corners"][0]["banking_deg"]

    assert written() == ({"source": "unknown", "doubt_deg": 0.0}, None)
    assert written(bank=tilted) == ({"source": "track file", "doubt_deg": 0.0}, 4.0)
    assert written(bank=tilted, bank_doubt=np.radians(0.3)) == ({"source": "log", "doubt_deg": 0.3}, 4.0)


def test_the_keys_that_readers_rely_on_are_there(data):
    # Source: README, "analysis.json"; renaming one of these breaks every reader.
    assert data["schema"] == "simlap.analysis/1"
    assert set(data["laps"][0]) >= {"number", "start_s", "time_s", "counted", "reason"}
    assert set(data["track"]) >= {"length_m", "corners"}
    assert set(data) >= {
        "best_lap_s", "typical_lap_s", "limit_lap_s", "target", "corners", "unexplained_s", "priorities", "keep",
        "not_judged",
    }  # fmt: skip
    corner = data["corners"][0]
    assert set(corner) >= {
        "name", "direction", "entry_m", "apex_m", "exit_m", "rank", "top3_chance", "build_up", "findings",
    }  # fmt: skip
    assert set(corner["min_speed_kmh"]) == {"typical", "best", "limit"}
    assert list(corner["phases"]) == ["braking", "mid_corner", "exit"]
    assert set(corner["phases"]["exit"]) >= {"start_m", "stop_m", "lost_s", "caused_s", "gain_alone_s"}
    assert set(corner["findings"][0]) >= {
        "kind", "sentence", "worth_s", "laps", "occurrences", "stations_m", "session_times_s", "evidence",
    }  # fmt: skip
    assert set(data["target"]["next_step_s"]) == {"value", "low", "high", "chance"}


FREE = {"evidence", "tested_kmh"}  # their keys are named by findings and limits


def keys_of(value):
    """Every key below `value`, but for those of `FREE`."""
    if isinstance(value, list):
        return {key for one in value for key in keys_of(one)}
    if not isinstance(value, dict):
        return set()
    return set(value) | {key for name, one in value.items() if name not in FREE for key in keys_of(one)}


def test_schema_text_names_every_key_of_an_analysis_where_it_stands(club):
    whole = analysis_to_dict(club.analysis, against_lap(club.analysis, "best"))
    assert whole["target"]["corners"]
    assert any(corner["findings"] for corner in whole["corners"])
    head, *parts = re.split(r"^(?=\w)", SCHEMA_TEXT.split("\n\n", 1)[1], flags=re.MULTILINE)
    assert head == ""
    said = {part.split()[0].removesuffix("[]"): set(re.findall(r"[a-z0-9_]+", part)) for part in parts}
    said["best_lap_s"].remove("best_lap")
    said["best_lap"] = set()
    assert set(said) == set(whole)
    phases = keys_of(whole["corners"][0]["phases"])
    assert phases <= said["corners"] | {"value", "low", "high"}
    for name, value in whole.items():
        above = phases if name == "against" else set()  # "phases as above"
        assert keys_of(value) <= said[name] | above | {"value", "low", "high"}, name


def test_the_readme_holds_the_schema_text():
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    assert SCHEMA_TEXT in readme


def test_the_readme_names_the_keys_of_the_laps(club):
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    said = _said(readme, "laps")
    written = laps_to_dict(club.session, club.analysis.motion, club.analysis.lapset)
    assert keys_of(written) - {"schema"} <= said


def _said(readme, schema):
    """Words of the README about a schema, up to the next one."""
    return set(
        re.findall(r"\w+", re.split(rf"^simlap\.{schema}/1", readme, flags=re.MULTILINE)[1].split("\nsimlap.")[0])
    )


BY_NAME = {"evidence", "limits_ms2", "tested_ms", "per_percent_s", "grip_per_percent_s"}  # by limit, parameter, corner


def _named(value):
    """Every key below `value`; of objects whose keys are names, the keys below them."""
    if isinstance(value, list):
        return {key for one in value for key in _named(one)}
    if not isinstance(value, dict):
        return set()
    below = {key for name, one in value.items() if name not in BY_NAME for key in _named(one)}
    inner = {key for name in BY_NAME & set(value) for one in value[name].values() for key in _named(one)}
    return set(value) | below | inner


def test_the_readme_names_the_keys_of_the_other_schemas(club):
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    done = club.analysis
    grips = corner_grip(done.table, done.line, done.track.corners, done.fit.envelope)
    finding = {"kind", "phase", "sentence", "worth_s", "laps", "occurrences", "of_laps", "stations_m"}
    above = finding | {"session_times_s", "build_up", "step_worth_s", "value", "low", "high", "key", "text", "v2_per_m"}
    above |= {"lateral2_s2_per_m", "evidence"}
    notes = notes_to_dict(done, done.advice, everything=True)
    notes["findings"] = [{**one, "evidence": {}} for one in notes["findings"]]
    target = target_to_dict(done, done.target)
    of_target = keys_of(analysis_to_dict(done)["target"])  # "the keys of target above"
    for schema, written in {
        "target": {key: value for key, value in target.items() if key not in of_target},
        "envelope_report": report_dict(done.fit, grips, done.table),
        "notes": notes,
        "track": track_to_dict(club.track),
        "sweep": sweep(done.line, done.fit.envelope, ["grip"], (0.99, 1.0, 1.01)).to_dict(),
        "thresholds": {"thresholds": [asdict(entry) for entry in TABLE.values()]},
    }.items():
        assert _named(written) - {"schema"} - above <= _said(readme, schema), schema


def test_a_finding_stands_under_its_own_corner_only(data):
    assert [len(corner["findings"]) for corner in data["corners"]] == [1, 0, 0, 0]


def test_user_text_survives_json_unchanged():
    written = json.loads(analysis_to_json(circle_case(HOSTILE)))
    assert [corner["name"] for corner in written["corners"]] == list(HOSTILE)


def test_notes_of_all_steps_come_once_each_in_order(data):
    assert data["notes"] == ["read as text", "note of the motion", "note of the fit", "note of the analysis"]


def test_a_note_that_two_steps_give_is_written_once():
    case = replace(circle_case(), notes=("note of the motion",))
    assert analysis_to_dict(case)["notes"] == ["read as text", "note of the motion", "note of the fit"]


def test_values_of_numpy_and_tuples_become_plain_json_values():
    mixed = {"a": np.float64(0.1234567), "b": (np.int64(3), np.bool_(True)), "c": None, "d": {"e": np.arange(2)}}
    assert json.loads(json.dumps(plain(mixed))) == {"a": 0.123457, "b": [3, True], "c": None, "d": {"e": [0, 1]}}


def test_csv_rows_of_each_lap_add_up_to_lap_time_minus_limit_lap():
    case = circle_case()
    rows = list(csv.DictReader(io.StringIO(losses_csv(case))))
    assert len(rows) == 12 * (1 + len(case.table.numbers))
    for number, lap in zip(case.table.numbers, case.lap_driven, strict=True):
        total = sum(float(row["lost_s"]) for row in rows if row["lap"] == str(number))
        assert total == pytest.approx(lap.lap_time - LIMIT_S, abs=MS)  # bar "ledgers"
    assert {row["counted"] for row in rows if row["lap"] == "3"} == {"no"}
    # Lap 2 is driven as the typical lap, so each of its phases loses what the typical lap's does.
    lap_2 = [float(row["lost_s"]) for row in rows if row["lap"] == "2"]
    assert lap_2 == pytest.approx([LOST_S.get(phase, 0.0) for phase in range(12)], abs=5e-5)


def test_csv_phases_tile_the_lap():
    rows = [row for row in csv.DictReader(io.StringIO(losses_csv(circle_case()))) if row["lap"] == "typical"]
    lengths = [(float(row["stop_m"]) - float(row["start_m"])) % LENGTH for row in rows]
    assert sum(lengths) == pytest.approx(LENGTH)
    assert [row["start_m"] for row in rows[1:]] == [row["stop_m"] for row in rows[:-1]]


def test_a_lap_held_against_another_stands_in_all_three_files(tmp_path):
    # Source: report_case.py: the typical lap loses its 2 s to a lap of 40 s in the phases of LOST_S.
    case = circle_case()
    held = Against("typical lap", "typical lap of other\x1b.csv", NAMES, case.typical_ledger)
    write_outputs(case, tmp_path, figures=(), against=held)
    written = json.loads((tmp_path / "analysis.json").read_text(encoding="utf-8"))["against"]
    assert written["reference_s"] == LIMIT_S
    assert written["corners"][0]["phases"]["exit"]["lost_s"] == pytest.approx(LOST_S[2], abs=MS)
    rows = list(csv.DictReader((tmp_path / "losses.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[:-12] == list(csv.DictReader(io.StringIO(losses_csv(case))))
    assert {row["lap"] for row in rows[-12:]} == {"typical lap against typical lap of other\ufffd.csv"}
    assert [float(row["caused_s"]) for row in rows[-12:]] == pytest.approx(
        [LOST_S.get(phase, 0.0) for phase in range(12)], abs=5e-5
    )
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Typical lap against typical lap of other\ufffd.csv" in page
    section = page.split('id="against"')[1].split("</section>")[0]
    assert "42.00 against 40.00" in section
    for cells in ("<td>0.93</td><td>0.00</td><td>0.00</td><td>0.93</td><td>0.93</td>", "<td>0.67</td><td>0.67</td>"):
        assert cells in section
    assert 'id="against"' not in render_page(case)
    assert "against" not in analysis_to_dict(case)


def test_written_phases_of_a_lap_held_against_another_add_up_as_written():
    # Twelve phases of 0.4 ms over a hundredth: rounded one by one they lose 4.8 ms of a gap of 0.1248 s.
    parts = np.full(12, 0.0104)
    ledger = replace(circle_case().typical_ledger, lost=parts, caused=parts, driven_s=42.1248, reference_s=42.0)
    written = Against("typical lap", "best lap", NAMES, ledger).to_dict()
    phases = [phase for corner in written["corners"] for phase in corner["phases"].values()]
    assert sum(phase["lost_s"] for phase in phases) == pytest.approx(written["subject_s"] - 42.0, abs=1e-9)
    assert sum(phase["caused_s"] for phase in phases) == pytest.approx(0.125, abs=1e-9)


def test_a_lap_that_was_set_aside_is_told_where_it_is_held_against(club, capsys):
    done = club.analysis
    number = next(lap.number for lap in done.lapset.flying if lap.number != done.best_lap)
    laps = tuple(
        replace(lap, counted=False, reason="slow: 6.5 s over") if lap.number == number else lap
        for lap in done.lapset.laps
    )
    held = against_lap(replace(done, lapset=replace(done.lapset, laps=laps)), str(number))
    words = f"Lap {number} was set aside: slow: 6.5 s over."
    assert held.to_dict()["remark"] == words
    print_against(held)
    told = capsys.readouterr().out
    assert told.startswith("\ntypical lap ")  # apart from the cautions before it
    assert words in " ".join(told.split())
    assert words in render_page(done, held).replace(NO_BREAK, " ")
    assert against_lap(done, "best").to_dict()["remark"] == ""


@pytest.mark.parametrize("name", ["=HYPERLINK(1)", "+1", "-1", "@sum"])
def test_a_name_that_a_spreadsheet_would_run_is_kept_as_text(name):
    # Source: OWASP, "CSV Injection": a leading = + - @ starts a formula; an apostrophe before it does not.
    assert cell(name) == "'" + name


def test_csv_keeps_a_name_with_comma_and_quote_in_one_cell():
    rows = list(csv.DictReader(io.StringIO(losses_csv(circle_case(('a "b", c', "b", "c", "d"))))))
    assert rows[0]["corner"] == 'a "b", c'


def test_cautions_tell_few_laps_rebuilt_path_beaten_limit_and_unexplained_time():
    case = circle_case()
    keys = [caution.key for caution in cautions(case)]
    assert keys[0] == "few laps"  # three counted laps
    assert "limit is a bound" in keys
    assert "small steps" in keys
    assert "limit beaten" not in keys
    assert "unexplained" not in keys
    assert "path rebuilt" not in keys
    worse = replace(
        case, beaten_s=2 * BEATEN_S, unexplained_s=-0.01 * case.typical_lap_s, motion=replace(case.motion, closes=False)
    )
    assert {"limit beaten", "unexplained", "path rebuilt"} <= {caution.key for caution in cautions(worse)}
    assert "1.0 % of it" in next(c.text for c in cautions(worse) if c.key == "unexplained")


def test_a_channel_that_was_not_used_is_a_caution_not_small_print():
    case = circle_case()
    note = Note("The logged speed does not agree with the positions. Check its unit.", Kind.CHANNEL_OUT)
    warned = cautions(replace(case, motion=replace(case.motion, notes=("1 row sorted.", note))))
    assert [caution.text for caution in warned if caution.key == "channel left out"] == [note]


def test_standing_cautions_name_what_the_user_must_always_be_told():
    # Source: the user's rule for every output: a bound and no instruction, small steps, closed courses, people first.
    said = " ".join(caution.text for caution in cautions(circle_case())).lower()
    for words in ("not a target", "small steps", "closed courses only", "marshals", "organiser's rules", "coach"):
        assert words in said


def test_losses_of_an_analysed_session_add_up_in_json_and_csv(club):
    # Bar "ledgers": phase losses of each counted lap sum to lap time minus limit lap within 1 ms.
    data = json.loads(analysis_to_json(club.analysis))
    total = sum(p["lost_s"]["value"] for c in data["corners"] for p in c["phases"].values())
    assert total == pytest.approx(data["typical_lap_s"] - data["limit_lap_s"]["value"], abs=1.5 * MS)  # three roundings
    rows = list(csv.DictReader(io.StringIO(losses_csv(club.analysis))))
    times = {str(lap["number"]): lap["time_s"] for lap in data["laps"] if lap["counted"]}
    for number, time in times.items():
        lost = sum(float(row["lost_s"]) for row in rows if row["lap"] == number)
        assert lost == pytest.approx(time - data["limit_lap_s"]["value"], abs=2 * MS)  # and two rounded lap times
