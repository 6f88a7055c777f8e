"""How many small faults planted in the program do the quick tests find?

    python tests/mutation.py --sample 400 --seed 1 --results FILE

takes small faults ("mutants") at random from the modules named in `SOURCES`, plants one after
another in a copy of the package, and runs the tests of `QUICK`, then of `LONGER`, on each until
one fails. It ends with the share found, its exact interval, and the mutants that no test found.
`--again FILE` runs those once more that were not found before.

Not mutated is what no figure hangs on: docstrings, annotations, texts, imports, decorators,
`assert` (all of them tell the type checker something), arguments of `raise`, `__slots__` and
`__all__`; nor is an assignment deleted whose name would then be unknown. A mutant that never ends
is found: each test has its limit of processor time.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import json
import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from copy import deepcopy
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = ("feedsim/model", "feedsim/accounts", "feedsim/stats.py")
COPIED = ("feedsim", "tests", "configs", "pyproject.toml", "README.md")
ACCOUNTS = ("tests/test_accounts.py",)
MODEL = ("tests/test_stories.py", "tests/test_ties.py", "tests/test_clock.py")
AGREED = ("tests/test_second_opinion.py", "tests/test_golden.py")
QUICK = {
    "feedsim/stats.py": ("tests/test_stats.py",),
    "feedsim/accounts": (*ACCOUNTS, *MODEL),
    "feedsim/model": (*MODEL, *ACCOUNTS),
}
LONGER = {
    "feedsim/stats.py": ("tests/test_measures.py",),
    "feedsim/accounts": (*AGREED, "tests/test_invariants.py"),
    "feedsim/model": AGREED,
}
# Of the longer files only a part, so that a mutant that is not found costs seconds. The compiled
# model would find no more than the second opinion does, and would be compiled for each copy.
PART = (
    "not (test_second_opinion or every_shift_adds_up or no_step_leaves)"
    " or test_same_to_the_microsecond[0]"
)

# Mutants that change nothing that can be told, and why.
SHORTCUT = "a shortcut: the longer way comes to the same"
AS_LONG_AS_EACH_OTHER = "the lists are made as long as each other"
EQUIVALENT = {
    "feedsim/accounts/reading.py _read_bags: True -> False": AS_LONG_AS_EACH_OTHER,
    "feedsim/accounts/reading.py read: True -> False (2)": AS_LONG_AS_EACH_OTHER,
    "feedsim/accounts/reading.py _first_stopped: since_us = 0 -> pass": "it is read only where a"
    " stop has set it",
    "feedsim/accounts/balances.py check_balances: True -> False": AS_LONG_AS_EACH_OTHER,
    **{
        f"feedsim/accounts/record.py Run.goes_on: return False -> return {what}": "those who ask"
        " want to know no more"
        for what in ("0", "None")
    },
    **{
        f"feedsim/accounts/record.py : {change}": "a field of `NO_RUN`, which no cycle's length and"
        " no outcome fits: what else is in it is never read"
        for change in (
            *("-1 -> 1", "1 -> 2", "1 -> 0", "1 -> 2 (2)", "1 -> 0 (2)"),
            *("0 -> 1", "0 -> -1", "0 -> 1 (2)", "0 -> -1 (2)", "0 -> 1 (3)", "0 -> -1 (3)"),
        )
    },
    "feedsim/accounts/spans.py Spans.__init__: end <= begin -> end < begin": "a span of no length"
    " covers nothing, listed or not",
    "feedsim/accounts/spans.py Spans.__init__: begin <= self._ends[-1] -> begin <"
    " self._ends[-1]": "spans that touch cover the same, joined or not",
    **{
        f"feedsim/model/calendar.py Calendar.__init__: {change}": "it is read in a planned stop"
        " alone, and set where one begins"
        for change in ("0 -> 1 (2)", "0 -> -1 (2)")
    },
    **{
        f"feedsim/model/clock.py : 1000000 -> {number}": "any number beyond those of the things of"
        " a class would do"
        for number in (999999, 1000001)
    },
    "feedsim/model/crew.py Crew.look_at_list: if not self.clock.after_step: -> if True:": "to"
    " assign once more, without a cause, changes nothing",
    **{
        f"feedsim/model/{where}": SHORTCUT
        for where in (
            "machine.py Machine.__init__: 0 -> 1 (2)",
            "machine.py Machine.__init__: False -> True (4)",
            "machine.py Machine.end_loading: 0 -> 1",
            "machine.py Machine.look_at_levels: 0 -> 1",
            "machine.py Machine.work: self.look_closer = self.lane_was_cleared -> pass",
            "machine.py Machine.work: if self.look_closer: -> if True:",
            "machine.py Machine.work: if lane.picks_to_fault > 1: -> if False:",
            "machine.py Machine.work: now - run.last_end_us -> now + run.last_end_us",
            "machine.py Machine.work: if ran_us >= stations.next_stop_us: -> if True:",
            "machine.py Machine.work: if retry_us: -> if True:",
            "machine.py Machine.work: if self.lane_was_cleared: -> if True:",
            "machine.py Machine.work: False -> True",
            "outfeed.py Outfeed.work: if self.ran_us >= self.stations.next_stop_us: -> if True:",
            "station.py : 1 << 62 -> 1 >> 62",
            "station.py : 1 -> 0",
        )
    },
    "feedsim/model/crew.py Crew.__init__: 1 -> 2 (2)": "an operator whose number is above"
    " those present takes no task",
    "feedsim/model/outfeed.py Outfeed.__init__: False -> True (2)": "the first cycle, before which"
    " it is not read, sets it",
    "feedsim/model/shift.py run_shift: True -> False": AS_LONG_AS_EACH_OTHER,
    **{
        f"feedsim/model/shift.py _build_machine: {change}": "stations of one machine keep their"
        " order; those of two machines share nothing, so either may come first"
        for change in ("plan.index * 1000 -> plan.index / 1000", "1000 -> 999", "1000 -> 1001")
    },
    **{
        f"feedsim/model/{where}": "longer than any shift, too"
        for where in (
            *("station.py : 62 -> 61", "station.py : 62 -> 63", "station.py : 1 -> 2"),
            *("lane.py : 62 -> 61", "lane.py : 62 -> 63", "lane.py : 1 -> 2 (4)"),
        )
    },
}

LEAST_LIMIT_S = 3
TIMES_AS_LONG = 4
WAIT_S = 900
MEMORY_BYTES = 4 << 30

COMPARED_OTHERWISE = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
RECKONED_OTHERWISE = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
CALLED_OTHERWISE = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """One small fault: what stands at a place of a module, and what it becomes."""

    path: str
    line: int
    where: str
    before: str
    after: str
    nth: int

    @property
    def name(self) -> str:
        """The fault in one line, without the line's number, which other edits move."""
        again = f" ({self.nth + 1})" if self.nth else ""
        return f"{self.path} {self.where}: {self.before} -> {self.after}{again}"


