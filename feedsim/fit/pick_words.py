"""Fitted picks in words: what a reader must know of them."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.film import ANY, FAULTS
from feedsim.fit.picks import BAD_FAULT, TOO_WIDE, FaultPart, PicksResult
from feedsim.fit.trials import Trials
from feedsim.stats import exact_interval

FEW_POINTS = 500
# In log-likelihood: between laws that are about as good nothing is said to be better.
AS_GOOD = 2.0


def warnings_of(result: PicksResult) -> Iterator[str]:
    """What a user of the model must know."""
    model, trials = result.model, result.trials
    yield from trials.notes
    uncounted = [fault for fault in FAULTS if fault not in trials.faults]
    if uncounted:
        yield (
            f"No column for {', '.join(uncounted)}: in the film model these faults do not happen."
        )
    if not trials.has_closures:
        yield "No column closure: the chances are those of the bags tried, whatever the closure."
    if not trials.has_stiffness:
        yield "No stiffness: the chances are those of the film tried, whatever the stiffness."
    elif model.valid_uNm and model.valid_uNm[0] == model.valid_uNm[1]:
        yield (
            f"All trials are at {model.valid_uNm[0]:.4g} uN.m: at another stiffness the chances "
            "rest on the planning exponents alone."
        )
    if not trials.has_bundles:
        yield (
            "No column bundle: bad bundles cannot be told from single misses, and a lane faults "
            "far more often with them."
        )
    yield from _rests_on(result)
    # Of many tests one finds something by chance: together they do so once in twenty times.
    judged = sum(part.form is not None for part in result.parts.values())
    for part in result.parts.values():
        yield from _of_spread(part, trials)
        yield from _of_form(part, TOO_WIDE / max(judged, 1))
        if part.posterior.effective < FEW_POINTS:
            yield (
                f"{part.fault}: the fit rests on {part.posterior.effective:.0f} effective points: "
                "its intervals are rough."
            )


def laws_of_misses(result: PicksResult) -> str:
    """Which law describes how misses come in bundles; empty where none were recorded.

    The laws are compared by log-likelihood less parameters (Akaike), over misses that come alone.
    """
    part, bundles = result.parts.get(BAD_FAULT), result.bundles
    if part is None or part.correlation is None or bundles is None:
        return ""
    correlated, two_kinds = part.correlation.gain - 1, bundles.mixture.ratio / 2 - 2
    told = (
        f"(log-likelihood less parameters, over misses that come alone: {two_kinds:+.1f} with bad "
        f"bundles, {correlated:+.1f} with a correlation)."
    )
    if max(correlated, two_kinds) < AS_GOOD:
        return f"One chance for every bundle describes the misses about as well {told}"
    if abs(correlated - two_kinds) < AS_GOOD:
        return f"Bad bundles and a correlation describe the misses about as well {told}"
    better = "Bad bundles describe" if two_kinds > correlated else "A correlation describes"
    return f"{better} the misses better {told}"


def correlation_text(part: FaultPart) -> str:
    """The correlation within a bundle with its interval: "0.031 (0.01 to 0.062)"."""
    found = part.correlation
    if found is None:
        return "-"
    return f"{found.value:.2g} ({found.low:.2g} to {found.high:.2g})"


def _of_spread(part: FaultPart, trials: Trials) -> Iterator[str]:
    if part.dispersion > 1:
        within = ""
        if part.correlation is not None:
            within = f", correlation within a bundle {correlation_text(part)}"
        yield (
            f"{part.fault}: {_units(trials)} differ by more than chance (dispersion "
            f"{part.dispersion:.2f}, p = {part.spread.p_value:.3g}{within}): the intervals are "
            "wider for it."
        )


def _of_form(part: FaultPart, level: float) -> Iterator[str]:
    form = part.form
    if form is None:
        return
    if form.p_value <= level:
        yield (
            f"{part.fault}: the counts do not lie on one power of stiffness for all closures "
            f"(deviance {form.deviance:.1f} on {form.degrees}, p = {form.p_value:.2g}): between "
            "the stiffnesses tried its chance is less sure than its interval says."
        )
    if form.better is not None:
        yield (
            f"{part.fault}: a curve of another form, {form.better.name}, carries the counts better "
            f"than the film model's (log-likelihood {form.better.gain:+.1f}); within the stiffness "
            f"tried its chances differ by up to {100 * form.better.farthest:.2g} %."
        )


def _rests_on(result: PicksResult) -> Iterator[str]:
    """Closures without any fault, and what their chance rests on."""
    for closure in result.model.tried_closures:
        rows = [row for row in result.model.tried if row.closure == closure]
        attempts = sum(row.attempts for row in rows)
        none = [f for f in result.trials.faults if not any(row.counts[f] for row in rows)]
        if none:
            _, high = exact_interval(0, attempts, result.confidence)
            whose = "" if closure == ANY else f"{closure}: "
            yield (
                f"{whose}no {', '.join(none)} in {attempts:,} attempts (exact upper limit "
                f"{100 * float(high):.2g} %): the chance rests on this limit, on the other "
                "closures and on planning values."
            )


def _units(trials: Trials) -> str:
    return "bundles" if trials.has_bundles else "lines"
