"""The input: what a config may say, checked, with units, lines of errors and starter text."""

from feedsim.config.catalog import all_keys, describe_key
from feedsim.config.crew import Break, Crew, Duty
from feedsim.config.explain import Row, explain
from feedsim.config.load import load_config, parse_config
from feedsim.config.machine import Machine, Outfeed, Pick, Station
from feedsim.config.magazine import Geometry, Magazine
from feedsim.config.problems import ConfigError, Problem
from feedsim.config.root import Config
from feedsim.config.starter import starter_text
from feedsim.config.study import Money, PlannedStop, Study
from feedsim.config.surprises import loading_share, warnings_of
from feedsim.config.times import Spread
from feedsim.config.write import dump_toml

__all__ = [
    "Break",
    "Config",
    "ConfigError",
    "Crew",
    "Duty",
    "Geometry",
    "Machine",
    "Magazine",
    "Money",
    "Outfeed",
    "Pick",
    "PlannedStop",
    "Problem",
    "Row",
    "Spread",
    "Station",
    "Study",
    "all_keys",
    "describe_key",
    "dump_toml",
    "explain",
    "load_config",
    "loading_share",
    "parse_config",
    "starter_text",
    "warnings_of",
]
