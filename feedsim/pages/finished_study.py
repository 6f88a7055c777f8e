"""A finished study as its folder tells it: what was asked, what was found, figures, configs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError

from feedsim.mistakes import Mistake
from feedsim.pages.page import shown

_FIGURE = re.compile(r"[-+~<>]?\.?\d|none\b|-$")


class UnreadableStudyError(Mistake):
    """A study's documents that are not what a study writes."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


Model = TypeVar("Model", bound=_Part)


class Found(_Part):
    """A measure's value with its interval; None where there is none."""

    value: float | None
    low: float | None
    high: float | None
    seen_in: int | None = None
    chance_high: float | None = None


class StudyRow(_Part):
    """The measures of one machine at one setting; `machine` None is the whole cell."""

    setting: dict[str, bool | int | float | str]
    machine: str | None
    replications: int
    measures: dict[str, Found]


class StudyTable(_Part):
    """A table as the command printed it, and the lines said below it."""

    title: str
    columns: list[str]
    lines: list[list[str]]
    notes: list[str] = []

    @property
    def are_numbers(self) -> list[bool]:
        """Which columns hold figures in the main."""
        found = []
        for place in range(len(self.columns)):
            entries = [line[place] for line in self.lines if len(line) > place and line[place]]
            figures = sum(bool(_FIGURE.match(entry)) for entry in entries)
            found.append(2 * figures > len(entries))
        return found


class Answer(_Part):
    """What answer.json holds."""

    feedsim: str
    command: str
    title: str = ""
    answer: list[str] = Field(min_length=1)
    confidence: float | None = None
    rows: list[StudyRow] = []
    notes: list[str] = []
    tables: list[StudyTable] = []
    # Of `rounds`: the map's cells, each from as many shifts as its verdict took.
    map: list[StudyRow] = []
    sweep: dict[str, JsonValue] = {}
    size: list[dict[str, JsonValue]] = []
    inputs: JsonValue = None


class Manifest(_Part):
    """What manifest.json holds."""

    feedsim: str
    program: str = ""
    python: str
    libraries: dict[str, str]
    command: str
    command_line: list[str]
    options: dict[str, JsonValue]
    config: str = ""
    inputs: dict[str, str] = {}
    seed: int | None = None
    replications: int | None = None
    hash: str
    title: str = ""
    finished: bool
    engine: str = ""


@dataclass(frozen=True)
class FinishedStudy:
    """What a report is made of.

    Attributes
    ----------
    name : str
        The folder's own name.
    manifest : Manifest
    answer : Answer
    texts : mapping from str to str
        TOML files of the folder, by name.
    drawings : mapping from str to bytes
        Its figures as SVG, by name without ending.
    pictures : mapping from str to bytes
        The same figures as PNG.
    """

    name: str
    manifest: Manifest
    answer: Answer
    texts: Mapping[str, str] = field(default_factory=dict)
    drawings: Mapping[str, bytes] = field(default_factory=dict)
    pictures: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        """The command that made it, in words: "trial plan"."""
        return self.answer.command.replace("-", " ")

    @property
    def cells(self) -> list[StudyRow]:
        """The rows of whole cells."""
        return [row for row in self.answer.rows if row.machine is None]

    @property
    def is_simulated(self) -> bool:
        """Whether shifts were simulated for it."""
        return bool(self.manifest.engine)


def manifest_of(document: Any) -> Manifest:
    """Check what manifest.json holds; control characters are written as escapes.

    Raises
    ------
    UnreadableStudyError
    """
    return _checked(Manifest, document, "manifest.json")


def answer_of(document: Any) -> Answer:
    """Check what answer.json holds; control characters are written as escapes.

    Raises
    ------
    UnreadableStudyError
    """
    return _checked(Answer, document, "answer.json")


def _checked(model: type[Model], document: Any, name: str) -> Model:
    try:
        return model.model_validate(_shown(document))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(shown(str(part)) for part in first["loc"][:4])
        raise UnreadableStudyError(f"{name}: {where or 'it'} is not what a study writes") from error


def _shown(value: Any) -> Any:
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, list):
        return [_shown(item) for item in value]
    if isinstance(value, dict):
        return {shown(str(key)): _shown(item) for key, item in value.items()}
    return value
