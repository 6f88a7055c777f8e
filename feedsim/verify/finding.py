"""What a check of the campaign found: results beside references, and counts of what is wrong."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from feedsim.verify.case import AGREES_Z, FAILS_Z

PASSED, FAILED, CONTROL_PASSED, NOT_RUN = VERDICTS = (
    "passed",
    "FAILED",
    "CONTROL NOT TURNED DOWN",
    "not run",
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One check: what came out, what should, and whether what is wrong was turned down.

    Attributes
    ----------
    part : str
        The part of the campaign.
    name : str
        Unique within it.
    source : str
        Where the reference comes from.
    sample : str
        From how much: "400 shifts".
    reference, value, standard_error : float
        In the same unit; a standard error of 0 where every sample must give the reference.
    z : float
        Distance beyond what is allowed, in standard errors.
    control : str
        What is wrong and must be turned down.
    control_z : float
        Its distance.
    false_alarm : float
        The chance that the check fails though all is right.
    engine : str
        What simulated.
    note : str
        An allowance and its reason, or the first thing that was wrong.
    was_run : bool
    """

    part: str
    name: str
    source: str
    sample: str = ""
    reference: float = math.nan
    value: float = math.nan
    standard_error: float = math.nan
    z: float = math.nan
    control: str = ""
    control_z: float = math.nan
    false_alarm: float = 0.0
    engine: str = ""
    note: str = ""
    was_run: bool = True

    @property
    def agrees(self) -> bool:
        """Whether the result agrees with the reference."""
        return abs(self.z) <= AGREES_Z

    @property
    def control_fails(self) -> bool:
        """Whether what is wrong was turned down, clearly."""
        return abs(self.control_z) > FAILS_Z

    @property
    def verdict(self) -> str:
        """One of `VERDICTS`."""
        if not self.was_run:
            return NOT_RUN
        if not self.agrees:
            return FAILED
        return PASSED if self.control_fails else CONTROL_PASSED

    @property
    def is_wrong(self) -> bool:
        """Whether it was run and did not pass."""
        return self.verdict in (FAILED, CONTROL_PASSED)


@dataclass(frozen=True, slots=True)
class Tally:
    """How many were tried and how many were wrong; parts of one tally are added together.

    Attributes
    ----------
    part, name, source, engine : str
        As a finding's.
    unit : str
        What was tried: "cells".
    tried, wrong : int
    control : str
    control_tried, control_wrong : int
        The same for what has to be wrong.
    allowed : float
        The share that may be wrong; at 0 none may, and all of the control must be.
    example : str
        The first that was wrong.
    """

    part: str
    name: str
    source: str
    unit: str
    tried: int = 0
    wrong: int = 0
    control: str = ""
    control_tried: int = 0
    control_wrong: int = 0
    allowed: float = 0.0
    engine: str = ""
    example: str = ""

    def plus(self, other: Tally) -> Tally:
        """Both together."""
        return replace(
            self,
            tried=self.tried + other.tried,
            wrong=self.wrong + other.wrong,
            control_tried=self.control_tried + other.control_tried,
            control_wrong=self.control_wrong + other.control_wrong,
            example=self.example or other.example,
        )

    def finding(self) -> Finding:
        """What it amounts to: a share against what is allowed, or a count against 0.

        Nothing tried is a failure, and so is a control of which nothing was tried.
        """
        share = self.allowed
        z, control_z = (
            self._distance(wrong, tried)
            for wrong, tried in (
                (self.wrong, self.tried),
                (self.control_wrong, self.control_tried),
            )
        )
        if not share and self.control_wrong < self.control_tried:
            control_z = 0.0
        value = float(self.wrong)
        if share:
            value = self.wrong / self.tried if self.tried else math.nan
        return Finding(
            self.part,
            self.name,
            self.source,
            f"{self.tried:,} {self.unit}",
            share,
            value,
            self._error(self.tried) if share and self.tried else 0.0,
            math.nan if not self.tried else z,
            f"{self.control} ({self.control_wrong:,} of {self.control_tried:,} turned down)",
            control_z,
            _more_than(self.tried, share) if share and self.tried else 0.0,
            self.engine,
            self.example,
        )

    def _error(self, tried: int) -> float:
        return math.sqrt(self.allowed * (1 - self.allowed) / tried)

    def _distance(self, wrong: int, tried: int) -> float:
        """How far too many are wrong: one-sided, for fewer are no fault."""
        if not self.allowed or not tried:
            return math.inf if wrong else 0.0
        return max(0.0, (wrong / tried - self.allowed) / self._error(tried))


def added(tallies: Iterable[Tally]) -> list[Finding]:
    """The findings of tallies; those of one part and name together."""
    found: dict[tuple[str, str], Tally] = {}
    for tally in tallies:
        key = tally.part, tally.name
        found[key] = found[key].plus(tally) if key in found else tally
    return [tally.finding() for tally in found.values()]


def far_by_luck(degrees: int) -> float:
    """The chance that a Student's t of so many degrees lies as far off as is not allowed."""
    from scipy.special import stdtr

    return float(2 * stdtr(degrees, -AGREES_Z))


def _more_than(tried: int, share: float) -> float:
    """The chance of more than are allowed, of so many independent ones with that share."""
    from scipy.special import bdtrc

    most = math.floor(tried * share + AGREES_Z * math.sqrt(tried * share * (1 - share)))
    return float(bdtrc(most, tried, share))


def off_by_luck(tried: int, share: float) -> float:
    """The chance of a share farther off than is allowed, to either side."""
    from scipy.special import bdtr

    least = math.ceil(tried * share - AGREES_Z * math.sqrt(tried * share * (1 - share)))
    below = float(bdtr(least - 1, tried, share)) if least > 0 else 0.0
    return below + _more_than(tried, share)
