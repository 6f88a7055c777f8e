"""The campaign: all checks, in tasks that any worker can do, and what they find together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from feedsim.engines import COMPILED, SIMPY
from feedsim.executors import Workers
from feedsim.verify import coverage, engine_checks, sizing
from feedsim.verify.alterations import ALTERATIONS
from feedsim.verify.case import Case, RecordsRatio
from feedsim.verify.finding import Finding, Tally, added, far_by_luck
from feedsim.verify.run import Outcome, run_case
from feedsim.verify.subjects import all_cases

THEORY = "theory"
PARTS: Mapping[str, str] = {
    THEORY: "theory: closed forms and published tables",
    engine_checks.EQUALITY: "engines: the SimPy model and its compiled twin",
    engine_checks.BALANCES: "balances: what every shift must keep",
    coverage.PART: "coverage: whether intervals keep their word",
    sizing.PART: "sizing: magazines with known answers",
}


@dataclass(frozen=True, slots=True)
class Size:
    """How much of each check is done.

    Attributes
    ----------
    name : str
    theory : mapping from str to int
        How many times a case's own replications, by engine. Cases that count in whole records
        take a tenth of the compiled model's: writing them takes longer than simulating.
    cells : int
        Random cells of each kind, told by both engines.
    planted : int
        Every how manyth planted difference is tried.
    shifts : int
        Random shifts on each engine whose balances are checked.
    coverage : sequence of Coverage
    experiments, experiments_stopped, truth_shifts : int
        Of each check of coverage; the second where it stops at a half-width.
    problems : int
        Sizing problems whose answer is known by a scan.
    left_out : str
        What a larger size has and this one has not.
    """

    name: str
    theory: Mapping[str, int]
    cells: int
    planted: int
    shifts: int
    coverage: Sequence[coverage.Coverage]
    experiments: int
    experiments_stopped: int
    truth_shifts: int
    problems: int
    left_out: str = ""


QUICK = Size(
    "quick",
    {COMPILED: 10},
    cells=100,
    planted=6,
    shifts=150,
    coverage=[asked for asked in coverage.FIXED if asked.replications == 40],
    experiments=1000,
    experiments_stopped=500,
    truth_shifts=100_000,
    problems=8,
    left_out="The quick campaign leaves out: theory on the SimPy model (it is the compiled one's "
    "turn), nine of ten shifts of each case, most random cells and planted differences, coverage "
    "at 400 shifts and after stopping at a precision, and most sizing problems. --full has them.",
)
FULL = Size(
    "full",
    {COMPILED: 100, SIMPY: 1},
    cells=1000,
    planted=1,
    shifts=1000,
    coverage=coverage.ALL,
    experiments=1000,
    experiments_stopped=500,
    truth_shifts=100_000,
    problems=60,
)
# A part of a batch: a worker's task takes some seconds.
BATCH = 50
# Of fewer, too few are impossible or clear for a wrong answer to be turned down.
FEW_PROBLEMS = 40
CLAIM = "claim alone"


class Task(NamedTuple):
    """A piece of the campaign, by names and numbers alone."""

    part: str
    what: str
    engine: str
    name: str = ""
    numbers: range = range(0)
    scale: int = 1
    asked: coverage.Coverage | None = None
    truth_shifts: int = 0

    def alone(self) -> list[Task]:
        """The same: tasks are not split."""
        return [self]


Found = Finding | Tally


def tasks_of(
    size: Size, engines: Sequence[str], parts: Sequence[str] = (), cases: str = ""
) -> list[Task]:
    """The tasks of a campaign.

    Parameters
    ----------
    size : Size
    engines : sequence of {"simpy", "compiled"}
        Those that can be had.
    parts : sequence of str
        Of `PARTS`; by default all.
    cases : str
        Only theory cases whose name has this in it.

    Returns
    -------
    list of Task
        The longest first. What needs an engine that cannot be had is among them, too.
    """
    theory = {engine: size.theory[engine] for engine in size.theory if engine in engines}
    tasks = [
        Task(THEORY, "case", engine, name, scale=scale)
        for engine, scale in (theory or {SIMPY: 1}).items()
        for name in _configs(cases)
    ]
    if not cases:
        tasks += _random_tasks(size)
        tasks += [
            Task(
                coverage.PART,
                "coverage",
                COMPILED,
                asked.name,
                range(size.experiments_stopped if asked.half_width else size.experiments),
                asked=asked,
                truth_shifts=size.truth_shifts,
            )
            for asked in reversed(size.coverage)
        ]
        tasks += [
            Task(sizing.PART, "without luck", COMPILED, str(share)) for share in sizing.DRY_SHARES
        ]
        tasks += [
            Task(
                sizing.PART,
                "problem",
                COMPILED,
                CLAIM if size.problems < FEW_PROBLEMS else "",
                range(n, n + 1),
            )
            for n in range(size.problems)
        ]
    order = [coverage.PART, sizing.PART, engine_checks.EQUALITY, engine_checks.BALANCES, THEORY]
    wanted = [task for task in tasks if not parts or task.part in parts]
    return sorted(wanted, key=lambda task: order.index(task.part))


def _random_tasks(size: Size) -> Iterator[Task]:
    for kind in engine_checks.KINDS:
        for first in range(0, size.cells, BATCH):
            numbers = range(first, min(first + BATCH, size.cells))
            yield Task(engine_checks.EQUALITY, "cells", "both", kind, numbers)
    for name in list(ALTERATIONS)[:: size.planted]:
        yield Task(engine_checks.EQUALITY, "planted", "both", name)
    for engine in (SIMPY, COMPILED):
        yield Task(engine_checks.BALANCES, "spoilt", engine)
        for first in range(0, size.shifts, BATCH):
            numbers = range(first, min(first + BATCH, size.shifts))
            yield Task(engine_checks.BALANCES, "shifts", engine, numbers=numbers)


def _configs(cases: str) -> list[str]:
    """The names of cases that look at the same shifts, one of each group."""
    firsts: dict[str, str] = {}
    for case in all_cases():
        if cases.lower() in case.name.lower():
            firsts.setdefault(f"{case.config}{case.replications}", case.name)
    return list(firsts.values())


def do_task(task: Task) -> list[Found]:
    """Do a task, in whatever process; one that breaks off is a finding that failed."""
    do: Mapping[str, Callable[[Task], list[Found]]] = {
        "case": _theory,
        "cells": lambda t: [engine_checks.check_equality(t.name, t.numbers)],
        "planted": lambda t: [engine_checks.check_planted(t.name)],
        "shifts": lambda t: [engine_checks.check_balanced(t.engine, t.numbers)],
        "spoilt": lambda t: [engine_checks.check_spoilt(t.engine)],
        "coverage": _coverage,
        "without luck": lambda t: [sizing.check_without_luck(float(t.name))],
        "problem": lambda t: list(
            sizing.check_problem(t.numbers[0], is_claim_alone=t.name == CLAIM)
        ),
    }
    try:
        return do[task.what](task)
    except Exception as error:
        # The campaign tells of everything that goes wrong, and goes on.
        return _broken(task, f"{type(error).__name__}: {error}")


def _theory(task: Task) -> list[Found]:
    cases = all_cases()
    first = next(case for case in cases if case.name == task.name)
    alike = [
        case
        for case in cases
        if (case.config, case.replications) == (first.config, first.replications)
    ]
    return [
        theory_finding(run_case(case, _scale(case, task), task.engine), task.engine)
        for case in alike
    ]


def _scale(case: Case, task: Task) -> int:
    if task.engine == COMPILED and isinstance(case.looks_at, RecordsRatio):
        return max(1, task.scale // 10)
    return task.scale


def theory_finding(outcome: Outcome, engine: str) -> Finding:
    """An outcome as a finding of the campaign."""
    case = outcome.case
    note = f"allowed besides: {case.allowance:.3g}; {case.reason}" if case.allowance else ""
    return Finding(
        THEORY,
        case.name,
        case.source,
        f"{outcome.replications:,} shifts",
        case.reference,
        outcome.value,
        outcome.standard_error,
        outcome.z,
        case.control.why,
        outcome.control_z,
        far_by_luck(outcome.replications - 1) if outcome.standard_error else 0.0,
        engine,
        note,
    )


def _coverage(task: Task) -> list[Found]:
    assert task.asked is not None
    return [coverage.check(task.asked, len(task.numbers), task.truth_shifts)]


def run_campaign(
    tasks: Sequence[Task],
    engines: Sequence[str],
    jobs: int = 1,
    why_not: str = "",
    progress: Callable[[int, int], Any] | None = None,
) -> list[Finding]:
    """Do the tasks and put together what they found.

    Parameters
    ----------
    tasks : sequence of Task
    engines : sequence of str
        Those that can be had.
    jobs : int
        Processes.
    why_not : str
        Why the compiled model cannot be had, where it cannot.
    progress : callable, optional
        Told of how many tasks are done, of how many.

    Returns
    -------
    list of Finding
        By part; a task that no worker survived is a finding that failed.
    """
    able = [task for task in tasks if _can(task, engines)]
    results: dict[Task, list[Found]] = {}
    workers = Workers(jobs)
    at_once = True
    try:
        for task, found in workers.done_in_any_order(do_task, able, split=Task.alone):
            results[task] = _broken(task, "no worker survived it") if found is None else found
            if progress:
                progress(len(results), len(able))
        at_once = False
    finally:
        workers.close(at_once=at_once)
    in_order = [one for task in able for one in results[task]]
    findings = [one for one in in_order if isinstance(one, Finding)]
    findings += added(one for one in in_order if isinstance(one, Tally))
    findings += _not_run((task for task in tasks if not _can(task, engines)), why_not)
    parts, names = list(PARTS), [case.name for case in all_cases()]
    return sorted(
        findings,
        key=lambda f: (
            parts.index(f.part),
            f.engine if f.part == THEORY else "",
            names.index(f.name) if f.name in names else 0,
        ),
    )


def _can(task: Task, engines: Sequence[str]) -> bool:
    return task.engine in engines or (task.engine == "both" and len(engines) > 1)


def _broken(task: Task, why: str) -> list[Found]:
    name = f"{task.what} {task.name}".strip()
    return [Finding(task.part, name, "-", engine=task.engine, note=why)]


def _not_run(tasks: Iterable[Task], why: str) -> list[Finding]:
    """One line for what could not be run, of each check."""
    names = dict.fromkeys((task.part, task.what, task.engine) for task in tasks)
    words = {
        "case": "theory cases",
        "cells": "random cells told by both engines",
        "planted": "planted differences",
        "shifts": "shifts of random cells",
        "spoilt": "spoilt records",
        "coverage": "coverage of intervals",
        "without luck": "smallest capacity without luck",
        "problem": "problems with known answers",
    }
    return [
        Finding(part, f"{words[what]} ({engine})", "-", engine=engine, note=why, was_run=False)
        for part, what, engine in names
    ]


def false_alarm(findings: Sequence[Finding]) -> float:
    """At most this chance that one or more of the findings fail though all is right (Boole)."""
    return min(1.0, sum(found.false_alarm for found in findings if found.was_run))


def only_names(findings: Sequence[Finding], cases: str) -> list[Finding]:
    """Without theory cases that were not asked for but looked at the same shifts."""
    return [f for f in findings if f.part != THEORY or cases.lower() in f.name.lower()]
