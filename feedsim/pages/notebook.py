"""An answer as a notebook shows it: sentences, a figure, tables; no script, every name escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from feedsim.pages.drawings import drawings_within
from feedsim.pages.finished_study import StudyTable
from feedsim.pages.page import fragment, shown
from feedsim.pages.pictures import png_address
from feedsim.plots.style import drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_LINES = 20
MOST_TABLES = 12
LARGEST_SVG_BYTES = 1_000_000


def notebook_html(
    sentences: Sequence[str], tables: Sequence[Mapping[str, Any]], figure: Figure | None = None
) -> str:
    """Show an answer within a notebook.

    Parameters
    ----------
    sentences : sequence of str
        The answer, the first sentence the most important.
    tables : sequence of mapping
        With `title`, `columns`, `lines` and perhaps `notes`, all texts; the first one is open,
        the others unfold.
    figure : matplotlib.figure.Figure, optional
        Drawn as SVG, or where that takes over a megabyte as a picture.

    Returns
    -------
    str
        One element with its own style, which touches nothing outside it. Nothing in it runs, and
        nothing is asked of any other place.
    """
    told = [shown(sentence) for sentence in sentences]
    return fragment(
        "notebook.html",
        sentences=told,
        tables=[_short(table) for table in tables[:MOST_TABLES]],
        figure=None if figure is None else _address(figure),
    )


def _short(table: Mapping[str, Any]) -> StudyTable:
    """A table's first lines, without characters that no page may hold."""
    lines = [[shown(entry) for entry in line] for line in table["lines"][:MOST_LINES]]
    notes = [shown(note) for note in table.get("notes", ())]
    if len(table["lines"]) > MOST_LINES:
        notes.append(f"The first {MOST_LINES} of {len(table['lines']):,} lines.")
    return StudyTable(
        title=shown(table["title"]),
        columns=[shown(column) for column in table["columns"]],
        lines=lines,
        notes=notes,
    )


def _address(figure: Figure) -> str:
    svg = {"figure": drawn(figure, "svg")}
    small, _ = drawings_within(svg, {}, ["figure"], LARGEST_SVG_BYTES)
    return small[0].address if small else png_address(figure)
