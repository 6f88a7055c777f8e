"""`feedsim verify`: each check passes, turns down what is wrong, and is told; and it can fail."""

from __future__ import annotations

import csv
import html
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from browsers import Opened, a_browser
from test_cli import feedsim  # noqa: F401 (a fixture)

from feedsim.engines import COMPILED, SIMPY, SimpyModel
from feedsim.measures import Figure
from feedsim.pages.page import LARGEST_BYTES
from feedsim.pages.verification import Section, verification_page
from feedsim.verify import Control, all_cases, campaign, coverage, engine_checks, sizing
from feedsim.verify.alterations import ALTERATIONS, Altered
from feedsim.verify.campaign import FULL, QUICK, Task, run_campaign, tasks_of
from feedsim.verify.coverage import Coverage
from feedsim.verify.finding import (
    CONTROL_PASSED,
    FAILED,
    NOT_RUN,
    PASSED,
    Finding,
    Tally,
    added,
    far_by_luck,
    off_by_luck,
)
from feedsim.verify.sizing import Problem
from feedsim.verify.spoiling import SPOILINGS
from feedsim.verify.verdicts import QUESTION, SCOPE, answer_of, document_of, frame_of, sections_of

BOTH = [SIMPY, COMPILED]
TINY = ("verify", "--only", "theory", "--cases", "whole bundles", "--engine", "simpy")
GOOD = Finding("theory", "a", "s", "2 shifts", 1.0, 1.0, 0.1, 0.0, "wrong", 9.0)


def fails_by(monkeypatch, change):
    """Let the first case of whole bundles be another one."""
    cases = [case for case in all_cases() if "whole bundles" in case.name]
    monkeypatch.setattr(campaign, "all_cases", lambda: [change(cases[0]), *cases[1:]])


# The command.


def test_it_passes_and_writes_page_table_and_document(feedsim):  # noqa: F811
    code, out, err = feedsim(*TINY, "--jobs", "1")
    assert code == 0
    assert out.startswith("All 3 checks of a part of the quick campaign passed")
    folder = Path("outputs/verification-quick")
    assert str(folder) in err
    document = json.loads((folder / "verification.json").read_text())["verify"]
    assert (document["passed"], document["failed"]) == (3, 0)
    with (folder / "verification.csv").open() as stream:
        lines = list(csv.DictReader(stream))
    assert [line["verdict"] for line in lines] == [PASSED] * 3
    assert {line["control_turned_down"] for line in lines} == {"True"}
    again, *_ = feedsim(*TINY, "--jobs", "1")
    assert again == 0


def test_a_failing_case_gives_exit_code_1_and_is_shown(feedsim, monkeypatch):  # noqa: F811
    fails_by(monkeypatch, lambda case: replace(case, reference=case.reference + 1))
    code, out, _ = feedsim(*TINY, "--jobs", "1")
    assert code == 1
    assert out.startswith("Of 3 checks of a part of the quick campaign 1 failed.")
    assert "FAILED: theory, bags per loading visit, whole bundles." in out
    page = Path("outputs/verification-quick/verification.html").read_text()
    assert page.count('<tr class="marked">') == 1
    assert FAILED in page


def test_a_check_that_turns_nothing_down_gives_exit_code_1(feedsim, monkeypatch):  # noqa: F811
    same = Control("nothing", reference=60.0)
    fails_by(monkeypatch, lambda case: replace(case, control=same))
    code, out, _ = feedsim(*TINY, "--jobs", "1", "--json")
    assert code == 1
    found = json.loads(out)["verify"]
    assert (found["failed"], found["controls_not_turned_down"]) == (0, 1)
    assert found["checks"][0]["verdict"] == CONTROL_PASSED


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["cell.toml"], "--full"),
        (["--cases", "no such case"], "--cases"),
        (["--cases", "whole", "--only", "sizing"], "--only theory"),
        (["--full", "nowhere.toml", "--only", "theory", "--engine", "simpy"], "nowhere.toml"),
        ([*TINY[1:], "--out", "."], "no verification"),
    ],
)
def test_bad_input_gets_one_line(feedsim, words, told):  # noqa: F811
    code, out, err = feedsim("verify", *words)
    assert (code, out) == (2, "")
    assert told in err
    assert len(err.strip().splitlines()) == 1


