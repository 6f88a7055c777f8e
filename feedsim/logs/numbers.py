"""Numbers as people's programs write them: decimal points, decimal commas, lengths of time."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import ROUND_HALF_EVEN, Decimal

US_IN = {"us": 1, "ms": 1_000, "s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000}

_WHOLE = re.compile(r"[+-]?\d{1,18}")
_FRACTION = re.compile(r"([+-]?\d{1,18})([.,])(\d{1,18})")
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d{1,18})?"),
    ",": re.compile(r"[+-]?\d{1,3}(\.\d{3})+(,\d{1,18})?"),
}
_CLOCK = re.compile(r"(\d{1,6}):([0-5]\d):([0-5]\d)(?:[.,](\d{1,9}))?")

POINT, COMMA = ".", ","


class Marks:
    """What a column's marks mean.

    A mark that is not followed by three digits exactly, or that follows a bare 0, is a decimal
    mark; the one proved so by more rows is the column's. Where it is not told, marks that part
    thousands are not read, and a mark that is proved nowhere could be either.

    Parameters
    ----------
    texts : iterable of str
        The column.
    told : str, optional
        The decimal mark, where the user says it: then the other one may part thousands.
    """

    def __init__(self, texts: Iterable[str], told: str | None = None) -> None:
        self.told = told is not None
        self.decimal = told or _proved(texts)

    def read(self, text: str) -> Decimal | None:
        """A number, or None where it is none, or could be two."""
        if _WHOLE.fullmatch(text):
            return Decimal(text)
        fraction = _FRACTION.fullmatch(text)
        if fraction and fraction[2] == self.decimal:
            return Decimal(f"{fraction[1]}.{fraction[3]}")
        if self.told and self.decimal and _GROUPED[self.decimal].fullmatch(text):
            other = COMMA if self.decimal == POINT else POINT
            return Decimal(text.replace(other, "").replace(COMMA, POINT))
        return None


def _proved(texts: Iterable[str]) -> str | None:
    proofs = {POINT: 0, COMMA: 0}
    for text in texts:
        fraction = _FRACTION.fullmatch(text)
        if fraction and (len(fraction[3]) != 3 or fraction[1].lstrip("+-").startswith("0")):
            proofs[fraction[2]] += 1
    if proofs[POINT] == proofs[COMMA]:
        return None
    return max(proofs, key=lambda mark: proofs[mark])


def read_length_us(text: str, unit: str | None, marks: Marks) -> int | None:
    """A length of time in microseconds: a number in a unit, or hours:minutes:seconds.

    Returns
    -------
    int or None
        None where it is no length of at least 0.
    """
    clock = _CLOCK.fullmatch(text)
    if clock:
        seconds = Decimal(f"{clock[3]}.{clock[4] or 0}")
        return _whole_us((int(clock[1]) * 60 + int(clock[2])) * 60 + seconds, "s")
    value = marks.read(text) if unit else None
    if unit is None or value is None or value < 0:
        return None
    return _whole_us(value, unit)


def is_clock(text: str) -> bool:
    """Whether a length says its unit itself."""
    return _CLOCK.fullmatch(text) is not None


def _whole_us(value: Decimal, unit: str) -> int:
    return int((value * US_IN[unit]).to_integral_value(ROUND_HALF_EVEN))


def read_count(text: str, marks: Marks) -> int | None:
    """A whole number of at least 0, or None."""
    value = marks.read(text)
    if value is None or value < 0 or value != value.to_integral_value():
        return None
    return int(value)
