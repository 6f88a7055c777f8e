"""What the acceptance trials share: what is refused, and bad bundles as they are stated."""

from __future__ import annotations

from math import floor

from feedsim.answers.binomial import ROUNDING
from feedsim.answers.clusters import BadBundles
from feedsim.mistakes import Mistake

LARGEST_TRIAL = 1_000_000_000
LEAST_RATE = 1e-9


class TrialError(Mistake):
    """A trial that cannot be asked for."""


def refuse_picks(picks: int) -> None:
    """Refuse a number of picks that no trial has.

    Raises
    ------
    TrialError
    """
    if not 1 <= picks <= LARGEST_TRIAL:
        raise TrialError(f"--picks: is {picks}, allowed: 1 to {LARGEST_TRIAL:,}")


def refuse_share(option: str, value: float, *, least: float = 0.0) -> None:
    """Refuse what is no share strictly between 0 and 1, or is less than `least`.

    Raises
    ------
    TrialError
    """
    if not (least <= value < 1 and value > 0):
        low = f"{least:g}" if least else "above 0"
        raise TrialError(f"{option}: is {value:g}, allowed: a share from {low} to below 1")


def bad_bundles(share: float, missed: float, bundle_picks: int, at_rate: float) -> BadBundles:
    """Bad bundles, refused where they make no sense.

    Raises
    ------
    TrialError
        Also if bad bundles alone bring more than the rate over all picks.
    """
    refuse_share("--bad-share", share)
    refuse_share("--bad-missed", missed)
    if not 1 <= bundle_picks <= 1_000_000:
        raise TrialError(f"--bundle: is {bundle_picks}, allowed: 1 to 1,000,000 picks")
    if missed <= at_rate:
        raise TrialError(
            f"--bad-missed: is {missed:g}, allowed: above the rate over all picks, {at_rate:g}"
        )
    if share * missed > at_rate * (1 + ROUNDING):
        most = floor(at_rate / missed * 1e6 * (1 + ROUNDING)) / 1e6
        raise TrialError(
            f"--bad-share: {share:g} of the bundles missing {missed:g} of their picks bring a rate "
            f"of {share * missed:g} alone, more than the {at_rate:g} over all picks, allowed: up "
            f"to {most:g}"
        )
    return BadBundles(share, missed, bundle_picks, at_rate)
