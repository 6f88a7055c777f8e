"""What can be wrong with a config, and how it is shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from feedsim.mistakes import Mistake

Path = tuple[str | int, ...]

SHOWN_CHARACTERS = 60
LONGEST_KEY = 200


@dataclass(frozen=True)
class Problem:
    """One thing wrong: where, at which key, and what is allowed instead."""

    file: str
    line: int | None
    key: str
    message: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        key = escaped(self.key)
        if len(key) > LONGEST_KEY:
            key = key[: LONGEST_KEY - 1] + "…"
        return ": ".join(part for part in (escaped(place), key, self.message) if part)


class ConfigError(Mistake):
    """A config that cannot be used; `problems` holds everything wrong with it."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[ConfigError], tuple[list[Problem]]]:
        """Survive the way back from a worker process with the problems intact."""
        return (ConfigError, (self.problems,))


@dataclass(frozen=True)
class Finding:
    """A problem whose place is still a path into the data.

    `uses` are the other keys that it leans on: if one of those is itself wrong, the finding
    says nothing.
    """

    path: Path
    message: str
    uses: tuple[Path, ...] = ()
    file: str | None = None
    line: int | None = None
    taints: tuple[Path, ...] = field(default=())


def escaped(text: str) -> str:
    """Text with control characters and line breaks written as escapes."""
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode()
        for character in text
    )


def show(value: object) -> str:
    """A value as TOML would write it, on one line, shortened to 60 characters."""
    text = escaped(_toml_like(value))
    if len(text) > SHOWN_CHARACTERS:
        return text[: SHOWN_CHARACTERS - 1] + "…"
    return text


def _toml_like(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "none"
    if isinstance(value, int):
        # Python refuses to write integers of thousands of digits in decimal.
        return str(value) if value.bit_length() < 500 else hex(value)[: SHOWN_CHARACTERS + 1]
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, str):
        return '"' + value[: 2 * SHOWN_CHARACTERS] + '"'
    if isinstance(value, Mapping):
        if not value:
            return "{}"
        first = list(value.items())[:SHOWN_CHARACTERS]
        return "{ " + ", ".join(f"{k} = {_toml_like(v)}" for k, v in first) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml_like(item) for item in value[:SHOWN_CHARACTERS]) + "]"
    return str(value)


def number_text(value: float) -> str:
    """A number without a needless fraction: 40 for 40.0."""
    if math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(value)


def key_text(path: Path, data: object) -> str:
    """A path as a user writes it: `machine[1].magazine.lanes`.

    The number of a table is left out where it is the only one of its list.
    """
    text = ""
    here: object = data
    for part in path:
        if isinstance(part, int):
            items = here if isinstance(here, list | tuple) else ()
            only_table = len(items) == 1 and isinstance(items[0], Mapping)
            text += "" if only_table else f"[{part}]"
            here = items[part] if part < len(items) else None
        else:
            text += f".{part}" if text else part
            here = here.get(part) if isinstance(here, Mapping) else None
    return text
