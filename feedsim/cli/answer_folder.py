"""The folder of an answer that simulates nothing: figures, tables and how to get them again."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.files import clear_left_overs, is_left_over
from feedsim.folder import (
    MANIFEST,
    FolderError,
    OutputFolder,
    UnreadableManifestError,
    folder_of,
    manifest_head,
    manifest_in,
    taking,
)
from feedsim.version import VERSION

if TYPE_CHECKING:
    from matplotlib.figure import Figure


# What a study found, for its report: the JSON document, and the tables as they are printed.
ANSWER = "answer.json"
# Nobody locks such a folder: what is younger may be what another is just writing.
LEFT_BEHIND_S = 3600


class AnswerFolder(OutputFolder):
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
        digests = _digests(inputs)
        told = json.dumps([VERSION, command, name, dict(options), digests], sort_keys=True)
        own = hashlib.sha256(told.encode("utf-8")).hexdigest()[:8]
        self.command = command
        self.path = folder_of(out, command, name, own)
        self._manifest = {
            **manifest_head(command, ["feedsim", *sys.argv[1:]], options),
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


def _digests(inputs: Sequence[Path]) -> dict[str, str]:
    """By the files' names what is in them in short; another file of one name has a number."""
    found: dict[str, str] = {}
    for path in inputs:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
        name, number = path.name, 1
        while found.get(name, digest) != digest:
            number += 1
            name = f"{path.name} ({number})"
        found[name] = digest
    return found
