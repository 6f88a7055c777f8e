"""Run theory cases: simulate, compare, and show that what is wrong fails."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.engines import SIMPY
from feedsim.verify.case import AGREES_Z, FAILS_Z, Case

ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Outcome:
    """A case and what came out.

    `standard_error` is 0 where every replication gives the same number; `z` is the distance
    beyond the allowance in standard errors, `control_z` the control's.
    """

    case: Case
    replications: int
    value: float
    standard_error: float
    z: float
    control_z: float

    @property
    def name(self) -> str:
        """The case's name."""
        return self.case.name

    @property
    def source(self) -> str:
        """Where the reference comes from."""
        return self.case.source

    @property
    def reference(self) -> float:
        """What theory says."""
        return self.case.reference

    @property
    def agrees(self) -> bool:
        """Whether the simulation agrees with theory."""
        return abs(self.z) <= AGREES_Z

    @property
    def control_fails(self) -> bool:
        """Whether the same check turns down what is wrong, clearly."""
        return abs(self.control_z) > FAILS_Z

    @property
    def passed(self) -> bool:
        """Whether the simulation agrees and the check can fail."""
        return self.agrees and self.control_fails


def distance(value: float, reference: float, standard_error: float, allowance: float) -> float:
    """Distance of a value from a reference in standard errors, beyond an allowance.

    Returns
    -------
    float
        0 within the allowance (and floats' rounding); infinite beyond it where the standard
        error is 0; not a number where the value is not.
    """
    off = value - reference
    beyond = abs(off) - allowance
    if beyond <= ROUNDING * max(1.0, abs(reference)):
        return 0.0
    if standard_error == 0:
        return math.copysign(math.inf, off)
    return math.copysign(beyond / standard_error, off)


def run_case(case: Case, scale: int = 1, engine: str = SIMPY) -> Outcome:
    """Simulate a case and its control.

    Parameters
    ----------
    case : Case
    scale : int
        How many times the quick check's replications.
    engine : {"simpy", "compiled"}
        What simulates.

    Returns
    -------
    Outcome
    """
    replications = case.replications * scale
    value, error = _look(case, case.config, replications, engine)
    wrong_value, wrong_error = value, error
    if case.control.config is not None:
        wrong_value, wrong_error = _look(case, case.control.config, replications, engine)
    wrong = case.reference if case.control.reference is None else case.control.reference
    return Outcome(
        case,
        replications,
        value,
        error,
        distance(value, case.reference, error, case.allowance),
        distance(wrong_value, wrong, wrong_error, case.allowance),
    )


def _look(case: Case, config: str, replications: int, engine: str) -> tuple[float, float]:
    value, deviations = case.looks_at.look(config, replications, engine)
    if len(deviations) < 2:
        return value, 0.0
    error = float(np.std(deviations, ddof=1)) / math.sqrt(len(deviations))
    # What is left of equal numbers by the rounding of floats is no error.
    return value, 0.0 if error <= ROUNDING * max(1.0, abs(value)) else error