def test_without_numba_what_needs_it_is_not_run(feedsim, monkeypatch):  # noqa: F811
    for place in ("importlib.util.find_spec", "feedsim.engines.find_spec"):
        monkeypatch.setattr(place, lambda name: None)
    code, out, _ = feedsim("verify", "--only", "sizing", "--json")
    found = json.loads(out)
    assert code == 1
    assert found["verify"]["not_run"] == 2
    assert found["answer"][0] == "Nothing was run, so nothing is shown."
    assert "numba is not installed" in found["verify"]["checks"][0]["note"]
    assert feedsim("verify", "--only", "sizing", "--engine", "compiled")[0] == 2


# The campaign.


@pytest.mark.parametrize("size", [QUICK, FULL], ids=lambda size: size.name)
def test_every_theory_case_is_run_on_each_engine_of_the_size(size, monkeypatch):
    run = []
    monkeypatch.setattr(campaign, "run_case", lambda case, scale, engine: (case, engine))
    monkeypatch.setattr(campaign, "theory_finding", lambda outcome, engine: run.append(outcome))
    for task in tasks_of(size, BOTH, ("theory",)):
        campaign._theory(task)
    names = sorted((case.name, engine) for case, engine in run)
    assert names == sorted((case.name, engine) for case in all_cases() for engine in size.theory)


def test_where_the_compiled_model_is_missing_theory_runs_on_simpy():
    tasks = tasks_of(QUICK, [SIMPY])
    assert {task.engine for task in tasks if task.part == "theory"} == {SIMPY}
    compiled = [task for task in tasks if task.part == "sizing"]
    found = run_campaign(compiled, [SIMPY], why_not="no numba")
    assert {each.verdict for each in found} == {NOT_RUN}
    assert {each.note for each in found} == {"no numba"}


def test_a_task_that_breaks_off_is_a_failure():
    found = run_campaign([Task("theory", "case", SIMPY, "no such case")], [SIMPY])
    assert [each.verdict for each in found] == [FAILED]
    assert "StopIteration" in found[0].note


def test_findings_do_not_hang_on_the_order_of_tasks():
    tasks = tasks_of(QUICK, [SIMPY], ("theory",), "round's use")
    assert len(tasks) > 1
    assert run_campaign(tasks, [SIMPY]) == run_campaign(tasks[::-1], [SIMPY])


def test_tallies_of_one_check_are_added():
    one = Tally("engines", "a", "s", "cells", 5, 0, "wrong", 1, 1)
    [found] = added([one, one])
    assert found.verdict == PASSED
    assert found.sample == "10 cells"
    [wrong] = added([one, replace(one, wrong=1, example="cell 3")])
    assert (wrong.verdict, wrong.value, wrong.note) == (FAILED, 1, "cell 3")


@pytest.mark.parametrize(
    ("tally", "verdict"),
    [
        (Tally("p", "a", "s", "cells"), FAILED),
        (Tally("p", "a", "s", "cells", 5, 0, "wrong"), CONTROL_PASSED),
        (Tally("p", "a", "s", "cells", 5, 0, "wrong", 3, 2), CONTROL_PASSED),
        (Tally("p", "a", "s", "cells", 100, 5, "wrong", 100, 100, allowed=0.05), PASSED),
        (Tally("p", "a", "s", "cells", 100, 14, "wrong", 100, 100, allowed=0.05), FAILED),
        (Tally("p", "a", "s", "cells", 100, 5, "wrong", 100, 10, allowed=0.05), CONTROL_PASSED),
        (Tally("p", "a", "s", "cells", 4, 0, "wrong", 4, 4, allowed=0.2), CONTROL_PASSED),
    ],
)
def test_verdicts_of_counts(tally, verdict):
    """Nothing tried, a control that is let pass, and too few to tell: none of them passes."""
    assert tally.finding().verdict == verdict


def test_no_number_is_no_agreement():
    assert replace(GOOD, z=math.nan).verdict == FAILED
    assert replace(GOOD, control_z=math.nan).verdict == CONTROL_PASSED


