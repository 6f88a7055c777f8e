"""A plant's event log: read, put in order, and told apart by what could and could not be read."""

from feedsim.logs.findings import RULES, Finding, LogError, counts_by_kind
from feedsim.logs.layout import Columns, Layout, load_layout
from feedsim.logs.log import EventLog
from feedsim.logs.read import read_log
from feedsim.logs.spans import LoggedHalt, LoggedStop, ProductionWindow

__all__ = [
    "RULES",
    "Columns",
    "EventLog",
    "Finding",
    "Layout",
    "LogError",
    "LoggedHalt",
    "LoggedStop",
    "ProductionWindow",
    "counts_by_kind",
    "load_layout",
    "read_log",
]
