"""The commands as a user runs them: what they print, where, and how they fail."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

import simlap
from simlap.cli import app

COMMANDS = (
    "analyse",
    "demo",
    "laps",
    "channels",
    "notes",
    "target",
    "compare",
    "envelope",
    "sweep",
    "cues",
    "track",
    "thresholds",
)


def run(*arguments, cwd=None, env=None):
    """Run the command line in a process of its own, as a shell would."""
    return subprocess.run(
        [sys.executable, "-m", "simlap.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={**os.environ, **(env or {})},
        timeout=300,
    )


@pytest.fixture(scope="module")
def log(tmp_path_factory, club):
    """The club session as a CSV with units in its headers, and its track file."""
    import numpy as np

    from simlap.trackfile import write_track

    folder = tmp_path_factory.mktemp("log")
    channels = club.session.channels
    columns = {
        "time_s": club.session.t,
        "latitude_deg": channels["latitude"],
        "longitude_deg": channels["longitude"],
        "speed_kmh": channels["speed"] * 3.6,
        "longitudinal_g": channels["a_lon"] / 9.80665,
        "lateral_g": channels["a_lat"] / 9.80665,
        "yaw_rate_rad/s": channels["yaw_rate"],
        "throttle_%": channels["throttle"] * 100.0,
    }
    path = folder / "outing.csv"
    rows = np.column_stack(list(columns.values()))[::2]  # 50 Hz is enough here
    np.savetxt(path, rows, fmt="%.9g", delimiter=",", header=",".join(columns), comments="")
    write_track(club.track, folder / "club.geojson")
    return path


def test_every_command_has_a_help():
    text = run("--help").stdout
    for command in COMMANDS:
        assert command in text
        assert run(command, "--help").returncode == 0


def test_analysis_writes_its_outputs_and_keeps_stdout_clean_for_pipes(log, tmp_path):
    out = tmp_path / "out"
    (out / "mine").mkdir(parents=True)
    (out / "mine" / "keep.txt").write_text("mine")
    done = run("analyse", log, "--track", log.parent / "club.geojson", "--out", out, "--json")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)  # nothing but JSON on stdout
    assert "analysing" in done.stderr
    assert data["schema"] == "simlap.analysis/1"
    assert json.loads((out / "analysis.json").read_text(encoding="utf-8"))["schema"] == "simlap.analysis/1"
    assert {"analysis.json", "losses.csv", "report.html"} <= {path.name for path in out.iterdir()}
    assert (out / "mine" / "keep.txt").read_text() == "mine"  # folders are never emptied
    assert not list(out.rglob("*.part"))
    lost = sum(phase["lost_s"]["value"] for corner in data["corners"] for phase in corner["phases"].values())
    assert lost == pytest.approx(data["typical_lap_s"] - data["limit_lap_s"]["value"], abs=1e-3)  # bar "ledgers"


def test_table_is_plain_text_of_80_columns_when_piped(log):
    done = run("analyse", log, "--track", log.parent / "club.geojson", "--against", "best")
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    for word in ("limit", "bound", "coach", "marshals", "closed courses", "against best lap"):
        assert word in done.stdout.lower()


def test_laps_and_channels_are_listed(log):
    laps = json.loads(run("laps", log, "--track", log.parent / "club.geojson", "--json").stdout)
    assert [lap["number"] for lap in laps["laps"] if lap["counted"]] == list(range(1, 9))
    assert all(lap["reason"] for lap in laps["laps"] if not lap["counted"])
    columns = json.loads(run("channels", log, "--json").stdout)
    assert columns["schema"] == "simlap.channels/1"
    assert "throttle" in [column["channel"] for column in columns["columns"]]
    table = run("channels", log).stdout
    for word in ("speed_kmh", "a_lat", "throttle", "km/h"):
        assert word in table


def test_target_prints_its_ladder(log):
    data = json.loads(run("target", log, "--track", log.parent / "club.geojson", "--json").stdout)
    assert data["limit_s"] < data["next_step_s"]["value"] <= data["shown_s"]
    assert 0.0 <= data["next_step_s"]["chance"] <= 1.0


FAULTS = [
    ("missing file", "absent.csv", None, r"absent\.csv"),
    ("empty file", "empty.csv", "", "empty"),
    ("no speed and no position", "thin.csv", "time_s,throttle_%\n0,1\n0.1,2\n0.2,3\n", "speed"),
    ("a bad cell", "bad.csv", "time_s,speed_kmh,lateral_g\n0,100,0.1\n0.1,fast,0.1\n0.2,100,0.1\n", "row 3"),
    ("half a lap", "half.csv", None, "half.csv"),
]


@pytest.mark.parametrize(("what", "name", "text", "words"), FAULTS, ids=[fault[0] for fault in FAULTS])
def test_bad_input_ends_with_one_line_and_code_2_and_writes_nothing(what, name, text, words, tmp_path, log):
    path = tmp_path / name
    if text is not None:
        path.write_text(text)
    if what == "half a lap":
        path.write_text("\n".join(log.read_text().splitlines()[:2500]) + "\n")
    out = tmp_path / "out"
    done = run("analyse", path, "--out", out)
    assert done.returncode == 2
    errors = [line for line in done.stderr.splitlines() if line.startswith("simlap:")]
    assert len(errors) == 1
    assert re.search(words, errors[0])
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert not out.exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--laps", "3,x"), "write lap numbers"),
        (("--laps", "1_5"), "write lap numbers"),
        (("--start-line", "47.1,8_2,47.2,8.3"), "write four numbers"),
        (("--start-line", "1,2,3"), "write four numbers"),
        (("--start-line", "91,0,91,1"), "91 is no latitude; it runs from -90 to 90 degrees"),
        (("--start-line", "47,8,47,-181"), "-181 is no longitude; it runs from -180 to 180 degrees"),
        (("--draws", "1e9"), "Invalid value for '--draws': write a whole number, such as 200."),
        (("--quantile", "1.5"), "choose a level"),
        (("--draws", "3"), "choose from 20"),
        (("--column", "speed"), "CHANNEL"),
        (("--track", "none.geojson"), r"none.geojson"),
    ],
)
def test_options_that_make_no_sense_say_what_to_write(arguments, words, log):
    done = run("analyse", log, *arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr


SLIPS = [
    ((), "laps", "Missing argument 'SESSION...'. 'simlap laps --help' lists what can be given."),
    (("x.csv", "--foo", "3"), "analyse", "No such option"),
    (("x.csv", "--seed", "x"), "analyse", "Invalid value for '--seed'"),
    ((), "frob", "No such command 'frob'. 'simlap --help' lists what can be given."),
    (("x.csv", "--out", " "), "analyse", "Invalid value for '--out': is empty; name a folder"),
    (("x.csv", "--figures", ""), "analyse", "Invalid value for '--figures': is empty; name a folder"),
    (("x.csv", "--figures", ""), "sweep", "Invalid value for '--figures': is empty; name a folder"),
    (("x.csv", "--figures", ""), "target", "Invalid value for '--figures': is empty; name a folder"),
    (("--centre-line", "x.csv"), "track build", "Missing option '--out'. 'simlap track build --help' lists"),
]


@pytest.mark.parametrize(("arguments", "command", "words"), SLIPS, ids=[slip[1] for slip in SLIPS])
def test_a_slip_on_the_command_line_is_told_in_one_line_without_a_box(arguments, command, words):
    done = run(*command.split(), *arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"simlap: {words}")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("sweep", "{}", "--parameter", "mass"), "unknown parameter 'mass'; choose from grip, lateral"),
        (("sweep", "{}", "--factors", "1,100"), "factor 100 lies outside 0.1 to 10"),
        (("target", "{}", "--brake-step", "-3"), "--brake-step -3: choose above 0 and below 50."),
        (("target", "{}", "--lap-step", "7"), "--lap-step 7: choose above 0 and below 5."),
        (("compare", "{}", "{}", "--note", "C:tyres=worn"), "there is no side 'C'; sides are A, B."),
        (("compare", "{}", "{}", "--also-a2", "{}"), "--also-a2: there is no A2 to add it to."),
        (("analyse", "{}", "--against", ""), "--against '': write best, typical, a lap number, or the path of"),
        (("analyse", "{}", "--against", "."), "--against '.': write best, typical, a lap number, or the path of"),
        (("cues", "{}", "--out", "n.vtt", "--video-start", "nan"), "--video-start nan: write a number of seconds, or"),
        (("cues", "{}", "--out", "n.vtt", "--video-start", "inf"), "--video-start inf: write a number of seconds, or"),
        (
            ("cues", "{}", "--out", "n.vtt", "--crossing-lap", "2", "--crossing-video-time=-inf"),
            "--crossing-video-time -inf: write a number of seconds.",
        ),
        (("analyse", "{}", "--seed", "-1"), "--seed -1: choose a whole number from 0 on."),
        (("laps", "{}", "--start-line", "47,nan,47,8"), "write four numbers LAT1,LON1,LAT2,LON2"),
    ],
    ids=lambda value: " ".join(value[2:]) if isinstance(value, tuple) else "",
)
def test_options_are_looked_at_before_the_log_is_read(arguments, words):
    done = run(*(one.format("absent.csv") for one in arguments))
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()  # no "reading absent.csv" before it
    assert words in line


def test_the_version_is_that_of_the_package():
    from importlib.metadata import version

    done = run("--version")
    assert (done.returncode, done.stdout) == (0, f"simlap {version('simlap')}\n")


def test_the_defaults_in_the_help_are_those_of_the_library():
    from simlap.cli_common import DEFAULT_DRAWS, DEFAULT_QUANTILE
    from simlap.cli_target import STEPS
    from simlap.envelope_fit import DRAWS, QUANTILE
    from simlap.target import Steps

    assert (DEFAULT_QUANTILE, DEFAULT_DRAWS) == (QUANTILE, DRAWS)
    usual = Steps()
    own = {name: value for name, (_, value, _) in STEPS.items() if name != "lap_share"}
    assert own == {name: getattr(usual, name) for name in own}
    assert STEPS["lap_share"][1] / 100.0 == pytest.approx(usual.lap_share)
    shown = re.findall(r"default: \(?([\d.]+)", run("target", "--help").stdout)
    assert shown == ["1", "3", "5", "4", "10", "0.6", "0.98", "200", "0"]


@pytest.mark.parametrize("command", [(), ("target",), ("track", "build"), ("analyse",)])
def test_no_help_asks_for_the_value_of_a_flag(command):
    text = run(*command, "--help").stdout
    assert "--help" in text
    assert "bool" not in text.lower()


def test_helps_and_lists_say_what_is_written_and_in_which_unit():
    assert "write its report" in " ".join(run("demo", "--help").stdout.split())
    assert "_ms is in m/s" in run("thresholds").stdout.splitlines()[0]
    assert not re.search(r"\bours\b", run("notes", "--help").stdout)


def test_the_thresholds_are_listed_as_a_file_that_can_be_read_back(tmp_path):
    from simlap.thresholds import TABLE, default_thresholds, read_thresholds

    listed = run("thresholds")
    assert listed.returncode == 0
    path = tmp_path / "mine.toml"
    path.write_text(listed.stdout.replace("coast_s = 0.5", "coast_s = 0.7"), encoding="utf-8")
    assert dict(read_thresholds(path).values) == {**default_thresholds().values, "coast_s": 0.7}
    data = json.loads(run("thresholds", "--json").stdout)
    assert data["schema"] == "simlap.thresholds/1"
    assert {name: entry["value"] for name, entry in data["thresholds"].items()} == {
        name: e.value for name, e in TABLE.items()
    }


@pytest.mark.parametrize("arguments", [(), ("track",)])
def test_without_a_command_the_help_is_printed_once(arguments):
    done = run(*arguments)
    assert done.returncode == 2
    assert done.stderr == ""
    assert done.stdout.count("Usage: simlap") == 1


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full on this system")
@pytest.mark.parametrize("what", ["channels", "--help"])
def test_a_full_disk_behind_stdout_is_one_line_and_code_2(what, log):
    arguments = [what, log] if what == "channels" else [what]
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "simlap.cli", *map(str, arguments)], stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith("simlap: the output cannot be written (No space left on device).")
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(os.name != "posix", reason="the shell closes streams so on POSIX alone")
@pytest.mark.parametrize("what", ["laps", "--help"])
def test_a_closed_output_is_one_line_and_code_2(what, log):
    # Source: POSIX Shell Command Language 2.7.6, ">&-" closes standard output.
    arguments = [what, log, "--json"] if what == "laps" else [what]
    command = [sys.executable, "-m", "simlap.cli", *map(str, arguments)]
    done = subprocess.run(["sh", "-c", '"$@" >&-', "sh", *command], stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert done.stderr == "simlap: the output is closed (>&-). Send it to a terminal, a file or a pipe.\n"


@pytest.mark.skipif(os.name != "posix", reason="the shell closes streams so on POSIX alone")
def test_with_errors_closed_the_output_holds_the_result_alone(log):
    command = [sys.executable, "-m", "simlap.cli", "channels", str(log), "--json"]
    done = subprocess.run(["sh", "-c", '"$@" 2>&-', "sh", *command], stdout=subprocess.PIPE, text=True)
    assert done.returncode == 0
    assert json.loads(done.stdout)["columns"]


def test_ctrl_c_while_the_commands_are_loaded_ends_without_a_traceback(monkeypatch):
    from types import ModuleType

    from simlap import cli

    class Interrupted(ModuleType):
        def __getattr__(self, name):
            raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "simlap.cli_run", Interrupted("simlap.cli_run"))
    with pytest.raises(SystemExit) as stopped:
        cli.main()
    assert stopped.value.code == 130  # 128 + SIGINT, as shells report it


def test_a_folder_given_as_a_log_is_named_on_the_way(log):
    done = run("laps", ".", cwd=log.parent)
    assert done.returncode == 2
    assert done.stderr.splitlines() == ["reading .", "simlap: .: is a folder. Name the log file in it."]


def test_an_escape_sequence_in_a_name_never_reaches_the_terminal():
    done = run("laps", "\x1b[31mred.csv")
    assert done.returncode == 2
    assert "\x1b" not in done.stderr


def test_a_session_compared_with_itself_or_a_copy_is_refused(log, tmp_path):
    copy = tmp_path / "copy.csv"
    copy.write_bytes(log.read_bytes())
    for after in (log, copy):
        done = run("compare", log, after)
        assert done.returncode == 2
        assert done.stdout == ""
        assert f"{after.name}: holds the same rows as outing.csv. Name each session once." in done.stderr


def test_the_readme_names_the_commands_that_print_no_json():
    def without_json(command, name=""):
        if hasattr(command, "commands"):
            return {one for key, each in command.commands.items() for one in without_json(each, f"{name} {key}")}
        has = any("--json" in option.opts for option in command.params)
        return set() if has else {name.strip()}

    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    (said,) = re.findall(r"or JSON with `--json`, but for (.*?):", readme)
    assert set(re.findall(r"`(.*?)`", said)) == without_json(get_command(app))


def test_the_readme_names_the_schema_of_every_json():
    # all that the package writes carries its schema; `simlap.envelope/1` is the file that `envelope --out` leaves
    root = Path(__file__).parent.parent
    written = {
        name
        for path in (root / "simlap").rglob("*.py")
        for name in re.findall(r'"(simlap\.\w+/\d+)"', path.read_text(encoding="utf-8"))
    }
    assert len(written) >= 10
    readme = (root / "README.md").read_text(encoding="utf-8")
    assert {name for name in written if name not in readme} == {"simlap.envelope/1"}


def test_help_readme_and_the_list_of_channels_name_what_column_takes(tmp_path):
    from simlap.channels import BY_NAME
    from simlap.cli_common import CHANNEL_NAMES

    assert tuple(BY_NAME) == CHANNEL_NAMES
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    listed = re.search(r"The channels that can be stated so are ([^.]*)\.", readme).group(1)
    assert tuple(re.findall(r"`(\w+)`", listed)) == CHANNEL_NAMES
    log = tmp_path / "log.csv"
    log.write_text("time [s],speed [m/s]\n0,20\n1,20\n")
    shown = CliRunner().invoke(app, ["channels", str(log)])
    assert shown.exit_code == 0
    told = re.search(r"Channels without a column: ([^.]*)\.", " ".join(shown.output.split())).group(1)
    assert told.split(", ") == [name for name in CHANNEL_NAMES if name not in ("time", "speed")]


def test_the_program_runs_as_a_module_of_python():
    done = subprocess.run([sys.executable, "-m", "simlap", "--version"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert simlap.__version__ in done.stdout