def test_the_chance_of_a_false_alarm():
    """Student's t of 39 degrees beyond 4, by integrating its density; a binomial by its sum."""
    x = [4 + k * 1e-3 for k in range(60_000)]
    scale = math.exp(math.lgamma(20) - math.lgamma(19.5)) / math.sqrt(39 * math.pi)
    tail = 2 * sum(scale * (1 + v * v / 39) ** -20 for v in x) * 1e-3
    assert far_by_luck(39) == pytest.approx(tail, rel=0.01)
    outside = sum(
        math.comb(1000, k) * 0.95**k * 0.05 ** (1000 - k)
        for k in range(1001)
        if abs(k - 950) > 4 * math.sqrt(1000 * 0.95 * 0.05)
    )
    assert off_by_luck(1000, 0.95) == pytest.approx(outside, rel=1e-6)
    told = answer_of([replace(GOOD, false_alarm=0.03)], QUICK)
    assert "a chance of at most 3 %" in told[-1]


# Engines and balances: what is planted is found.


def test_engines_that_differ_are_told(monkeypatch):
    """The SimPy model stands for the compiled one, as it is and with another cycle time."""
    numbers = range(3)
    monkeypatch.setattr(engine_checks, "the_kernel", SimpyModel)
    equal = engine_checks.check_equality("random cells", numbers).finding()
    assert equal.verdict == PASSED
    longer = Altered(SimpyModel(), ALTERATIONS["machine cycle_us"])
    monkeypatch.setattr(engine_checks, "the_kernel", lambda: longer)
    differ = engine_checks.check_equality("random cells", numbers)
    assert differ.wrong > 0
    assert "random_text(" in differ.example
    assert differ.finding().verdict == FAILED


def test_a_planted_difference_that_nothing_tells_is_a_failure(monkeypatch):
    monkeypatch.setattr(engine_checks, "the_kernel", SimpyModel)
    name = "machine cycle_us"
    assert engine_checks.check_planted(name).finding().verdict == PASSED
    monkeypatch.setattr(engine_checks, "differences_of", lambda *_: [])
    assert engine_checks.check_planted(name).finding().verdict == FAILED


def test_records_that_do_not_add_up_are_told(monkeypatch):
    good = engine_checks.check_balanced(SIMPY, range(4))
    spoilt = engine_checks.check_spoilt(SIMPY)
    assert spoilt.control_wrong == len(SPOILINGS)
    assert good.plus(spoilt).finding().verdict == PASSED
    monkeypatch.setattr(engine_checks, "check_shift", lambda *_: None)
    assert good.plus(engine_checks.check_spoilt(SIMPY)).finding().verdict == CONTROL_PASSED


def test_a_spoilt_engine_is_told(monkeypatch):
    class Spoilt(SimpyModel):
        def record(self, cell, seed, replication):
            record = super().record(cell, seed, replication)
            record.machines[0].lanes_left[0] += 1
            return record

    monkeypatch.setattr(engine_checks, "engine_named", lambda _: Spoilt())
    found = engine_checks.check_balanced(SIMPY, range(3))
    assert found.wrong == 3
    assert "lane 1 has" in found.example


# Coverage and sizing.


def test_intervals_that_are_too_narrow_are_told(monkeypatch):
    pytest.importorskip("numba", reason="coverage needs the compiled engine")
    asked = Coverage("oee", 20)
    assert coverage.check(asked, 100, 2_000).verdict == PASSED
    estimate = Figure.estimate
    monkeypatch.setattr(Figure, "estimate", lambda figure, _: estimate(figure, 0.7))
    assert coverage.check(asked, 100, 2_000).verdict == FAILED


def test_a_control_as_wide_as_the_interval_is_not_turned_down(monkeypatch):
    pytest.importorskip("numba", reason="coverage needs the compiled engine")
    monkeypatch.setattr(coverage, "TOO_NARROW", 0.95)
    assert coverage.check(Coverage("oee", 20), 100, 2_000).verdict == CONTROL_PASSED


def test_a_search_that_answers_too_much_is_told(monkeypatch):
    pytest.importorskip("numba", reason="the search needs the compiled engine")
    assert sizing.check_without_luck(0.5).verdict == PASSED

    class Twice:
        capacity_bags = 160

    monkeypatch.setattr(sizing, "size", lambda *_, **__: Twice())
    assert sizing.check_without_luck(0.5).verdict == FAILED


