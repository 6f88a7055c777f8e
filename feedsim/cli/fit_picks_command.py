"""`feedsim fit picks`."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from feedsim.cli.options import JSON, confidence_option, out_option, seed_option

if TYPE_CHECKING:
    from feedsim.fit.picks import PicksResult, Rate
    from feedsim.fit.trials import TrialLayout

FILM = "film.toml"


@click.command("picks")
@click.argument("trials_path", metavar="TRIALS", type=click.Path(path_type=Path))
@click.option("--closure", help="Closure of all lines, where there is no such column.")
@click.option(
    "--stiffness",
    type=float,
    metavar="UNM",
    help="Bending stiffness of all lines, uN.m, where there is no such column.",
)
@click.option(
    "--film",
    "films",
    multiple=True,
    metavar="NAME=UNM",
    help="Stiffness of a film that the column film names, uN.m. May be given several times.",
)
@click.option(
    "--decimal",
    type=click.Choice([".", ","]),
    default=".",
    show_default=True,
    help="How the file writes the decimals of a stiffness.",
)
@click.option(
    "--bad-bundles/--no-bad-bundles",
    default=None,
    help="Fit bad bundles, or do not (default: where the trials show them).",
)
@confidence_option()
@seed_option("Of the tests' bootstraps.")
@out_option("one under outputs/, named by the trials")
@JSON
def command(
    trials_path: Path,
    closure: str | None,
    stiffness: float | None,
    films: tuple[str, ...],
    decimal: str,
    bad_bundles: bool | None,
    confidence: float,
    seed: int,
    out: Path | None,
    as_json: bool,
) -> int:
    """Fit a film model to TRIALS: the chance of each fault over closure and stiffness.

    TRIALS is a CSV whose first line names its columns: closure, stiffness_uNm or film (layers
    such as PET12/LLDPE80, or a name with --film), lane, bundle, attempts, and counts of missed,
    double, unopened, skewed, jam; attempts and one count are needed. Writes film.toml, which a
    config can name (film = "film.toml"), with the uncertainty of every number.

    \b
    Examples:
      feedsim fit picks configs/data/pick_trials.csv
      feedsim fit picks configs/data/pick_trials.csv --confidence 0.9 --no-bad-bundles
    """
    from feedsim.cli.answer_folder import AnswerFolder
    from feedsim.cli.documents import answer_document
    from feedsim.cli.screen import talk
    from feedsim.fit.picks import fit_picks
    from feedsim.fit.trials import read_trials
    from feedsim.plots.fit_picks import picks_figure

    trials = read_trials(trials_path, _layout(closure, stiffness, films, decimal))
    if bad_bundles and not (trials.has_bundles and "missed" in trials.faults):
        raise click.UsageError(
            f"--bad-bundles: {trials_path} has not both of the columns bundle and missed, allowed: "
            "without it"
        )
    told = {
        "closure": closure,
        "stiffness": stiffness,
        "films": list(films),
        "decimal": decimal,
        "bad_bundles": bad_bundles,
        "confidence": confidence,
        "seed": seed,
    }
    folder = AnswerFolder("fit-picks", trials_path.stem, told, [trials_path], out)
    result = fit_picks(trials, confidence=confidence, bad_bundles=bad_bundles, seed=seed)
    folder.write(FILM, film_text(result).encode())
    folder.write_frames("chances.csv", [result.frame()])
    sentences, notes = list(answer(result)), result.warnings()
    figure = picks_figure(result, sentences[-1 if result.model.bad_bundles else 1], basis(result))
    own = {"confidence": confidence, "fit_picks": result.answer_json()}
    document = answer_document("fit picks", sentences, notes, own)
    folder.deliver({"chances": figure}, document, partial(say_tables, result), as_json=as_json)
    talk(f"In a config's [machine.bag], film = the path of its {FILM}, relative to the config.")
    return 0


def _layout(
    closure: str | None, stiffness: float | None, films: tuple[str, ...], decimal: str
) -> TrialLayout:
    from feedsim.film import CLOSURES, STIFFEST_UNM
    from feedsim.fit.trials import TrialLayout

    if closure is not None and closure not in CLOSURES:
        raise click.UsageError(f"--closure: must be one of {', '.join(CLOSURES)}, is {closure!r}")
    if stiffness is not None and not 0 < stiffness <= STIFFEST_UNM:
        raise click.UsageError(
            f"--stiffness: must be a number above 0, at most {STIFFEST_UNM:g} (uN.m), is "
            f"{stiffness:g}"
        )
    named = {}
    for given in films:
        name, _, value = given.rpartition("=")
        try:
            named[name.strip()] = float(value)
        except ValueError:
            named[""] = 0.0
        if not name.strip() or not 0 < named.get(name.strip(), 0) <= STIFFEST_UNM:
            raise click.UsageError(
                f"--film: must be NAME=UNM, such as mono=31 (uN.m), is {given!r}"
            )
    return TrialLayout(closure, stiffness, named, decimal)


def film_text(result: PicksResult) -> str:
    """The film model's file: its numbers, headed by what they come to."""
    from feedsim.config.write import dump_toml
    from feedsim.film import table_of

    lines = [
        "# Film model fitted by `feedsim fit picks`; a config's [machine.bag] names this file:",
        '# film = "film.toml". Log-odds stand at reference_uNm; their uncertainty is normal.',
        f"# Chances per pick attempt (mean, {100 * result.confidence:g} % interval) as tried:",
    ]
    for cell in result.cells:
        found = cell.fitted
        lines.append(
            f"#   {_bag_text(cell.closure, cell.stiffness_uNm)}, {cell.fault}: {found.value:.3g} "
            f"({found.low:.2g} to {found.high:.2g}); counted {cell.counted.faults} in "
            f"{cell.counted.attempts}"
        )
    bundles = result.bundles
    if bundles is not None and bundles.share is not None and bundles.missed is not None:
        lines.append(
            f"# Bad bundles: share {bundles.share.value:.3g}, missed in them "
            f"{bundles.missed.value:.3g}; missed above is of the others."
        )
    return "\n".join(lines) + "\n" + dump_toml(table_of(result.model))


