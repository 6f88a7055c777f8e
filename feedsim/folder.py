"""A study's folder: what was asked, what came out, and how to get it again."""

from __future__ import annotations

import difflib
import errno
import hashlib
import json
import os
import platform
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from feedsim.answers.spreadsheet import csv_bytes
from feedsim.config import Config, dump_toml
from feedsim.config.overrides import apply_overrides
from feedsim.config.reading import read_toml
from feedsim.files import clear_left_overs, is_left_over, json_bytes, write_whole
from feedsim.mistakes import Mistake
from feedsim.store import STORE, Store
from feedsim.version import SCHEMA, VERSION, program

if TYPE_CHECKING:
    import pandas as pd

MANIFEST = "manifest.json"
RESOLVED = "resolved.toml"
# Keys of the config whose value is the name of another file.
FILE_KEYS = ("file_s", "file_min", "film")
_MOST_CHANGES = 6
_LONGEST_CHANGE = 120
LIBRARIES = ("simpy", "numpy", "pandas", "scipy", "matplotlib", "pydantic")


class FolderError(Mistake):
    """A folder that cannot take this study."""


class UnreadableManifestError(ValueError):
    """A manifest that is a link, no file, or no JSON document."""


def folder_of(out: Path | None, kind: str, name: str, own_hash: str) -> Path:
    """The folder that is asked for, or else one under outputs/, named by what is in it.

    Parameters
    ----------
    out : Path, optional
        The folder itself; a link that somebody names is followed.
    kind, name, own_hash : str
        Of what the folder's name is made.

    Raises
    ------
    FolderError
        If the one under outputs/ is a link: nobody has chosen where it leads to.
    """
    if out is not None:
        return out
    plain = re.sub(r"[^\w.-]+", "_", name)[:60]
    path = Path("outputs") / f"{kind}-{plain}-{own_hash}"
    if path.is_symlink():
        raise FolderError(f"{path}: is a link, allowed: a folder, or --out with the one it names")
    return path


@contextmanager
def taking(path: Path) -> Iterator[None]:
    """Make a folder if it is not there, and say in words why it cannot be written to.

    Raises
    ------
    FolderError
        If it cannot be made, or what is done in the block cannot be done there.
    OSError
        If the disk is full or fails.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise
        reason = error.strerror or str(error)
        raise FolderError(f"{path}: cannot be written to: {reason}") from error


def manifest_in(folder: Path) -> dict[str, Any] | None:
    """What a folder's manifest tells; None if there is none.

    Raises
    ------
    UnreadableManifestError
        If there is something else under its name; a link could lead out of the folder.
    """
    path = folder / MANIFEST
    if not os.path.lexists(path):
        return None
    if not _is_own_file(path):
        raise UnreadableManifestError(f"its {MANIFEST} is a link or no file")
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise UnreadableManifestError(f"its {MANIFEST} cannot be read") from error
    if not isinstance(told, dict):
        raise UnreadableManifestError(f"its {MANIFEST} cannot be read")
    return told


def _is_own_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def manifest_head(
    command: str,
    command_line: Sequence[str],
    options: Mapping[str, Any],
    *,
    simulated_by: str | None = None,
) -> dict[str, Any]:
    """What every manifest begins with; `simulated_by` is the program of a study's shifts."""
    return {
        "schema": SCHEMA,
        "feedsim": VERSION,
        **({} if simulated_by is None else {"program": simulated_by}),
        "python": platform.python_version(),
        "libraries": {library: version(library) for library in LIBRARIES},
        "command": command,
        "command_line": list(command_line),
        "options": dict(options),
    }


def study_hash(command: str, config: Config, options: Mapping[str, Any]) -> str:
    """Eight characters that stand for the config, the command and its options."""
    told = json.dumps([command, dump_toml(config), dict(options)], sort_keys=True)
    return hashlib.sha256(told.encode("utf-8")).hexdigest()[:8]


def inputs_of(config: Config) -> dict[str, str]:
    """Names of the files that a config names, as it names them, and what is in them in short."""
    origin = config.origin
    given = apply_overrides(read_toml(origin.text, origin.name), origin.overrides).data
    return {name: _digest(origin.folder / name) for name in sorted(set(_files_named(given)))}


def _files_named(values: Any) -> Iterator[str]:
    if isinstance(values, Mapping):
        for key, value in values.items():
            if key in FILE_KEYS and isinstance(value, str):
                yield value
            else:
                yield from _files_named(value)
    elif isinstance(values, list):
        for value in values:
            yield from _files_named(value)


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    except OSError:
        return ""


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {item}" for key, item in value.items() if item) or "none"
    return str(value)


def _short(line: str) -> str:
    return line if len(line) <= _LONGEST_CHANGE else line[: _LONGEST_CHANGE - 4] + " ..."


