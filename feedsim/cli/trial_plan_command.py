"""`feedsim trial plan`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from feedsim.cli.options import JSON
from feedsim.cli.trial_options import (
    CONFIDENCE,
    OUT,
    allowed_faults,
    bundle_options,
    bundles_of,
    chance_text,
    rate_text,
)
from feedsim.labels import given_percent

if TYPE_CHECKING:
    from feedsim.answers.sequential import SequentialPlan
    from feedsim.answers.trial_plan import PlanResult

DEFAULT_FAULTS = "0..5"
OPEN_ROWS = 6
MOST_ROWS = 40
MOST_STEPS = 24


@click.command("plan")
@click.option(
    "--rate",
    type=float,
    required=True,
    help="The contract's rate: faults per pick that the trial must show not to be exceeded.",
)
@CONFIDENCE
@click.option(
    "--faults-allowed",
    default=DEFAULT_FAULTS,
    show_default=True,
    metavar="FROM..TO",
    help="Plans to list, by the faults with which a trial is still passed: 0..5, 3, or 2.. .",
)
@click.option("--true-rate", type=float, help="Rate of bags that should pass.")
@click.option(
    "--pass-chance",
    type=float,
    default=0.9,
    show_default=True,
    help="The chance with which they should pass, at least.",
)
@click.option("--picks", type=int, help="How many picks can be afforded.")
@bundle_options
@JSON
@OUT
def command(
    rate: float,
    confidence: float,
    faults_allowed: str,
    true_rate: float | None,
    pass_chance: float,
    picks: int | None,
    bad_share: float | None,
    bad_missed: float | None,
    bundle: int | None,
    as_json: bool,
    out: Path | None,
) -> int:
    """Plan a trial that shows a rate of faults, and tell whom it passes.

    For each number of faults allowed: the fewest picks after which bags at the contract's rate
    pass with a chance of at most 1 - confidence, exactly. With --true-rate the shortest plan that
    bags of that rate pass, and a sequential one with the same risks that ends as soon as it is
    decided. With --bad-share, --bad-missed and --bundle faults come in bad bundles: of a bag of the
    true rate (without --true-rate: of the contract's) so many bundles are bad; where the rate is
    another, bad bundles are as much rarer or more frequent. Exit code 1: no plan does it, or the
    picks that can be afforded are too few.

    \b
    Examples:
      feedsim trial plan --rate 0.005 --confidence 0.95 --faults-allowed 0..5
      feedsim trial plan --rate 0.005 --true-rate 0.002
      feedsim trial plan --rate 0.01 --true-rate 0.004 --bad-share 0.01 --bad-missed 0.2 --bundle 50
      feedsim trial plan --rate 0.002 --picks 3000
    """
    from feedsim.answers.trial import refuse_share
    from feedsim.answers.trial_plan import trial_plan
    from feedsim.cli.answer_folder import AnswerFolder
    from feedsim.cli.codes import DONE, TARGET_MISSED
    from feedsim.cli.documents import answer_document
    from feedsim.plots.trial import plan_figure, sequential_figure

    refuse_share("--rate", rate)
    if true_rate is not None:
        refuse_share("--true-rate", true_rate)
    result = trial_plan(
        rate,
        confidence,
        faults_allowed=parse_faults(faults_allowed),
        true_rate=true_rate,
        pass_chance=pass_chance,
        bundles=bundles_of(bad_share, bad_missed, bundle, true_rate or rate),
        picks=picks,
    )
    told = {
        "rate": rate,
        "confidence": confidence,
        "faults_allowed": faults_allowed,
        "true_rate": true_rate,
        "pass_chance": pass_chance,
        "picks": picks,
        "bad_bundles": [bad_share, bad_missed, bundle],
    }
    folder = AnswerFolder("trial-plan", f"{rate:g}", told, out=out)
    sentences, notes = list(answer(result)), list(notes_of(result))
    document = answer_document("trial plan", sentences, notes, {"trial": result.answer_json()})
    folder.write_frames("plans.csv", [result.frame()])
    folder.write_frames("curve.csv", [result.curve])
    figures = {"trial_plan": plan_figure(result, headline(result))}
    if result.sequential is not None:
        figures["trial_sequential"] = sequential_figure(result, sequential_headline(result))
    folder.deliver(figures, document, partial(say_tables, result), as_json=as_json)
    return DONE if result.is_met else TARGET_MISSED


def parse_faults(text: str) -> list[int]:
    """Numbers of faults, from texts such as "0..5", "3" and "2.."."""
    from feedsim.answers.trial_plan import MOST_FAULTS

    match = re.fullmatch(r"\s*(\d{1,6})\s*(?:(\.\.)\s*(\d{1,6})?)?\s*", text)
    if match is None:
        raise click.UsageError(
            f"--faults-allowed: is {text[:40]!r}, allowed: such as 0..5, 3 or 2.., up to "
            f"{MOST_FAULTS}"
        )
    first = int(match[1])
    last = first if match[2] is None else int(match[3]) if match[3] else first + OPEN_ROWS - 1
    if not first <= last <= MOST_FAULTS:
        raise click.UsageError(
            f"--faults-allowed: is {text[:40]!r}, allowed: ascending, up to {MOST_FAULTS}"
        )
    return list(range(first, last + 1))


def headline(result: PlanResult) -> str:
    """The finding in a few words, for a figure's title."""
    plan = result.main
    found = (
        f"{plan.picks:,} picks {allowed_faults(plan.faults)} show a rate of at most "
        f"{rate_text(result.rate)}"
    )
    if result.chosen is None or plan.passes is None or result.true_rate is None:
        return found
    return (
        f"{found}; bags of {rate_text(result.true_rate)} pass with a chance of "
        f"{chance_text(plan.passes)}"
    )


def sequential_headline(result: PlanResult) -> str:
    """The finding on the sequential plan, for its figure's title."""
    assert result.sequential is not None
    assert result.true_rate is not None
    course = result.sequential_courses[result.true_rate]
    return (
        f"Ended as soon as it is decided, a trial of bags of {rate_text(result.true_rate)} takes "
        f"{course.mean_picks:,.0f} picks on average, {result.sequential.most_picks:,} at the most"
    )


def answer(result: PlanResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    rate, sure = rate_text(result.rate), given_percent(result.confidence)
    first = result.rows[0]
    if result.chosen is not None and result.true_rate is not None:
        plan = result.chosen
        yield (
            f"{plan.picks:,} picks {allowed_faults(plan.faults)} show a rate of at "
            f"most {rate} ({sure} confidence), and bags of {rate_text(result.true_rate)} pass with "
            f"a chance of {chance_text(plan.passes or 0)}; no plan with fewer faults passes them "
            f"with {given_percent(result.pass_chance)}."
        )
        yield from _sequential_answer(result)
    else:
        yield (
            f"{first.picks:,} picks {allowed_faults(first.faults)} show a rate of at "
            f"most {rate} ({sure} confidence); such a trial is passed with "
            f"{given_percent(result.pass_chance)} only by bags whose rate is at most "
            f"{rate_text(first.rate_passing)}."
        )
    if result.chosen is None and result.true_rate is not None:
        yield _no_plan(result)
    yield from _bundles_answer(result)
    yield from _affordable_answer(result)


def _sequential_answer(result: PlanResult) -> Iterator[str]:
    if result.true_rate is None or result.chosen is None:
        return
    if result.sequential is None:
        yield "A sequential trial with risks no higher is not found shorter with such bags."
        return
    good = result.sequential_courses[result.true_rate]
    bad = result.sequential_courses[result.rate]
    yield (
        f"A sequential trial with risks no higher takes {good.mean_picks:,.0f} picks on average "
        f"with these bags and {bad.mean_picks:,.0f} with bags at {rate_text(result.rate)}, "
        f"{result.sequential.most_picks:,} at the most (good bags pass with "
        f"{chance_text(good.passes)}, those at the contract's rate with {chance_text(bad.passes)})."
    )


def _no_plan(result: PlanResult) -> str:
    from feedsim.answers.trial_plan import MOST_FAULTS

    assert result.true_rate is not None
    if result.true_rate >= result.rate:
        return (
            f"Bags of {rate_text(result.true_rate)} are no better than the contract's rate: the "
            "column tells how often they would pass by luck."
        )
    return (
        f"No plan with up to {MOST_FAULTS} faults passes bags of {rate_text(result.true_rate)} "
        f"with {given_percent(result.pass_chance)}: that rate lies too close to the contract's."
    )


def _bundles_answer(result: PlanResult) -> Iterator[str]:
    plan = result.main
    if result.if_alone is None:
        return
    faults, picks = result.if_alone
    yield (
        f"In bad bundles counts spread {result.design_effect:.3g} times as wide (variance) as "
        f"faults that come alone. For those {picks:,} picks {allowed_faults(faults)} would do: "
        f"bad bundles make the trial {plan.picks / picks:.3g} times as long. So short a trial "
        f"would pass bags at the contract's rate with {chance_text(_passes(result, picks, faults))}"
        f", not {given_percent(1 - result.confidence)}."
    )


def _passes(result: PlanResult, picks: int, faults: int) -> float:
    return result.passes(faults, picks, result.rate)


def _affordable_answer(result: PlanResult) -> Iterator[str]:
    if result.picks is None or result.affordable is None:
        return
    if result.affordable < 0:
        from feedsim.answers.trial_result import trial_result

        shown = trial_result(0, result.picks, confidence=result.confidence).at_most
        yield (
            f"{result.picks:,} picks are too few even without a fault: they show a rate of "
            f"{rate_text(shown)} at best"
            + (", if faults come alone." if result.pattern.bundles else ".")
        )
        return
    told = ""
    if result.true_rate is not None:
        chance = chance_text(result.affordable_passes(result.true_rate))
        told = f"; bags of {rate_text(result.true_rate)} pass with a chance of {chance}"
    yield (f"{result.picks:,} picks show it {allowed_faults(result.affordable)}{told}.")


def say_tables(result: PlanResult) -> None:
    """Say the tables below the answer."""
    from feedsim.cli.screen import say_table

    clustered, has_true = result.pattern.bundles is not None, result.true_rate is not None
    columns = ["faults allowed", "picks"]
    columns += ["if alone", "times"] if clustered else []
    columns += [f"bags of {rate_text(result.true_rate or 0)} pass"] if has_true else []
    columns += ["mean picks"] if has_true and not clustered else []
    columns += [f"passed with {given_percent(result.pass_chance)} at a rate of"]
    lines = []
    for plan in result.rows[:MOST_ROWS]:
        line = [f"{plan.faults:,}", f"{plan.picks:,}"]
        if clustered:
            line += [f"{plan.picks_alone:,}", f"{plan.picks / plan.picks_alone:.2f}"]
        if plan.passes is not None:
            line.append(chance_text(plan.passes))
        if plan.mean_picks is not None:
            line.append(f"{plan.mean_picks:,.0f}")
        lines.append([*line, rate_text(plan.rate_passing)])
    hidden = len(result.rows) - MOST_ROWS
    say_table(
        f"Plans that show {rate_text(result.rate)} with {given_percent(result.confidence)}",
        columns,
        lines,
        f"{hidden:,} more plans stand in plans.csv." if hidden > 0 else "",
    )
    if result.sequential is not None:
        _say_steps(result.sequential)


def _say_steps(plan: SequentialPlan) -> None:
    """The sequential plan as somebody beside the machine follows it."""
    from feedsim.cli.screen import say_table

    steps = list(zip(plan.passed_from, plan.failed_until, strict=True))
    lines = [
        (f"{faults}", f"{failed:,}" if failed else "never", f"{passed:,}")
        for faults, (passed, failed) in enumerate(
            zip(plan.passed_from, (0, *plan.failed_until[:-1]), strict=True)
        )
    ][:MOST_STEPS]
    rest = len(steps) - len(lines)
    note = f"One fault more than {plan.most_faults} fails it at any pick."
    if rest > 0:
        note = f"{rest} more lines stand in answer.json. {note}"
    say_table(
        "Sequential trial: after each fault",
        ("faults so far", "failed if the last came by pick", "passed at pick"),
        lines,
        note,
    )


def notes_of(result: PlanResult) -> Iterator[str]:
    """What a reader must know of the figures."""
    yield "All chances are exact, for a trial that is planned before its first pick."
    if result.pattern.bundles is None:
        yield (
            "Every pick is taken to fail alone. Where faults come in bad bundles a trial takes "
            "longer: --bad-share, --bad-missed, --bundle."
        )
    else:
        yield "The trial begins with a fresh bundle, and each lasts its number of picks."