def answer(result: PicksResult) -> Iterator[str]:
    """The answer, one sentence after the other."""
    model, trials = result.model, result.trials
    kinds = ", ".join(trials.faults)
    over = f"{len(model.tried_closures)} closures" if len(model.tried_closures) > 1 else "one bag"
    if model.needs_closure and len(model.tried_closures) == 1:
        over = model.tried_closures[0].replace("_", " ")
    valid = model.valid_uNm
    where = "" if valid is None else f" at {valid[0]:.4g} to {valid[1]:.4g} uN.m"
    if valid is not None and valid[0] == valid[1]:
        where = f" at {valid[0]:.4g} uN.m"
    yield (f"{trials.attempts:,} pick attempts of {over}{where} give the chances of {kinds}.")
    worst = max(result.cells, key=lambda cell: cell.fitted.value)
    yield (
        f"The likeliest fault is {worst.fault} of "
        f"{_bag_text(worst.closure, worst.stiffness_uNm)}: {_percent(worst.fitted)} of the attempts"
        f"{' in good bundles' if worst.fault == 'missed' and model.bad_bundles else ''}."
    )
    from feedsim.fit.picks import TOO_WIDE

    bundles = result.bundles
    if bundles is None:
        return
    if bundles.share is not None and bundles.missed is not None:
        tested = "as asked for"
        if bundles.mixture.p_value <= TOO_WIDE:
            tested = f"p at most {bundles.mixture.p_value:.2g}"
        yield (
            f"Misses come in bad bundles ({tested}): {_percent(bundles.share)} of the "
            f"bundles are bad, and {_percent(bundles.missed)} of the attempts miss in them."
        )
    else:
        yield (
            "The misses do not show that some bundles are bad (p = "
            f"{bundles.mixture.p_value:.2g}): none are written to the film model."
        )


