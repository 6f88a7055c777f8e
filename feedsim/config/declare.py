"""How a key of the config is declared: once, with unit, default, range, meaning and source."""

from __future__ import annotations

import re
import types
import typing
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError, PydanticUndefined

from feedsim.config.problems import number_text

NAME_CHARACTERS = 100
LONGEST_FILE_NAME = 1000
LARGEST_SEED = 2**63 - 1


class Table(BaseModel):
    """A table of the config: strict, closed to unknown keys, unchangeable."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        validate_default=True,
        allow_inf_nan=False,
    )


def key(
    meaning: str,
    *,
    unit: str = "",
    default: Any = PydanticUndefined,
    example: Any = None,
    source: str = "",
    allowed: str = "",
    shown_default: str = "",
    listed: bool = False,
    alias: str | None = None,
    **bounds: Any,
) -> Any:
    """Declare a key.

    Parameters
    ----------
    meaning : str
        One sentence for help and the starter config.
    unit : str
        Of the number, also at the end of the key's name.
    default, example
        Of two keys without a default the example is a sensible value.
    source : str
        Where a default that is more than "it does not happen" comes from.
    allowed, shown_default : str
        In words, where type, bounds and default do not say it well.
    listed : bool
        The value is a list: TOML gives a list, the config keeps a tuple.
    alias : str or None
        The key in TOML where Python reserves the word.
    **bounds
        gt, ge, lt, le, min_length, max_length.
    """
    extra: dict[str, Any] = {
        "unit": unit,
        "example": example,
        "source": source,
        "allowed": allowed,
        "shown_default": shown_default,
    }
    strict = False if listed else None
    return Field(
        default,
        description=meaning,
        json_schema_extra=extra,
        alias=alias,
        strict=strict,
        **bounds,
    )


def extra_of(field: FieldInfo, name: str) -> Any:
    """A declared property beyond what pydantic keeps: unit, example, source, allowed."""
    extra = field.json_schema_extra
    return extra.get(name, "") if isinstance(extra, dict) else ""


def bare_type(annotation: Any) -> Any:
    """A type without `| None` and without annotations around it."""
    if typing.get_origin(annotation) is Annotated:
        return bare_type(typing.get_args(annotation)[0])
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        inner = [arg for arg in typing.get_args(annotation) if arg is not types.NoneType]
        return bare_type(inner[0])
    return annotation


def allowed_text(field: FieldInfo) -> str:
    """What a key may be, in words: "a whole number from 1 to 4"."""
    given = extra_of(field, "allowed")
    if given:
        return str(given)
    kind = bare_type(field.annotation)
    if typing.get_origin(kind) is Literal:
        return "one of " + ", ".join(f'"{choice}"' for choice in typing.get_args(kind))
    if kind is bool:
        return "true or false"
    if kind is int:
        return "a whole number" + _range_text(field)
    if kind is float:
        return "a number" + _range_text(field)
    if kind is str:
        return "a text" + _length_text(field)
    return "a table" if isinstance(kind, type) and issubclass(kind, BaseModel) else "a list"


def _bound(field: FieldInfo, name: str) -> Any:
    for rule in field.metadata:
        if getattr(rule, name, None) is not None:
            return getattr(rule, name)
    return None


def _range_text(field: FieldInfo) -> str:
    low, above = _bound(field, "ge"), _bound(field, "gt")
    high, below = _bound(field, "le"), _bound(field, "lt")
    if low is not None and high is not None:
        return f" from {_limit(low)} to {_limit(high)}"
    words = []
    if low is not None:
        words.append(f"at least {_limit(low)}")
    if above is not None:
        words.append(f"above {_limit(above)}")
    if high is not None:
        words.append(f"at most {_limit(high)}")
    if below is not None:
        words.append(f"below {_limit(below)}")
    return (" " + ", ".join(words)) if words else ""


def _limit(value: float) -> str:
    return "2^63 - 1" if value == LARGEST_SEED else number_text(value)


def _length_text(field: FieldInfo) -> str:
    longest = _bound(field, "max_length")
    return f" of at most {longest} characters" if longest is not None else ""


def plain_error(message: str) -> PydanticCustomError:
    """An error whose message is complete but for the value, which the loader adds."""
    return PydanticCustomError("plain", "{message}", {"message": message})


def _checked_name(name: str) -> str:
    if not name.strip():
        raise plain_error("a name must not be empty")
    if len(name) > NAME_CHARACTERS:
        raise plain_error(
            f"a name must have at most {NAME_CHARACTERS} characters, this one has {len(name)}"
        )
    if "/" in name:
        raise plain_error("a name must not hold a slash")
    if any(not character.isprintable() for character in name):
        raise plain_error("a name must not hold control characters")
    return name


def _checked_text(text: str) -> str:
    if not text.isprintable():
        raise plain_error("must not hold control characters")
    return text


def _checked_lines(text: str) -> str:
    _checked_text(text.replace("\n", " "))
    return text


Name = Annotated[str, AfterValidator(_checked_name)]
# Any text that is shown, or names a file.
Text = Annotated[str, AfterValidator(_checked_text)]
# The same, of one line or several.
Lines = Annotated[str, AfterValidator(_checked_lines)]


def state_of(name: str) -> str:
    """The state that a station's stop is booked to: "Case packer" gives case_packer."""
    return re.sub(r"\W+", "_", name.lower()).strip("_")
