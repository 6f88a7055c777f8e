"""A film model as plain values, as its TOML file has them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from feedsim.film.model import ANY, BadBundleFit, FaultFit, FilmModel, Matrix, Tried
from feedsim.film.planning import CLOSURES, FAULTS

SCHEMA = 1
KIND = "film model"
MOST_TRIED = 10_000
LARGEST_LOG_ODDS = 100.0
_ROUNDING = 1e-9
_TOP = ("schema", "kind", "closures", "reference_uNm", "notes", "tried", *FAULTS, "bad_bundles")

Key = tuple[str | int, ...]


class FilmFileError(ValueError):
    """Values that are no film model; `problems` holds the key and what is wrong with each."""

    def __init__(self, problems: Sequence[tuple[Key, str]]) -> None:
        self.problems = list(problems)
        super().__init__("; ".join(f"{'.'.join(map(str, key))}: {m}" for key, m in problems))


def table_of(model: FilmModel) -> dict[str, Any]:
    """Plain values of a model; `model_of` makes an equal one of them."""
    values: dict[str, Any] = {"schema": SCHEMA, "kind": KIND, "closures": list(model.closures)}
    if model.reference_uNm is not None:
        values["reference_uNm"] = model.reference_uNm
    values["notes"] = dict(model.notes)
    values["tried"] = [_tried_table(row) for row in model.tried]
    for fault in FAULTS:
        if fault in model.faults:
            fit = model.faults[fault]
            values[fault] = {
                "log_odds": list(fit.log_odds),
                "slope": fit.slope,
                "dispersion": fit.dispersion,
                "covariance": [list(row) for row in fit.covariance],
            }
    bad = model.bad_bundles
    if bad is not None:
        values["bad_bundles"] = {
            "log_odds_share": bad.log_odds_share,
            "log_odds_missed": bad.log_odds_missed,
            "covariance": [list(row) for row in bad.covariance],
        }
    return values


def _tried_table(row: Tried) -> dict[str, Any]:
    table: dict[str, Any] = {"closure": row.closure}
    if row.stiffness_uNm is not None:
        table["stiffness_uNm"] = row.stiffness_uNm
    return {**table, "attempts": row.attempts, **row.counts}


def model_of(values: Mapping[str, Any], name: str = "film model") -> FilmModel:
    """Check plain values and make a film model of them.

    Parameters
    ----------
    values : mapping
        As `table_of` gives them.
    name : str
        Of the file, for messages.

    Raises
    ------
    FilmFileError
        With everything that is wrong.
    """
    reader = _Reader()
    reader.known((), values, _TOP)
    reader.value((), values, "schema", _is(SCHEMA), f"{SCHEMA}")
    reader.value((), values, "kind", _is(KIND), f'"{KIND}"')
    closures = tuple(reader.value((), values, "closures", _is_closures, _CLOSURES_TEXT) or ())
    if not closures and any(name in values for name in (*FAULTS, "tried")):
        # What is held against the closures would be called wrong besides.
        raise FilmFileError(reader.problems)
    reference = None
    if "reference_uNm" in values:
        reference = reader.number((), values, "reference_uNm", least=1e-3)
    faults = {
        fault: _fault_fit(reader, (fault,), table, len(closures))
        for fault in FAULTS
        for table in reader.tables((), values, fault, single=True)
    }
    if not faults:
        reader.wrong((), f"must have a table of at least one of {', '.join(FAULTS)}")
    tried = tuple(
        _tried(reader, ("tried", number), row, closures, reference is not None)
        for number, row in enumerate(reader.tables((), values, "tried"))
    )
    bad = [
        _bad_bundles(reader, ("bad_bundles",), table)
        for table in reader.tables((), values, "bad_bundles", single=True)
    ]
    notes = reader.tables((), values, "notes", single=True)
    for key, note in (notes[0] if notes else {}).items():
        if not (_is_number(note) or (isinstance(note, str) and note.isprintable())):
            reader.wrong(("notes", key), "must be a text without control characters, or a number")
    if reader.problems:
        raise FilmFileError(reader.problems)
    return FilmModel(
        closures, reference, faults, bad[0] if bad else None, tried, notes[0] if notes else {}, name
    )


_CLOSURES_TEXT = f'["{ANY}"], or a list of different ones of {", ".join(CLOSURES)}'


def _fault_fit(reader: _Reader, key: Key, table: Mapping[str, Any], closures: int) -> FaultFit:
    reader.known(key, table, ("log_odds", "slope", "dispersion", "covariance"))
    log_odds = reader.value(
        key,
        table,
        "log_odds",
        lambda found: _is_numbers(found, closures, LARGEST_LOG_ODDS),
        f"a list of {closures} numbers from {-LARGEST_LOG_ODDS:g} to {LARGEST_LOG_ODDS:g}, one a "
        "closure",
    )
    slope = reader.number(key, table, "slope", most=LARGEST_LOG_ODDS)
    dispersion = reader.number(key, table, "dispersion", least=1.0) if "dispersion" in table else 1
    covariance = reader.covariance(key, table, closures + 1)
    return FaultFit(tuple(map(float, log_odds or ())), slope, covariance, float(dispersion))


def _bad_bundles(reader: _Reader, key: Key, table: Mapping[str, Any]) -> BadBundleFit:
    reader.known(key, table, ("log_odds_share", "log_odds_missed", "covariance"))
    return BadBundleFit(
        reader.number(key, table, "log_odds_share", most=LARGEST_LOG_ODDS),
        reader.number(key, table, "log_odds_missed", most=LARGEST_LOG_ODDS),
        reader.covariance(key, table, 2),
    )


def _tried(
    reader: _Reader,
    key: Key,
    table: Mapping[str, Any],
    closures: Sequence[str],
    with_stiffness: bool,
) -> Tried:
    reader.known(key, table, ("closure", "stiffness_uNm", "attempts", *FAULTS))
    closure = reader.value(
        key, table, "closure", lambda c: c in closures, f"one of {', '.join(closures)}"
    )
    stiffness = None
    if with_stiffness or "stiffness_uNm" in table:
        stiffness = reader.number(key, table, "stiffness_uNm", least=0.0)
    counts = {
        name: reader.value(key, table, name, _is_count, "a whole number of at least 0") or 0
        for name in ("attempts", *FAULTS)
        if name in table or name == "attempts"
    }
    return Tried(str(closure), stiffness, counts.pop("attempts"), counts)


class _Reader:
    """Takes values out of tables, and notes what is wrong with them."""

    def __init__(self) -> None:
        self.problems: list[tuple[Key, str]] = []

    def wrong(self, key: Key, message: str) -> None:
        self.problems.append((key, message))

    def known(self, key: Key, table: Mapping[str, Any], names: Sequence[str]) -> None:
        for name in table:
            if name not in names:
                self.wrong((*key, name), f"unknown key, allowed here are {', '.join(names)}")

    def value(
        self, key: Key, table: Mapping[str, Any], name: str, fits: Callable[[Any], bool], what: str
    ) -> Any:
        if name not in table:
            self.wrong((*key, name), f"is missing: must be {what}")
            return None
        if not fits(table[name]):
            self.wrong((*key, name), f"must be {what}, is {str(table[name])[:60]}")
            return None
        return table[name]

    def number(
        self,
        key: Key,
        table: Mapping[str, Any],
        name: str,
        least: float | None = None,
        most: float = 1e9,
    ) -> float:
        """A number; above 0 where the least is 0, else of at least it."""
        if least is None:
            what, low = f"a number from {-most:g} to {most:g}", -most
        elif least == 0:
            what, low = f"a number above 0, at most {most:g}", math.ulp(0.0)
        else:
            what, low = f"a number from {least:g} to {most:g}", least
        found = self.value(
            key, table, name, lambda value: _is_number(value) and low <= value <= most, what
        )
        return float("nan") if found is None else float(found)

    def tables(
        self, key: Key, table: Mapping[str, Any], name: str, *, single: bool = False
    ) -> list[Mapping[str, Any]]:
        if name not in table:
            return []
        found = [table[name]] if single else table[name]
        if not (isinstance(found, list) and all(isinstance(item, Mapping) for item in found)):
            self.wrong((*key, name), "must be a table" if single else "must be a list of tables")
            return []
        if len(found) > MOST_TRIED:
            self.wrong((*key, name), f"must be at most {MOST_TRIED} tables, are {len(found)}")
            return []
        return found

    def covariance(self, key: Key, table: Mapping[str, Any], size: int) -> Matrix:
        what = f"{size} lists of {size} numbers: symmetric, with no negative variance"
        found = self.value(key, table, "covariance", lambda rows: _is_covariance(rows, size), what)
        return tuple(tuple(map(float, row)) for row in found or ())


def _is(wanted: object) -> Callable[[Any], bool]:
    return lambda found: type(found) is type(wanted) and found == wanted


def _is_number(found: Any) -> bool:
    return (
        isinstance(found, int | float)
        and not isinstance(found, bool)
        and abs(found) < 1e300
        and math.isfinite(found)
    )


def _is_count(found: Any) -> bool:
    return isinstance(found, int) and not isinstance(found, bool) and 0 <= found < 2**63


def _is_numbers(found: Any, length: int, most: float) -> bool:
    return (
        isinstance(found, list)
        and len(found) == length
        and all(_is_number(item) and abs(item) <= most for item in found)
    )


def _is_closures(found: Any) -> bool:
    if found == [ANY]:
        return True
    return (
        isinstance(found, list)
        and bool(found)
        and all(isinstance(item, str) and item in CLOSURES for item in found)
        and len(set(found)) == len(found)
    )


def _is_covariance(rows: Any, size: int) -> bool:
    if not (isinstance(rows, list) and len(rows) == size):
        return False
    if not all(_is_numbers(row, size, 1e9) for row in rows):
        return False
    import numpy as np

    matrix = np.array(rows, dtype=float)
    room = _ROUNDING * max(float(np.abs(matrix).max()), 1e-300)
    if np.abs(matrix - matrix.T).max() > room or matrix.diagonal().min() < 0:
        return False
    return bool(np.linalg.eigvalsh(matrix).min() >= -room * size)
