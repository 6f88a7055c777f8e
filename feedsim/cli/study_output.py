"""What every study command writes and says besides its own answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from feedsim.version import VERSION

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.rows import Row
    from feedsim.cli.options import StudyOptions
    from feedsim.folder import StudyFolder
    from feedsim.study import Results

CAUTION = (
    "The model is no safety assessment: load and clear only as the machine's guards, your local "
    "codes and trained people allow."
)


@dataclass(frozen=True)
class StudyAnswer:
    """What a study command found: sentences first, and its own part of the JSON document."""

    results: Results
    rows: list[Row]
    sentences: list[str]
    say_tables: Callable[[], None]
    notes: list[str] = field(default_factory=list)
    own: Mapping[str, Any] = field(default_factory=dict)


def open_folder(command: str, options: StudyOptions, own: Mapping[str, Any]) -> StudyFolder:
    """Open the study's folder before anything is computed."""
    from feedsim.folder import StudyFolder

    return StudyFolder(
        command, options.config_path, options.config, own, options.command_line, options.out
    )


def deliver(
    folder: StudyFolder,
    options: StudyOptions,
    answer: StudyAnswer,
    figures: Mapping[str, Figure],
) -> None:
    """Write what was found, then say it: whoever stops reading loses nothing."""
    from feedsim.answers.rows import notes_on, replications_frames, summary_frame
    from feedsim.cli.screen import say_json, say_notes, talk
    from feedsim.config import warnings_of
    from feedsim.plots.style import save

    folder.write_frames("replications.csv", replications_frames(answer.results))
    folder.write_frames("summary.csv", [summary_frame(answer.rows)])
    for name, figure in figures.items():
        save(figure, folder.path, name)
    folder.finish(answer.results.engine)
    notes = [*answer.notes, *_planning_notes(options), *notes_on(answer.rows)]
    if options.as_json:
        say_json(_document(folder.command, options, answer, notes))
    else:
        for sentence in answer.sentences:
            click.echo(sentence)
        answer.say_tables()
        say_notes([*notes, CAUTION])
    talk(f"Written to {folder.path}")
    surprises = len(warnings_of(options.config))
    if surprises:
        talk(f"What of this config may surprise ({surprises}): feedsim check {options.config_path}")


def _planning_notes(options: StudyOptions) -> list[str]:
    """Which machines' fault chances are planning values."""
    names = [m.name for m in options.config.machine if m.bag.chance_source == "planning"]
    if not names:
        return []
    return [
        f"The chances of mis-picks at {', '.join(names)} are planning values, from memory: "
        "replace them by your own pick trials."
    ]


def _document(
    command: str, options: StudyOptions, answer: StudyAnswer, notes: list[str]
) -> dict[str, Any]:
    from feedsim.answers.rows import rows_json

    return {
        "schema": 1,
        "feedsim": VERSION,
        "command": command,
        "title": options.config.title,
        "answer": answer.sentences,
        "confidence": options.config.study.confidence,
        "seed": options.config.study.seed,
        "rows": rows_json(answer.rows),
        "notes": notes,
        **answer.own,
    }
