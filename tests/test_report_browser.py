"""Pages of studies in a real browser: no complaint, no request, sliders, phone, paper."""

from __future__ import annotations

import json
from itertools import product

import pytest
from browsers import Opened, a_browser
from campaigns import some_quick
from studies import KINDS, Studies
from test_pages_browser import TITLES
from test_report import hostile_study

from feedsim.pages import page as page_part
from feedsim.pages.page import shown
from feedsim.pages.report import report_page


@pytest.fixture(scope="module")
def browser():
    with a_browser() as found:
        yield found


# Of the shapes that pages have, each on a phone; the campaign looks at all.
QUICK_LOOKS = list(product(("capacity",), (320,)))
LOOKS = some_quick(product(KINDS, (320, 1200)), lambda look: look in QUICK_LOOKS)


# One process has the browser.
pytestmark = pytest.mark.xdist_group("browser of reports")


@pytest.fixture(scope="module")
def studies(browser, tmp_path_factory):
    return Studies(tmp_path_factory)


@pytest.fixture
def capacity(browser, studies):
    opened = Opened(browser, studies.page("capacity").as_uri())
    yield opened
    assert opened.complaints == []
    assert opened.asked_for == []
    opened.context.close()


@pytest.mark.parametrize(("kind", "width"), LOOKS)
def test_every_page_opens_without_complaint_or_request_and_fits(browser, studies, kind, width):
    opened = Opened(browser, studies.page(kind).as_uri(), width)
    for image in opened.page.locator("figure img").all():
        assert image.evaluate("image => image.complete && image.naturalWidth > 0")
    assert opened.complaints == []
    assert opened.asked_for == []
    assert opened.too_wide_px == 0
    opened.context.close()


def grid(opened):
    return json.loads(opened.page.locator("#grid").evaluate("e => e.textContent"))


def place(opened, number):
    return int(opened.page.input_value(f"#axis{number}"))


def readings_are_the_points(opened):
    """The figures shown are those of the one point at which the sliders stand."""
    data = grid(opened)
    here = [place(opened, number) for number in range(len(data["axes"]))]
    machine = int(opened.page.input_value("#machine")) if data["machines"] != [""] else 0
    [point] = [p for p in data["points"] if p[: len(here) + 1] == [*here, machine]]
    for number, measure in enumerate(data["measures"]):
        found, digits = point[len(here) + 2 + number], measure["digits"]
        told = opened.page.inner_text(f"#reading{number}")
        if found is None:
            assert told == "not told here"
        elif found[1] == 0 and found[0] == 0:
            assert told == "none seen"
        else:
            assert float(told.split()[0].replace(",", "")) == pytest.approx(
                found[0], abs=0.51 * 10**-digits
            )
            assert ("to" in told) == (len(found) == 4)
    for number, axis in enumerate(data["axes"]):
        assert opened.page.inner_text(f"#value{number}") == axis["values"][here[number]]
        assert axis["values"][here[number]] in opened.page.inner_text("#told")


def test_sliders_move_by_keyboard_through_the_computed_points(capacity):
    capacity.page.focus("#axis0")
    capacity.page.keyboard.press("Home")
    seen = []
    for _ in range(4):
        seen.append(capacity.page.inner_text("#value0"))
        readings_are_the_points(capacity)
        capacity.page.keyboard.press("ArrowRight")
    assert seen == ["40", "60", "80", "100"]
    assert capacity.page.get_attribute("#axis0", "aria-valuetext") == "100"
    before = capacity.page.inner_text("#told")
    capacity.page.keyboard.press("Tab")
    capacity.page.keyboard.press("End")
    readings_are_the_points(capacity)
    assert capacity.page.inner_text("#told") != before


@pytest.mark.campaign
def test_sliders_and_points_move_by_mouse(capacity):
    capacity.page.locator("#axis0").scroll_into_view_if_needed()
    box = capacity.page.locator("#axis0").bounding_box()
    capacity.page.mouse.click(box["x"] + box["width"] - 3, box["y"] + box["height"] / 2)
    assert place(capacity, 0) == 3
    readings_are_the_points(capacity)
    capacity.page.locator("#chart0 .dot").nth(1).click()
    assert place(capacity, 0) == 1
    readings_are_the_points(capacity)


@pytest.mark.campaign
def test_charts_hold_a_dot_for_each_computed_point_and_no_line_between(capacity):
    capacity.page.focus("#axis0")
    assert capacity.page.locator("#chart0 .dot").count() == 4
    assert capacity.page.locator("#chart0 path, #chart0 polyline").count() == 0
    capacity.page.focus("#axis1")
    assert capacity.page.locator("#chart0 .dot").count() == 2
    assert capacity.page.locator("#chart0 .ring").count() == 1


