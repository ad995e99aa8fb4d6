"""report.html in a real browser: linking, keyboard, sorting, phone, print, contrast."""

import os
import re
import shutil
from dataclasses import replace
from types import SimpleNamespace

import pytest
from report_case import HOSTILE, circle_case

from simlap.report.page import render_page

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra 'test')")
CHROMIUM = os.environ.get("SIMLAP_CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE = {"width": 375, "height": 800}  # [px] bar "page": the narrowest phone
DESK = {"width": 1200, "height": 900}
PAPER = {"width": 688, "height": 1017}  # A4 less 14 mm on each side, at 96 px an inch

pytestmark = pytest.mark.skipif(
    not os.path.exists(CHROMIUM), reason="no chromium: apt-get install chromium, or set SIMLAP_CHROMIUM"
)


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as play:
        running = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield running
        running.close()


def crowded_case():
    """Long names, apexes 10 m apart, and a level shown that is 0.01 s from the best lap."""
    case = circle_case(
        ("A corner with a long name", "Wwwwwwwwwwwwwwwwwwwwwwwwwwwwww", "Third of these", "4"), target=True
    )
    target = {**case.target.to_dict(), "shown_s": case.best_lap_s + 0.01}
    target["next_step_s"] = {**target["next_step_s"], "value": case.best_lap_s - 0.02}
    close = tuple(
        replace(result, corner=replace(result.corner, apex_m=130.0 + 10.0 * i)) for i, result in enumerate(case.corners)
    )
    return replace(case, corners=close, target=SimpleNamespace(to_dict=lambda: target, no_step="", corners=()))


def boxes(page, selector):
    """Left, top, right, bottom of what is shown of the elements [px]."""
    return page.eval_on_selector_all(
        selector, "all => all.map(e => e.getBoundingClientRect()).map(r => [r.left, r.top, r.right, r.bottom])"
    )


def apart(one, other):
    return one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    cases = {
        "plain": circle_case(target=True), "hostile": circle_case(HOSTILE, target=True), "crowded": crowded_case(),
    }  # fmt: skip
    for name, case in cases.items():
        (folder / f"{name}.html").write_text(render_page(case), encoding="utf-8")
    return folder


@pytest.fixture
def visit(browser, files):
    contexts = []

    def go(name: str = "plain", **options):
        context = browser.new_context(**{"viewport": DESK, **options})
        contexts.append(context)
        page = context.new_page()
        page.seen = []  # everything that should not happen
        page.on("console", lambda message: page.seen.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: page.seen.append(f"error: {error}"))
        page.on("dialog", lambda dialog: (page.seen.append("dialog"), dialog.dismiss()))
        page.on("request", lambda request: page.seen.append(request.url))
        page.goto((files / f"{name}.html").as_uri())
        assert page.seen == [(files / f"{name}.html").as_uri()]
        page.seen.clear()
        return page

    yield go
    for context in contexts:
        context.close()


def cursors(page) -> list[str]:
    """Left edges of the station markers that are shown, one a trace."""
    return page.eval_on_selector_all(
        ".cursor", "all => all.filter(c => getComputedStyle(c).display !== 'none').map(c => c.style.left)"
    )


@pytest.mark.parametrize("name", ["plain", "hostile"])
def test_page_loads_from_disk_without_errors_or_requests(visit, name):
    page = visit(name)
    page.locator(".plot").first.hover()
    page.wait_for_timeout(100)
    assert page.seen == []


def test_pointing_at_a_trace_marks_the_same_station_everywhere(visit):
    page = visit()
    plot = page.locator(".plot").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 20)
    # A quarter of 1200 m is station 300, in the second corner's braking (250 to 350 m): 25 against 30 m/s.
    assert "300 m, 2 East, braking" in page.locator("#readout").inner_text()
    assert "typical 90, best 90, limit 108 km/h" in page.locator("#readout").inner_text()
    shown = cursors(page)
    assert shown.count("25%") == 5  # the five traces of the whole lap
    assert len(shown) == 5 + 4  # and the four of the second corner, 50 m into its 300 m
    assert sum(abs(float(left.rstrip("%")) - 100 * 50 / 300) < 0.01 for left in shown) == 4
    # The circle starts at its easternmost point and runs anticlockwise: station 300 is its northernmost, the top of
    # the map, station 900 its southernmost, the bottom.
    marker = page.locator(".map .marker")
    numbers = page.evaluate("JSON.parse(document.getElementById('stations').textContent)")
    assert float(marker.get_attribute("cy")) == pytest.approx(min(numbers["y"]), abs=0.11)
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 20)
    assert float(marker.get_attribute("cy")) == pytest.approx(max(numbers["y"]), abs=0.11)
    assert float(marker.get_attribute("cx")) == pytest.approx(sum(numbers["x"]) / len(numbers["x"]), abs=0.11)
    assert marker.evaluate("m => getComputedStyle(m).visibility") == "visible"