def basis(result: PicksResult) -> str:
    """What the figure rests on, below its title."""
    return (
        f"Lines: the model, bands {100 * result.confidence:g} %; points: counted, with exact "
        "intervals"
        + (" (missed: in the bundles likelier good than bad)" if result.model.bad_bundles else "")
        + "; hollow: none counted, upper limit"
    )


def _bag_text(closure: str, stiffness: float | None) -> str:
    from feedsim.film import ANY

    name = "the bags" if closure == ANY else closure.replace("_", " ")
    return name if stiffness is None else f"{name} at {stiffness:.4g} uN.m"


def _percent(rate: Rate) -> str:
    return f"{_share(rate.value)} % ({_share(rate.low)} to {_share(rate.high)})"


def _share(value: float) -> str:
    """A share in percent, to two significant digits or three."""
    percent = 100 * value
    if percent == 0:
        return "0"
    return f"{float(f'{percent:.{3 if percent >= 10 else 2}g}'):.10g}"


def say_tables(result: PicksResult) -> None:
    """Say the tables below the answer."""
    from feedsim.cli.screen import say_table
    from feedsim.fit.pick_words import correlation_text, laws_of_misses

    sure = f"{100 * result.confidence:g} %"
    say_table(
        f"Faults in % of the attempts (exact {sure} interval), and the model's chance",
        ("bag", "fault", "counted", "rate", "interval", "chance", "interval"),
        [
            (
                _bag_text(cell.closure, cell.stiffness_uNm),
                cell.fault,
                f"{cell.counted.faults:,} of {cell.counted.attempts:,}",
                _share(cell.counted.value),
                f"{_share(cell.counted.low)} to {_share(cell.counted.high)}",
                _share(cell.fitted.value),
                f"{_share(cell.fitted.low)} to {_share(cell.fitted.high)}",
            )
            for cell in result.cells
        ],
        "missed: the rate is over all bundles, the chance of good ones."
        if result.model.bad_bundles
        else "",
    )
    units = "bundles" if result.trials.has_bundles else "lines"
    lines = []
    for part in result.parts.values():
        slope = part.slope(result.confidence)
        shown = f"{slope.value:.2f} ({slope.low:.2f} to {slope.high:.2f})"
        lines.append(
            (
                part.fault,
                shown if result.model.needs_stiffness else "-",
                f"{part.spread.z:.2f}",
                f"{part.spread.p_value:.3g}",
                f"{part.dispersion:.2f}",
                correlation_text(part),
            )
        )
    say_table(
        f"Over stiffness (odds go as its power), and the spread between {units}",
        (
            *("fault", "power of stiffness", "Tarone's z", "p by bootstrap", "dispersion"),
            "correlation in a bundle",
        ),
        lines,
        laws_of_misses(result),
    )
    _say_forms(result)


def _say_forms(result: PicksResult) -> None:
    """Whether the form of the curve matters, where the trials can tell."""
    from feedsim.cli.screen import TERMS, say_table

    lines = [
        (
            part.fault,
            f"{part.form.deviance:.1f} on {part.form.degrees}",
            f"{part.form.p_value:.2g}",
            *(f"{other.gain:+.2f}, {100 * other.farthest:.2g} %" for other in part.form.others),
        )
        for part in result.parts.values()
        if part.form is not None
    ]
    if lines:
        say_table(
            "The form of the curve over stiffness: the film model's (logit), and others",
            ("fault", "deviance", "p by bootstrap", "probit", "complementary log-log"),
            lines,
            "Others: log-likelihood over the logit's, and how far their chances lie from it at "
            "most within the stiffness tried. " + TERMS,
        )