@pytest.mark.campaign
@pytest.mark.parametrize("kind", ["rounds", "sweep", "capacity of two"])
def test_sliders_of_the_other_studies(browser, studies, kind):
    opened = Opened(browser, studies.page(kind).as_uri(), 320)
    readings_are_the_points(opened)
    for number in range(len(grid(opened)["axes"])):
        for key in ("Home", "End", "ArrowLeft"):
            opened.page.focus(f"#axis{number}")
            opened.page.keyboard.press(key)
            readings_are_the_points(opened)
    if kind == "capacity of two":
        opened.page.select_option("#machine", "2")
        readings_are_the_points(opened)
        assert opened.page.inner_text("#told").startswith("muesli")
    assert opened.complaints == []
    assert opened.too_wide_px == 0
    opened.context.close()


@pytest.mark.campaign
def test_a_point_that_was_not_computed_is_not_made_up(browser, studies, tmp_path):
    from feedsim.cli.finished_study import read_study

    study = read_study(studies["capacity"])
    rows = [row for row in study.answer.rows if row.setting != study.answer.rows[0].setting]
    object.__setattr__(study, "answer", study.answer.model_copy(update={"rows": rows}))
    path = tmp_path / "gap.html"
    path.write_text(report_page(study))
    opened = Opened(browser, path.as_uri())
    for number in (0, 1):
        opened.page.focus(f"#axis{number}")
        opened.page.keyboard.press("Home")
    assert "not computed" in opened.page.inner_text("#told")
    assert opened.page.inner_text("#reading0") == "not computed"
    assert opened.page.locator("#chart0 .ring").count() == 0
    opened.context.close()


def test_the_page_is_complete_without_a_script(browser, studies):
    opened = Opened(browser, studies.page("capacity").as_uri(), java_script_enabled=False)
    assert not opened.page.is_visible("#explorer")
    assert opened.page.is_visible("#table-points + div table")
    assert opened.page.is_visible("figure img")
    opened.context.close()


@pytest.mark.campaign
def test_focus_is_seen(capacity):
    for chosen in ("#axis0", "#axis1", "nav a", ".wide"):
        capacity.page.keyboard.press("Tab")
        capacity.page.locator(chosen).first.focus()
        style = capacity.page.eval_on_selector(
            chosen, "e => getComputedStyle(e).outlineStyle + getComputedStyle(e).outlineWidth"
        )
        assert style == "solid3px", chosen


@pytest.mark.campaign
@pytest.mark.parametrize("kind", ["capacity", "fit stops"])
def test_it_prints(browser, studies, tmp_path, kind):
    opened = Opened(browser, studies.page(kind).as_uri())
    opened.page.emulate_media(media="print")
    if kind == "capacity":
        assert not opened.page.is_visible("#explorer")
    opened.page.pdf(path=tmp_path / "report.pdf", format="A4")
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    opened.context.close()


@pytest.mark.campaign
@pytest.mark.parametrize(("kind", "width"), LOOKS)
def test_nobody_is_shut_out(browser, studies, kind, width):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe-core")
    opened = Opened(browser, studies.page(kind).as_uri(), width, bypass_csp=True)
    found = axe.Axe().run(opened.page).response["violations"]
    assert [(v["id"], [node["html"][:200] for node in v["nodes"]]) for v in found] == []
    opened.context.close()


@pytest.mark.campaign
def test_hostile_texts_run_nothing_and_are_shown_exactly(browser, studies, tmp_path):
    assert len(TITLES) >= 50
    for number, text in enumerate(TITLES):
        path = tmp_path / f"{number}.html"
        path.write_text(report_page(hostile_study(studies, text)), encoding="utf-8")
        opened = Opened(browser, path.as_uri())
        opened.page.focus("#axis0")
        opened.page.keyboard.press("End")
        opened.page.keyboard.press("Home")
        assert opened.dialogs == [], text
        assert opened.complaints == [], text
        assert opened.asked_for == [], text
        first = opened.page.locator(".answer .first").evaluate("e => e.textContent")
        assert first == shown(text)
        value = opened.page.locator("#value0").evaluate("e => e.textContent")
        assert value.startswith(shown(text))
        opened.context.close()


@pytest.mark.campaign
def test_without_escaping_and_policy_a_script_would_run(browser, studies, tmp_path, monkeypatch):
    import jinja2

    loose = jinja2.Environment(
        loader=jinja2.FileSystemLoader(page_part.TEMPLATES), autoescape=False
    )
    monkeypatch.setattr(page_part, "_templates", lambda: loose)
    path = tmp_path / "control.html"
    path.write_text(report_page(hostile_study(studies, "<script>alert(1)</script>")))
    opened = Opened(browser, path.as_uri(), bypass_csp=True)
    assert "1" in opened.dialogs
    opened.context.close()
    # The policy alone holds it back too.
    opened = Opened(browser, path.as_uri())
    assert opened.dialogs == []
    assert any("Content Security Policy" in text for text in opened.complaints)
    opened.context.close()
