"""Options that the trials of a rate share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.options import confidence_option, out_option

if TYPE_CHECKING:
    from feedsim.answers.clusters import BadBundles

CONFIDENCE = confidence_option(
    "With which the rate is shown: bags at that rate pass with a chance of at most 1 - this."
)
OUT = out_option("one under outputs/, named by the question")
# Below this a percentage has too many zeros to be read.
PER_MILLION = 1e-6
_BUNDLES: Mapping[str, Any] = {
    "--bad-share": {"type": float, "help": "Share of the bundles that are bad."},
    "--bad-missed": {"type": float, "help": "Chance that a pick from a bad bundle fails."},
    "--bundle": {
        "type": int,
        "metavar": "PICKS",
        "help": "Picks that a bundle lasts; a missed bag stays, so give a bad bundle's: bags / "
        "(1 - bad-missed), to be on the safe side.",
    },
}


def bundle_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of faults that come in bad bundles."""
    for name, told in reversed(list(_BUNDLES.items())):
        command = click.option(name, **told)(command)
    return command


def bundles_of(
    share: float | None, missed: float | None, bundle: int | None, at_rate: float | None
) -> BadBundles | None:
    """Bad bundles as given, if they are.

    Raises
    ------
    TrialError
    click.UsageError
        If not all three are given.
    """
    from feedsim.answers.trial import bad_bundles

    if share is None and missed is None and bundle is None:
        return None
    if share is None or missed is None or bundle is None:
        missing = [
            name
            for name, value in zip(_BUNDLES, (share, missed, bundle), strict=True)
            if value is None
        ]
        raise click.UsageError(f"{missing[0]}: is missing, allowed: {', '.join(_BUNDLES)} together")
    if at_rate is None:
        raise click.UsageError("--rate: is missing, allowed: the contract's rate with bad bundles")
    return bad_bundles(share, missed, bundle, at_rate)


def rate_text(rate: float, digits: int = 3) -> str:
    """A rate in percent, or of a million, to a number of significant digits."""
    if rate >= 0.9995:
        return "100 %"
    if 0 < rate < PER_MILLION:
        return f"{float(f'{rate / PER_MILLION:.{digits}g}'):.10g} per million"
    return f"{float(f'{100 * rate:.{digits}g}'):.10g} %"


def chance_text(chance: float) -> str:
    """A chance in percent."""
    if chance < 0.00005:
        return "0.00 %" if chance == 0 else "below 0.01 %"
    if chance > 0.99995:
        return "above 99.99 %" if chance < 1 else "100 %"
    digits = 2 if chance < 0.01 or chance > 0.99 else 1
    return f"{100 * chance:.{digits}f} %"


def allowed_faults(faults: int) -> str:
    """With how many faults a trial is passed."""
    return "without a fault" if faults == 0 else f"with at most {counted_faults(faults)}"


def counted_faults(faults: int) -> str:
    """A number of faults."""
    return "no fault" if faults == 0 else "1 fault" if faults == 1 else f"{faults:,} faults"
