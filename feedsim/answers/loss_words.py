"""Losses in sentences."""

from __future__ import annotations


def spoken(label: str) -> str:
    """A loss's label within a sentence: no second colon."""
    what, colon, which = label.partition(": ")
    return f"{what} ({which})" if colon else what