class OutputFolder:
    """A folder to which results are written, each file whole or not at all."""

    path: Path

    def write(self, name: str, data: bytes) -> None:
        """Write one file."""
        write_whole(self.path / name, [data])

    def write_json(self, name: str, document: Any) -> None:
        """Write a JSON document."""
        self.write(name, json_bytes(document))

    def write_frames(self, name: str, frames: Iterable[pd.DataFrame]) -> None:
        """Write a table as CSV, from parts with equal columns."""
        parts = (csv_bytes(part, has_header=number == 0) for number, part in enumerate(frames))
        write_whole(self.path / name, parts)


class StudyFolder(OutputFolder):
    """The folder that a study is written to, and goes on in where it was stopped.

    From its opening on nobody else works in it, until its store is closed or this process ends.

    Parameters
    ----------
    command : str
        Name of the command.
    config_path : Path
        The config as given.
    config : Config
        The config as resolved, overrides included.
    options : mapping
        The command's options that alter results.
    command_line : sequence of str
        The command as typed.
    out : Path, optional
        The folder itself; by default one under outputs/, named by what is studied.

    Attributes
    ----------
    store : Store
        Finished shifts of this study, of before and to come; open.

    Raises
    ------
    FolderError
        If the folder holds another study (another config, command, input or version), or
        something else, or cannot be written to.
    StoreError
        If somebody else works in the folder, or its store is damaged.
    OSError
        If the disk is full.
    """

    store: Store

    def __init__(
        self,
        command: str,
        config_path: Path,
        config: Config,
        options: Mapping[str, Any],
        command_line: Sequence[str],
        out: Path | None = None,
    ) -> None:
        self.command = command
        self.hash = study_hash(command, config, options)
        self.path = folder_of(out, command, config_path.stem, self.hash)
        self._resolved = dump_toml(config)
        self._manifest = {
            **manifest_head(command, command_line, options, simulated_by=program()),
            "config": config_path.name,
            "inputs": inputs_of(config),
            "seed": config.study.seed,
            "replications": config.study.replications,
            "hash": self.hash,
            "title": config.title,
            "finished": False,
        }
        with taking(self.path):
            self._refuse_what_is_there()
            self.store = Store(self.path)
            try:
                # Another study may have begun here until the store was locked.
                self._refuse_what_is_there()
                self._begin(config_path)
            except BaseException:
                self.store.close()
                raise

    def _begin(self, config_path: Path) -> None:
        clear_left_overs(self.path)
        # The manifest first: it tells whose folder this is, should the next write be the last.
        self.write_json(MANIFEST, self._manifest)
        self.write("config.toml", config_path.read_bytes())
        self.write(RESOLVED, self._resolved.encode())

    def _refuse_what_is_there(self) -> None:
        try:
            older = manifest_in(self.path)
            if older is None:
                if any(self._others()):
                    raise FolderError(
                        f"{self.path}: is not empty and holds no study, allowed: a new or empty "
                        "folder"
                    )
                return
            own = {key: self._manifest[key] for key in ("hash", "program")}
            if own.items() <= older.items():
                # Its results are these: an interrupt of this run takes nothing from them.
                there = ("finished", "engine")
                self._manifest |= {key: older[key] for key in there if key in older}
                return
            changed = self._changes_since(older)
        except UnreadableManifestError as error:
            changed = [str(error)]
        except (KeyError, TypeError, AttributeError):
            changed = [f"its {MANIFEST} cannot be read"]
        raise FolderError(
            f"{self.path}: holds another study ({'; '.join(changed[:_MOST_CHANGES])}), "
            "allowed: the same study, or another folder"
        )

    def _others(self) -> Iterator[Path]:
        """What is in the folder besides what a study killed at its very beginning leaves."""
        for path in self.path.iterdir():
            if not path.name.startswith(STORE) and not is_left_over(path):
                yield path

    def _changes_since(self, older: Mapping[str, Any]) -> list[str]:
        """What has changed, in some words each: files before the keys that they explain."""
        changes = [
            f"{key} {_plain(older.get(key))} (there); {_plain(self._manifest[key])} (here)"
            for key in ("command", "options", "program")
            if older.get(key) != self._manifest[key]
        ]
        before, now = older.get("inputs", {}), self._manifest["inputs"]
        changes += [
            f"the file {name} has changed"
            for name in sorted(before.keys() & now.keys())
            if before[name] != now[name]
        ]
        return [_short(change) for change in changes + self._changed_keys()]

    def _changed_keys(self) -> list[str]:
        resolved = self.path / RESOLVED
        if not _is_own_file(resolved):
            return [f"its {RESOLVED} is missing"]
        before = resolved.read_text(encoding="utf-8", errors="replace").splitlines()
        words = {"-": "there", "+": "here"}
        return [
            f"{_short(line[1:].strip())} ({words[line[0]]})"
            for line in difflib.unified_diff(before, self._resolved.splitlines(), n=0)
            if line[:1] in words and not line.startswith(("---", "+++")) and line[1:].strip()
        ]

    def finish(self, engine: str) -> None:
        """Mark the study as finished, by which engine."""
        self._manifest |= {"engine": engine, "finished": True}
        self.write_json(MANIFEST, self._manifest)
