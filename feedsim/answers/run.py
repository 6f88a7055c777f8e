"""What a cell does: OEE and its parts, losses by cause, visits, people."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.answers.rows import Row, rows_of, simulate_settings
from feedsim.cell import build_cell
from feedsim.config import Config
from feedsim.engines import AUTO
from feedsim.study import Progress, Results, Say, Setting


@dataclass(frozen=True)
class RunResult:
    """The answer of `run`."""

    config: Config
    results: Results
    rows: list[Row]

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
    jobs: int = 1,
    engine: str = AUTO,
    allow_large: bool = False,
    progress: Progress | None = None,
    say: Say | None = None,
) -> RunResult:
    """Simulate a cell as its config says.

    Parameters
    ----------
    config : Config
    jobs : int
        Processes to work in.
    engine : {"auto", "simpy", "compiled"}
        What simulates; the answer is the same.
    allow_large : bool
        Lift the limit on a study's size.
    progress : callable, optional
        Told of runs done, of how many.
    say : callable, optional
        Told that the model is compiled first, or cannot be.

    Returns
    -------
    RunResult

    Raises
    ------
    TooLarge
        If the study would run for hours and `allow_large` is not given.
    """
    settings = [Setting({}, build_cell(config))]
    results = simulate_settings(
        config,
        settings,
        jobs=jobs,
        engine=engine,
        allow_large=allow_large,
        progress=progress,
        say=say,
    )
    return RunResult(config, results, rows_of(results))
