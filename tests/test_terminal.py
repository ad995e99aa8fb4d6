"""The terminal's table: 80 columns, plain when piped, the user's text as text."""

import fcntl
import io
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import unicodedata
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
from report_case import HOSTILE, NAMES, circle_case
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

from simlap.against import Against
from simlap.cli_common import step
from simlap.errors import OptionError
from simlap.notes import wrapped
from simlap.report.against import print_against
from simlap.report.page import render_page
from simlap.report.plain import clean, clock, corner_label, lap_time, seconds, shortened, signed
from simlap.report.table import aside_lines, print_analysis
from simlap.report.terminal import PLAIN_WIDTH, console, item


def style_sheet() -> str:
    return (files("simlap.report") / "templates" / "report.css").read_text(encoding="utf-8")


def printed(analysis, *, terminal: bool = False, width: int = PLAIN_WIDTH, **options) -> str:
    stream = io.StringIO()
    out = Console(
        file=stream, width=width, force_terminal=terminal, markup=False, highlight=False,
        color_system="truecolor" if terminal else None,
    )  # fmt: skip
    print_analysis(analysis, out, **options)
    return stream.getvalue()


@pytest.mark.parametrize("broken", [OptionError("bad.csv, row 2"), KeyboardInterrupt()])
def test_an_error_begins_on_a_line_of_its_own_where_a_person_watches_the_progress(monkeypatch, broken):
    screen = io.StringIO()
    screen.isatty = lambda: True
    monkeypatch.setattr(sys, "stderr", screen)
    with pytest.raises(type(broken)), step("reading bad.csv"):
        raise broken
    assert screen.getvalue() == "reading bad.csv ...\n"


MEASURED = (
    "Corner 2: 75 km/h against the limit's 84 km/h, 81 % of the grip in use, 0.15 s (0.1 to 0.5 s), 1.05 g, 52 bar, "
    "26 m before, 9 km away, 3 m/s² at 2.0 Hz, 3.6 ° at most; seen on 9 metres of 5 minutes"
)
UNIT_ALONE = re.compile(r"^(km/h|%|s|g|bar|m|km|m/s²|Hz|°)(?![\w/])")


@pytest.mark.parametrize("width", range(20, 80))
def test_no_line_breaks_between_a_number_and_its_unit(width):
    stream = io.StringIO()
    Console(file=stream, width=width, markup=False, highlight=False).print(item("1.", MEASURED))
    printed_lines = [line.strip() for line in stream.getvalue().splitlines()]
    for lines, text in ((printed_lines, f"1. {MEASURED}"), (wrapped([MEASURED], width), MEASURED)):
        assert not [line for line in lines if UNIT_ALONE.match(line)]
        assert " ".join(lines) == text  # with plain blanks, and nothing lost


@pytest.mark.parametrize("names", [("North", "East", "South", "West"), HOSTILE], ids=["plain", "hostile"])
def test_no_line_is_wider_than_80_columns(names):
    lines = printed(circle_case(names, target=True)).splitlines()
    assert max(cell_len(line) for line in lines) <= 80


@pytest.mark.parametrize("names", [("North", "East", "South", "West"), HOSTILE], ids=["plain", "hostile"])
def test_a_narrow_terminal_gets_a_narrow_table_with_every_number_whole(names):
    lines = printed(circle_case(names, target=True), width=60).splitlines()
    assert max(cell_len(line) for line in lines) <= 60
    row = next(line for line in lines if line.startswith(" 1 "))
    assert row.split()[-7:] == ["0.93", "0.00", "0.00", "0.93", "90", "/", "108"]
    assert "0.88..0.98" not in row  # the interval is left out


@pytest.mark.parametrize("columns", [60, 80, 110])
def test_a_lap_against_another_fits_the_terminal_with_every_number_whole(columns, monkeypatch):
    stream = io.StringIO()
    monkeypatch.setattr("simlap.report.against.console", lambda least: Console(file=stream, width=max(least, columns)))
    case = circle_case()
    ledger = replace(case.typical_ledger, lost=-11.11 * np.ones(12), corner_gain=-11.11 * np.ones(4))
    print_against(Against("typical lap", "lap 5", ("a long name " * 5, "b", "c", "d"), ledger))
    lines = stream.getvalue().splitlines()
    assert max(cell_len(line) for line in lines) <= columns
    rows = [line.split() for line in lines if "-33.33" in line]
    assert len(rows) == 4
    assert [row[-1] for row in rows] == ["-11.11"] * 4


@pytest.mark.parametrize(("columns", "widest"), [(60, 60), (0, 80)], ids=["small", "size not known"])
def test_a_small_terminal_is_kept_to(columns, widest):
    text = re.sub(r"\x1b\[[0-9;]*m", "", run_on_a_terminal({"NO_COLOR": "1"}, columns))
    assert max(map(cell_len, text.splitlines())) == widest


