"""Answers that consist of rows: a line for each setting and machine, with every measure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from feedsim.answers.rows import Row, summary_frame
from feedsim.shown import Shown

if TYPE_CHECKING:
    import pandas as pd


class ShownRows(Shown):
    """An answer with rows of measures."""

    rows: list[Row]

    def frame(self) -> pd.DataFrame:
        """A line for each setting and machine (empty: the whole cell), as in summary.csv.

        Returns
        -------
        pandas.DataFrame
            A column for each varied key and each measure, its interval beside it as `_low` and
            `_high`; shares as fractions of 1.
        """
        return summary_frame(self.rows)
