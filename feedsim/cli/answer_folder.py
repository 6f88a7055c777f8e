"""The folder of an answer that simulates nothing: figures, tables and how to get them again."""

from __future__ import annotations

import hashlib
import json
import platform
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.files import clear_left_overs, is_left_over, write_whole
from feedsim.folder import (
    LIBRARIES,
    MANIFEST,
    FolderError,
    UnreadableManifestError,
    folder_of,
    manifest_in,
    taking,
)
from feedsim.version import VERSION

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


# What a study found, for its report: the JSON document, and the tables as they are printed.
ANSWER = "answer.json"
# Nobody locks such a folder: what is younger may be what another is just writing.
LEFT_BEHIND_S = 3600


class AnswerFolder:
    """A folder under outputs/ named by command, input and options, or the one of --out.

    Parameters
    ----------
    command : str
    name : str
        What was answered, in a word: the data file's stem, or the question.
    options : mapping
        The command's options that alter results.
    inputs : sequence of Path
        Files that were read; their contents are part of what the answer is of.
    out : Path, optional
        The folder itself.

    Raises
    ------
    FolderError
        If the folder holds something else, or cannot be written to.
    """

    def __init__(
        self,
        command: str,
        name: str,
        options: Mapping[str, Any],
        inputs: Sequence[Path] = (),
        out: Path | None = None,
    ) -> None:
        digests = {p.name: hashlib.sha256(p.read_bytes()).hexdigest()[:16] for p in inputs}
        told = json.dumps([VERSION, command, name, dict(options), digests], sort_keys=True)
        own = hashlib.sha256(told.encode("utf-8")).hexdigest()[:8]
        self.command = command
        self.path = folder_of(out, command, name, own)
        self._manifest = {
            "schema": 1,
            "feedsim": VERSION,
            "python": platform.python_version(),
            "libraries": {library: version(library) for library in LIBRARIES},
            "command": command,
            "command_line": ["feedsim", *sys.argv[1:]],
            "options": dict(options),
            "inputs": digests,
            "hash": own,
            "finished": False,
        }
        with taking(self.path):
            self._refuse_what_is_there()
            clear_left_overs(self.path, older_than_s=LEFT_BEHIND_S)
            self.write_json(MANIFEST, self._manifest)

    def _refuse_what_is_there(self) -> None:
        try:
            older = manifest_in(self.path)
        except UnreadableManifestError:
            older = {}
        if older is None:
            if not all(map(is_left_over, self.path.iterdir())):
                raise FolderError(
                    f"{self.path}: is not empty and holds no answer, allowed: a new or empty folder"
                )
        elif older.get("hash") != self._manifest["hash"]:
            raise FolderError(
                f"{self.path}: holds another answer, allowed: the same one, or another folder"
            )
        else:
            # Its files are these: an interrupt of this run takes nothing from them.
            self._manifest["finished"] = older.get("finished") is True

    def write_json(self, name: str, document: Any) -> None:
        """Write a JSON document, whole or not at all."""
        text = json.dumps(document, indent=1, allow_nan=False) + "\n"
        write_whole(self.path / name, [text.encode()])

    def write_text(self, name: str, text: str) -> None:
        """Write a text, whole or not at all."""
        write_whole(self.path / name, [text.encode()])

    def write_frames(self, frames: Mapping[str, pd.DataFrame]) -> None:
        """Write tables as CSV, numbers to their last digit."""
        from feedsim.answers.spreadsheet import defused

        for name, frame in frames.items():
            self.write_text(name, defused(frame).to_csv(index=False, lineterminator="\n"))

    def deliver(
        self,
        figures: Mapping[str, Figure],
        document: Mapping[str, Any],
        say_tables: Callable[[], None],
        *,
        as_json: bool,
    ) -> None:
        """Write what was found, then say it: whoever stops reading loses nothing."""
        from feedsim.cli.screen import say_json, say_notes, talk

        self.finish(figures, document, say_tables)
        if as_json:
            say_json(dict(document))
        else:
            for sentence in document["answer"]:
                click.echo(sentence)
            say_tables()
            say_notes(document["notes"])
        talk(f"Written to {self.path}")

    def finish(
        self,
        figures: Mapping[str, Figure],
        document: Mapping[str, Any],
        say_tables: Callable[[], None],
    ) -> None:
        """Write figures and answer.json with the tables, and mark the answer as complete."""
        from feedsim.cli.screen import tables_said
        from feedsim.plots.style import save

        self.write_json(ANSWER, {**document, "tables": tables_said(say_tables)})
        for name, figure in figures.items():
            save(figure, self.path, name)
        self.write_json(MANIFEST, {**self._manifest, "finished": True})


def answer_document(
    command: str, sentences: Iterable[str], notes: Iterable[str], own: Mapping[str, Any]
) -> dict[str, Any]:
    """The JSON document of an answer that simulates nothing."""
    return {
        "schema": 1,
        "feedsim": VERSION,
        "command": command,
        "answer": list(sentences),
        "notes": list(notes),
        **own,
    }
