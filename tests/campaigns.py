"""Which values of a parametrised test the quick suite takes, and which a campaign."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import count
from typing import Any

import pytest


def some_quick(values: Iterable[Any], is_quick: Callable[[Any], bool]) -> list[Any]:
    """All values: those that are quick as they are, the others marked as a campaign."""
    return [
        value if is_quick(value) else pytest.param(*_of(value), marks=pytest.mark.campaign)
        for value in values
    ]


def one_in(step: int, values: Iterable[Any]) -> list[Any]:
    """All values: the first and each `step`-th after it for the quick suite."""
    number = count()
    return some_quick(values, lambda value: next(number) % step == 0)


def _of(value: Any) -> tuple[Any, ...]:
    return value if isinstance(value, tuple) else (value,)