def test_wrong_answers_to_a_problem_are_called_wrong():
    target = sizing.Target("oee", 0.7)
    known = Problem(None, target, (10, 20, 30, 40), (0.5, 0.71, 0.8, 0.9), 0.001)
    assert [known.is_wrong(bags) for bags in (None, 10, 20, 40)] == [False, True, False, False]
    assert [known.is_late(bags) for bags in (None, 20, 30, 40)] == [True, False, False, True]
    impossible = Problem(None, target, (10, 20), (0.5, 0.6), 0.001)
    assert impossible.smallest is None
    assert impossible.is_wrong(20)
    assert not impossible.is_late(None)


# The page.


def page_of(findings, *more):
    return verification_page(
        question=QUESTION,
        answer=answer_of(findings, QUICK),
        scope=SCOPE,
        sections=[*sections_of(findings), *more],
        left_out=[QUICK.left_out],
        provenance={"program": "feedsim"},
        command="feedsim verify",
        marked=(FAILED, CONTROL_PASSED),
    )


def all_findings():
    return [
        replace(GOOD, name=case.name, source=case.source, control=case.control.why)
        for case in all_cases()
    ]


def test_every_case_is_on_the_page_with_source_and_control():
    page = html.unescape(page_of(all_findings()))
    for case in all_cases():
        assert case.name in page
        assert case.source in page
        assert case.control.why in page
    assert len(page.encode()) < LARGEST_BYTES


def test_the_page_asks_nobody_for_anything_and_runs_nothing():
    page = html.unescape(page_of(all_findings()))
    assert "<script" not in page
    assert "default-src 'none'" in page
    assert "http://" not in page
    assert "https://" not in page
    assert "account" in page[: page.index("Contents")]
    assert "fit" in page[: page.index("Contents")]


def test_names_are_text_and_never_markup():
    evil = replace(GOOD, name="<b>x</b>", note="a\x1b[2J")
    page = page_of([evil])
    assert "<b>" not in page
    assert "\x1b" not in page


def test_sections_of_configs_are_shown():
    svg = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 72 72"><path d="M0 0"/></svg>'
    page = page_of([GOOD], Section("oats.toml: beside real lines", ["Words."], ["a"], [["1"]], svg))
    assert "oats.toml: beside real lines" in page
    assert 'src="data:image/svg+xml' in page
    bare = page_of([GOOD], Section("oats.toml", ["Words."]))
    assert "<img" not in bare


def test_table_and_document_tell_the_same():
    findings = [GOOD, replace(GOOD, name="b", z=math.inf), replace(GOOD, name="c", was_run=False)]
    frame, document = frame_of(findings), document_of(findings, QUICK)
    assert list(frame["verdict"]) == [PASSED, FAILED, NOT_RUN]
    assert [check["verdict"] for check in document["checks"]] == list(frame["verdict"])
    assert document["checks"][1]["distance"] == "infinite"
    json.dumps(document, allow_nan=False)


# Campaigns.


@pytest.mark.campaign
def test_the_quick_campaign_passes(feedsim):  # noqa: F811
    pytest.importorskip("numba", reason="the quick campaign needs the compiled engine")
    code, out, _ = feedsim("verify", "--json")
    assert code == 0
    found = json.loads(out)["verify"]
    assert found["failed"] == found["not_run"] == found["controls_not_turned_down"] == 0
    assert {case.name for case in all_cases()} <= {check["check"] for check in found["checks"]}
    assert {check["part"] for check in found["checks"]} == set(campaign.PARTS)


@pytest.mark.campaign
@pytest.mark.parametrize("width", [320, 1200])
def test_the_page_in_a_browser(tmp_path, width):
    path = tmp_path / "verification.html"
    path.write_text(page_of([*all_findings(), replace(GOOD, name="b", z=9.0)]), encoding="utf-8")
    with a_browser() as browser:
        opened = Opened(browser, path.as_uri(), width)
        assert opened.complaints == []
        assert opened.asked_for == []
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