def test_keyboard_walks_along_the_lap_and_across_the_start_line(visit):
    page = visit()
    page.locator(".plot").first.focus()
    readout = page.locator("#readout")
    assert readout.inner_text().startswith("0 m")
    page.keyboard.press("ArrowRight")
    assert readout.inner_text().startswith("2 m")  # stations lie 2 m apart
    page.keyboard.press("Shift+ArrowRight")
    assert readout.inner_text().startswith("52 m")
    page.keyboard.press("PageDown")
    assert readout.inner_text().startswith("250 m, 2 East, braking")
    page.keyboard.press("PageUp")
    assert readout.inner_text().startswith("1150 m, 1 North, braking")
    page.keyboard.press("Home")
    page.keyboard.press("ArrowLeft")
    assert readout.inner_text().startswith("1198 m")
    page.keyboard.press("End")
    assert readout.inner_text().startswith("1198 m")
    slider = page.locator(".plot").first
    assert slider.get_attribute("aria-valuenow") == "1198"
    assert slider.get_attribute("aria-valuetext") == readout.inner_text()


def test_tab_reaches_the_traces_and_the_focus_is_visible(visit):
    page = visit()
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.classList.contains('plot')"):
            break
    assert page.evaluate("document.activeElement.getAttribute('role')") == "slider"
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_focusing_a_corner_trace_moves_the_marker_into_that_corner(visit):
    page = visit()
    page.locator("#corner-3 .plot").first.focus()
    assert page.locator("#readout").inner_text().startswith("550 m, 3 South")


def test_table_sorts_by_any_column_and_back(visit):
    page = visit()

    def order():
        return page.eval_on_selector_all("#ranked tbody tr", "rows => rows.map(r => Number(r.dataset.place))")

    assert order() == [1, 2, 3, 4]
    page.get_by_role("button", name="braking").click()
    assert order()[0] == 2  # the second corner alone loses under braking
    head = page.locator("#ranked th[data-sort=braking]")
    assert head.get_attribute("aria-sort") == "descending"
    page.get_by_role("button", name="braking").click()
    assert head.get_attribute("aria-sort") == "ascending"
    assert order()[-1] == 2
    page.get_by_role("button", name="rank").focus()
    page.keyboard.press("Enter")
    assert order() == [1, 2, 3, 4]
    assert head.get_attribute("aria-sort") is None


@pytest.mark.parametrize("name", ["plain", "hostile"])
def test_phone_of_375_px_needs_no_sideways_scroll(visit, name):
    page = visit(name, viewport=PHONE)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    wide = page.evaluate(
        "Array.from(document.querySelectorAll('main *')).filter(e => e.getBoundingClientRect().right > innerWidth + 1"
        " && !e.closest('.scroll') && !e.closest('bdi')).map(e => e.outerHTML.slice(0, 80))"
    )
    assert wide == []


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_nothing_that_is_written_lies_over_another(visit, viewport):
    page = visit("crowded", viewport=viewport)
    for chart in range(5):  # those of the whole lap
        page.eval_on_selector_all(".chart", f"all => all[{chart}].id = 'looked-at'")
        marks = boxes(page, "#looked-at .corner-mark")
        assert len(marks) == 4
        assert all(apart(marks[i], marks[k]) for i in range(4) for k in range(i))
        written = boxes(page, "#looked-at figcaption") + boxes(page, "#looked-at svg")
        assert all(apart(mark, other) for mark in marks for other in written)
        page.eval_on_selector_all("#looked-at", "all => all[0].removeAttribute('id')")
    names, items = boxes(page, ".corners bdi"), boxes(page, ".corners li")
    assert len({round(item[0]) for item in items}) == 2  # two columns
    number = 22.0  # [px] "19." and the gap to the name, at 14.4 px
    for name in names:
        assert all(apart(name, (item[0] - number, item[1], item[0], item[3])) for item in items)


