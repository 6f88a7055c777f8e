"""What happened: states, pockets, bags and visits, and how a window of them is read."""

from feedsim.accounts.balances import BalanceError, check_balances
from feedsim.accounts.reading import Reading, Window, read
from feedsim.accounts.record import MachineRecord, Record

__all__ = [
    "BalanceError",
    "MachineRecord",
    "Reading",
    "Record",
    "Window",
    "check_balances",
    "read",
]
