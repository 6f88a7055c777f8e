"""The figure of uncertain inputs: the range of the OEE with them drawn anew, and taken as known."""

from __future__ import annotations

from collections.abc import Iterator

from matplotlib.figure import Figure

from feedsim.answers.key_words import setting_words
from feedsim.answers.rows import Row, short_keys
from feedsim.answers.set_ranges import Range
from feedsim.answers.uncertain import InputsResult
from feedsim.labels import given_percent
from feedsim.plots.dots import Dot, dots_figure
from feedsim.plots.style import SOFT_INK, figure_style, line_looks
from feedsim.plots.wording import counted, percent_with_interval

MOST_SETTINGS = 20
LEAST_SPAN = 2.0


def inputs_figure(result: InputsResult) -> Figure:
    """Draw, for each setting's whole cell, the OEE with inputs drawn anew and as they are.

    Parameters
    ----------
    result : InputsResult
        Of more than 20 settings the first 20 are drawn.

    Returns
    -------
    matplotlib.figure.Figure
    """
    cells = [
        (row, ranges["oee"])
        for row, ranges in zip(result.rows, result.ranges, strict=True)
        if row.machine is None
    ]
    shown = cells[:MOST_SETTINGS]
    sure = given_percent(shown[0][0].confidence)
    notes = [
        f"Lines: {sure} ranges. Filled: of the expected OEE, over inputs and shifts; hollow: the "
        "inputs taken as exactly known, over shifts alone."
    ]
    if len(cells) > len(shown):
        notes.append(f"The first {len(shown)} of {len(cells):,} settings.")
    with figure_style():
        return dots_figure(
            _title(*shown[0]),
            f"{counted(result.sets, 'set')} of inputs, each for "
            f"{counted(result.replications, 'shift')}; whole cell",
            [dot for row, found in shown for dot in _dots(result, row, found)],
            "OEE, %",
            notes,
            least_span=LEAST_SPAN,
        )


def _title(row: Row, found: Range) -> str:
    at = f" at {setting_words(row.setting, short_keys(row.setting))}" if row.setting else ""
    return (
        f"What is not known of the inputs leaves an OEE of {100 * found.low:.1f} to "
        f"{100 * found.high:.1f} %{at}"
    )


def _dots(result: InputsResult, row: Row, found: Range) -> Iterator[Dot]:
    keys = short_keys(key for each in result.rows for key in each.setting)
    at = f"{setting_words(row.setting, keys)}: " if row.setting else ""
    ends = (100 * found.expected, 100 * found.low, 100 * found.high)
    told = f"{ends[0]:.1f} % ({ends[1]:.1f} to {ends[2]:.1f})"
    yield Dot(f"{at}inputs drawn anew", *ends, told, colour=line_looks(0)["color"])
    known = row["oee"]
    ends = (100 * known.value, 100 * known.low, 100 * known.high)
    told = percent_with_interval(known)
    yield Dot(f"{at}inputs as known", *ends, told, full=False, colour=SOFT_INK)
