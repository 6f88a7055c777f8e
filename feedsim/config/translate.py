"""From pydantic's errors to plain words, and stand-ins for what is wrong."""

from __future__ import annotations

import copy
from typing import Any

from pydantic import ValidationError

from feedsim.config.catalog import (
    Declaration,
    declaration_of,
    declarations,
    keys_below,
    nearest,
    pattern_of,
    unknown_key_text,
)
from feedsim.config.problems import Finding, Path, show


def findings_of_types(error: ValidationError) -> list[Finding]:
    """All of pydantic's errors in plain words.

    Parameters
    ----------
    error : ValidationError
        Of `Config`.
    """
    findings: list[Finding] = []
    for detail in error.errors(include_url=False):
        path: Path = tuple(detail["loc"])
        context = detail.get("ctx", {})
        if detail["type"] == "findings":
            findings += [_inner(path, *found) for found in context["findings"]]
        else:
            findings.append(_finding(path, detail["type"], detail["input"], context))
    return findings


def _inner(
    path: Path, name: str, message: str, file: str | None = None, line: int | None = None
) -> Finding:
    return Finding((*path, name) if name else path, message, file=file, line=line)


def _finding(path: Path, kind: str, value: object, context: dict[str, Any]) -> Finding:
    if kind == "missing" and isinstance(path[-1], int):
        # A list with too few numbers: the list is wrong, not a number that is not there.
        path, kind = path[:-1], "too_short"
    pattern = pattern_of(path)
    declared = declaration_of(pattern)
    if kind == "extra_forbidden":
        message, meant = unknown_key_text(pattern)
        taints: tuple[Path, ...] = ((*path[:-1], meant),) if meant else ()
        return Finding(path, f"{message} (its value is {show(value)})", taints=taints)
    if kind == "missing" and declared is not None:
        return Finding(path, f"is missing: must be {declared.allowed}{_example(declared)}")
    if kind == "plain":
        return Finding(path, f"{context['message']}, is {show(value)}")
    if declared is None:
        return Finding(path, f"{context}, is {show(value)}")
    return Finding(path, f"must be {_wanted(path, kind, declared, value, context)}")


def _wanted(
    path: Path, kind: str, declared: Declaration, value: object, context: dict[str, Any]
) -> str:
    in_list = bool(path) and isinstance(path[-1], int)
    if declared.kind == "tables" and not in_list:
        return _wanted_tables(kind, declared, value, context)
    if declared.kind in ("table", "tables"):
        names = ", ".join(keys_below(declared.pattern))
        if isinstance(value, list) and declared.kind == "table":
            return f"one table, [{declared.path}] in single brackets, is {show(value)}"
        return f"a table with keys of {names}, is {show(value)}"
    return f"{declared.allowed}{_unit(declared)}, is {show(value)}{_meant(declared, value)}"


def _meant(declared: Declaration, value: object) -> str:
    meant = None
    if isinstance(value, str):
        meant = nearest(value.replace(" ", "_").replace("-", "_"), declared.choices)
    return f", did you mean {show(meant)}?" if meant else ""


def _wanted_tables(kind: str, declared: Declaration, value: object, context: dict[str, Any]) -> str:
    if kind == "too_long":
        most, there = context["max_length"], context["actual_length"]
        return f"{declared.allowed}, at most {most}, are {there}"
    if kind == "too_short":
        return f"{declared.allowed}, at least {context['min_length']}, is {show(value)}"
    if isinstance(value, dict) and declared.allowed.startswith("[["):
        return f"{declared.allowed}, in double brackets, is a single table {show(value)}"
    return f"{declared.allowed}, is {show(value)}"


def _unit(declared: Declaration) -> str:
    return f" ({declared.unit})" if declared.unit not in ("", "time") else ""


def _example(declared: Declaration) -> str:
    if declared.example in (None, ""):
        return ""
    return f"{_unit(declared)}, for example {declared.pattern[-1]} = {show(declared.example)}"


def stand_in(data: dict[str, Any], finding: Finding) -> set[Path]:
    """Replace what a finding complains of, in place; the paths of what was replaced.

    The unit of repair is the innermost declared key (a time as a whole). Unknown keys are taken
    out and replace nothing.
    """
    for length in range(len(finding.path), 0, -1):
        path = finding.path[:length]
        if isinstance(path[-1], int):
            continue
        holder = _holder(data, path)
        if holder is None:
            continue
        declared = declarations().get(pattern_of(path))
        if declared is None:
            outer = declarations().get(pattern_of(path[:-1]))
            if outer is not None and outer.kind == "time":
                continue
            holder.pop(path[-1], None)
            return set()
        if declared.required:
            holder[path[-1]] = copy.deepcopy(declared.example)
        else:
            holder.pop(path[-1], None)
        return {path}
    return set()


def _holder(data: Any, path: Path) -> dict[str, Any] | None:
    for part in path[:-1]:
        if isinstance(part, int):
            if not (isinstance(data, list) and part < len(data)):
                return None
            data = data[part]
        else:
            if not isinstance(data, dict) or part not in data:
                return None
            data = data[part]
    return data if isinstance(data, dict) else None