# The faults.


def mutants_of(path: str, source: str) -> dict[Mutant, str]:
    """All mutants of a module, each with the module's whole text."""
    tree = ast.parse(source)
    sound = ast.unparse(tree)
    bound = Counter(
        node.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
    )
    found: dict[Mutant, str] = {}
    seen: Counter[tuple[str, str, str]] = Counter()
    for parent, field, index, node, where in _places(tree, ""):
        for other in _others(node):
            if isinstance(other, ast.Pass) and _leaves_a_name_unbound(node, where, bound):
                continue
            _put(parent, field, index, other)
            text = ast.unparse(ast.fix_missing_locations(tree))
            _put(parent, field, index, node)
            if text == sound:
                continue
            named = (where, _short(node), _short(other))
            found[Mutant(path, node.lineno, *named, seen[named])] = text
            seen[named] += 1
    return found


def _leaves_a_name_unbound(node: ast.AST, where: str, bound: Counter[str]) -> bool:
    """Whether its deletion is seen by whatever runs at all: too easy to count."""
    if not isinstance(node, ast.Assign):
        return False
    names = [name.id for t in node.targets for name in ast.walk(t) if isinstance(name, ast.Name)]
    of_self = where.endswith("__init__") and "self" in names
    return of_self or any(bound[name] == 1 for name in names if name != "self")


