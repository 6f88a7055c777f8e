"""Round intervals over uncertain inputs: how surely the intervals found keep the targets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from feedsim.answers.capacity import capacity_settings
from feedsim.answers.rounds import RoundsResult
from feedsim.answers.set_ranges import Range, ShareOfSets, share_met
from feedsim.answers.targets import Target
from feedsim.answers.uncertain import SETS, InputsResult, with_uncertain_inputs
from feedsim.answers.unknowns import unknowns_of
from feedsim.config import Config
from feedsim.shown import Shown
from feedsim.study import HERE, Setting, Work

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class IntervalOverInputs:
    """A capacity and a round interval over sets of inputs.

    Attributes
    ----------
    bags : int
        Per lane, as asked for.
    interval_min : float
    is_answer : bool
        Whether it is the interval found, and not the next longer one or the nearest.
    met : ShareOfSets
        In how many sets the expected measures meet all targets.
    ranges : sequence of (Target, name of a machine or None, Range)
        Of each target's measure, where it is judged.
    """

    bags: int
    interval_min: float
    is_answer: bool
    met: ShareOfSets
    ranges: Sequence[tuple[Target, str | None, Range]]

    @property
    def tightest(self) -> list[tuple[Target, str | None, Range]]:
        """Of each target the machine whose range has its worse end nearest to failing."""
        found: dict[str, tuple[Target, str | None, Range]] = {}
        for target, machine, over in self.ranges:
            known = found.get(target.measure)
            if known is None or _spare(target, over) < _spare(target, known[2]):
                found[target.measure] = target, machine, over
        return list(found.values())

    def json(self) -> dict[str, Any]:
        """It as the JSON document has it."""
        return {
            "capacity_bags": self.bags,
            "interval_min": self.interval_min,
            "answer": self.is_answer,
            **self.met.json(),
            "checks": [
                {
                    "measure": target.measure,
                    "target": target.value,
                    "machine": machine,
                    **over.json(),
                }
                for target, machine, over in self.ranges
            ],
        }


@dataclass(frozen=True)
class RoundsInputs(Shown):
    """Round intervals over uncertain inputs.

    Attributes
    ----------
    rounds : RoundsResult
        With the inputs as they are.
    inputs : InputsResult
        Of each capacity the interval found and the next longer one; the capacity nearest to the
        config's own stands first.
    intervals : tuple of IntervalOverInputs
        In the same order.
    """

    rounds: RoundsResult
    inputs: InputsResult
    intervals: tuple[IntervalOverInputs, ...]

    def frame(self) -> pd.DataFrame:
        """All ranges as a table: a line for each setting, machine and measure."""
        return self.inputs.frame()

    def at(self, bags: int, interval_min: float | None) -> IntervalOverInputs | None:
        """What is known of a capacity and an interval; None where it was not among those drawn."""
        wanted = (bags, interval_min)
        return next((e for e in self.intervals if (e.bags, e.interval_min) == wanted), None)

    def json(self) -> dict[str, Any]:
        """The document's part on inputs."""
        return {**self.inputs.json(), "intervals": [each.json() for each in self.intervals]}

    def __repr__(self) -> str:
        return f"RoundsInputs({self.inputs.in_short})"


def rounds_over_inputs(
    result: RoundsResult, *, sets: int = SETS, work: Work = HERE
) -> RoundsInputs:
    """Simulate the intervals found, and the next longer ones, over drawn inputs.

    Parameters
    ----------
    result : RoundsResult
        Its config's study table says the replications of each set.
    sets : int
        How many times all inputs are drawn; at least 2.
    work : Work

    Returns
    -------
    RoundsInputs

    Raises
    ------
    InputsError
        If nothing is uncertain, or what is drawn makes no config.
    TooLarge
        If it would run for hours.

    References
    ----------
    As `with_uncertain_inputs`.
    """
    config = result.config
    own = result.own
    kept = [own, *(each for each in result.kept if each is not own)]
    places = [(each.bags, minutes) for each in kept for minutes in each.shown_min]
    answers = {(each.bags, each.answer_min) for each in kept}

    def settings_of(drawn: Config) -> Iterator[Setting]:
        for bags, minutes in places:
            yield capacity_settings(drawn, [bags], [minutes], result.machine)[0]

    inputs = with_uncertain_inputs(config, unknowns_of(config), settings_of, sets=sets, work=work)
    checks = [(c.target, c.machine) for c in next(iter(own.by_interval.values())).checks]
    return RoundsInputs(
        result,
        inputs,
        tuple(
            IntervalOverInputs(
                bags,
                minutes,
                (bags, minutes) in answers,
                share_met(inputs.rows_of_sets(number), checks, config.study.confidence),
                [(t, name, inputs.of(number, name)[t.measure]) for t, name in checks],
            )
            for number, (bags, minutes) in enumerate(places)
        ),
    )


def _spare(target: Target, over: Range) -> float:
    return over.low - target.value if target.is_least else target.value - over.high
