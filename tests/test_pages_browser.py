"""Pages in a real browser: no complaint, no request, by mouse and keyboard, narrow, on paper."""

from __future__ import annotations

from itertools import product

import pytest
from browsers import Opened, a_browser
from matplotlib.figure import Figure
from test_replay import HOSTILE, MONO, OATS, THREE, hostile_config

from feedsim.answers.event_words import clock
from feedsim.answers.events import is_step
from feedsim.answers.replay import replay
from feedsim.config import load_config
from feedsim.pages import page as page_part
from feedsim.pages.replay import replay_page


@pytest.fixture(scope="module")
def browser():
    with a_browser() as found:
        yield found


# One process has the browser and the pages.
pytestmark = pytest.mark.xdist_group("browser of replays")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("pages")


def written(folder, name, shift):
    path = folder / f"{name}.html"
    path.write_text(replay_page(shift, command="feedsim replay", config_name="cell.toml"))
    return path.as_uri()


class Made(dict):
    """What is made of a name when it is first asked for."""

    def __init__(self, make):
        self.make = make

    def __missing__(self, name):
        self[name] = self.make(name)
        return self[name]


@pytest.fixture(scope="module")
def shifts():
    """A part of a shift of each shipped config."""
    paths = {path.stem: path for path in (OATS, MONO, THREE)}
    return Made(lambda name: replay(load_config(paths[name]), to_h=1.5))


@pytest.fixture(scope="module")
def addresses(folder, shifts):
    return Made(lambda name: written(folder, name, shifts[name]))


@pytest.fixture
def oats(browser, addresses):
    opened = Opened(browser, addresses["oats_slider"])
    yield opened
    assert opened.complaints == []
    assert opened.asked_for == []
    opened.context.close()


def told(opened):
    return opened.page.inner_text("#told")


def clock_of(opened):
    return opened.page.inner_text("#clock")


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("name", "width"),
    list(product(["granola_three_machines", "oats_slider", "granola_mono_film"], [320, 1200])),
)
def test_every_page_opens_without_complaint_or_request_and_fits(browser, addresses, name, width):
    opened = Opened(browser, addresses[name], width)
    opened.page.focus("#time")
    for _ in range(60):
        opened.page.keyboard.press("ArrowRight")
    assert opened.complaints == []
    assert opened.asked_for == []
    assert opened.too_wide_px == 0
    opened.context.close()


def test_the_keyboard_steps_from_event_to_event(oats, shifts):
    shift = shifts["oats_slider"]
    steps = [event for event in shift.events if is_step(event)]
    oats.page.focus("#time")
    assert "running" in told(oats)
    for event in steps[1:40]:
        oats.page.keyboard.press("ArrowRight")
        expected = f"{clock(event.at_us)} {event.who}: {shift.words(event)}"
        assert told(oats) == expected
    oats.page.keyboard.press("ArrowLeft")
    assert told(oats).endswith(shift.words(steps[38]))
    oats.page.keyboard.press("PageDown")
    assert told(oats).endswith(shift.words(steps[48]))
    oats.page.keyboard.press("Home")
    assert clock_of(oats) == "0:00:00"
    oats.page.keyboard.press("End")
    assert clock_of(oats) == "1:30:00"


@pytest.mark.campaign
def test_lanes_states_and_people_are_those_of_the_events(oats, shifts):
    shift = shifts["oats_slider"]
    oats.page.focus("#time")
    plan = shift.cell.machines[0]
    seen = set()
    for _ in range(120):
        oats.page.keyboard.press("ArrowRight")
        at_us = int(oats.page.input_value("#time"))
        bags = [
            int(shift.levels(plan, lane)[1][shift.levels(plan, lane)[0] <= at_us][-1])
            for lane in range(1, plan.lanes + 1)
        ]
        shown = oats.page.locator(".lane .count").all_inner_texts()
        assert shown == [f"{each} of {plan.capacity_bags}" for each in bags]
        state = next(s for s in reversed(shift.segments(plan)) if s.begin_us <= at_us).state
        assert oats.page.inner_text(".state").startswith(
            {"running": "running", "restarting": "restarting", "dry": "dry: no bags"}.get(
                state, state.replace("_", " ")
            )
        )
        stay = next(s for s in reversed(shift.whereabouts[0]) if s.begin_us <= at_us)
        words = {"at the base": "is at the base", "walking": "walks", "duty": "has a duty"}
        assert words.get(stay.kind, stay.kind) in oats.page.inner_text(".person")
        seen.add(stay.kind)
    assert {"walking", "loading", "at the base"} <= seen


@pytest.mark.campaign
def test_buttons_slider_and_links_do_the_same(oats, shifts):
    steps = [event for event in shifts["oats_slider"].events if is_step(event)]
    oats.page.click("#next")
    assert told(oats).endswith(shifts["oats_slider"].words(steps[1]))
    oats.page.click("#last")
    assert clock_of(oats) == "1:30:00"
    oats.page.click("#previous")
    oats.page.click("#first")
    assert clock_of(oats) == "0:00:00"
    box = oats.page.locator("#time").bounding_box()
    oats.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert clock_of(oats).startswith("0:4")
    link = oats.page.locator("#story a").nth(3)
    when = link.inner_text()
    link.click()
    oats.page.wait_for_timeout(100)
    assert clock_of(oats) == when
    oats.page.select_option("#kinds", "cycles")
    before = int(oats.page.input_value("#time"))
    oats.page.click("#next")
    assert 0 < int(oats.page.input_value("#time")) - before <= 4_000_000


