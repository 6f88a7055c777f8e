"""What is not known of two configs: where both rest on one fit, they draw the same from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from feedsim.answers.uncertain import first_made
from feedsim.answers.unknowns import Fit, fits_of
from feedsim.config import Config, Spread
from feedsim.streams import Streams
from feedsim.study import Setting


@dataclass(frozen=True, slots=True)
class SharedFit:
    """A fit as A has it, as B has it, or both; `unknown` is what readers know it by."""

    unknown: str
    own: Fit | None
    other: Fit | None


def shared_fits(config: Config, other: Config) -> list[SharedFit]:
    """The fits of two configs, those of both once.

    A fit of B is one of A's where its numbers are equal: first at the same place, else anywhere.
    A station's time whose mean or form B has changed is still A's fit, at the same place, as long
    as family and covariance are equal: its error is one of the logarithm.
    """
    left = fits_of(other)
    pairs: list[SharedFit] = []
    own_fits = fits_of(config)
    partners: dict[int, Fit] = {}
    for is_one in (_is_equal_there, _is_equal, _is_changed_there):
        for number, own in enumerate(own_fits):
            if number in partners:
                continue
            partner = next((fit for fit in left if is_one(own, fit)), None)
            if partner is not None:
                partners[number] = partner
                left.remove(partner)
    alone_in_b = {fit.unknown for fit in left}
    for number, own in enumerate(own_fits):
        partner = partners.get(number)
        is_twice = partner is None and own.unknown in alone_in_b
        pairs.append(SharedFit(own.unknown + " in A" * is_twice, own, partner))
    names = {fit.unknown for fit in own_fits}
    pairs += [SharedFit(fit.unknown + " in B" * (fit.unknown in names), None, fit) for fit in left]
    return pairs


def _is_equal(own: Fit, other: Fit) -> bool:
    return own.kind == other.kind and own.found == other.found


def _is_equal_there(own: Fit, other: Fit) -> bool:
    return own.unknown == other.unknown and _is_equal(own, other)


def _is_changed_there(own: Fit, other: Fit) -> bool:
    """Whether B has the same time with another mean or form."""
    mine, its = own.found, other.found
    return (
        (own.unknown, own.kind) == (other.unknown, other.kind)
        and isinstance(mine, Spread)
        and isinstance(its, Spread)
        and mine.covariance is not None
        and (mine.family, mine.covariance) == (its.family, its.covariance)
    )


@dataclass(frozen=True)
class TwoConfigs:
    """Draws the inputs of two configs, those of both alike."""

    config: Config
    other: Config
    settings_of: Callable[[Config, Config], list[Setting]]

    @cached_property
    def fits(self) -> list[SharedFit]:
        """What is drawn."""
        return shared_fits(self.config, self.other)

    @property
    def names(self) -> list[str]:
        """The unknowns, by the names that readers know."""
        return list(dict.fromkeys(fit.unknown for fit in self.fits))

    def settings(
        self, number: int, names: Sequence[str], first: int | None = None
    ) -> list[Setting]:
        """The settings, or the first of them, with what is named drawn for a set."""
        streams = Streams(self.config.study.seed, number)
        # Two generators of one name give the same: whoever shares a fit draws the same from it.
        luck = [
            [streams.named("inputs", place, fit.unknown).generator for _ in "AB"]
            for place, fit in enumerate(self.fits)
        ]

        def attempt() -> list[Setting]:
            own: dict[str, Any] = {}
            other: dict[str, Any] = {}
            for fit, (own_luck, other_luck) in zip(self.fits, luck, strict=True):
                if fit.unknown in names:
                    own |= fit.own.drawn(own_luck) if fit.own else {}
                    other |= fit.other.drawn(other_luck) if fit.other else {}
            drawn = self.settings_of(self.config.with_values(own), self.other.with_values(other))
            return drawn[:first]

        return first_made(attempt)
