"""A study's folder: what was asked, what came out, and how to get it again."""

from __future__ import annotations

import difflib
import hashlib
import json
import platform
import re
from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from feedsim.config import Config, dump_toml
from feedsim.files import write_whole
from feedsim.version import VERSION

if TYPE_CHECKING:
    import pandas as pd

MANIFEST = "manifest.json"
RESOLVED = "resolved.toml"
LIBRARIES = ("simpy", "numpy", "pandas", "scipy", "matplotlib", "pydantic")


class FolderError(ValueError):
    """A folder that cannot take this study."""


def study_hash(command: str, config: Config, options: Mapping[str, Any]) -> str:
    """Eight characters that stand for the config, the command and its options."""
    told = json.dumps([command, dump_toml(config), dict(options)], sort_keys=True)
    return hashlib.sha256(told.encode("utf-8")).hexdigest()[:8]


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {item}" for key, item in value.items() if item) or "none"
    return str(value)


class StudyFolder:
    """The folder that a study is written to.

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

    Raises
    ------
    FolderError
        If the folder holds another study, or something else, or cannot be written to.
    """

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
        name = re.sub(r"[^\w.-]+", "_", config_path.stem)[:60]
        self.path = out or Path("outputs") / f"{command}-{name}-{self.hash}"
        self._resolved = dump_toml(config)
        self._manifest: dict[str, Any] = {
            "schema": 1,
            "feedsim": VERSION,
            "python": platform.python_version(),
            "libraries": {name: version(name) for name in LIBRARIES},
            "command": command,
            "command_line": list(command_line),
            "options": dict(options),
            "config": config_path.name,
            "seed": config.study.seed,
            "replications": config.study.replications,
            "hash": self.hash,
            "title": config.title,
            "finished": False,
        }
        self._open(config_path)

    def _open(self, config_path: Path) -> None:
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self._refuse_what_is_there()
            self.write("config.toml", config_path.read_bytes())
            self.write(RESOLVED, self._resolved.encode())
            self.write_json(MANIFEST, self._manifest)
        except OSError as error:
            reason = error.strerror or str(error)
            raise FolderError(f"{self.path}: cannot be written to: {reason}") from error

    def _refuse_what_is_there(self) -> None:
        manifest = self.path / MANIFEST
        if not manifest.exists():
            if any(self.path.iterdir()):
                raise FolderError(
                    f"{self.path}: is not empty and holds no study, allowed: a new or empty folder"
                )
            return
        try:
            older = json.loads(manifest.read_text(encoding="utf-8"))
            if older["hash"] == self.hash:
                # Its results are these: an interrupt of this run takes nothing from them.
                self._manifest["finished"] = older["finished"]
                return
            if not older["finished"]:
                return
            changed = self._changes_since(older)
        except (ValueError, KeyError, TypeError):
            changed = [f"its {MANIFEST} cannot be read"]
        raise FolderError(
            f"{self.path}: holds another study ({'; '.join(changed[:6])}), "
            "allowed: the same study, or another folder"
        )

    def _changes_since(self, older: Mapping[str, Any]) -> list[str]:
        changes = [
            f"{key} {_plain(older.get(key))} (there); {_plain(self._manifest[key])} (here)"
            for key in ("command", "options")
            if older.get(key) != self._manifest[key]
        ]
        resolved = self.path / RESOLVED
        before = resolved.read_text(encoding="utf-8") if resolved.exists() else ""
        lines = difflib.unified_diff(before.splitlines(), self._resolved.splitlines(), n=0)
        words = {"-": "there", "+": "here"}
        return changes + [
            f"{line[1:].strip()} ({words[line[0]]})"
            for line in lines
            if line[:1] in words and not line.startswith(("---", "+++")) and line[1:].strip()
        ]

    def finish(self, engine: str) -> None:
        """Mark the study as finished: from now on no other may take its folder."""
        self._manifest |= {"engine": engine, "finished": True}
        self.write_json(MANIFEST, self._manifest)

    def write(self, name: str, data: bytes) -> None:
        """Write one file, whole or not at all."""
        write_whole(self.path / name, [data])

    def write_json(self, name: str, document: Any) -> None:
        """Write a JSON document."""
        self.write(name, (json.dumps(document, indent=1, allow_nan=False) + "\n").encode())

    def write_frames(self, name: str, frames: Iterable[pd.DataFrame]) -> None:
        """Write a table as CSV, numbers to their last digit, from parts with equal columns."""
        write_whole(
            self.path / name,
            (
                frame.to_csv(index=False, header=number == 0, lineterminator="\n").encode()
                for number, frame in enumerate(frames)
            ),
        )
