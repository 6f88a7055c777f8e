"""Answers in a notebook: what is shown is what the command says, and no name becomes markup."""

from __future__ import annotations

import base64
import inspect
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from studies import DATA, GRANOLA, OATS

import feedsim
from feedsim.cli.notebook import VIEWS, view_of
from feedsim.cli.screen import tables_said
from feedsim.pages import page as pages
from feedsim.pages.notebook import MOST_LINES, notebook_html
from feedsim.shown import Shown

EVIL = "<img src=x onerror=y> & 'oats' <script>alert(1)"
SMALL = feedsim.parse_config(OATS.format(title="slider", name=EVIL))
TWO = feedsim.parse_config(GRANOLA)
OEE = feedsim.Target("oee", 0.3)
LEAST = feedsim.Target("dry_share", 0.3)
SIMPY = feedsim.Work(engine="simpy")


def log() -> feedsim.EventLog:
    return feedsim.read_log(DATA / "stops.csv", windows=DATA / "shifts.csv")


def uncertain() -> feedsim.InputsResult:
    from feedsim.cell import build_cell
    from feedsim.study import Setting

    config = feedsim.load_config(DATA / "granola_from_data.toml", ["study.replications=2"])
    return feedsim.with_uncertain_inputs(
        config,
        feedsim.unknowns_of(config),
        lambda drawn: [Setting({}, build_cell(drawn))],
        sets=2,
        work=SIMPY,
    )


def fitted() -> feedsim.Config:
    """A config with a fit, over shifts so short that drawing its inputs costs little."""
    few = ["study.replications=2", "study.shift_h=2"]
    return feedsim.load_config(DATA / "granola_from_data.toml", few)


def film_inputs() -> feedsim.FilmInputs:
    result = feedsim.film_study(fitted(), [OEE], factors=[1, 4], budget=4, work=SIMPY)
    return feedsim.film_over_inputs(result, sets=2, work=SIMPY)


def rounds_inputs() -> feedsim.RoundsInputs:
    bounds = {"intervals": [5, 15], "most_machines": 1, "budget": 4}
    result = feedsim.rounds(fitted(), [OEE], [100], work=SIMPY, **bounds)
    return feedsim.rounds_over_inputs(result, sets=2, work=SIMPY)


def compare_inputs() -> feedsim.CompareInputs:
    other = fitted().with_values({"crew.operators": 2})
    return feedsim.compare_over_inputs(fitted(), other, sets=2, work=SIMPY)


MAKERS = {
    "RunResult": lambda: feedsim.run(SMALL, work=SIMPY),
    "CapacityResult": lambda: feedsim.capacity(SMALL, [40, 80], work=SIMPY),
    "SizeResult": lambda: feedsim.size(SMALL, [LEAST], up_to=80, budget=24, work=SIMPY),
    "RoundsResult": lambda: feedsim.rounds(
        SMALL, [LEAST], [60], intervals=[5, 15], most_machines=2, budget=24, work=SIMPY
    ),
    "RoundsInputs": rounds_inputs,
    "FilmResult": lambda: feedsim.film_study(SMALL, factors=[0.5, 1, 4], work=SIMPY),
    "FilmInputs": film_inputs,
    "CompareResult": lambda: feedsim.compare(SMALL, TWO, work=SIMPY),
    "CompareInputs": compare_inputs,
    "SweepResult": lambda: feedsim.sweep(SMALL, {"crew.operators": [1, 2]}, work=SIMPY),
    "SensitivityResult": lambda: feedsim.sensitivity(SMALL, SIMPY, design=2),
    "AccountResult": lambda: feedsim.account(log()),
    "StopsResult": lambda: feedsim.fit_stops(log(), samples=19),
    "PicksResult": lambda: feedsim.fit_picks(feedsim.read_trials(DATA / "pick_trials.csv")),
    "PlanResult": lambda: feedsim.trial_plan(0.005, true_rate=0.002),
    "TrialResult": lambda: feedsim.trial_result(1, 500, 0.005),
    "EfficiencyResult": lambda: feedsim.trial_efficiency(
        SMALL, feedsim.EfficiencyTrial(0.5, 1.0), replications=20, budget=20, work=SIMPY
    ),
    "Replay": lambda: feedsim.replay(SMALL, to_h=0.2, engine="simpy"),
    "InputsResult": uncertain,
    "FaceValidity": lambda: feedsim.face_validity(SMALL, SIMPY),
}
QUICK = ("RunResult", "FaceValidity")


