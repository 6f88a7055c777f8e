"""`feedsim trial result`."""

from __future__ import annotations

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
    counted_faults,
    rate_text,
)
from feedsim.labels import given_percent

if TYPE_CHECKING:
    from feedsim.answers.trial_result import TrialResult

VERDICTS = {
    "met": "is shown to be met",
    "missed": "is shown not to be met",
    "open": "is open: neither shown to be met nor not",
}


@click.command("result")
@click.option("--faults", type=int, required=True, help="Faults counted.")
@click.option("--picks", type=int, required=True, help="Picks made.")
@click.option("--rate", type=float, help="The contract's rate: faults per pick at the most.")
@CONFIDENCE
@bundle_options
@JSON
@OUT
def command(
    faults: int,
    picks: int,
    rate: float | None,
    confidence: float,
    bad_share: float | None,
    bad_missed: float | None,
    bundle: int | None,
    as_json: bool,
    out: Path | None,
) -> int:
    """Say what so many faults in so many picks show of the rate.

    The exact interval (Clopper-Pearson), Bayesian ones (Jeffreys' prior, and a uniform one: where
    they tell the same the prior does not matter), and, with --rate, whether the contract's rate is
    met, not met, or open, and what would settle it. With --bad-share, --bad-missed and --bundle
    faults come in bad bundles: so many are bad where the rate is the contract's. Exit code 1: the
    contract's rate is not shown to be met.

    \b
    Examples:
      feedsim trial result --faults 0 --picks 600 --rate 0.005
      feedsim trial result --faults 2 --picks 3000
    """
    from feedsim.answers.trial import refuse_share
    from feedsim.answers.trial_result import trial_result
    from feedsim.cli.answer_folder import AnswerFolder
    from feedsim.cli.codes import DONE, TARGET_MISSED
    from feedsim.cli.documents import answer_document
    from feedsim.plots.trial import result_figure

    if rate is not None:
        refuse_share("--rate", rate)
    bundles = bundles_of(bad_share, bad_missed, bundle, rate)
    result = trial_result(faults, picks, rate, confidence, bundles=bundles)
    told = {
        "faults": faults,
        "picks": picks,
        "rate": rate,
        "confidence": confidence,
        "bad_bundles": [bad_share, bad_missed, bundle],
    }
    folder = AnswerFolder("trial-result", f"{faults}_in_{picks}", told, out=out)
    sentences, notes = list(answer(result)), list(notes_of(result))
    document = answer_document("trial result", sentences, notes, {"trial": result.answer_json()})
    folder.write_frames("intervals.csv", [result.frame()])
    figures = {"trial_result": result_figure(result, headline(result))}
    folder.deliver(figures, document, partial(say_tables, result), as_json=as_json)
    return DONE if result.is_met else TARGET_MISSED


def headline(result: TrialResult) -> str:
    """The finding in a few words, for a figure's title."""
    counted = f"{counted_faults(result.faults)} in {result.picks:,} picks".capitalize()
    if result.rate is None:
        return (
            f"{counted}: the rate is {rate_text(result.exact.low, 2)} to "
            f"{rate_text(result.exact.high, 2)}"
        )
    return f"{counted}: a rate of {rate_text(result.rate)} {VERDICTS[result.verdict]}"


def answer(result: TrialResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    sure = given_percent(result.confidence)
    counted = f"{counted_faults(result.faults)} in {result.picks:,} picks".capitalize()
    yield (
        f"{counted}, {rate_text(result.seen)}: the rate is {rate_text(result.exact.low)} to "
        f"{rate_text(result.exact.high)} ({sure} confidence, exact), at most "
        f"{rate_text(result.at_most)} one-sided."
    )
    if result.rate is not None and result.seen_if_at_rate is not None:
        few, many = result.seen_if_at_rate
        yield (
            f"A rate of {rate_text(result.rate)} {VERDICTS[result.verdict]} ({sure} confidence): "
            f"bags at that rate have so few faults with a chance of {chance_text(few)}, and so "
            f"many with {chance_text(many)}."
        )
    yield from _further(result)


def _further(result: TrialResult) -> Iterator[str]:
    if result.clean is not None and result.rate is not None:
        clean = result.clean
        yield (
            f"{clean.more:,} more picks without a further fault would show it, both looks counted "
            f"({clean.faults} in {clean.picks:,}); at the rate seen that happens with a chance of "
            f"{chance_text(clean.passes)}."
        )
    if result.likely is not None and result.likely != result.clean:
        likely = result.likely
        yield (
            f"{likely.more:,} more picks {allowed_faults(likely.faults - result.faults)} among "
            "them would show it too, and do so with a "
            f"chance of {chance_text(likely.passes)}, if the bags fail at the rate seen."
        )
    elif result.verdict == "open" and result.clean is not None and result.likely is None:
        yield (
            "The rate seen lies not, or hardly, below the contract's: more picks of such bags "
            "would not show it."
        )


def say_tables(result: TrialResult) -> None:
    """Say the tables below the answer."""
    from feedsim.answers.trial_prior import IN_WORDS
    from feedsim.cli.screen import say_table

    sure = given_percent(result.confidence)
    lines = [
        (f"exact, {sure}", rate_text(result.exact.low), rate_text(result.exact.high)),
        (f"exact, one-sided {sure}: at most", "", rate_text(result.at_most)),
        (f"exact, one-sided {sure}: at least", rate_text(result.at_least), ""),
    ]
    for posterior in result.posteriors:
        limits = posterior.limits(result.confidence)
        name = f"Bayesian ({IN_WORDS[posterior.prior]}), {sure}"
        lines.append((name, rate_text(limits.low), rate_text(limits.high)))
    say_table("The rate of faults per pick", ("interval", "from", "to"), lines)
    if result.posteriors and result.rate is not None:
        chances = " and ".join(
            f"{chance_text(each.chance_within(result.rate))} ({IN_WORDS[each.prior]})"
            for each in result.posteriors
        )
        click.echo(f"Bayesian chance that the rate is at most {rate_text(result.rate)}: {chances}")


def notes_of(result: TrialResult) -> Iterator[str]:
    """What a reader must know of the figures."""
    if result.pattern.bundles is None:
        yield (
            "Every pick is taken to fail alone; faults in bad bundles widen the interval: "
            "--bad-share, --bad-missed, --bundle."
        )
    else:
        yield (
            "The Bayesian interval and the picks that would settle it are not given for bad "
            "bundles: plan the next trial with feedsim trial plan."
        )
    if result.clean is not None and result.single_look_picks is not None:
        yield (
            "Who looks again until a result suits, finds it too often: the second look is asked "
            f"to be longer for the first one. A single look {allowed_faults(result.clean.faults)}, "
            f"planned so from the start, takes {result.single_look_picks:,} picks."
        )
