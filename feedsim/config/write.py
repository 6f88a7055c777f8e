"""Writing a config: as plain values and as TOML."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from feedsim.config.problems import number_text
from feedsim.config.times import Spread
from feedsim.film import FilmModel, table_of

if TYPE_CHECKING:
    from feedsim.config.root import Config

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
# Tables that read better on one line; times are told by their family.
_INLINE = {"geometry", "layers", "faults", "bad_bundles"}


def plain(table: BaseModel) -> dict[str, Any]:
    """Plain values of a table and what is in it, under the names that TOML uses."""
    values: dict[str, Any] = {}
    for name, field in type(table).model_fields.items():
        value = _plain_value(getattr(table, name))
        if value is not None and value != []:
            values[field.alias or name] = value
    return values


def _plain_value(value: Any) -> Any:
    if isinstance(value, Spread):
        return value.table()
    if isinstance(value, FilmModel):
        return table_of(value)
    if isinstance(value, BaseModel):
        return plain(value)
    if isinstance(value, tuple | list):
        return [_plain_value(item) for item in value]
    return value


def dump_toml(config: Config | Mapping[str, Any]) -> str:
    """TOML text of a config (or of its plain values) that loads to an equal cell.

    Parameters
    ----------
    config : Config or mapping
        A config, or plain values in its structure.

    Returns
    -------
    str
    """
    values = config if isinstance(config, Mapping) else config.resolved()
    lines: list[str] = []
    _write_table(values, "", lines)
    return "\n".join(lines).strip("\n") + "\n"


def _write_table(table: Mapping[str, Any], path: str, lines: list[str]) -> None:
    """Values first: in TOML what follows a sub-table's head belongs to that sub-table."""
    below = {name: value for name, value in table.items() if _has_head(name, value)}
    lines += [
        f"{_toml_key(name)} = {toml_value(v)}" for name, v in table.items() if name not in below
    ]
    for name, value in below.items():
        full = f"{path}.{_toml_key(name)}" if path else _toml_key(name)
        for item in value if isinstance(value, list) else [value]:
            lines += ["", f"[[{full}]]" if isinstance(value, list) else f"[{full}]"]
            _write_table(item, full, lines)


def _has_head(name: str, value: Any) -> bool:
    if name in _INLINE:
        return False
    if isinstance(value, list):
        return bool(value) and all(isinstance(item, Mapping) for item in value)
    return isinstance(value, Mapping) and "family" not in value


def toml_value(value: Any) -> str:
    """One value as TOML writes it, in full, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, str):
        return '"' + "".join(_escaped(character) for character in value) + '"'
    if isinstance(value, Mapping):
        if not value:
            return "{}"
        return (
            "{ " + ", ".join(f"{_toml_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
        )
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return str(value)


def _toml_key(name: str) -> str:
    """A key, in quotes where it must have them: notes of a film model may have any name."""
    return name if _BARE_KEY.fullmatch(name) else toml_value(name)


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if ord(character) < 0x20 or ord(character) == 0x7F:
        return f"\\u{ord(character):04X}"
    return character