@pytest.mark.campaign
def test_it_plays_and_stops(oats):
    oats.page.select_option("#speed", "300")
    oats.page.focus("#time")
    oats.page.keyboard.press(" ")
    # Nothing but the page's own script runs there, so the test looks from outside.
    for _ in range(100):
        if int(oats.page.input_value("#time")) > 30_000_000:
            break
        oats.page.wait_for_timeout(50)
    else:
        pytest.fail("it does not play")
    assert oats.page.get_attribute("#play", "aria-pressed") == "true"
    oats.page.keyboard.press(" ")
    assert oats.page.get_attribute("#play", "aria-pressed") == "false"
    held = oats.page.input_value("#time")
    oats.page.wait_for_timeout(200)
    assert oats.page.input_value("#time") == held


@pytest.mark.campaign
def test_arrows_scroll_and_edit_where_they_should(oats):
    before = clock_of(oats)
    oats.page.focus("#kinds")
    oats.page.keyboard.press("ArrowRight")
    oats.page.focus("main .wide")
    oats.page.keyboard.press("ArrowRight")
    assert clock_of(oats) == before


@pytest.mark.campaign
def test_focus_is_seen(oats):
    for chosen in ("#next", "#time", "#kinds", "#story a"):
        oats.page.keyboard.press("Tab")
        oats.page.locator(chosen).first.focus()
        style = oats.page.eval_on_selector(
            chosen, "e => getComputedStyle(e).outlineStyle + getComputedStyle(e).outlineWidth"
        )
        assert style == "solid3px", chosen


@pytest.mark.campaign
def test_the_page_is_complete_without_a_script(browser, addresses):
    opened = Opened(browser, addresses["oats_slider"], java_script_enabled=False)
    assert not opened.page.is_visible("#stepper")
    assert opened.page.is_visible("figure img")
    assert opened.page.locator("#story tbody tr").count() > 20
    assert opened.page.locator("figure img").bounding_box()["width"] > 500
    opened.context.close()


@pytest.mark.campaign
def test_it_prints(browser, addresses, tmp_path):
    opened = Opened(browser, addresses["granola_three_machines"])
    opened.page.emulate_media(media="print")
    assert not opened.page.is_visible("#stepper")
    opened.page.pdf(path=tmp_path / "replay.pdf", format="A4")
    assert (tmp_path / "replay.pdf").read_bytes().startswith(b"%PDF")
    opened.context.close()


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("name", "width"), list(product(["granola_three_machines", "oats_slider"], [320, 1200]))
)
def test_nobody_is_shut_out(browser, addresses, name, width):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe-core")
    opened = Opened(browser, addresses[name], width, bypass_csp=True)
    found = axe.Axe().run(opened.page).response["violations"]
    assert [(v["id"], [node["html"] for node in v["nodes"]]) for v in found] == []
    opened.context.close()


# Fifty names and titles that would like to be more than text.
TITLES = (
    *HOSTILE,
    *(
        f"<{tag} {event}=alert({number})>"
        for number, (tag, event) in enumerate(
            (tag, event)
            for tag in (
                "img src=x",
                "svg",
                "body",
                "input autofocus",
                "details open",
                "video src=x",
            )
            for event in ("onerror", "onload", "onfocus", "ontoggle")
        )
    ),
    *(
        f"{head}<script>alert({number})</script>"
        for number, head in enumerate(
            ("</pre>", "</dd>", "</h1>", "</table>", "</style>", "</code>", "-->", "]]>", "'", '"')
        )
    ),
)


@pytest.mark.campaign
def test_hostile_texts_run_nothing_and_are_shown_exactly(browser, folder, monkeypatch):
    assert len(TITLES) >= 50
    # Pictures of hostile names are drawn in test_replay.py; here they would only take time.
    picture = "data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA="
    monkeypatch.setattr("feedsim.pages.replay.png_address", lambda figure: picture)
    monkeypatch.setattr("feedsim.pages.replay.replay_figure", lambda shift: Figure())
    for number, title in enumerate(TITLES):
        shift = replay(hostile_config(title))
        opened = Opened(browser, written(folder, f"hostile {number}", shift))
        opened.page.click("#last")
        assert opened.dialogs == [], title
        assert opened.complaints == [], title
        assert opened.asked_for == [], title
        assert opened.page.locator("h1 + p").evaluate("e => e.textContent") == page_part.shown(
            title
        )
        heading = opened.page.locator(".machine h3").evaluate("e => e.textContent")
        assert heading == f"1. {shift.cell.machines[0].name}"
        opened.context.close()


@pytest.mark.campaign
def test_without_escaping_and_policy_a_script_would_run(browser, folder, monkeypatch):
    # The twin that must fail, so that the check above is known to see a script that runs.
    import jinja2

    loose = jinja2.Environment(
        loader=jinja2.FileSystemLoader(page_part.TEMPLATES), autoescape=False
    )
    monkeypatch.setattr(page_part, "_templates", lambda: loose)
    shift = replay(hostile_config("<script>alert(1)</script>"))
    address = written(folder, "control", shift)
    opened = Opened(browser, address, bypass_csp=True)
    assert "1" in opened.dialogs
    opened.context.close()
    # The policy alone holds it back too.
    opened = Opened(browser, address)
    assert opened.dialogs == []
    assert any("Content Security Policy" in text for text in opened.complaints)
    opened.context.close()
