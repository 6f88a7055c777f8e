"""A campaign in words and tables: the answer, the scope, each finding, and the odds of luck."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from feedsim.verify.campaign import PARTS, Size, false_alarm
from feedsim.verify.case import AGREES_Z, FAILS_Z
from feedsim.verify.finding import CONTROL_PASSED, FAILED, NOT_RUN, PASSED, Finding

if TYPE_CHECKING:
    import pandas as pd

QUESTION = "Does this installation compute the model that it says it computes?"
SCOPE = (
    (
        "Shown here",
        "The program installed on this machine computes the stated model: its shifts agree with "
        "closed forms and published tables where there are any, its two engines tell the same "
        "shifts to the microsecond, every shift adds up, its intervals hold the truth as often as "
        "they say, and its search finds magazines whose size is known otherwise.",
    ),
    (
        "How far",
        "By trial, at the cases listed: what no case reaches is not shown. A deviation that is "
        "small beside a case's standard error is not seen. Random cells are small ones.",
    ),
    (
        "That a check can fail",
        "Beside each check stands something that is wrong: another formula, a planted "
        "difference, a spoilt record, intervals that are too narrow. The same check has to turn "
        "it down, or it counts as not passed.",
    ),
    (
        "Not shown here, nor by any test of a program",
        "That your plant is like the model. That takes the plant's own data: read a log of it "
        "with feedsim account, fit stops and picks with feedsim fit, and compare what a config of "
        "your line gives with what the line gave before you rely on the level of a figure.",
    ),
    (
        "People",
        "Nothing here is a safety assessment. Work at the machines follows their guards, local "
        "codes and licensed practice.",
    ),
)
COLUMNS = (
    *("check", "verdict", "reference", "result", "standard error", "distance"),
    *("wrong on purpose", "its distance", "turned down", "sample", "engine", "source", "note"),
)
WORDS = {
    "theory": (
        "Each case is a config whose answer is known. The distance is that of the result from "
        "the reference, beyond what the case allows, in standard errors of the result; 0 where "
        "it lies within. Where no standard error is given, every shift must give the reference."
    ),
    "engines": (
        "The SimPy model is the specification. Its compiled twin simulates the same shifts of "
        "random cells, and each state change, count and sum is compared. The count of what "
        "differs must be 0."
    ),
    "balances": (
        "Random cells in which every mechanism meets every other one: time, bags, packs, halts, "
        "waiting, shares, and two windows that adjoin must add up. The count of those that do "
        "not must be 0."
    ),
    "coverage": (
        "Many experiments with luck of their own, on plants of which the truth is known from far "
        "more shifts: the share of intervals of 95 % that hold it. The standard error is that of "
        "the share."
    ),
    "sizing": (
        "Magazines whose smallest size is known: by hand, where there is no luck, and by scans of "
        "all capacities at high precision. Of the claims made at 95 % confidence at most 5 % may "
        "be wrong."
    ),
}


@dataclass(frozen=True)
class PartSection:
    """A part of the campaign as a section of a page."""

    part: str
    findings: Sequence[Finding]

    picture: bytes | None = None

    @property
    def title(self) -> str:
        """Heading."""
        title = PARTS[self.part]
        return title[0].upper() + title[1:]

    @property
    def words(self) -> list[str]:
        """What is compared, and how many passed."""
        return [WORDS[self.part], _counted(self.findings)]

    @property
    def columns(self) -> list[str]:
        """Headings."""
        return list(COLUMNS)

    @property
    def rows(self) -> list[list[str]]:
        """One finding a line."""
        return [_line(found) for found in self.findings]


def sections_of(findings: Sequence[Finding]) -> list[PartSection]:
    """A section for each part that has findings."""
    by_part = {part: [f for f in findings if f.part == part] for part in PARTS}
    return [PartSection(part, found) for part, found in by_part.items() if found]


def answer_of(findings: Sequence[Finding], size: Size, *, is_part: bool = False) -> list[str]:
    """The answer, one sentence after the other; the first is the answer itself.

    Parameters
    ----------
    findings : sequence of Finding
    size : Size
    is_part : bool
        Whether only a part of the campaign was asked for.

    Returns
    -------
    list of str
    """
    checks = f"checks of {'a part of ' if is_part else ''}the {size.name} campaign"
    run = [found for found in findings if found.was_run]
    wrong = [found for found in run if found.is_wrong]
    if not run:
        return ["Nothing was run, so nothing is shown."]
    told = [f"All {len(run):,} {checks} passed, and each turned down what was wrong on purpose."]
    if wrong:
        failed = [found for found in wrong if found.verdict == FAILED]
        blind = [found for found in wrong if found.verdict == CONTROL_PASSED]
        parts = [f"{len(failed):,} failed"] if failed else []
        parts += [f"{len(blind):,} did not turn down what was wrong on purpose"] if blind else []
        told = [f"Of {len(run):,} {checks} {' and '.join(parts)}."]
        told += [f"{found.verdict}: {found.part}, {found.name}." for found in wrong[:20]]
        told += [f"... and {len(wrong) - 20:,} more."] if len(wrong) > 20 else []
    missing = [found for found in findings if not found.was_run]
    if missing:
        names = ", ".join(dict.fromkeys(found.name for found in missing))
        told.append(f"Not run: {names} ({missing[0].note}).")
    return [*told, luck_of(findings)]


def luck_of(findings: Sequence[Finding]) -> str:
    """What the chance of a false alarm is."""
    compared = [found for found in findings if found.was_run and found.standard_error > 0]
    if not compared:
        return "No check rests on luck: each must hold in every shift."
    return (
        f"Resting on luck: {len(compared):,}, each at {AGREES_Z:g} standard errors. Were "
        f"everything right, one or more would fail with a chance of at most "
        f"{100 * false_alarm(findings):.1g} % (sum over Student's t and binomial tails; a "
        f"control must lie beyond {FAILS_Z:g}). Seeds are fixed: a failure comes again on "
        "every run of the same version."
    )


def document_of(findings: Sequence[Finding], size: Size) -> dict[str, Any]:
    """All that was found, for JSON."""
    counts = {
        verdict: sum(found.verdict == verdict for found in findings)
        for verdict in (PASSED, FAILED, CONTROL_PASSED, NOT_RUN)
    }
    return {
        "campaign": size.name,
        "passed": counts[PASSED],
        "failed": counts[FAILED],
        "controls_not_turned_down": counts[CONTROL_PASSED],
        "not_run": counts[NOT_RUN],
        "false_alarm": false_alarm(findings),
        "checks": [_plain(found) for found in findings],
    }


def frame_of(findings: Sequence[Finding]) -> pd.DataFrame:
    """One finding a line, numbers to their last digit."""
    import pandas as pd

    return pd.DataFrame([_values(found) for found in findings])


def _values(found: Finding) -> dict[str, Any]:
    return {
        "part": found.part,
        "check": found.name,
        "engine": found.engine,
        "source": found.source,
        "sample": found.sample,
        "reference": found.reference,
        "result": found.value,
        "standard_error": found.standard_error,
        "distance": found.z,
        "verdict": found.verdict,
        "control": found.control,
        "control_distance": found.control_z,
        "control_turned_down": found.control_fails if found.was_run else "",
        "note": found.note,
    }


def _plain(found: Finding) -> Mapping[str, Any]:
    """The same as JSON can hold it: no number that is none, and a word for an endless one."""
    told: dict[str, Any] = {}
    for name, value in _values(found).items():
        told[name] = value
        if isinstance(value, float) and not math.isfinite(value):
            told[name] = None if math.isnan(value) else "infinite"
    return told


def _line(found: Finding) -> list[str]:
    down = "" if not found.was_run else ("yes" if found.control_fails else "NO")
    return [
        found.name,
        found.verdict,
        _number(found.reference),
        _number(found.value),
        _number(found.standard_error, 2) if found.standard_error else "none",
        _distance(found.z),
        found.control,
        _distance(found.control_z),
        down,
        found.sample,
        found.engine,
        found.source,
        found.note,
    ]


def _number(value: float, digits: int = 6) -> str:
    return "-" if math.isnan(value) else f"{value:.{digits}g}"


def _distance(z: float) -> str:
    if math.isnan(z):
        return "-"
    if math.isinf(z):
        return "beyond all luck"
    return f"{z:+.1f}" if z else "0"


def _counted(findings: Sequence[Finding]) -> str:
    names = (PASSED, FAILED, CONTROL_PASSED, NOT_RUN)
    counts = [(sum(f.verdict == name for f in findings), name) for name in names]
    return "; ".join(f"{count:,} {name}" for count, name in counts if count) + "."
