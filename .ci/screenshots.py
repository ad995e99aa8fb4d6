"""Make the README's pictures from the demo: the terminal's table, the page on a desk and on a phone.

    python .ci/screenshots.py [FOLDER]        (default: .ci/pictures)

Needs the `test` extra (Playwright) and Debian's chromium; SIMLAP_CHROMIUM names another browser file.
"""

import io
import os
import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright
from rich.console import Console

import simlap
from simlap.demo import write_demo
from simlap.files import write_bytes
from simlap.report.page import render_page
from simlap.report.table import print_analysis
from simlap.report.terminal import PLAIN_WIDTH
from simlap.results import Analysis

CHROMIUM = os.environ.get("SIMLAP_CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
TERMINAL_PAGE = """<!doctype html><meta charset="utf-8"><style>
body {{ margin: 0; background: {background}; }}
pre {{ display: inline-block; margin: 0; padding: 16px 20px; color: {foreground}; background: {background};
      font: 14px/1.35 "DejaVu Sans Mono", "Liberation Mono", monospace; }}
</style><pre>{code}</pre>"""
CUT_BEFORE = "Before you act on it"  # the cautions stand in the README as text
DESK = {"width": 1100, "height": 1380}  # [px] down to the map
PHONE = {"width": 375, "height": 760}


def demo_analysis(folder: Path) -> Analysis:
    """Analysis of the first outing of the demo, written into `folder`."""
    paths = write_demo(folder)
    log = min(path for path in paths if path.suffix == ".csv")
    track = next(path for path in paths if path.suffix == ".geojson")
    return simlap.analyse(simlap.read_session(log), simlap.read_track(track))


def terminal_html(analysis: Analysis) -> str:
    """The table as a page of text in the terminal's own colours."""
    out = Console(
        record=True, width=PLAIN_WIDTH, file=io.StringIO(), force_terminal=True, markup=False, highlight=False
    )
    print_analysis(analysis, out)
    code = out.export_html(inline_styles=True, code_format="{code}")
    lines = code.splitlines()
    kept = next(i for i, line in enumerate(lines) if CUT_BEFORE in line)
    return TERMINAL_PAGE.format(code="\n".join(lines[:kept]), background="#14171b", foreground="#ebe8e1")


def picture(browser: Browser, page_file: Path, viewport: dict[str, int], *, scheme: str = "light") -> bytes:
    """PNG of what a window of that size shows."""
    context = browser.new_context(viewport=viewport, color_scheme=scheme)
    page = context.new_page()
    page.goto(page_file.as_uri())
    data = page.screenshot()
    context.close()
    return data


def main() -> None:
    """Write the pictures."""
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "pictures"
    with tempfile.TemporaryDirectory() as temporary, sync_playwright() as play:
        folder = Path(temporary)
        analysis = demo_analysis(folder)
        report, terminal = folder / "report.html", folder / "terminal.html"
        report.write_text(render_page(analysis), encoding="utf-8")
        terminal.write_text(terminal_html(analysis), encoding="utf-8")
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 900, "height": 700})
        page.goto(terminal.as_uri())
        pictures = {
            "terminal.png": page.locator("pre").screenshot(),
            "page.png": picture(browser, report, DESK),
            "page-dark.png": picture(browser, report, DESK, scheme="dark"),
            "page-phone.png": picture(browser, report, PHONE),
        }
        browser.close()
    for name, data in pictures.items():
        print(write_bytes(target / name, data))


if __name__ == "__main__":
    main()
