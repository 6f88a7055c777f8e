"""What happened: states, pockets, bags and visits, and how a window of them is read."""

from feedsim.accounts.balances import BalanceError, check_balances
from feedsim.accounts.columns import columns_of
from feedsim.accounts.reading import Reading, read
from feedsim.accounts.record import MachineRecord, Record
from feedsim.accounts.timeline import Window

__all__ = [
    "BalanceError",
    "MachineRecord",
    "Reading",
    "Record",
    "Window",
    "check_balances",
    "columns_of",
    "read",
]