class Seen(HTMLParser):
    """The elements and the text of HTML."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self.feed(html)
        self.text = " ".join(self.text.split())

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_data(self, data):
        self.text += f" {data} "

    def faults(self) -> list[str]:
        """What may not be in a notebook: scripts, handlers, addresses of other places."""
        found = [tag for tag, _ in self.elements if tag in ("script", "iframe", "link", "object")]
        for tag, attributes in self.elements:
            found += [name for name in attributes if name.startswith("on")]
            if "href" in attributes or not attributes.get("src", "data:").startswith("data:"):
                found.append(tag)
        return found


def test_every_kind_of_answer_has_a_view():
    kinds = {name for name in feedsim.__all__ if inspect.isclass(getattr(feedsim, name))}
    shown = {name for name in kinds if issubclass(getattr(feedsim, name), Shown)}
    assert shown == set(VIEWS) == set(MAKERS)


@pytest.mark.parametrize(
    "kind",
    [kind if kind in QUICK else pytest.param(kind, marks=pytest.mark.campaign) for kind in MAKERS],
)
def test_a_notebook_shows_what_the_command_says(kind):
    result = MAKERS[kind]()
    html = result._repr_html_()
    seen, view = Seen(html), view_of(result)
    assert not seen.faults()
    assert result.sentences()
    for sentence in result.sentences():
        assert " ".join(sentence.split()) in seen.text
    assert view.tables[0]["lines"]
    for entry in view.tables[0]["lines"][0]:
        assert " ".join(entry.split()) in seen.text
    pictures = [a["src"] for tag, a in seen.elements if tag == "img"]
    assert len(pictures) == 1
    for address in pictures:
        svg = base64.b64decode(address.removeprefix("data:image/svg+xml;base64,"))
        assert svg.startswith(b"<?xml")
        assert b"<script" not in svg
    assert len(result.frame())
    assert repr(result).startswith(f"{kind}(")
    assert "\n" not in repr(result)
    assert len(repr(result)) < 200


@pytest.mark.campaign
def test_uncertain_inputs_of_two_configs_are_told_of_their_difference():
    result = MAKERS["CompareInputs"]()
    assert "expected difference in OEE, B minus A," in result.sentences()[-1]
    assert result.sentences()[:-1] == result.compare.sentences()
    assert "B minus A" in result.figure().axes[0].get_xlabel()


def test_a_face_of_which_nothing_can_be_judged_is_drawn_all_the_same():
    result = replace(MAKERS["FaceValidity"](), lines=[])
    assert "<img" in result._repr_html_()


def test_the_same_answer_gives_the_same_bytes():
    result = MAKERS["TrialResult"]()
    assert result._repr_html_() == result._repr_html_()


def test_a_name_that_is_markup_is_text():
    html = notebook_html([EVIL], [table(title=EVIL, columns=[EVIL], lines=[[EVIL]])])
    seen = Seen(html)
    assert not seen.faults()
    assert seen.text.count(EVIL) == 4
    assert "\\x07" in notebook_html(["a\x07b"], [])


def test_without_escaping_it_would_not_be(monkeypatch):
    raw = pages._templates().overlay(autoescape=False)
    monkeypatch.setattr(pages, "_templates", lambda: raw)
    assert {"script", "onerror", "img"} <= set(Seen(notebook_html([EVIL], [])).faults())


def table(title="what", columns=("a",), lines=(("1",),)):
    return {"title": title, "columns": list(columns), "lines": [list(line) for line in lines]}


def test_a_long_table_is_cut_and_says_so():
    lines = [[f"{number}"] for number in range(MOST_LINES + 5)]
    html = notebook_html(["told"], [table(lines=lines)])
    assert f"The first {MOST_LINES} of {len(lines)} lines." in html
    assert html.count("<tr>") == MOST_LINES + 1
    assert "The first" not in notebook_html(["told"], [table()])


def test_the_style_touches_nothing_outside():
    style = re.search(r"<style>(.*?)</style>", notebook_html(["told"], []), re.DOTALL)[1]
    rules = [rule.partition("{")[0] for rule in style.split("}") if rule.strip()]
    selectors = [each.strip() for rule in rules for each in rule.split(",")]
    assert selectors
    assert all(each.startswith(".feedsim-answer") for each in selectors)
    assert "url(" not in style


def test_what_is_said_in_a_table_goes_to_the_view_and_not_to_the_screen(capsys):
    from feedsim.cli import trial_result_command

    result = MAKERS["TrialResult"]()
    result._repr_html_()
    assert capsys.readouterr().out == ""
    said = tables_said(lambda: trial_result_command.say_tables(result))
    assert view_of(result).tables == said


def test_a_frame_has_what_summary_has():
    frame = MAKERS["RunResult"]().frame()
    assert list(frame["machine"]) == [EVIL, ""]
    whole = frame.iloc[-1]
    assert whole["oee_low"] < whole["oee"] < whole["oee_high"]
