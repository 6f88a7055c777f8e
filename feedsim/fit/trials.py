"""Reading pick trials: a CSV whose every line is read as it stands, or told with its number."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from feedsim.config.datafile import read_text
from feedsim.config.problems import ConfigError, Problem, show
from feedsim.film import CLOSURES, FAULTS, STIFFEST_UNM, bending_stiffness_uNm, layers_of

COLUMNS = ("closure", "stiffness_uNm", "film", "lane", "bundle", "attempts", *FAULTS)
DELIMITERS = ",;\t"
MOST_SHOWN = 20
MOST_ATTEMPTS = 10**9
# Characters of a film's layers: more are nobody's film.
LONGEST_FILM = 300
_COUNT = re.compile(r"\d{1,10}", re.ASCII)
_NUMBER = re.compile(r"(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_NEAR = 0.75


@dataclass(frozen=True)
class TrialLine:
    """One line: so many attempts, of which so many had each fault.

    `closure`, `stiffness_uNm`, `lane` and `bundle` are None where the file does not tell.
    """

    line: int
    closure: str | None
    stiffness_uNm: float | None
    lane: str | None
    bundle: str | None
    attempts: int
    counts: Mapping[str, int]


@dataclass(frozen=True)
class Trials:
    """Pick trials as read.

    Attributes
    ----------
    name : str
        Of the file.
    lines : tuple of TrialLine
    faults : tuple of str
        Those that have a column, in the order of `FAULTS`.
    notes : tuple of str
        What of the file was not read, and what was taken from elsewhere.
    """

    name: str
    lines: tuple[TrialLine, ...]
    faults: tuple[str, ...]
    has_bundles: bool
    notes: tuple[str, ...] = ()

    @property
    def attempts(self) -> int:
        """Of all lines."""
        return sum(line.attempts for line in self.lines)

    @property
    def has_closures(self) -> bool:
        """Whether closures are told."""
        return self.lines[0].closure is not None

    @property
    def has_stiffness(self) -> bool:
        """Whether stiffness is told."""
        return self.lines[0].stiffness_uNm is not None


@dataclass(frozen=True)
class TrialLayout:
    """How to read a file: what holds for all its lines, and how it writes numbers.

    Attributes
    ----------
    closure : str or None
        Of all lines, where there is no such column.
    stiffness_uNm : float or None
        The same.
    films : mapping from a film's name to its stiffness in uN.m
        For a column `film` that does not name layers.
    decimal : {".", ","}
    """

    closure: str | None = None
    stiffness_uNm: float | None = None
    films: Mapping[str, float] = field(default_factory=dict)
    decimal: str = "."


PLAIN = TrialLayout()


def read_trials(path: str | Path, layout: TrialLayout = PLAIN) -> Trials:
    """Read pick trials.

    The first line names the columns, in any order: closure, stiffness_uNm or film, lane, bundle,
    attempts, and the counts of missed, double, unopened, skewed, jam. attempts and one count are
    needed. Fields stand between commas, semicolons or tabs; blank lines, and lines that begin
    with #, are passed over.

    Parameters
    ----------
    path : str or Path
    layout : TrialLayout

    Returns
    -------
    Trials

    Raises
    ------
    ConfigError
        With everything that is wrong, each with its line: nothing is left out or guessed.
    """
    path = Path(path)
    text, line, problem = read_text(path)
    if problem:
        raise ConfigError([Problem(str(path), line, "", problem)])
    return parse_trials(text, str(path), layout)


def parse_trials(text: str, name: str = "trials", layout: TrialLayout = PLAIN) -> Trials:
    """Read the text of pick trials, as `read_trials` does a file.

    Parameters
    ----------
    text : str
    name : str
        For messages.
    layout : TrialLayout

    Raises
    ------
    ConfigError
        With everything that is wrong, each with its line.
    """
    reader = _Reader(name, layout)
    found = reader.read(text)
    if reader.problems:
        shown = reader.problems[:MOST_SHOWN]
        surplus = len(reader.problems) - len(shown)
        if surplus:
            shown.append(Problem(name, None, "", f"and {surplus} more problems"))
        raise ConfigError(shown)
    return found


class _Reader:
    def __init__(self, name: str, layout: TrialLayout) -> None:
        self.name = name
        self.layout = layout
        self.problems: list[Problem] = []
        self.notes: list[str] = []
        self.stiffness_of_film: dict[str, float | None] = dict(layout.films)

    def wrong(self, line: int | None, column: str, message: str) -> None:
        self.problems.append(Problem(self.name, line, column, message))

    def read(self, text: str) -> Trials:
        rows = list(_rows(text, self._fail))
        nothing = Trials(self.name, (), (), has_bundles=False)
        if self.problems:
            return nothing
        if not rows:
            self.wrong(None, "", "is empty: the first line must name the columns")
            return nothing
        columns = self._columns(*rows[0])
        if self.problems:
            return nothing
        lines = []
        seen: dict[tuple[str, ...], int] = {}
        for number, fields in rows[1:]:
            if len(fields) != len(columns):
                self.wrong(
                    number, "", f"has {len(fields)} fields, the first line has {len(columns)}"
                )
                continue
            line = self._line(number, dict(zip(columns, fields, strict=True)))
            if line is not None:
                lines.append(line)
                if "bundle" in columns:
                    self._refuse_twice(number, columns, fields, seen)
        if not lines and not self.problems:
            self.wrong(None, "", "holds no trial: a line for each is needed")
        faults = tuple(fault for fault in FAULTS if fault in columns)
        return Trials(self.name, tuple(lines), faults, "bundle" in columns, tuple(self.notes))

    def _fail(self, line: int, message: str) -> None:
        self.wrong(line, "", message)

    def _columns(self, line: int, fields: Sequence[str]) -> list[str]:
        known = {column.lower(): column for column in COLUMNS}
        columns = [known.get(name.lower(), name) for name in fields]
        unread = [name for name in columns if name not in COLUMNS]
        for name in dict.fromkeys(columns):
            if columns.count(name) > 1:
                self.wrong(line, name, f"stands {columns.count(name)} times, allowed: once")
        for name in dict.fromkeys(unread):
            near = difflib.get_close_matches(name.lower(), known, n=1, cutoff=_NEAR)
            if near:
                self.wrong(line, name, f"unknown column, did you mean `{known[near[0]]}`?")
        if self.problems:
            return columns
        if "attempts" not in columns:
            self.wrong(line, "attempts", f"is missing, named are {', '.join(map(show, columns))}")
        elif not set(FAULTS) & set(columns):
            self.wrong(line, "", f"names no fault: must name one of {', '.join(FAULTS)} at least")
        if "stiffness_uNm" in columns and "film" in columns:
            self.notes.append("Of film and stiffness_uNm the latter was read.")
        if unread:
            self.notes.append(f"Columns not read: {', '.join(map(show, unread))}.")
        self._refuse_rivals(line, columns)
        return columns

    def _refuse_rivals(self, line: int, columns: Sequence[str]) -> None:
        given = self.layout
        if given.closure is not None and "closure" in columns:
            self.wrong(line, "closure", "is a column, so --closure cannot be given too")
        if given.stiffness_uNm is not None and {"stiffness_uNm", "film"} & set(columns):
            self.wrong(line, "stiffness_uNm", "is told by a column, so --stiffness cannot be given")
        if given.films and "film" not in columns:
            self.wrong(line, "film", "is no column, so --film cannot be given")

    def _line(self, line: int, fields: Mapping[str, str]) -> TrialLine | None:
        before = len(self.problems)
        closure = self.layout.closure
        if "closure" in fields:
            closure = self._closure(line, fields["closure"])
        stiffness = self.layout.stiffness_uNm
        if "stiffness_uNm" in fields:
            stiffness = self._stiffness(line, fields["stiffness_uNm"])
        elif "film" in fields:
            stiffness = self._of_film(line, fields["film"])
        attempts = self._count(line, "attempts", fields["attempts"])
        counts = {
            fault: self._count(line, fault, fields[fault]) for fault in FAULTS if fault in fields
        }
        for name in ("lane", "bundle"):
            if name in fields and not fields[name]:
                self.wrong(line, name, "is empty: each line must tell it, or none")
        if len(self.problems) > before:
            return None
        if attempts == 0:
            self.wrong(line, "attempts", f"must be a whole number from 1 to {MOST_ATTEMPTS}, is 0")
        elif sum(counts.values()) > attempts:
            self.wrong(
                line,
                "attempts",
                f"is {attempts}, fewer than the faults of the line, {sum(counts.values())}: an "
                "attempt has one outcome",
            )
        return TrialLine(
            line, closure, stiffness, fields.get("lane"), fields.get("bundle"), attempts, counts
        )

    def _closure(self, line: int, text: str) -> str:
        name = re.sub(r"[\s-]+", "_", text.lower())
        if name not in CLOSURES:
            near = difflib.get_close_matches(name, CLOSURES, n=1)
            meant = f" (did you mean {near[0]}?)" if near else ""
            self.wrong(
                line, "closure", f"must be one of {', '.join(CLOSURES)}, is {show(text)}{meant}"
            )
        return name

    def _stiffness(self, line: int, text: str) -> float:
        plain = text
        if self.layout.decimal == ",":
            plain = "no point" if "." in text else text.replace(",", ".")
        if _NUMBER.fullmatch(plain) and 0 < float(plain) <= STIFFEST_UNM:
            return float(plain)
        hint = " (a decimal comma: --decimal ,)" if "," in text and self._is_point else ""
        what = f"a number above 0, at most {STIFFEST_UNM:g} (uN.m)"
        self.wrong(line, "stiffness_uNm", f"must be {what}, is {show(text)}{hint}")
        return 1.0

    @property
    def _is_point(self) -> bool:
        return self.layout.decimal == "."

    def _of_film(self, line: int, text: str) -> float:
        if text not in self.stiffness_of_film:
            self.stiffness_of_film[text] = _stiffness_of_layers(text)
            found = self.stiffness_of_film[text]
            if found is not None:
                self.notes.append(
                    f"Film {show(text)} was taken as {found:.4g} uN.m, from its layers and "
                    "handbook moduli."
                )
        stiffness = self.stiffness_of_film[text]
        if stiffness is None:
            self.wrong(
                line,
                "film",
                f"must be layers such as PET12/LLDPE80, or given by --film NAME=UNM, is "
                f"{show(text)}",
            )
            return 1.0
        return stiffness

    def _count(self, line: int, column: str, text: str) -> int:
        if _COUNT.fullmatch(text) and int(text) <= MOST_ATTEMPTS:
            return int(text)
        least = 1 if column == "attempts" else 0
        what = f"a whole number from {least} to {MOST_ATTEMPTS}"
        self.wrong(line, column, f"must be {what}, is {show(text) if text else 'empty'}")
        return 0

    def _refuse_twice(
        self,
        line: int,
        columns: Sequence[str],
        fields: Sequence[str],
        seen: dict[tuple[str, ...], int],
    ) -> None:
        counted = {"attempts", *FAULTS}
        key = tuple(v for c, v in zip(columns, fields, strict=True) if c not in counted)
        if key in seen:
            self.wrong(
                line,
                "bundle",
                f"{show(fields[list(columns).index('bundle')])} stands on line {seen[key]} too, "
                "with all else alike: allowed is each bundle once",
            )
        seen.setdefault(key, line)


def _stiffness_of_layers(text: str) -> float | None:
    if len(text) > LONGEST_FILM:
        return None
    try:
        layers = layers_of(text)
    except ValueError:
        return None
    return bending_stiffness_uNm([(layer.moduli_GPa("machine")[0], layer.um) for layer in layers])


def _rows(text: str, fail: Callable[[int, str], None]) -> Iterator[tuple[int, list[str]]]:
    """Lines with their fields; quoted fields may not run over a line's end."""
    delimiter = ""
    for number, line in enumerate(io.StringIO(text, newline=None), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        if not delimiter:
            delimiter = max(DELIMITERS, key=line.count)
        if not line.strip(delimiter + " \t"):
            fail(number, "has only empty fields: leave the line out")
            continue
        try:
            [fields] = csv.reader(
                [line.rstrip("\n")], delimiter=delimiter, strict=True, skipinitialspace=True
            )
        except (csv.Error, ValueError):
            fail(number, "is not CSV: a quotation mark is missing or out of place")
            continue
        yield number, [item.strip() for item in fields]