def test_the_two_worths_of_a_phase_are_told_apart():
    text = " ".join(printed(circle_case()).split())
    assert (
        "worth of a phase: lap time gained if it alone were driven at the limit; the table shows what is caused" in text
    )
    assert "It is not what is “caused” there" in render_page(circle_case())
    assert "worth of a phase" not in printed(circle_case(advice=False))


def test_piped_text_has_no_escape_sequences_and_no_blanks_at_line_ends():
    text = printed(circle_case(HOSTILE, target=True))
    assert "\x1b" not in text
    assert all(line == line.rstrip() for line in text.splitlines())


def test_a_corner_name_with_an_escape_sequence_cannot_steer_the_terminal():
    text = printed(circle_case(HOSTILE), terminal=True)
    assert "\x1b[31m" not in text  # the red of HOSTILE[3]; the table's own styles are bold and dim
    assert set(re.findall(r"\x1b\[[0-9;]*m", text)) <= {"\x1b[1m", "\x1b[2m", "\x1b[0m"}


def test_markup_in_a_corner_name_is_printed_and_not_obeyed():
    text = printed(circle_case(("[bold]x[/]", "[red]", "<script>", "d")))
    assert "[bold]x[/]" in text
    assert "[red]" in text
    assert "<script>" in text


def test_rows_show_gain_phase_seconds_and_speeds_of_the_hand_made_analysis():
    # Source: report_case.py: 140 m at 25 instead of 30 m/s lose 0.93 s, all of it in the exit; 25 m/s are 90 km/h.
    row = next(line for line in printed(circle_case()).splitlines() if "North" in line)
    assert row.split() == ["1", "North", "0.93", "0.88..0.98", "0.00", "0.00", "0.93", "90", "/", "108"]


def test_corner_without_clear_loss_stands_under_its_own_heading():
    lines = printed(circle_case()).splitlines()
    heading = next(i for i, line in enumerate(lines) if line.startswith("no clear loss"))
    assert "West" in lines[heading + 1]
    assert not any("West" in line for line in lines[:heading] if "/" in line)


def test_fast_corner_is_marked_by_a_word():
    assert next(line for line in printed(circle_case()).splitlines() if " East " in line).endswith("build up")


def test_target_is_named_and_the_limit_is_called_a_bound():
    text = printed(circle_case(target=True))
    assert re.search(r"^next step +41\.00 +-1\.00 s +target, 40\.80 to 41\.30, chance 60 %$", text, re.M)
    assert re.search(r"^limit +40\.00 .*a bound, no target", text, re.M)


COMMAND = (
    "import sys; sys.path.insert(0, {tests!r}); from report_case import circle_case; "
    "from simlap.report.table import print_analysis; "
    "print_analysis(circle_case(('North', 'Größe 🏁 {long}', 'South', 'West')))"
)


def run_on_a_terminal(environment: dict[str, str], columns: int = 0) -> str:
    """What the table writes to a pseudo-terminal of the operating system."""
    main, side = pty.openpty()
    fcntl.ioctl(side, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    code = COMMAND.format(tests=os.path.dirname(__file__), long="x" * 50)
    child = subprocess.Popen([sys.executable, "-c", code], stdout=side, env={**os.environ, **environment})
    os.close(side)
    parts = []
    while True:
        try:
            part = os.read(main, 65536)
        except OSError:  # Linux reports the closed terminal as an input/output error
            break
        if not part:
            break
        parts.append(part)
    os.close(main)
    assert child.wait() == 0
    return b"".join(parts).decode()


def test_no_color_is_honoured_on_a_real_terminal():
    # Source: no-color.org: with NO_COLOR set and not empty, no ANSI colour is added (bold and dim are no colours).
    colours = r"\x1b\[(?:[0-9;]*;)?(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;[0-9;]*)?m"
    environment = {"TERM": "xterm-256color", "COLUMNS": "80"}
    assert not re.search(colours, run_on_a_terminal({**environment, "NO_COLOR": "1"}))


def test_a_terminal_gets_bold_headings_and_a_pipe_does_not():
    assert "\x1b[1m" in run_on_a_terminal({"TERM": "xterm-256color", "COLUMNS": "80"})
    code = COMMAND.format(tests=os.path.dirname(__file__), long="x" * 50)
    piped = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True).stdout
    assert "\x1b" not in piped
    assert "[s]" in piped  # units in brackets are text, not markup
    assert "North" in piped


def test_a_pipe_that_cannot_hold_unicode_gets_replacements_and_no_error():
    code = COMMAND.format(tests=os.path.dirname(__file__), long="x" * 50)
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=True)
    assert b"Gr??e" in done.stdout


@pytest.mark.parametrize(
    ("time", "text"),
    [
        (96.25, "1:36.25"),
        (59.999, "1:00.00"),
        (59.994, "59.99"),
        (120.0, "2:00.00"),
        (65.0, "1:05.00"),
        (-1.5, "-1.50"),
    ],
)
def test_lap_times_carry_into_the_minute(time, text):
    assert lap_time(time) == text


def test_seconds_never_show_a_negative_zero():
    assert seconds(-0.001) == "0.00"
    assert seconds(-0.012) == "-0.01"


