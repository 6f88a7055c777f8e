"""The package proves itself: the simulation against closed forms and published tables.

Cases are data with their sources; the tests run them all.
"""

from feedsim.verify.case import AGREES_Z, FAILS_Z, Case, Control
from feedsim.verify.run import Outcome, run_case
from feedsim.verify.subjects import SUBJECTS, all_cases

__all__ = [
    "AGREES_Z",
    "FAILS_Z",
    "SUBJECTS",
    "Case",
    "Control",
    "Outcome",
    "all_cases",
    "run_case",
]
