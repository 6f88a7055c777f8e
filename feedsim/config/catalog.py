"""All keys that a config may have, read from their declarations."""

from __future__ import annotations

import difflib
import functools
import re
import typing
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from feedsim.config.declare import allowed_text, bare_type, extra_of
from feedsim.config.problems import ConfigError, Path, Problem, show
from feedsim.config.root import Config
from feedsim.config.times import Spread, SpreadTable

Pattern = tuple[str, ...]


@dataclass(frozen=True)
class Declaration:
    """One declared key: `kind` is "key", "time", "table" or "tables" (a list of tables)."""

    pattern: Pattern
    kind: str
    unit: str
    required: bool
    default: Any
    shown_default: str
    example: Any
    allowed: str
    meaning: str
    source: str
    model: type[BaseModel] | None

    @property
    def path(self) -> str:
        """The key as written with dots."""
        return ".".join(self.pattern)

    @property
    def choices(self) -> list[str]:
        """The words that it may be, where it is one of some."""
        return re.findall(r'"([^"]*)"', self.allowed) if self.allowed.startswith("one of") else []

    @property
    def default_text(self) -> str:
        """The default in words."""
        if self.required:
            return "none: must be given"
        if self.shown_default:
            return self.shown_default
        if self.kind in ("table", "tables"):
            return "none"
        return "not given" if self.default is None else show(self.default)


@functools.cache
def declarations() -> dict[Pattern, Declaration]:
    """Every key and table by its pattern (a path without list numbers), in order.

    The keys inside a time that varies are not repeated here: see `declaration_of`.
    """
    return {declared.pattern: declared for declared in _walk(Config, ())}


@functools.cache
def time_declarations() -> dict[str, Declaration]:
    """The keys of a time that varies."""
    return {declared.pattern[-1]: declared for declared in _walk(SpreadTable, ())}


def _walk(model: type[BaseModel], above: Pattern) -> list[Declaration]:
    found: list[Declaration] = []
    for name, field in model.model_fields.items():
        pattern = (*above, field.alias or name)
        kind, inner = _kind(field)
        found.append(_declaration(pattern, kind, field, inner))
        if inner is not None:
            found += _walk(inner, pattern)
    return found


def _kind(field: FieldInfo) -> tuple[str, type[BaseModel] | None]:
    kind = bare_type(field.annotation)
    if kind is Spread:
        return "time", None
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return "table", kind
    if typing.get_origin(kind) is tuple:
        inner = bare_type(typing.get_args(kind)[0])
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return "tables", inner
    return "key", None


def _declaration(
    pattern: Pattern, kind: str, field: FieldInfo, model: type[BaseModel] | None
) -> Declaration:
    required = field.default is PydanticUndefined
    return Declaration(
        pattern=pattern,
        kind=kind,
        unit=extra_of(field, "unit"),
        required=required,
        default=None if required else field.default,
        shown_default=extra_of(field, "shown_default"),
        example=extra_of(field, "example"),
        allowed=allowed_text(field),
        meaning=field.description or "",
        source=extra_of(field, "source"),
        model=model,
    )


def pattern_of(path: Path) -> Pattern:
    """A path without its list numbers."""
    return tuple(part for part in path if isinstance(part, str))


def declaration_of(pattern: Pattern) -> Declaration | None:
    """The declaration of a key, inner keys of times included, or None."""
    known = declarations()
    if pattern in known:
        return known[pattern]
    outer = known.get(pattern[:-1])
    if outer is not None and outer.kind == "time":
        return time_declarations().get(pattern[-1])
    return None


def keys_below(pattern: Pattern) -> list[str]:
    """Names allowed directly in a table (or in a time)."""
    outer = declarations().get(pattern)
    if outer is not None and outer.kind == "time":
        return list(time_declarations())
    depth = len(pattern) + 1
    return [p[-1] for p in declarations() if len(p) == depth and p[:-1] == pattern]


def nearest(name: str, choices: list[str]) -> str | None:
    """The choice that a misspelt name most likely meant, if any is near."""
    lower = {choice.lower(): choice for choice in reversed(choices)}
    found = difflib.get_close_matches(name.lower(), list(lower), n=1, cutoff=0.6)
    if found:
        return lower[found[0]]
    within = [c for c in choices if len(name) > 2 and (name.lower() in c.lower().split("_"))]
    return within[0] if len(within) == 1 else None


def unknown_key_text(pattern: Pattern) -> tuple[str, str | None]:
    """What to say of an unknown key, and the sibling that was likely meant."""
    siblings = keys_below(pattern[:-1])
    name = pattern[-1]
    elsewhere = [p for p in declarations() if p[-1] == name and len(p) > 1]
    meant = nearest(name, siblings)
    if elsewhere:
        tables = " or ".join(f"[{'.'.join(p[:-1])}]" for p in elsewhere[:3])
        return f"unknown key here, it belongs in {tables}", None
    if meant is not None:
        return f"unknown key, did you mean `{meant}`?", meant
    if not siblings:
        return f"unknown key, {pattern[-2]} is no table", None
    return f"unknown key, allowed here are {', '.join(siblings)}", None


def all_keys() -> list[str]:
    """Paths of all keys, tables left out, in the order of the starter config."""
    return [d.path for d in declarations().values() if d.kind in ("key", "time")]


def describe_key(path: str) -> str:
    """Explain one key or table: meaning, unit, default, what is allowed, source.

    Parameters
    ----------
    path : str
        Such as "machine.magazine.lanes"; list numbers are passed over.

    Returns
    -------
    str
        Several lines.

    Raises
    ------
    ConfigError
        No such key; names the nearest one.
    """
    pattern = tuple(part for part in re.sub(r"\[\d+\]", "", path).strip().split(".") if part)
    declared = declaration_of(pattern)
    if declared is None:
        raise ConfigError([Problem("", None, path, _no_such_key(pattern))])
    lines = [".".join(pattern), f"  {declared.meaning}"]
    if declared.kind in ("table", "tables"):
        lines.append(f"  keys     {', '.join(keys_below(pattern))}")
        return "\n".join(lines)
    lines.append(f"  unit     {declared.unit or 'none'}")
    lines.append(f"  default  {declared.default_text}")
    lines.append(f"  allowed  {declared.allowed}")
    if declared.example not in (None, ""):
        lines.append(f"  example  {declared.pattern[-1]} = {show(declared.example)}")
    lines.append(f"  source   {declared.source or 'the plainest case'}")
    if declared.kind == "time":
        lines.append("  a time's own keys:")
        lines += [_time_line(inner) for inner in time_declarations().values()]
    return "\n".join(lines)


def _time_line(inner: Declaration) -> str:
    return f"    {inner.pattern[-1]:<10} {inner.meaning}: {inner.allowed}"


def _no_such_key(pattern: Pattern) -> str:
    if not pattern:
        return "a key is needed, such as machine.magazine.lanes"
    paths = [".".join(p) for p in declarations()]
    dotted = ".".join(pattern)
    ends = [p for p in paths if p.split(".")[-1] == pattern[-1]]
    meant = ends[0] if ends else nearest(dotted, paths)
    if meant is None:
        last = nearest(pattern[-1], [p.split(".")[-1] for p in paths])
        meant = next((p for p in paths if p.split(".")[-1] == last), None)
    return f"unknown key, did you mean `{meant}`?" if meant else "unknown key"
