"""The page of a verification: what is proven, check by check, and what cannot be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from feedsim.pages.drawings import drawings_within
from feedsim.pages.finished_study import StudyTable
from feedsim.pages.page import LARGEST_BYTES, page, shown, style_of

SPARE_BYTES = 4_000


class Shown(Protocol):
    """A section of a page: words, a table as text, and a picture."""

    @property
    def title(self) -> str:
        """Heading."""

    @property
    def words(self) -> Sequence[str]:
        """Paragraphs."""

    @property
    def columns(self) -> Sequence[str]:
        """Headings of the table."""

    @property
    def rows(self) -> Sequence[Sequence[str]]:
        """The table."""

    @property
    def picture(self) -> bytes | None:
        """SVG."""


@dataclass(frozen=True)
class Section:
    """A section whose parts are given."""

    title: str
    words: Sequence[str]
    columns: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    picture: bytes | None = None


def verification_page(
    *,
    question: str,
    answer: Sequence[str],
    scope: Sequence[tuple[str, str]],
    sections: Sequence[Shown],
    left_out: Sequence[str],
    provenance: Mapping[str, str],
    command: str,
    marked: Sequence[str] = (),
) -> str:
    """Write the page of a verification.

    Parameters
    ----------
    question : str
        The page's heading.
    answer : sequence of str
        The first sentence is the answer.
    scope : sequence of (str, str)
        What is proven and what is not, each with its heading; it stands before all else.
    sections : sequence of Shown
        Each with its table.
    left_out : sequence of str
        What was not run.
    provenance : mapping from str to str
    command : str
        That repeats it.
    marked : sequence of str
        Entries that mark their line, such as a verdict that failed.

    Returns
    -------
    str
        HTML without a script, the same for the same results; figures for which there is no room
        below 1 MB are left out, and it is said which.
    """
    named = {f"section-{k}": each for k, each in enumerate(sections, 1)}
    pictures = {name: each.picture for name, each in named.items() if each.picture}

    def filled(room_bytes: int) -> str:
        drawings, missing = drawings_within(pictures, {}, list(pictures), room_bytes)
        drawn = {drawing.name: drawing for drawing in drawings}
        return page(
            "verification.html",
            styles=[style_of("report.css"), style_of("verification.css")],
            title="Verification (feedsim)",
            kind="Verification",
            study_title="",
            question=question,
            answer=shown(answer[0]),
            more=[shown(text) for text in answer[1:]],
            scope=scope,
            sections=[
                (
                    name,
                    shown(each.title),
                    [shown(text) for text in each.words],
                    _table(each) if each.rows else None,
                    drawn.get(name),
                    name in missing,
                )
                for name, each in named.items()
            ],
            left_out=[shown(text) for text in left_out],
            provenance=list(provenance.items()),
            command=shown(command),
            marked=set(marked),
        )

    bare = filled(0)
    room_bytes = LARGEST_BYTES - len(bare.encode("utf-8")) - SPARE_BYTES
    return filled(max(0, room_bytes)) if pictures else bare


def _table(section: Shown) -> StudyTable:
    return StudyTable(
        title=shown(section.title),
        columns=[shown(text) for text in section.columns],
        lines=[[shown(text) for text in row] for row in section.rows],
    )
