"""What settings are worth in a year, as a table, as columns and as part of the JSON document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from feedsim.answers.money import Worth
    from feedsim.config.study import Money
    from feedsim.study import Results

MOST_LINES = 40
SMALL_AMOUNT = 100


@dataclass(frozen=True)
class Value:
    """What is written and said of money; empty where there is nothing to value."""

    title: str = ""
    worth: list[Worth] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    own: Mapping[str, Any] = field(default_factory=dict)

    @property
    def columns(self) -> dict[int, dict[str, float]]:
        """Columns of summary.csv, by the setting's number."""
        from feedsim.answers.money import worth_columns

        return worth_columns(self.worth)

    def say_table(self) -> None:
        """Print the values a year, each part with its interval."""
        if not self.worth:
            return
        from feedsim.answers.key_words import setting_words
        from feedsim.answers.money import LABELS
        from feedsim.answers.rows import short_keys
        from feedsim.cli.screen import cell, say_table

        short = short_keys(key for each in self.worth for key in each.setting)
        amounts = [amount for each in self.worth for amount in each.parts.values()]
        digits = 0 if max(abs(amount.value) for amount in amounts) >= SMALL_AMOUNT else 2
        hidden = len(self.worth) - MOST_LINES
        say_table(
            self.title,
            ("setting", *LABELS.values()),
            [
                (
                    setting_words(each.setting, short),
                    *(cell(each.parts[part], 1, digits) for part in LABELS),
                )
                for each in self.worth[:MOST_LINES]
            ],
            f"{hidden:,} more settings stand in summary.csv." if hidden > 0 else "",
        )


def value_of(results: Results, money: Money | None) -> Value:
    """Value the settings of a study against its first, where there is anything to value."""
    if money is None or len(results.settings) < 2:
        return Value()
    if not (money.pack_margin or money.bag_cost or money.operator_cost_h):
        return Value()
    if results.replications < 2:
        return Value(notes=["What settings are worth is not shown: one shift has no interval."])
    from feedsim.answers.key_words import setting_words
    from feedsim.answers.money import worth, worth_json
    from feedsim.answers.rows import short_keys

    found = worth(results, money)
    keys = [key for setting in results.settings for key in setting.values]
    base = setting_words(results.settings[0].values, short_keys(keys))
    title = f"Worth a year against {base}, in {money.currency} (± half-width of the interval)"
    notes = [_meaning(results, money), *_of_crews(results, money)]
    return Value(title, found, notes, {"money": worth_json(found, money)})


def _meaning(results: Results, money: Money) -> str:
    """How the amounts come about, and what the operators' part is worth."""
    from feedsim.measures import HOUR_US

    cell = results.settings[0].cell
    shift_h = cell.shift_us / HOUR_US
    window_h = (cell.shift_us - cell.warm_up_us) / HOUR_US
    scaled = f"scaled from the {window_h:g} h read to the shift of {shift_h:g} h and to "
    alike = {(each.cell.shift_us, each.cell.warm_up_us) for each in results.settings}
    if len(alike) > 1:
        scaled = "scaled from each setting's time read to its shift and to "
    elif not cell.warm_up_us:
        scaled = "scaled to "
    return (
        f"Worth: good packs x {money.pack_margin:g}, less wasted bags x {money.bag_cost:g}, less "
        f"operators' busy hours x {money.operator_cost_h:g}, {scaled}{money.shifts_per_year:g} "
        "shifts a year. Operators' time is valued whether or not it can be used otherwise: it "
        "saves money only where it can."
    )


def _of_crews(results: Results, money: Money) -> Iterator[str]:
    """What is not in the amounts where settings have crews of different sizes: idle time."""
    from feedsim.measures import HOUR_US

    cells = [setting.cell for setting in results.settings]
    if len({cell.crew.operators for cell in cells}) > 1 and money.operator_cost_h:
        paid_h = cells[0].shift_us / HOUR_US * money.shifts_per_year
        yield (
            "Worth: settings have crews of different sizes, and of an operator only busy hours are "
            f"valued. Paid for whole shifts, each operator more costs {money.currency} "
            f"{paid_h * money.operator_cost_h:,.0f} a year: reckon with that in place of "
            "operators' time."
        )
