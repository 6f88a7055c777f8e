"""The JSON documents that commands print and write."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from feedsim.version import SCHEMA, VERSION


def command_document(command: str, own: Mapping[str, Any]) -> dict[str, Any]:
    """A command's own document, with what stands at the head of all of them."""
    return {"schema": SCHEMA, "feedsim": VERSION, "command": command, **own}


def answer_document(
    command: str, sentences: Iterable[str], notes: Iterable[str], own: Mapping[str, Any]
) -> dict[str, Any]:
    """The document of an answer that stands in no study's folder."""
    return command_document(command, {"answer": list(sentences), "notes": list(notes), **own})


def error_document(message: str) -> dict[str, Any]:
    """What stands in place of a document where there is no answer."""
    return {"schema": SCHEMA, "error": message}