@pytest.mark.parametrize(("time", "text"), [(59.6, "1:00"), (3725.0, "1:02:05"), (-0.2, "0:00"), (125.0, "2:05")])
def test_clock_times_round_to_whole_seconds(time, text):
    assert clock(time) == text


def test_clean_text_holds_no_control_character_and_no_direction_override():
    dirty = "".join(map(chr, range(32))) + "\x7f\x9b" + "\u202eabc\u2066" + "a\u2028b"
    tidy = clean(dirty)
    assert all(unicodedata.category(c) not in ("Cc", "Zl", "Zp") for c in tidy)
    assert "\u202e" not in tidy
    assert "\u2066" not in tidy
    assert "abc" in tidy


def test_shortened_text_has_at_most_the_length_asked_for():
    assert shortened("x" * 500, 18) == "x" * 17 + "…"
    assert shortened("short", 18) == "short"


def test_a_bare_number_is_called_a_corner():
    assert corner_label("7") == "corner 7"
    assert corner_label("Quarry 7") == "Quarry 7"


def test_a_single_lap_is_counted_in_the_singular(capsys):
    case = circle_case()
    alone = replace(case, table=replace(case.table, counted=np.array([True, False, False, False])))
    print_analysis(alone)
    for text in (" ".join(capsys.readouterr().out.split()), render_page(alone)):
        assert "1 counted lap" in text
        assert "1 counted laps" not in text


def test_laps_that_were_not_chosen_share_one_line():
    case = circle_case()
    laps = tuple(replace(lap, counted=False, reason="not among the laps chosen") for lap in case.lapset.laps)
    flying = [lap.number for lap in laps if lap.flying]
    assert len(flying) > 1
    (line, blank) = aside_lines(replace(case, lapset=replace(case.lapset, laps=laps)))
    assert flying == list(range(flying[0], flying[-1] + 1))
    assert line == f"laps {flying[0]} to {flying[-1]} set aside: not among the laps chosen"
    assert blank == ""


@pytest.mark.parametrize(
    ("change", "text"), [(-0.004, "0.00"), (0.004, "0.00"), (0.0, "0.00"), (-0.006, "-0.01"), (0.006, "+0.01")]
)
def test_a_change_that_rounds_to_nothing_has_no_sign(change, text):
    assert signed(change) == text


def test_a_phase_of_no_length_is_no_row_of_zeros():
    case = circle_case()
    flat = case.corners[3]
    braking, middle, leaving = flat.phases
    phases = (replace(braking, stop_m=braking.start_m), middle, replace(leaving, start_m=leaving.stop_m))
    flat = replace(case, corners=(*case.corners[:3], replace(flat, phases=phases)))
    (row,) = [line for line in printed(flat).splitlines() if NAMES[3] in line and "/" in line]
    assert re.search(r" - +0\.00 +- +108 / 108", row)
    assert "-: the corner has no such phase" in printed(flat)
    assert "has no such phase" not in printed(case)


def contrast(one: str, other: str) -> float:
    """Contrast of two colours #rrggbb. Source: WCAG 2.1, relative luminance and contrast ratio."""
    channels = np.array([[int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)] for colour in (one, other)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    dark, light = sorted((linear @ [0.2126, 0.7152, 0.0722] + 0.05).tolist())
    return light / dark


def test_contrast_is_that_of_the_standard():
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # a grey known to miss 4.5 by a hair


def test_no_text_is_dimmed_below_the_contrast_that_reading_needs():
    # Source: WCAG 2.1, 1.4.3: 4.5 to 1. A terminal dims as it likes; rich draws it half-way to the background.
    paper, ink = "#14171b", "#ebe8e1"
    case = circle_case(target=True)
    out = Console(record=True, width=80, file=io.StringIO(), force_terminal=True, markup=False, highlight=False)
    print_analysis(case, out)
    code = out.export_html(inline_styles=True, code_format="{code}")
    for colour in {ink, *re.findall(r"color: (#[0-9a-f]{6})", code)}:
        assert contrast(colour, paper) >= 4.5


def test_what_is_piped_has_no_blanks_at_line_ends(capsys):
    plain = console()
    table = Table("a", "b")
    table.add_row("1", "2")
    plain.print(table)
    plain.print(Text("a line that is filled up"), justify="left")
    lines = capsys.readouterr().out.split("\n")
    assert len(lines) > 5
    assert [line for line in lines if line != line.rstrip()] == []


def test_the_colours_of_the_page_are_read_against_both_its_grounds():
    # Source: WCAG 2.1, 1.4.3: 4.5 to 1 for text, on screen by day and by night and on paper.
    schemes = re.findall(r":root \{(.*?)\}", style_sheet(), re.DOTALL)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{3,6})", scheme))
        full = {
            name: "#" + "".join(2 * c for c in code[1:]) if len(code) == 4 else code for name, code in colours.items()
        }
        for text in ("ink", "soft", "accent"):
            assert min(contrast(full[text], full[ground]) for ground in ("paper", "card")) >= 4.5
