"""What was odd in a log, line by line, and by which rule it was treated.

Every kind of oddity has one rule, stated here and nowhere else; what reads a log only says where
it met which.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from feedsim.config.problems import SHOWN_CHARACTERS, escaped
from feedsim.mistakes import Mistake

MOST_NAMES = 12


class LogError(Mistake):
    """A log that cannot be read at all, or not without being told how: one clear line."""

    def __init__(self, message: str) -> None:
        super().__init__(escaped(message))


@dataclass(frozen=True, slots=True)
class Rule:
    """How one kind of oddity is treated.

    Attributes
    ----------
    what : str
        What is odd, in words.
    done : str
        What was done about it.
    sets_aside : bool
        Whether the row gives no stop, window or count.
    """

    what: str
    done: str
    sets_aside: bool = False


RULES = {
    # The file
    "blank": Rule("empty row", "passed over", sets_aside=True),
    "heading": Rule("the heading once more", "passed over", sets_aside=True),
    "ragged": Rule("not as many fields as the heading", "row not read", sets_aside=True),
    "quote": Rule("a quote that does not close", "row not read", sets_aside=True),
    "trailing": Rule("empty fields after the last column", "read without them"),
    "several_lines": Rule("a quoted field over several lines", "read as one row"),
    "unended": Rule("the file's last line has no end", "read as it stands: it may be cut off"),
    # Times
    "bad_time": Rule("a time that cannot be read", "row not read", sets_aside=True),
    "no_start": Rule("no start", "row not read", sets_aside=True),
    "coarse": Rule("a time without seconds among times with them", "read as on the minute"),
    "twice": Rule(
        "a local time that the clock change brings twice",
        "the first of the two, but not before the row before, nor an end before its start",
    ),
    "never": Rule(
        "a local time that the clock change leaves out", "read as by a clock not yet changed"
    ),
    "midnight": Rule("the end's time of day is before the start's", "ends on the next day"),
    "order": Rule("begins before the row before it", "read: rows are put in order of time"),
    # Stops
    "no_end": Rule("no end and no duration", "left out: its length is not known", sets_aside=True),
    "no_end_until": Rule(
        "no end and no duration", "lasts until the machine's next stop, or its window's end"
    ),
    "bad_duration": Rule("a duration that cannot be read", "row not read", sets_aside=True),
    "disagree": Rule("end and duration disagree by more than 2 s", "the end is taken"),
    "bad_end": Rule("an end that cannot be read, beside a duration", "the duration is taken"),
    "bad_beside": Rule("a duration that cannot be read, beside an end", "the end is taken"),
    "negative": Rule("ends before it begins", "row not read", sets_aside=True),
    "zero": Rule("begins and ends at one instant", "counts as a stop without time"),
    "long": Rule("a stop of more than 7 days", "read as it stands"),
    "duplicate": Rule(
        "the same start, end, reason and machine as another row", "read once", sets_aside=True
    ),
    "no_reason": Rule("no reason given", "booked under 'reason not given'"),
    "no_machine": Rule("no machine given", "booked under 'machine not given'"),
    "overlap": Rule(
        "begins before the stop before it has ended",
        "one halt with it; the time is booked to the stop that began first",
    ),
    "touch": Rule(
        "begins at the instant at which the stop before it ends",
        "one halt with it; each has its own time",
    ),
    "outside": Rule("touches no production window", "not in the accounts"),
    "edge": Rule("lies across a window's edge", "cut there; counts in the first it touches"),
    "no_windows": Rule("its machine has no production window", "not in the accounts"),
    # Windows and counts
    "empty_window": Rule("a window of no length", "row not read", sets_aside=True),
    "window_overlap": Rule("begins before the window before it has ended", "begins at that end"),
    "window_within": Rule("lies within the window before it", "row not read", sets_aside=True),
    "bad_count": Rule("a count that cannot be read", "the count is taken as not known"),
    "no_count": Rule("no count", "the count is taken as not known"),
    "counts_disagree": Rule("counts that contradict one another", "taken as not known"),
    "reset": Rule("a counter below its reading before", "it began anew: its reading is the count"),
    "first_reading": Rule("a counter's first reading", "no count: nothing to take it from"),
    "bad_speed": Rule("a speed that cannot be read", "the speed is taken as not known"),
    "faster": Rule("more packs than the stated speed allows", "read: is the speed stated too low?"),
    "count_outside": Rule("counts of a row outside all windows", "not in the accounts"),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """An oddity: in which file, in which line, which, and what the line says.

    Attributes
    ----------
    file : str
        Name of the file.
    line : int
        From 1, the heading included.
    kind : str
        A key of `RULES`.
    detail : str
        The value that is odd, or the line that it has to do with.
    """

    file: str
    line: int
    kind: str
    detail: str = ""

    @property
    def what(self) -> str:
        """What is odd."""
        return RULES[self.kind].what

    @property
    def done(self) -> str:
        """By which rule it was treated."""
        return RULES[self.kind].done

    @property
    def sets_aside(self) -> bool:
        """Whether the row was set aside."""
        return RULES[self.kind].sets_aside

    def __str__(self) -> str:
        told = f" ({self.detail})" if self.detail else ""
        return f"{self.file}:{self.line}: {self.what}{told}: {self.done}"


class Notebook:
    """Findings in one file, as they are made."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.findings: list[Finding] = []

    def note(self, line: int, kind: str, detail: str = "") -> None:
        """Write down an oddity."""
        self.findings.append(Finding(self.file, line, kind, detail))


def counts_by_kind(findings: Iterable[Finding]) -> dict[str, int]:
    """How often each kind was found, in the order of `RULES`."""
    found = Counter(finding.kind for finding in findings)
    return {kind: found[kind] for kind in RULES if found[kind]}


def shown(text: str) -> str:
    """A value of the file in quotes, on one line, shortened."""
    return f"'{_short(text)}'"


def listed(names: Iterable[str]) -> str:
    """Names in the file as a list of the first of them, each shortened; without the empty ones."""
    there = [_short(name) for name in names if name]
    more = f" and {len(there) - MOST_NAMES:,} more" if len(there) > MOST_NAMES else ""
    return ", ".join(there[:MOST_NAMES]) + more


def _short(text: str) -> str:
    text = escaped(text)
    return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"
