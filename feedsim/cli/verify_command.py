"""`feedsim verify`."""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.codes import DONE, TARGET_MISSED
from feedsim.cli.options import JSON, engine_option, jobs_option, out_option

if TYPE_CHECKING:
    from feedsim.config import Config
    from feedsim.pages.verification import Shown
    from feedsim.verify.campaign import Size
    from feedsim.verify.finding import Finding

NAME = "verification"
PARTS = ("theory", "engines", "balances", "coverage", "sizing")


@click.command("verify")
@click.argument("configs", metavar="[CONFIG]...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--full", is_flag=True, help="All of it: about ten times as long.")
@click.option(
    "--only",
    multiple=True,
    type=click.Choice(PARTS),
    help="Only this part of it. May be repeated.",
)
@click.option(
    "--cases",
    default="",
    metavar="TEXT",
    help="Only theory cases whose name has TEXT in it.",
)
@engine_option("simpy does without the compiled model; what needs it is then not run.")
@jobs_option("findings are")
@out_option("outputs/verification-quick, or -full")
@JSON
def command(
    configs: tuple[Path, ...],
    full: bool,
    only: tuple[str, ...],
    cases: str,
    engine: str,
    jobs: int | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Let the installed package prove itself on this machine.

    Runs cases of theory, both engines on random cells, the balances of every shift, the coverage
    of intervals and sizing problems with known answers, each beside something wrong that it has
    to turn down. Writes a page, a CSV file and a JSON document. It shows that the program
    computes the stated model, not that your plant is like the model: for that see feedsim
    account and feedsim fit. With --full and CONFIG files the page also puts their figures beside
    those of real lines, and shows how they move with each uncertain input.

    Exit code 1: a check failed or did not turn down what is wrong, or none could be run.

    \b
    Examples:
      feedsim verify
      feedsim verify --full configs/oats_slider.toml configs/granola_mono_film.toml
      feedsim verify --only theory --cases "whole bundles" --engine simpy
    """
    from feedsim.cli.documents import answer_document
    from feedsim.cli.screen import say_json, talk
    from feedsim.cli.working import progress_bar
    from feedsim.config import load_config
    from feedsim.verify.campaign import FULL, QUICK, only_names, run_campaign, tasks_of
    from feedsim.verify.verdicts import answer_of, document_of

    size = FULL if full else QUICK
    _refuse(configs, full, only, cases)
    loaded = [(path.name, load_config(path)) for path in configs]
    folder = _opened(out or Path("outputs") / f"{NAME}-{size.name}")
    engines, why_not = _engines(engine, talk)
    tasks = tasks_of(size, engines, ("theory",) if cases else only, cases)
    workers = jobs or os.cpu_count() or 1
    # First, for what is wrong with a config is told before the long part.
    more = list(_of_configs(loaded, engines[-1], workers))
    with progress_bar("verify", "tasks", quiet=as_json) as progress:
        found = run_campaign(tasks, engines, workers, why_not, progress)
    findings = only_names(found, cases)
    answer = answer_of(findings, size, is_part=bool(only or cases))
    left_out = list(_left_out(size, configs, only, cases))
    document = answer_document("verify", answer, left_out, {"verify": document_of(findings, size)})
    _write(folder, findings, answer, left_out, more, document)
    if as_json:
        say_json(document)
    else:
        _say(findings, answer, left_out)
    talk(f"Written to {folder}")
    is_shown = any(f.was_run for f in findings) and not any(f.is_wrong for f in findings)
    return DONE if is_shown else TARGET_MISSED


def _refuse(configs: tuple[Path, ...], full: bool, only: tuple[str, ...], cases: str) -> None:
    if configs and not full:
        raise click.UsageError(
            f"CONFIG: {str(configs[0])!r} is given, allowed: with --full (the quick campaign "
            "looks at no config)"
        )
    if cases and set(only) - {"theory"}:
        raise click.UsageError(f"--cases: is given with --only {only[0]}, allowed: --only theory")
    if cases:
        from feedsim.verify.subjects import all_cases

        if not any(cases.lower() in case.name.lower() for case in all_cases()):
            raise click.UsageError(
                f"--cases: no theory case has {cases!r} in its name, allowed: part of a name "
                "that the page of `feedsim verify` shows"
            )


def _opened(path: Path) -> Path:
    """The folder, which may hold a verification and nothing else."""
    from feedsim.files import is_left_over
    from feedsim.folder import FolderError, taking

    with taking(path):
        there = [each for each in path.iterdir() if not is_left_over(each)]
        if there and not (path / f"{NAME}.json").is_file():
            raise FolderError(
                f"{path}: is not empty and holds no verification, allowed: a new or empty folder"
            )
    return path


def _engines(wanted: str, say: Callable[[str], None]) -> tuple[list[str], str]:
    """Engines that can be had, and why the compiled one cannot."""
    from importlib.util import find_spec

    from feedsim.engines import COMPILED, COMPILING, SIMPY, Choice, choose, made_ready
    from feedsim.kernel import machine_code

    if wanted == SIMPY:
        return [SIMPY], "--engine simpy"
    if wanted == COMPILED:
        choose(COMPILED, [], 0)
    if find_spec("numba") is None:
        return [SIMPY], "numba is not installed: pip install 'feedsim[fast]'"
    if not machine_code.is_kept():
        say(COMPILING)
    ready = made_ready(Choice(COMPILED))
    if ready.engine != COMPILED:
        return [SIMPY], ready.note
    return [SIMPY, COMPILED], ""


def _of_configs(loaded: list[tuple[str, Config]], engine: str, jobs: int) -> Iterator[Shown]:
    """What the page shows of configs: beside real lines, and over their uncertain inputs."""
    from feedsim.answers.sensitivity import sensitivity
    from feedsim.pages.verification import Section
    from feedsim.plots.style import drawn
    from feedsim.study import Work
    from feedsim.verify.face import face_validity

    work = Work(jobs=jobs, engine=engine)
    for name, config in loaded:
        for each in (face_validity(config, work), sensitivity(config, work)):
            picture = drawn(each.figure(), "svg")
            yield Section(f"{name}: {each.title}", each.words, each.columns, each.rows, picture)


def _left_out(
    size: Size, configs: tuple[Path, ...], only: tuple[str, ...], cases: str
) -> Iterator[str]:
    if size.left_out:
        yield size.left_out
    if cases:
        yield f"All but the theory cases with {cases!r} in their name: --cases."
    elif only:
        yield f"All but {', '.join(only)}: --only."
    if not configs:
        yield (
            "Figures of configs beside those of real lines, and how they move with uncertain "
            "inputs: no config was given (feedsim verify --full CONFIG...)."
        )


def _write(
    folder: Path,
    findings: list[Finding],
    answer: list[str],
    left_out: list[str],
    more: list[Shown],
    document: dict[str, Any],
) -> None:
    import shlex
    import sys

    from feedsim.answers.spreadsheet import csv_bytes
    from feedsim.files import json_bytes, write_whole
    from feedsim.pages.verification import verification_page
    from feedsim.verify.finding import CONTROL_PASSED, FAILED
    from feedsim.verify.verdicts import QUESTION, SCOPE, frame_of, sections_of

    text = verification_page(
        question=QUESTION,
        answer=answer,
        scope=SCOPE,
        sections=[*sections_of(findings), *more],
        left_out=left_out,
        provenance=_provenance(),
        command=shlex.join(["feedsim", *sys.argv[1:]]),
        marked=(FAILED, CONTROL_PASSED),
    )
    written = {
        "html": text.encode(),
        "csv": csv_bytes(frame_of(findings)),
        "json": json_bytes(document),
    }
    for ending, content in written.items():
        write_whole(folder / f"{NAME}.{ending}", [content])


def _provenance() -> dict[str, str]:
    from importlib.metadata import PackageNotFoundError, version

    from feedsim.folder import LIBRARIES
    from feedsim.version import program

    libraries = []
    for name in (*LIBRARIES, "numba"):
        try:
            libraries.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            libraries.append(f"no {name}")
    return {
        "program": program(),
        "Python": f"{platform.python_version()} on {platform.system()} {platform.machine()}",
        "libraries": ", ".join(libraries),
    }


def _say(findings: list[Finding], answer: list[str], left_out: list[str]) -> None:
    from feedsim.cli.screen import say_notes, say_table
    from feedsim.verify.campaign import PARTS as TITLES
    from feedsim.verify.finding import VERDICTS

    for sentence in answer:
        click.echo(sentence)
    lines = []
    for part in dict.fromkeys(found.part for found in findings):
        verdicts = [found.verdict for found in findings if found.part == part]
        lines.append([TITLES[part], *(f"{verdicts.count(name):,}" for name in VERDICTS)])
    say_table("Checks", ["part", *(name.lower() for name in VERDICTS)], lines)
    say_notes(left_out)
