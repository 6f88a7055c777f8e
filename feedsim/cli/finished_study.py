"""Reading a study's folder, and nothing beside it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from feedsim.cli.answer_folder import ANSWER
from feedsim.folder import MANIFEST, FolderError

if TYPE_CHECKING:
    from feedsim.pages.finished_study import FinishedStudy

ALLOWED = "allowed: the folder of a finished study"
LARGEST_BYTES = 200_000_000
MOST_FILES = 500
PAGES = {"replay": "replay.html"}


def read_study(path: Path) -> FinishedStudy:
    """Read what a report is made of from a study's folder.

    Parameters
    ----------
    path : Path
        The folder.

    Returns
    -------
    FinishedStudy

    Raises
    ------
    FolderError
        If it is no folder, is foreign, unfinished, or holds what no study writes.
    """
    from feedsim.pages.finished_study import (
        FinishedStudy,
        UnreadableStudyError,
        answer_of,
        manifest_of,
    )

    if not path.is_dir():
        reason = "is no folder" if path.exists() else "is not there"
        raise FolderError(f"{path}: {reason}, {ALLOWED}")
    if not (path / MANIFEST).exists():
        raise FolderError(f"{path}: holds no study (no {MANIFEST}), {ALLOWED}")
    try:
        manifest = manifest_of(_json_of(path / MANIFEST))
        if manifest.command in PAGES and (path / PAGES[manifest.command]).exists():
            own = path / PAGES[manifest.command]
            raise FolderError(f"{path}: a {manifest.command} is a page of its own: {own}")
        if not manifest.finished:
            raise FolderError(
                f"{path}: the study is unfinished, {ALLOWED} (its command goes on with it)"
            )
        if not (path / ANSWER).exists():
            raise FolderError(
                f"{path}: holds no {ANSWER}, {ALLOWED} (its command, called again, writes it)"
            )
        answer = answer_of(_json_of(path / ANSWER))
    except UnreadableStudyError as error:
        raise FolderError(f"{path}: {error}, {ALLOWED}") from error
    names = sorted(name for name in os.listdir(path) if not name.startswith("."))[:MOST_FILES]
    return FinishedStudy(
        path.resolve().name,
        manifest,
        answer,
        {
            name: _bytes_of(path / name).decode("utf-8", errors="replace")
            for name in names
            if name.endswith(".toml")
        },
        {Path(name).stem: _bytes_of(path / name) for name in names if name.endswith(".svg")},
        {Path(name).stem: _bytes_of(path / name) for name in names if name.endswith(".png")},
    )


def _json_of(path: Path) -> Any:
    data = _bytes_of(path)
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise FolderError(f"{path}: cannot be read as JSON, {ALLOWED}") from error


def _bytes_of(path: Path) -> bytes:
    """A file's bytes; a link could lead out of the folder, so none is followed."""
    if path.is_symlink() or not path.is_file():
        raise FolderError(f"{path}: is a link or no file, {ALLOWED}")
    if path.stat().st_size > LARGEST_BYTES:
        raise FolderError(
            f"{path}: is larger than {LARGEST_BYTES // 1_000_000} MB, allowed: smaller studies"
        )
    try:
        return path.read_bytes()
    except OSError as error:
        raise FolderError(f"{path}: cannot be read: {error.strerror or error}") from error
