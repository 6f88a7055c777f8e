"""What every study command writes and says besides its own answer."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import click

from feedsim.cli import inputs_option
from feedsim.cli.codes import DONE, PART_FAILED, TARGET_MISSED
from feedsim.cli.documents import command_document

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from feedsim.answers.precision import Shortfall
    from feedsim.answers.rows import Row
    from feedsim.answers.uncertain import InputsResult
    from feedsim.cell import Cell
    from feedsim.cli.money_table import Value
    from feedsim.cli.options import StudyOptions
    from feedsim.config import Config
    from feedsim.folder import StudyFolder
    from feedsim.study import Results

CAUTION = (
    "The model is no safety assessment: load and clear only as the machine's guards, your local "
    "codes and trained people allow."
)


class OverInputs(Protocol):
    """What uncertain inputs leave open of an answer."""

    def frame(self) -> pd.DataFrame:
        """All ranges as a table."""

    def json(self) -> dict[str, Any]:
        """The document's part on inputs."""


@dataclass(frozen=True)
class StudyAnswer:
    """What a study command found: sentences first, and its own part of the JSON document.

    Of `inputs` the ranges of its settings are told behind it; of `told_inputs` its own sentences
    and tables tell.
    """

    results: Results
    rows: list[Row]
    sentences: list[str]
    say_tables: Callable[[], None]
    notes: list[str] = field(default_factory=list)
    own: Mapping[str, Any] = field(default_factory=dict)
    shortfalls: Sequence[Shortfall] = ()
    met: bool = True
    inputs: InputsResult | None = None
    told_inputs: OverInputs | None = None

    @property
    def over_inputs(self) -> OverInputs | None:
        """What uncertain inputs leave open, if it was asked for."""
        return self.told_inputs if self.inputs is None else self.inputs

    @property
    def exit_code(self) -> int:
        """Done, done without meeting what was asked for, or without some of the shifts."""
        if self.results.set_aside:
            return PART_FAILED
        return DONE if self.met and not self.shortfalls else TARGET_MISSED


def open_folder(
    command: str,
    options: StudyOptions,
    own: Mapping[str, Any],
    cells: Sequence[Cell],
    input_sets: int | None = None,
) -> StudyFolder:
    """Open the study's folder before anything is computed, unless the study is absurd.

    `own` are the command's options that alter results, `cells` what will be simulated at least.
    """
    from feedsim.folder import StudyFolder
    from feedsim.study import Work, refuse_absurd

    work = Work(engine=options.engine, allow_large=options.allow_large)
    refuse_absurd(cells, options.config.study.replications, work)
    if input_sets is not None:
        own = {**own, "input_sets": input_sets}
    if options.precision is not None:
        goals = {goal.measure: goal.half_width for goal in options.precision.goals}
        own = {**own, "precision": goals, "budget": options.precision.budget}
    return StudyFolder(
        command, options.config_path, options.config, own, options.command_line, options.out
    )


def refuse_precision(options: StudyOptions) -> None:
    """Refuse a precision for a study that takes the replications its decisions need.

    Raises
    ------
    PrecisionError
    """
    from feedsim.answers.precision import PrecisionError

    if options.precision is not None:
        raise PrecisionError(
            "--precision: this command takes the replications that its decisions need, allowed: "
            "--budget"
        )


def figure_files(stem: str, cell: Cell, machines: Iterable[str]) -> dict[str | None, str]:
    """Names of figures: the whole cell's, and one of each of its machines where it has several."""
    files: dict[str | None, str] = {None: stem}
    if len(cell.machines) > 1:
        files |= {name: f"{stem}-machine-{place}" for place, name in enumerate(machines, start=1)}
    return files


def deliver(
    folder: StudyFolder,
    options: StudyOptions,
    answer: StudyAnswer,
    figures: Mapping[str, Figure],
) -> int:
    """Write what was found, then say it: whoever stops reading loses nothing.

    Returns the command's exit code.
    """
    from feedsim.answers.rows import notes_on, replications_frames, summary_frame
    from feedsim.cli.answer_folder import ANSWER
    from feedsim.cli.screen import say_json, say_notes, tables_said, talk
    from feedsim.config import warnings_of
    from feedsim.plots.style import save

    folder.write_frames("replications.csv", replications_frames(answer.results))
    value = _value(options, answer.results)
    folder.write_frames("summary.csv", [summary_frame(answer.rows, value.columns)])
    if answer.over_inputs is not None:
        folder.write_frames(inputs_option.RANGES_FILE, [answer.over_inputs.frame()])
    for name, figure in figures.items():
        save(figure, folder.path, name)
    notes = [*(short.in_words() for short in answer.shortfalls), *_gone(answer.results)]
    notes += [*answer.notes, *planning_notes(options.config), *notes_on(answer.rows)]
    notes += value.notes
    sentences = [*answer.sentences]
    if answer.inputs is not None:
        sentences.append(inputs_option.sentence(answer.inputs))

    def say_tables() -> None:
        answer.say_tables()
        if answer.inputs is not None:
            inputs_option.say_tables(answer.inputs)
        value.say_table()

    document = {**_document(folder.command.replace("-", " "), options, answer, notes), **value.own}
    document["answer"] = sentences
    folder.write_json(ANSWER, {**document, "tables": tables_said(say_tables)})
    folder.finish(answer.results.engine)
    if options.as_json:
        say_json(document)
    else:
        for sentence in sentences:
            click.echo(sentence)
        say_tables()
        say_notes([*notes, CAUTION])
    talk(f"Written to {folder.path}")
    surprises = len(warnings_of(options.config))
    if surprises:
        talk(f"What of this config may surprise ({surprises}): feedsim check {options.config_path}")
    return answer.exit_code


def _value(options: StudyOptions, results: Results) -> Value:
    """What the settings are worth, where the config says what time and bags are."""
    from feedsim.cli.money_table import value_of

    return value_of(results, options.config.money)


def _gone(results: Results) -> list[str]:
    """Which replications were set aside."""
    if not results.set_aside:
        return []
    numbers = ", ".join(str(number) for number in results.set_aside[:10])
    return [
        f"Set aside, since no worker survived it in three attempts: replication {numbers}. All "
        "settings are read without it, so the figures leave out what may be special in it."
    ]


def planning_notes(config: Config) -> list[str]:
    """Which machines' fault chances are planning values, or go beyond a film model's trials."""
    names = [m.name for m in config.machine if m.bag.chance_source == "planning"]
    notes = [
        f"Film model of {m.name}: {words}."
        for m in config.machine
        if m.bag.film is not None
        for words in m.bag.film.warnings(m.bag.closure, m.bag.stiffness)
    ]
    if names:
        notes.append(
            f"The chances of mis-picks at {', '.join(names)} are planning values, from memory: "
            "replace them by your own pick trials."
        )
    return notes


def _document(
    command: str, options: StudyOptions, answer: StudyAnswer, notes: list[str]
) -> dict[str, Any]:
    from feedsim.answers.rows import rows_json

    told = {
        "title": options.config.title,
        "answer": answer.sentences,
        "confidence": options.config.study.confidence,
        "seed": options.config.study.seed,
        "rows": rows_json(answer.rows),
        "notes": notes,
        **answer.own,
        **({} if answer.over_inputs is None else {"inputs": answer.over_inputs.json()}),
    }
    return command_document(command, told)
