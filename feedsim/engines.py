"""Which program simulates: the SimPy model, or its compiled twin. The results are the same."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from typing import NamedTuple, Protocol

import numpy as np

from feedsim.accounts import Reading, Record, check_balances, columns_of, read
from feedsim.cell import Cell
from feedsim.kernel import machine_code
from feedsim.kernel.limits import refusal
from feedsim.mistakes import Mistake
from feedsim.model.shift import run_shift
from feedsim.stats import Floats

AUTO, SIMPY, COMPILED = "auto", "simpy", "compiled"

# Machine cycles a second on one core: what a study costs is told by them, roughly.
CYCLES_PER_S = {SIMPY: 500_000, COMPILED: 50_000_000}
LOADING_S = 1.0
COMPILING_S = 60.0

COMPILING = (
    "Compiling the model to machine code, once on this machine: about a minute "
    "(--engine simpy does without)."
)


class NoEngineError(Mistake):
    """An engine that was asked for and is not there."""


class Engine(Protocol):
    """What simulates shifts."""

    def sums(self, cell: Cell, seed: int, replications: range) -> Floats:
        """Sums of each replication, in the order of `feedsim.accounts.columns_of`."""

    def record(self, cell: Cell, seed: int, replication: int) -> Record:
        """All that changed in one shift."""


class Choice(NamedTuple):
    """The engine that a study takes, and what its user should know of that."""

    engine: str
    note: str = ""


def simulate(cell: Cell, seed: int, replication: int) -> Reading:
    """Simulate one shift with the SimPy model, check its balances and read its window."""
    return read(SimpyModel().record(cell, seed, replication), cell)


class SimpyModel:
    """The specification: `feedsim.model`, read by `feedsim.accounts`."""

    def sums(self, cell: Cell, seed: int, replications: range) -> Floats:
        """Sums of each replication."""
        columns = columns_of(cell)
        rows = []
        for replication in replications:
            reading = simulate(cell, seed, replication)
            tables = zip(columns, [*reading.machines, reading.crew], strict=True)
            rows.append([sums[name] for names, sums in tables for name in names])
        return np.array(rows, float)

    def record(self, cell: Cell, seed: int, replication: int) -> Record:
        """All that changed in one shift, its balances checked."""
        record = run_shift(cell, seed, replication)
        check_balances(record, cell)
        return record


_ready: dict[str, Engine] = {}


def engine_named(name: str) -> Engine:
    """Return an engine by its name, ready to run; it stays so for the rest of the process."""
    if name not in _ready:
        _ready[name] = SimpyModel() if name == SIMPY else _kernel()
    return _ready[name]


def _kernel() -> Engine:
    from feedsim.kernel.engine import Kernel

    return Kernel()


def choose(wanted: str, cells: Sequence[Cell], cycles: int, jobs: int = 1) -> Choice:
    """Choose the engine of a study.

    Parameters
    ----------
    wanted : {"auto", "simpy", "compiled"}
        "auto" takes the compiled model where numba is installed, unless the SimPy model is done
        before that is loaded, or compiled where it has not been yet. Once it is loaded it is
        always sooner done.
    cells : sequence of Cell
    cycles : int
        Machine cycles of the whole study.
    jobs : int
        Processes to work in.

    Returns
    -------
    Choice

    Raises
    ------
    NoEngineError
        If the compiled model is asked for and numba is not installed.
    """
    if wanted == SIMPY:
        return Choice(SIMPY)
    if find_spec("numba") is None:
        if wanted == AUTO:
            return Choice(SIMPY)
        raise NoEngineError(
            "--engine: 'compiled' needs numba, which is not installed, allowed: auto, simpy, or "
            "install it: pip install 'feedsim[fast]'"
        )
    is_kept = COMPILED in _ready or machine_code.is_kept()
    if wanted == AUTO and COMPILED not in _ready:
        simpy_s = cycles / CYCLES_PER_S[SIMPY] / jobs
        if simpy_s < (LOADING_S if is_kept else COMPILING_S):
            return Choice(SIMPY)
    for cell in cells:
        reason = refusal(cell)
        if reason is not None:
            return Choice(SIMPY, f"The compiled model does not run this ({reason}): SimPy does.")
    return Choice(COMPILED, "" if is_kept else COMPILING)


def made_ready(choice: Choice) -> Choice:
    """Load or compile what was chosen; where that cannot be had, SimPy takes its place."""
    try:
        engine_named(choice.engine)
    except Exception as error:
        reason = str(error).strip().splitlines()[:1] or [type(error).__name__]
        return Choice(SIMPY, f"The model cannot be compiled here ({reason[0][:200]}): SimPy runs.")
    return choice
