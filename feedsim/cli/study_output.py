"""What every study command writes and says besides its own answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

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


def open_folder(command: str, options: StudyOptions, own: Mapping[str, Any]) -> StudyFolder:
    """Open the study's folder before anything is computed."""
    from feedsim.folder import StudyFolder

    return StudyFolder(
        command, options.config_path, options.config, own, options.command_line, options.out
    )


def planning_notes(options: StudyOptions) -> list[str]:
    """Which machines' fault chances are planning values."""
    names = [m.name for m in options.config.machine if m.bag.chance_source == "planning"]
    if not names:
        return []
    return [
        f"The chances of mis-picks at {', '.join(names)} are planning values, from memory: "
        "replace them by your own pick trials."
    ]


def write_tables(folder: StudyFolder, results: Results, rows: list[Row]) -> None:
    """Write replications.csv and summary.csv."""
    from feedsim.answers.rows import replications_frame, summary_frame

    folder.write_frame("replications.csv", replications_frame(results))
    folder.write_frame("summary.csv", summary_frame(rows))


def write_figures(folder: StudyFolder, figures: Mapping[str, Figure]) -> None:
    """Write each figure as PNG and SVG."""
    from feedsim.plots.style import save

    for name, figure in figures.items():
        save(figure, folder.path, name)


def say_where(folder: StudyFolder, options: StudyOptions) -> None:
    """Say on stderr where the results are, and what of the config may surprise."""
    from feedsim.cli.screen import talk
    from feedsim.config import warnings_of

    talk(f"Written to {folder.path}")
    surprises = len(warnings_of(options.config))
    if surprises:
        talk(f"What of this config may surprise ({surprises}): feedsim check {options.config_path}")


def document(
    command: str,
    options: StudyOptions,
    answers: list[str],
    rows: list[Row],
    notes: list[str],
    own: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """The JSON document of a study command."""
    from feedsim.answers.rows import rows_json

    return {
        "schema": 1,
        "feedsim": VERSION,
        "command": command,
        "title": options.config.title,
        "answer": answers,
        "confidence": options.config.study.confidence,
        "seed": options.config.study.seed,
        "rows": rows_json(rows),
        "notes": notes,
        **(own or {}),
    }