def test_each_lap_time_has_a_mark_that_is_seen_on_its_line(visit):
    for viewport in (DESK, PHONE):
        page = visit("crowded", viewport=viewport)
        pins = boxes(page, ".rail .pin")
        assert len(pins) == 5
        middles = [((left + right) / 2, (top + bottom) / 2) for left, top, right, bottom in pins]
        for i, (x, y) in enumerate(middles):
            # no other mark's middle within a mark's size of 14.4 px: none hides another
            assert all(max(abs(x - a), abs(y - b)) > 12.0 for a, b in middles[:i])
        ((_, top, _, bottom),) = boxes(page, ".rail")
        assert all(top <= pin[1] and pin[3] <= bottom for pin in pins)


def test_without_script_the_page_shows_the_same_sections_and_charts(visit):
    with_script, without = visit(), visit(java_script_enabled=False)
    for selector in ("section", "article", ".plot svg", "#ranked tbody tr", ".map", ".gg"):
        assert without.locator(selector).count() == with_script.locator(selector).count() > 0
    assert without.locator("#ranked tbody tr").first.is_visible()
    assert without.locator(".plot svg").first.is_visible()
    assert not without.locator("#readout").is_visible()
    assert not without.locator(".needs-script").is_visible()


def test_print_hides_the_readout_and_keeps_the_charts(visit):
    page = visit()
    page.locator(".plot").first.hover()
    assert page.locator("#readout").is_visible()
    page.emulate_media(media="print")
    assert not page.locator("#readout").is_visible()
    assert page.locator(".plot svg").first.is_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.pdf(format="A4").startswith(b"%PDF-")


def test_a_legend_is_shown_with_what_it_explains_and_not_without(visit):
    page = visit(viewport=PHONE)
    # the bars of the ranking and their key; the curves of the charts and theirs
    pairs = ((".ranked .split i", "#ranked + .legend"), (".zoom .plot", ".zoom .key.limit"))
    for media, viewport in (("screen", PHONE), ("screen", DESK), ("print", PAPER)):
        page.emulate_media(media=media)
        page.set_viewport_size(viewport)
        for drawn, key in pairs:
            assert page.locator(drawn).first.is_visible() == page.locator(key).first.is_visible()
    assert page.locator(".ranked .split i").first.is_visible()  # paper shows all columns


def test_on_paper_evidence_is_no_larger_than_its_sentence_and_nothing_is_sorted(visit):
    page = visit(viewport=PAPER)
    page.emulate_media(media="print")
    sizes = [
        page.eval_on_selector(one, "e => parseFloat(getComputedStyle(e).fontSize)")
        for one in (".findings .evidence", ".findings p:not(.evidence)")
    ]
    assert sizes[0] < sizes[1]
    arrow = page.eval_on_selector(".ranked [aria-sort] button", "e => getComputedStyle(e, '::after').content")
    assert arrow == "none"


def test_on_paper_two_corners_share_a_page_and_nothing_is_cut_at_its_edge(visit):
    # Each corner on a page of its own, half of it empty, made eight pages of this analysis.
    page = visit()
    pages = len(re.findall(rb"/Type /Page\b(?!s)", page.pdf(format="A4", prefer_css_page_size=True)))
    assert 1 < pages <= 6
    page.emulate_media(media="print")
    page.set_viewport_size(PAPER)
    wide = "[...document.querySelectorAll('.zoom .plot, .envelope')].map(e => e.getBoundingClientRect().right)"
    assert max(page.evaluate(wide)) <= 688


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_contrast_names_and_roles_pass_axe(visit, scheme, viewport):
    # Source: axe-core (Deque), rules for WCAG 2.1 levels A and AA.
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    page = visit(color_scheme=scheme, viewport=viewport)
    page.locator(".plot").first.focus()
    found = axe.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]})
    assert found.violations_count == 0, found.generate_report()


def test_dark_page_is_dark_and_light_page_is_light(visit):
    def brightness(page):
        return sum(map(int, page.evaluate("getComputedStyle(document.body).backgroundColor")[4:-1].split(","))) / 765

    assert brightness(visit(color_scheme="dark")) < 0.2 < 0.9 < brightness(visit(color_scheme="light"))