def _places(node: ast.AST, where: str) -> Iterator[tuple[ast.AST, str, int | None, Any, str]]:
    """Each node that may be mutated: its parent, the field and the place there, the function."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        where = f"{where}.{node.name}".strip(".")
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "type_params", "bases"):
            continue
        children = value if isinstance(value, list) else [value]
        for index, child in enumerate(children):
            if isinstance(child, ast.AST) and not _is_left_alone(child, node):
                if hasattr(child, "lineno"):
                    yield node, field, index if isinstance(value, list) else None, child, where
                yield from _places(child, where)


def _is_left_alone(node: ast.AST, parent: ast.AST) -> bool:
    """Whether no figure hangs on it."""
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Assert | ast.JoinedStr):
        return True
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if isinstance(node, ast.Call) and isinstance(parent, ast.Raise):
        return True
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return True
    if isinstance(node, ast.Assign):
        names = [ast.unparse(target) for target in node.targets]
        is_type = isinstance(parent, ast.Module) and isinstance(node.value, ast.Subscript)
        return is_type or names in (["__slots__"], ["__all__"])
    return isinstance(node, ast.FunctionDef) and node.name == "__repr__"


def _others(node: Any) -> Iterator[ast.AST]:
    """What may stand in a node's place."""
    if isinstance(node, ast.stmt):
        yield from _other_statements(node)
    elif isinstance(node, ast.Compare):
        for place, operator in enumerate(node.ops):
            for other in COMPARED_OTHERWISE[type(operator)]:
                ops: list[ast.cmpop] = [*node.ops[:place], other(), *node.ops[place + 1 :]]
                yield ast.Compare(node.left, ops, node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in RECKONED_OTHERWISE:
        yield ast.BinOp(node.left, RECKONED_OTHERWISE[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield ast.Constant(node.value + 1)
        yield ast.Constant(node.value - 1)
    elif isinstance(node, ast.Call) and ast.unparse(node.func) in CALLED_OTHERWISE:
        yield ast.Call(ast.Name(CALLED_OTHERWISE[ast.unparse(node.func)]), node.args, node.keywords)
    elif isinstance(node, ast.IfExp):
        yield node.body
        yield node.orelse
    elif isinstance(node, ast.comprehension):
        for place in range(len(node.ifs)):
            ifs = [*node.ifs[:place], *node.ifs[place + 1 :]]
            yield ast.comprehension(node.target, node.iter, ifs, node.is_async)
    elif (
        isinstance(node, ast.Subscript)
        and isinstance(node.ctx, ast.Load)
        and not isinstance(node.slice, ast.Constant | ast.Slice | ast.Tuple)
    ):
        off_by_one = ast.BinOp(node.slice, ast.Add(), ast.Constant(1))
        yield ast.Subscript(node.value, off_by_one, node.ctx)


def _other_statements(node: ast.stmt) -> Iterator[ast.AST]:
    if isinstance(node, ast.If | ast.While):
        if not isinstance(node.test, ast.Constant):
            for test in (True, False):
                other = deepcopy(node)
                other.test = ast.Constant(test)
                yield other
    elif isinstance(node, ast.Return) and node.value is not None:
        yield ast.Return(ast.Constant(None))
        yield ast.Return(ast.Constant(0))
    elif isinstance(node, ast.AugAssign):
        yield ast.Pass()
        yield ast.Assign([node.target], node.value)
        if type(node.op) in RECKONED_OTHERWISE:
            yield ast.AugAssign(node.target, RECKONED_OTHERWISE[type(node.op)](), node.value)
    elif isinstance(node, ast.Assign | ast.Expr | ast.Raise | ast.Break | ast.Continue):
        yield ast.Pass()


def _put(parent: ast.AST, field: str, index: int | None, node: ast.AST) -> None:
    if index is None:
        setattr(parent, field, node)
    else:
        getattr(parent, field)[index] = node


def _short(node: ast.AST) -> str:
    return ast.unparse(ast.fix_missing_locations(node)).split("\n")[0]


def all_mutants(root: Path, sources: Iterable[str] = SOURCES) -> dict[Mutant, str]:
    """All mutants of some modules and packages, each with its module's whole text."""
    found: dict[Mutant, str] = {}
    for source in sources:
        where = root / source
        for path in [where] if where.is_file() else sorted(where.glob("*.py")):
            found |= mutants_of(path.relative_to(root).as_posix(), path.read_text("utf-8"))
    return found


# Running tests on them.


class Limits:
    """A plugin for pytest: a limit of processor time for each test, and which test failed."""

    def __init__(self, limits_s: dict[str, float]) -> None:
        self.limits_s = limits_s
        self.used_s: dict[str, float] = {}
        self.failed = ""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        limit_s = self.limits_s.get(item.nodeid)
        begun_s = time.process_time()
        self.failed = self.failed or item.nodeid
        if limit_s is not None:
            signal.setitimer(signal.ITIMER_VIRTUAL, limit_s)
        outcome = yield
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        self.used_s[item.nodeid] = time.process_time() - begun_s
        return outcome

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed = report.nodeid


def _run_tests(
    folder: Path, files: Iterable[str], limits_s: dict[str, float], told: Path, *, keep: bool
) -> None:
    """In a process of its own: run tests in the copy; tell the times used and what failed."""
    os.chdir(folder)
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    sys.path[:0] = [str(folder)]
    # What was loaded early came from another copy; all else must come from this one.
    sys.modules["feedsim"].__path__ = [str(folder / "feedsim")]
    sys.dont_write_bytecode = not keep
    plugin = Limits(limits_s)
    early = "ignore:Module already imported so cannot be rewritten"
    options = ["-x", "-q", "-p", "no:cacheprovider", "-W", early, "-k", PART]
    with told.with_suffix(".out").open("w") as out, redirect_stdout(out), redirect_stderr(out):
        code = pytest.main([*options, *files], plugins=[plugin])
    failed = plugin.failed if code else ""
    told.write_text(json.dumps({"failed": failed, "used_s": plugin.used_s}))
    os._exit(int(code))


class Bench:
    """A copy of the package in which tests are run, in a process forked for each time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.told = folder / "told.json"
        self.limits_s: dict[str, float] = {}
        self.process: Any = None

    def furnish(self) -> None:
        """Copy the project's files into the folder."""
        self.folder.mkdir()
        for name in COPIED:
            if (ROOT / name).is_dir():
                shutil.copytree(ROOT / name, self.folder / name)
            else:
                shutil.copy2(ROOT / name, self.folder / name)

    def like_this(self, folder: Path) -> Bench:
        """Another one, with its bytecode and its limits."""
        shutil.copytree(self.folder, folder)
        other = Bench(folder)
        other.limits_s = self.limits_s
        return other

    def start(self, files: Iterable[str], *, keep: bool = False) -> None:
        """Start tests; `keep` the bytecode for the next runs."""
        self.told.unlink(missing_ok=True)
        context = multiprocessing.get_context("fork")
        arguments = (self.folder, tuple(files), self.limits_s, self.told)
        self.process = context.Process(target=_run_tests, args=arguments, kwargs={"keep": keep})
        self.process.start()

    def verdict(self, wait_s: float) -> str | None:
        """What ended the run: a test's name, "limit", or "" if all tests passed.

        None while it goes on.
        """
        self.process.join(wait_s)
        code = self.process.exitcode
        if code is None:
            return None
        if code == pytest.ExitCode.OK:
            return ""
        if code < 0:
            return "limit"
        if not self.told.exists():
            raise RuntimeError("the tests could not be run at all: no verdict on the mutant")
        return json.loads(self.told.read_text())["failed"] or "tests could not be collected"

    def check(self, files: Iterable[str]) -> None:
        """Run tests without a fault; they must pass, and their times set the limits."""
        self.start(files, keep=True)
        verdict = self.verdict(WAIT_S)
        if verdict != "":
            raise SystemExit(f"without a fault: {verdict}; see {self.told.with_suffix('.out')}")
        used_s = json.loads(self.told.read_text())["used_s"]
        for name, seconds in used_s.items():
            self.limits_s[name] = LEAST_LIMIT_S + TIMES_AS_LONG * seconds

    def try_out(self, mutant: Mutant, text: str) -> str:
        """Plant a mutant, run the tests that fit it, and mend the copy."""
        path = self.folder / mutant.path
        sound = path.read_bytes()
        try:
            path.write_text(text, "utf-8")
            # Bytecode is told apart by second and size alone: too little here.
            for kept in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
                kept.unlink()
            for files in (_fitting(QUICK, mutant.path), _fitting(LONGER, mutant.path)):
                if not files:
                    continue
                self.start(files)
                verdict = self.verdict(WAIT_S)
                if verdict is None:
                    self.process.kill()
                    self.process.join()
                    return "limit"
                if verdict:
                    return verdict
            return ""
        finally:
            path.write_bytes(sound)


def _fitting(tests: dict[str, tuple[str, ...]], path: str) -> tuple[str, ...]:
    return next(files for source, files in tests.items() if path.startswith(source))


def _load(folder: Path) -> None:
    """Import once, before forking, what no mutant changes: libraries, and the parts before them."""
    sys.path.insert(0, str(folder))
    for name in ("hypothesis", "numpy", "pandas", "pydantic", "scipy.stats", "simpy"):
        importlib.import_module(name)
    for name in ("config", "cell", "streams", "times"):
        importlib.import_module(f"feedsim.{name}")
    sys.path.remove(str(folder))
    mutated = ("feedsim.accounts", "feedsim.model", "feedsim.stats")
    too_early = [name for name in sys.modules if name.startswith(mutated)]
    if too_early:
        raise SystemExit(f"loaded before it is mutated: {too_early}")


def _work_off(mutants: dict[Mutant, str], bench: Bench, results: Path) -> None:
    """One process: try out its share, and append what came of each."""
    broken = next(iter(mutants))
    if bench.try_out(broken, "raise RuntimeError('this module is broken')") == "":
        raise SystemExit("the tests do not read the copy: nothing would be found")
    for mutant, text in mutants.items():
        begun_s = time.monotonic()
        found_by = bench.try_out(mutant, text)
        took_s = round(time.monotonic() - begun_s, 1)
        line = {**asdict(mutant), "found_by": found_by, "took_s": took_s}
        with results.open("a") as out:
            out.write(json.dumps(line) + "\n")


def report(lines: list[dict[str, Any]]) -> None:
    """Print the share found, what found it, and the mutants that nothing found."""
    from feedsim.stats import exact_interval

    fields = Mutant.__dataclass_fields__
    left = [Mutant(**{key: line[key] for key in fields}) for line in lines if not line["found_by"]]
    same = [mutant for mutant in left if mutant.name in EQUIVALENT]
    for heading, total in (("all", len(lines)), ("without equivalents", len(lines) - len(same))):
        found = sum(bool(line["found_by"]) for line in lines)
        low, high = exact_interval(found, total)
        print(f"{heading}: {found} of {total} found, {found / total:.1%} ({low:.1%} to {high:.1%})")
    by = Counter(line["found_by"].split("::")[0] for line in lines if line["found_by"])
    print(*(f"{number:5} {name}" for name, number in by.most_common()), sep="\n")
    for mutant in sorted(left, key=lambda mutant: (mutant.path, mutant.line)):
        reason = EQUIVALENT.get(mutant.name)
        print(f"line {mutant.line:4} {mutant.name}" + (f"\n  the same: {reason}" if reason else ""))


def main() -> None:
    parser = argparse.ArgumentParser(description="The share of small faults that tests find.")
    parser.add_argument("--sample", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, choices=(1, 2), default=1)
    parser.add_argument("--sources", nargs="+", default=SOURCES)
    parser.add_argument(
        "--results", type=Path, default=Path(tempfile.gettempdir(), "mutants.jsonl")
    )
    parser.add_argument("--again", type=Path, help="results whose mutants not found run once more")
    parser.add_argument("--only-report", action="store_true")
    given = parser.parse_args()
    if not given.only_report:
        run(given)
    report([json.loads(line) for line in given.results.read_text().splitlines()])


def run(given: argparse.Namespace) -> None:
    texts = all_mutants(ROOT, given.sources)
    if given.again:
        before = [json.loads(line) for line in given.again.read_text().splitlines()]
        keys = ("path", "where", "before", "after", "nth")
        left = {tuple(line[key] for key in keys) for line in before if not line["found_by"]}
        chosen = [m for m in texts if tuple(getattr(m, key) for key in keys) in left]
        print(f"{len(chosen)} of {len(left)} mutants not found before", flush=True)
    else:
        chosen = random.Random(given.seed).sample(list(texts), min(given.sample, len(texts)))
        print(f"{len(chosen)} of {len(texts)} mutants", flush=True)
    given.results.unlink(missing_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder, "copy-0"))
        bench.furnish()
        _load(bench.folder)
        for tests in (QUICK, LONGER):
            paths = sorted({mutant.path for mutant in chosen})
            bench.check(dict.fromkeys(file for path in paths for file in _fitting(tests, path)))
        copies = [Path(folder, f"copy-{number}") for number in range(1, given.processes)]
        benches = [bench, *map(bench.like_this, copies)]
        workers = []
        for number, place in enumerate(benches):
            share = {mutant: texts[mutant] for mutant in chosen[number :: given.processes]}
            arguments = (share, place, given.results)
            worker = multiprocessing.get_context("fork").Process(target=_work_off, args=arguments)
            worker.start()
            workers.append(worker)
        for worker in workers:
            worker.join()
        if any(worker.exitcode for worker in workers):
            raise SystemExit("not all mutants were tried")


if __name__ == "__main__":
    main()
