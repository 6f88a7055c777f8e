"""How measures are shown to people: label, unit and digits, declared once for all tables."""

from __future__ import annotations

import re
from dataclasses import dataclass

# Digits of a share's differences and deviations: a tenth of a point is often all there is.
FINE_DIGITS = 2


@dataclass(frozen=True, slots=True)
class Label:
    """How a measure is shown.

    Attributes
    ----------
    measure : str
        Its name.
    text : str
        In the first column of a table, or in a sentence.
    unit : str
        Behind the figures: of shares per cent, of rates per hour; empty for what is counted.
    digits : int
        Behind the decimal point.
    """

    measure: str
    text: str
    unit: str
    digits: int

    @property
    def is_share(self) -> bool:
        """Whether it is shown in per cent, its differences in points."""
        return self.unit.startswith("%")

    @property
    def factor(self) -> float:
        """Figures as shown, per unit of the measure."""
        return 100.0 if self.is_share else 1.0

    @property
    def heading(self) -> str:
        """Label and unit as a column's title has them."""
        if self.is_share:
            return f"{self.text} %"
        return self.text + (self.unit if self.unit.startswith("/") else "")

    @property
    def axis(self) -> str:
        """Label and unit as a figure's axis has them."""
        return f"{self.text}, {self.unit}" if self.is_share else self.heading

    @property
    def fine_digits(self) -> int:
        """Digits of its differences and deviations."""
        return max(self.digits, FINE_DIGITS) if self.is_share else self.digits

    @property
    def unit_of_change(self) -> str:
        """The unit of its differences."""
        return "points" if self.is_share else self.unit


_LABELS = {
    each.measure: each
    for each in (
        Label("oee", "OEE", "%", 1),
        Label("availability", "availability", "%", 1),
        Label("performance", "performance", "%", 1),
        Label("quality", "quality", "%", 2),
        Label("good_packs", "good packs", "", 1),
        Label("rejected_packs", "rejected packs", "", 1),
        Label("packs_per_h", "good packs", "/h", 0),
        Label("bags_loaded", "bags loaded", "", 1),
        Label("bags_used", "packs made", "", 0),
        Label("bags_wasted", "bags wasted", "", 1),
        Label("lost_pockets", "lost pockets", "", 1),
        Label("visits_per_h", "visits", "/h", 2),
        Label("refill_visits_per_h", "refill visits", "/h", 2),
        Label("fault_visits_per_h", "fault visits", "/h", 2),
        Label("bags_per_refill", "bags per refill", "bags", 1),
        Label("dry_share", "dry", "% of time", 2),
        Label("blocked_share", "blocked", "% of time", 2),
        Label("wait_share", "waiting", "% of time", 2),
        Label("start_bags_share", "bags from the start", "%", 1),
        Label("crew_busy", "crew busy", "%", 1),
        Label("time_running_share", "running", "% of time", 1),
    )
}
_OF_STATE = (
    (re.compile(r"time_(.+)_share", re.DOTALL), "{} time", "% of time"),
    (re.compile(r"stops_(.+)_per_h", re.DOTALL), "{} stops", "/h"),
)


def label_of(measure: str) -> Label:
    """How a measure is shown; those of states and stations by the state's name.

    Raises
    ------
    KeyError
        If there is no such measure.
    """
    if measure in _LABELS:
        return _LABELS[measure]
    for pattern, text, unit in _OF_STATE:
        found = pattern.fullmatch(measure)
        if found is not None:
            return Label(measure, text.format(found[1].replace("_", " ")), unit, 2)
    raise KeyError(measure)


def given_percent(share: float) -> str:
    """A share that somebody chose, in percent, with all its digits."""
    return f"{100 * share:.10g} %"
