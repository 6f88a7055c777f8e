"""Tables that a spreadsheet opens as what they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

# A cell that begins so is run as a formula, also behind white space.
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n")


def defused_text(text: str) -> str:
    """A text that no spreadsheet takes for a formula: an apostrophe before it where needed."""
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA_SIGNS) else text


def defused(frame: pd.DataFrame) -> pd.DataFrame:
    """A table whose texts no spreadsheet takes for formulas; numbers stay as they are.

    Parameters
    ----------
    frame : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        A copy.
    """
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    safe = frame.rename(columns=lambda name: defused_text(name) if isinstance(name, str) else name)
    for column in safe.columns:
        if not (is_numeric_dtype(safe[column]) or is_bool_dtype(safe[column])):
            safe[column] = [
                defused_text(value) if isinstance(value, str) else value for value in safe[column]
            ]
    return safe


def csv_bytes(frame: pd.DataFrame, *, has_header: bool = True) -> bytes:
    """A table as it is written to a CSV file: numbers to their last digit, texts defused."""
    return defused(frame).to_csv(index=False, header=has_header, lineterminator="\n").encode()
