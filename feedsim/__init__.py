"""Discrete-event simulation of bag feeding on packing machines.

Everything that the command line does is a function here::

    import feedsim

    config = feedsim.load_config("configs/oats_slider.toml")
    result = feedsim.capacity(config, [50, 100, 150], work=feedsim.Work(jobs=2))
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from feedsim.version import VERSION

if TYPE_CHECKING:
    from feedsim.answers.account import AccountResult, account
    from feedsim.answers.capacity import CapacityResult, capacity
    from feedsim.answers.compare import CompareResult, compare
    from feedsim.answers.compare_inputs import CompareInputs, compare_over_inputs
    from feedsim.answers.explanations import Explanation, explain_name
    from feedsim.answers.film import FilmResult, film_study
    from feedsim.answers.film.inputs import FilmInputs, film_over_inputs
    from feedsim.answers.money import Worth, worth
    from feedsim.answers.precision import Goal, Precision
    from feedsim.answers.replay import Replay, replay
    from feedsim.answers.rounds import RoundsResult, rounds
    from feedsim.answers.rounds_inputs import RoundsInputs, rounds_over_inputs
    from feedsim.answers.run import RunResult, run
    from feedsim.answers.sensitivity import SensitivityResult, sensitivity
    from feedsim.answers.size import SizeResult, size
    from feedsim.answers.sweep import SweepResult, sweep
    from feedsim.answers.targets import Target
    from feedsim.answers.trial import bad_bundles
    from feedsim.answers.trial_efficiency import (
        EfficiencyResult,
        EfficiencyTrial,
        trial_efficiency,
    )
    from feedsim.answers.trial_plan import PlanResult, trial_plan
    from feedsim.answers.trial_result import TrialResult, trial_result
    from feedsim.answers.uncertain import InputsResult, with_uncertain_inputs
    from feedsim.answers.unknowns import unknowns_of
    from feedsim.cell import Cell, build_cell
    from feedsim.config import Config, ConfigError, load_config, parse_config
    from feedsim.config.film import read_film_model
    from feedsim.film import FilmModel
    from feedsim.fit.picks import PicksResult, fit_picks
    from feedsim.fit.stops import StopsResult, fit_stops
    from feedsim.fit.trials import TrialLayout, Trials, read_trials
    from feedsim.logs import EventLog, Layout, LogError, load_layout, read_log
    from feedsim.study import Setting, Work
    from feedsim.verify.face import FaceValidity, face_validity

__version__ = VERSION

_HOMES = {
    "AccountResult": "feedsim.answers.account",
    "account": "feedsim.answers.account",
    "EventLog": "feedsim.logs",
    "Layout": "feedsim.logs",
    "LogError": "feedsim.logs",
    "load_layout": "feedsim.logs",
    "read_log": "feedsim.logs",
    "CapacityResult": "feedsim.answers.capacity",
    "capacity": "feedsim.answers.capacity",
    "CompareResult": "feedsim.answers.compare",
    "compare": "feedsim.answers.compare",
    "CompareInputs": "feedsim.answers.compare_inputs",
    "compare_over_inputs": "feedsim.answers.compare_inputs",
    "Explanation": "feedsim.answers.explanations",
    "explain_name": "feedsim.answers.explanations",
    "FilmResult": "feedsim.answers.film",
    "film_study": "feedsim.answers.film",
    "FilmInputs": "feedsim.answers.film.inputs",
    "film_over_inputs": "feedsim.answers.film.inputs",
    "RoundsResult": "feedsim.answers.rounds",
    "rounds": "feedsim.answers.rounds",
    "RoundsInputs": "feedsim.answers.rounds_inputs",
    "rounds_over_inputs": "feedsim.answers.rounds_inputs",
    "RunResult": "feedsim.answers.run",
    "run": "feedsim.answers.run",
    "SweepResult": "feedsim.answers.sweep",
    "sweep": "feedsim.answers.sweep",
    "bad_bundles": "feedsim.answers.trial",
    "EfficiencyResult": "feedsim.answers.trial_efficiency",
    "EfficiencyTrial": "feedsim.answers.trial_efficiency",
    "trial_efficiency": "feedsim.answers.trial_efficiency",
    "PlanResult": "feedsim.answers.trial_plan",
    "trial_plan": "feedsim.answers.trial_plan",
    "TrialResult": "feedsim.answers.trial_result",
    "trial_result": "feedsim.answers.trial_result",
    "Worth": "feedsim.answers.money",
    "worth": "feedsim.answers.money",
    "Cell": "feedsim.cell",
    "build_cell": "feedsim.cell",
    "Config": "feedsim.config",
    "ConfigError": "feedsim.config",
    "load_config": "feedsim.config",
    "parse_config": "feedsim.config",
    "read_film_model": "feedsim.config.film",
    "FilmModel": "feedsim.film",
    "PicksResult": "feedsim.fit.picks",
    "fit_picks": "feedsim.fit.picks",
    "TrialLayout": "feedsim.fit.trials",
    "Trials": "feedsim.fit.trials",
    "read_trials": "feedsim.fit.trials",
    "Goal": "feedsim.answers.precision",
    "Precision": "feedsim.answers.precision",
    "StopsResult": "feedsim.fit.stops",
    "fit_stops": "feedsim.fit.stops",
    "SensitivityResult": "feedsim.answers.sensitivity",
    "sensitivity": "feedsim.answers.sensitivity",
    "SizeResult": "feedsim.answers.size",
    "size": "feedsim.answers.size",
    "Target": "feedsim.answers.targets",
    "InputsResult": "feedsim.answers.uncertain",
    "with_uncertain_inputs": "feedsim.answers.uncertain",
    "unknowns_of": "feedsim.answers.unknowns",
    "Replay": "feedsim.answers.replay",
    "replay": "feedsim.answers.replay",
    "Setting": "feedsim.study",
    "Work": "feedsim.study",
    "FaceValidity": "feedsim.verify.face",
    "face_validity": "feedsim.verify.face",
}

__all__ = [
    "AccountResult",
    "CapacityResult",
    "Cell",
    "CompareInputs",
    "CompareResult",
    "Config",
    "ConfigError",
    "EfficiencyResult",
    "EfficiencyTrial",
    "EventLog",
    "Explanation",
    "FaceValidity",
    "FilmInputs",
    "FilmModel",
    "FilmResult",
    "Goal",
    "InputsResult",
    "Layout",
    "LogError",
    "PicksResult",
    "PlanResult",
    "Precision",
    "Replay",
    "RoundsInputs",
    "RoundsResult",
    "RunResult",
    "SensitivityResult",
    "Setting",
    "SizeResult",
    "StopsResult",
    "SweepResult",
    "Target",
    "TrialLayout",
    "TrialResult",
    "Trials",
    "Work",
    "Worth",
    "__version__",
    "account",
    "bad_bundles",
    "build_cell",
    "capacity",
    "compare",
    "compare_over_inputs",
    "explain_name",
    "face_validity",
    "film_over_inputs",
    "film_study",
    "fit_picks",
    "fit_stops",
    "load_config",
    "load_layout",
    "parse_config",
    "read_film_model",
    "read_log",
    "read_trials",
    "replay",
    "rounds",
    "rounds_over_inputs",
    "run",
    "sensitivity",
    "size",
    "sweep",
    "trial_efficiency",
    "trial_plan",
    "trial_result",
    "unknowns_of",
    "with_uncertain_inputs",
    "worth",
]


def __dir__() -> list[str]:
    return __all__


def __getattr__(name: str) -> Any:
    """Import what is asked for when it is asked for: `feedsim --help` needs none of it."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'feedsim' has no attribute {name!r}")
