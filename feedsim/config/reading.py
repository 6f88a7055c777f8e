"""Reading TOML, with one clear line for everything that is wrong with it."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from feedsim.config.datafile import LARGEST_BYTES
from feedsim.config.problems import ConfigError, Problem, escaped

DEEPEST = 50
_TOO_LARGE = f"the config is larger than {LARGEST_BYTES // 1_000_000} MB"
_KEY_PART = re.compile(r"""[ \t]*([\w-]+|"[^"]*"|'[^']*')[ \t]*""")
_DECIMAL_COMMA = re.compile(r"=\s*(-?\d+,\d+)\s*(?=$|[#,}])")
_NO_VALUE = re.compile(r"^[^=#\"']*=\s*(#|$)")
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def read_toml(text: str, name: str) -> dict[str, Any]:
    """Plain values of a TOML text.

    Parameters
    ----------
    text : str
        The whole file.
    name : str
        For messages.

    Raises
    ------
    ConfigError
        The text is not TOML; tomllib's own errors, and those that escape it (impossible dates,
        numbers of thousands of digits, nesting without end), alike.
    """
    if len(text) > LARGEST_BYTES:
        raise ConfigError([Problem(name, None, "", _TOO_LARGE)])
    text = text.removeprefix("\ufeff")
    deep = _line_of_deep_key(text)
    if deep is not None:
        raise ConfigError([Problem(name, deep, "", "not valid TOML: keys are nested too deeply")])
    try:
        data = tomllib.loads(text)
        if not too_deep(data):
            return data
        line, message = None, "values are nested too deeply"
    except tomllib.TOMLDecodeError as error:
        line, message = _placed(str(error), text)
    except RecursionError:
        line, message = None, "values are nested too deeply"
    except ValueError as error:
        line, message = _line_that_fails(text, ValueError), _of_value(str(error))
    if "too deeply" in message:
        line = _line_that_fails(text, RecursionError)
    raise ConfigError([Problem(name, line, "", f"not valid TOML: {message}")])


def _line_of_deep_key(text: str) -> int | None:
    """The line of a key a.b.c... that is too deep; tomllib would take minutes over a long one."""
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") < DEEPEST:
            continue
        depth = 0
        for part in line.split("."):
            depth = depth + 1 if _KEY_PART.fullmatch(part) else 0
            if depth == DEEPEST:
                return number
    return None


def too_deep(data: Any) -> bool:
    """Whether values are nested deeper than any config needs, and recursion can stand."""
    layer = [data]
    for _ in range(DEEPEST):
        layer = [
            inner
            for value in layer
            if isinstance(value, dict | list)
            for inner in (value.values() if isinstance(value, dict) else value)
        ]
    return bool(layer)


def _of_value(message: str) -> str:
    return "a number has too many digits" if "integer string" in message else escaped(message)


def _placed(message: str, text: str) -> tuple[int | None, str]:
    """Line and the rest of tomllib's message."""
    place = _PLACE.search(message)
    if place is None:
        return None, escaped(message)
    words = escaped(message[: place.start()])
    if place[1] is None:
        return text.rstrip().count("\n") + 1, f"{words} at the end of the file"
    number = int(place[1])
    hint = _hint(text.replace("\r\n", "\n").split("\n")[number - 1])
    return number, f"{words} (column {place[2]}){hint}"


def _hint(line: str) -> str:
    """What is often meant by a line that is no TOML."""
    number = _DECIMAL_COMMA.search(line)
    if number:
        return comma_hint(number[1])
    if _NO_VALUE.search(line):
        return "; after = there is no value"
    return ""


def comma_hint(number: str) -> str:
    """What to say of a number that was written with a comma, such as "0,77"."""
    whole, _, rest = number.partition(",")
    if len(rest) == 3:
        return (
            f"; numbers have no comma: {whole}{rest} if thousands are meant, {whole}.{rest} if "
            "decimals are"
        )
    return f"; decimals are written with a point: {whole}.{rest}"


def _line_that_fails(text: str, kind: type[Exception]) -> int | None:
    """The first line that raises the error alone, TOML's own errors not counting."""
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):
        try:
            if too_deep(tomllib.loads(line)):
                raise RecursionError
        except tomllib.TOMLDecodeError:
            continue
        except kind:
            return number
        except Exception:
            continue
    return None
