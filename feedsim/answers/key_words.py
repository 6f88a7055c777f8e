"""Config keys in words: what is varied, and its unit, out of the declarations."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from feedsim.answers.rows import value_text
from feedsim.config.catalog import declaration_of, declarations
from feedsim.study import Value

# How a unit ends a key's name, where it is written otherwise.
ENDINGS = {
    "bags per lane": "bags",
    "bags/min": "per_min",
    "packs/min": "per_min",
    "m/s": "m_per_s",
    "uN.m": "uNm",
}
# Keys whose names are what is counted.
COUNTED = ("operators", "lanes")


@dataclass(frozen=True, slots=True)
class KeyWords:
    """A key in words.

    Attributes
    ----------
    name : str
        Without the unit at its end.
    unit : str
        Empty where the name says what is counted, or nothing is.
    """

    name: str
    unit: str

    @property
    def axis(self) -> str:
        """What an axis of its values is called."""
        return f"{self.name}, {self.unit}" if self.unit else self.name

    def with_value(self, value: Value) -> str:
        """A value of it in a sentence."""
        text = value_text(value)
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if is_number and self.name in COUNTED:
            return f"{text} {self.name[:-1] if value == 1 else self.name}"
        return f"{self.name} {text}" + (f" {self.unit}" if is_number and self.unit else "")


def key_words(key: str, short: str) -> KeyWords:
    """A key in words.

    Parameters
    ----------
    key : str
        Its path, such as "machine[0].magazine.capacity_bags".
    short : str
        The end of it that tells it from others: "capacity_bags".
    """
    path = tuple(re.sub(r"\[\d+\]", "", key).split("."))
    declared = declaration_of(path)
    unit = "" if declared is None else declared.unit
    if "." not in short and path not in declarations():
        # Within a time that varies: "mean" alone says nothing.
        short = ".".join(path[-2:])
    ending = f"_{ENDINGS.get(unit, unit)}"
    if not unit or not short.endswith(ending):
        return KeyWords(_spoken(short), "")
    return KeyWords(_spoken(short.removesuffix(ending)), unit.replace("uN.m", "µN·m"))


def setting_words(setting: Mapping[str, Value], short: Mapping[str, str]) -> str:
    """A setting as a reader would say it; what has no value is left out."""
    return ", ".join(
        key_words(key, short.get(key, key)).with_value(value)
        for key, value in setting.items()
        if value != ""
    )


def _spoken(name: str) -> str:
    return name.replace("_", " ").replace(".", " ")
