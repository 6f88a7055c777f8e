"""What a cell does: OEE and its parts, losses by cause, visits, people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.answers.precision import Precision, Shortfall, simulate_settings
from feedsim.answers.rows import Row, rows_of
from feedsim.answers.shown import ShownRows
from feedsim.cell import build_cell
from feedsim.config import Config
from feedsim.study import HERE, Results, Setting, Work


@dataclass(frozen=True)
class RunResult(ShownRows):
    """The answer of `run`."""

    config: Config
    results: Results
    rows: list[Row]
    shortfalls: Sequence[Shortfall] = ()

    @property
    def cell(self) -> Row:
        """The whole cell's row."""
        return self.rows[-1]

    def __repr__(self) -> str:
        oee = self.cell["oee"]
        return f"RunResult(oee={oee.value:.4f} [{oee.low:.4f}, {oee.high:.4f}])"


def run(
    config: Config,
    *,
    work: Work = HERE,
    precision: Precision | None = None,
) -> RunResult:
    """Simulate a cell as its config says.

    Parameters
    ----------
    config : Config
    work : Work
        Who simulates; the answer is the same.
    precision : Precision, optional
        Half-widths to reach, in place of the config's number of replications.

    Returns
    -------
    RunResult

    Raises
    ------
    TooLarge
        If the study would run for hours.
    """
    settings = [Setting({}, build_cell(config))]
    results, shortfalls = simulate_settings(config, settings, work, precision)
    return RunResult(config, results, rows_of(results), shortfalls)
