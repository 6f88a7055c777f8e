"""Names explained: keys and tables of the config, measures, closures, film materials, terms.

Nothing is declared here: keys are explained from the config's declarations, measures from
`feedsim.measures` and `feedsim.labels`, closures and materials from `feedsim.film`, words of
statistics from `feedsim.answers.terms`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from feedsim.answers.terms import TERMS, UNSOURCED, Term
from feedsim.cell import build_cell
from feedsim.config import parse_config
from feedsim.config.catalog import (
    Declaration,
    declaration_of,
    declarations,
    keys_below,
    nearest,
    time_declarations,
)
from feedsim.config.problems import show
from feedsim.film import (
    CLOSURES,
    FAULTS,
    MATERIALS,
    MATERIALS_SOURCE,
    PLANNING_EXPONENTS,
    PLANNING_SOURCE,
    PLANNING_STIFFNESS_uNm,
    planning_chances,
)
from feedsim.labels import label_of
from feedsim.measures import CREW_BUSY, RATE, SHARE, Measure, measures_of
from feedsim.mistakes import Mistake

MEASURES, CLOSURE_LIST, MATERIAL_LIST, TABLES = "measures", "closures", "materials", "tables"
TERM_LIST = "terms"
KEY, TABLE, MEASURE, CLOSURE, MATERIAL = "key", "table", "measure", "closure", "material"
TERM = "term"

YOUR_STATION, YOUR_OUTFEED_STATION = "your station", "your outfeed station"
_OF_STATION = (
    re.compile(r"time_blocked_by_(?P<outfeed>\w+)_share"),
    re.compile(r"time_(?P<inline>\w+)_share"),
    re.compile(r"stops_(?P<inline>\w+)_per_h"),
)


class UnknownNameError(Mistake):
    """A name that nothing is known of."""


@dataclass(frozen=True)
class Explanation:
    """A name, what kind of thing it is, and what is to be said of it.

    `facts` are labels and texts in the order in which they are told; `below` the explanations of
    what belongs to it.
    """

    name: str
    kind: str
    facts: tuple[tuple[str, str], ...]
    below: tuple[Explanation, ...] = ()

    def fact(self, label: str) -> str:
        """The text under a label, empty where there is none."""
        return dict(self.facts).get(label, "")

    def document(self) -> dict[str, Any]:
        """The explanation as plain data."""
        found: dict[str, Any] = {"name": self.name, "kind": self.kind, **dict(self.facts)}
        if self.below:
            found["below"] = [each.document() for each in self.below]
        return found


MOST_BEGUN = 6


def explain_name(name: str = "") -> list[Explanation]:
    """Explain a name.

    Parameters
    ----------
    name : str
        A key's path (machine.magazine.capacity_bags), also its end alone (capacity_bags); a table
        (magazine); a measure (dry_share), also as tables head it (waiting); a closure; a film
        material; a term of statistics (Tarone's z); or one of the lists tables, measures,
        closures, materials, terms. Numbers of a list's tables are passed over. The words that a
        name begins with will do (dry, refill visits). Empty: tables.

    Returns
    -------
    list of Explanation
        One, or one for each key with that end, or each name with that beginning.

    Raises
    ------
    UnknownNameError
        With the nearest known names.
    """
    plain = re.sub(r"\[\d+\]", "", name).strip().strip(".")
    if plain in ("", TABLES):
        return [_tables()]
    lists = {
        MEASURES: _measures,
        CLOSURE_LIST: _closures,
        MATERIAL_LIST: _materials,
        TERM_LIST: _terms,
    }
    if plain in lists:
        return [lists[plain]()]
    found = _named(plain) or _begun_by(plain)
    if not found:
        raise UnknownNameError(_unknown(plain))
    return found


def _named(name: str) -> list[Explanation]:
    return _keys(name) + _of_measures(name) + _of_films(name) + _of_terms(name)


def _begun_by(words: str) -> list[Explanation]:
    """What tables of answers call by the first words of its name; nothing where that is vague."""
    begin = _plain(words) + "_"
    names = [name for name in known_names() if _plain(name.rpartition(".")[2]).startswith(begin)]
    return [each for name in names for each in _named(name)] if len(names) <= MOST_BEGUN else []


def _plain(words: str) -> str:
    """Words as names are written, without what is easily mistyped."""
    return re.sub(r"['\u2019](s\b)?", "", words.lower()).replace(" ", "_").replace("-", "_")


def known_names() -> list[str]:
    """All names that can be explained, for completion and for the nearest ones."""
    keys = [declared.path for declared in declarations().values()]
    measures = [each.name for each in _all_measures()]
    lists = [MEASURES, CLOSURE_LIST, MATERIAL_LIST, TERM_LIST, TABLES]
    terms = [term.name for term in TERMS]
    return [*keys, *measures, *CLOSURES, *MATERIALS, *terms, *lists]


def _unknown(name: str) -> str:
    names = known_names()
    near = [nearest(name, names)]
    ends: dict[str, str] = {}
    for known in names:
        ends.setdefault(known.rpartition(".")[2], known)
    end = nearest(name.rpartition(".")[2], list(ends))
    near.append(ends[end] if end else None)
    meant = list(dict.fromkeys(each for each in near if each))
    told = f"did you mean {' or '.join(meant)}? " if meant else ""
    return (
        f"KEY: nothing is called {show(name)}; {told}allowed: a key of the config, a table, a "
        "measure, a closure, a material, a term (feedsim show lists the tables)"
    )


# Keys and tables.


def _keys(name: str) -> list[Explanation]:
    pattern = tuple(name.split("."))
    exact = declaration_of(pattern)
    if exact is not None:
        return [_explained(exact, name)]
    known = {p: d for p, d in declarations().items() if p[-len(pattern) :] == pattern}
    return [_explained(declared, declared.path) for declared in known.values()]


def _explained(declared: Declaration, path: str) -> Explanation:
    if declared.kind in ("table", "tables"):
        return _table(declared, path)
    below: tuple[Explanation, ...] = ()
    if declared.kind == "time":
        below = tuple(_key(inner, f"{path}.{inner.pattern[-1]}") for inner in _times())
    return _key(declared, path, below)


def _times() -> Iterable[Declaration]:
    return time_declarations().values()


def _key(declared: Declaration, path: str, below: tuple[Explanation, ...] = ()) -> Explanation:
    facts = [
        ("meaning", declared.meaning),
        ("unit", declared.unit or "none"),
        ("default", declared.default_text),
        ("allowed", declared.allowed),
    ]
    if declared.example not in (None, ""):
        facts.append(("example", f"{declared.pattern[-1]} = {show(declared.example)}"))
    facts.append(("source", declared.source or "the plainest case"))
    return Explanation(path, KEY, tuple(facts), below)


def _table(declared: Declaration, path: str) -> Explanation:
    inner = [declarations()[*declared.pattern, name] for name in keys_below(declared.pattern)]
    below = tuple(
        _summary(each) if each.kind in ("table", "tables") else _key(each, each.path)
        for each in inner
    )
    header = f"[[{path}]]" if declared.kind == "tables" else f"[{path}]"
    facts = (("meaning", declared.meaning), ("written", header))
    return Explanation(path, TABLE, facts, below)


def _summary(declared: Declaration) -> Explanation:
    keys = ", ".join(keys_below(declared.pattern))
    return Explanation(declared.path, TABLE, (("meaning", declared.meaning), ("keys", keys)))


def _tables() -> Explanation:
    tables = [d for d in declarations().values() if d.kind in ("table", "tables")]
    facts = (("meaning", "The tables of a config"),)
    return Explanation(TABLES, TABLES, facts, tuple(_summary(each) for each in tables))


# Measures.


def _all_measures(inline: str = YOUR_STATION, outfeed: str = YOUR_OUTFEED_STATION) -> list[Measure]:
    """The measures of a cell that has everything: stations named so inline and behind."""
    config = parse_config(
        "[[machine]]\nspeed_per_min = 30\n[machine.magazine]\ncapacity_bags = 100\n"
        "[machine.outfeed]\naccumulation_packs = 10\n"
        f"[[machine.station]]\nname = '{inline}'\n{_ANY_TIMES}"
        f"[[machine.station]]\nname = '{outfeed}'\nplace = 'outfeed'\n{_ANY_TIMES}"
    )
    return [*measures_of(build_cell(config).machines), CREW_BUSY]


_ANY_TIMES = (
    "between_stops = { family = 'exponential', mean_min = 60 }\n"
    "stop = { family = 'exponential', mean_min = 1 }\n"
)


def _measure(measure: Measure) -> Explanation:
    facts = [("meaning", measure.meaning), ("unit", measure.unit or "none (a share or ratio)")]
    if measure.kind == SHARE:
        facts.append(("range", "0 to 1"))
    elif measure.kind == RATE:
        facts.append(("range", "0 or more, per hour of planned busy time"))
    whole = "the sum of its machines' figures" if measure.adds_up else "a ratio of sums"
    facts.append(("whole cell", whole))
    facts.append(("columns", f"{measure.name}, {measure.name}_low, {measure.name}_high"))
    return Explanation(measure.name, MEASURE, tuple(facts))


def _measures() -> Explanation:
    told = (
        "What is reported of a cell, in summary.csv each with _low and _high; shares are of "
        "planned busy time"
    )
    return Explanation(
        MEASURES, MEASURES, (("meaning", told),), tuple(_measure(each) for each in _all_measures())
    )


def _of_measures(name: str) -> list[Explanation]:
    found = [
        each
        for each in _all_measures()
        if name == each.name or name.lower() == label_of(each.name).text.lower()
    ]
    for pattern in () if found else _OF_STATION:
        of_station = pattern.fullmatch(name)
        if of_station is not None and name.isascii():
            found = [m for m in _all_measures(**of_station.groupdict()) if m.name == name]
            break
    return [_measure(each) for each in found]


# Films.


def _closure(closure: str) -> Explanation:
    chances = planning_chances(closure, PLANNING_STIFFNESS_uNm)
    facts = [
        (fault, f"{100 * chance:.3g} % a pick, odds falling with stiffness to the power {power:g}")
        for fault, chance, power in zip(FAULTS, chances, PLANNING_EXPONENTS, strict=True)
    ]
    return Explanation(
        closure,
        CLOSURE,
        (
            ("meaning", f"Chances of the faults at {PLANNING_STIFFNESS_uNm:g} uN.m"),
            *facts,
            ("source", f"{PLANNING_SOURCE}: replace it by your own pick trials"),
        ),
    )


def _closures() -> Explanation:
    facts = (("meaning", "How the consumer closes the bag, and what that does to the picks"),)
    return Explanation(CLOSURE_LIST, CLOSURE_LIST, facts, tuple(map(_closure, CLOSURES)))


def _material(name: str) -> Explanation:
    material = MATERIALS[name]
    facts = [("meaning", "Modulus and density of a film")]
    for label, direction in (("machine direction", "machine"), ("cross direction", "cross")):
        value, low, high = material.moduli_GPa(direction)  # type: ignore[arg-type]
        facts.append((label, f"{value:g} GPa ({low:g} to {high:g})"))
    facts += [("density", f"{material.density_g_cm3:g} g/cm3"), ("source", MATERIALS_SOURCE)]
    return Explanation(name, MATERIAL, tuple(facts))


def _materials() -> Explanation:
    facts = (("meaning", "Materials that a layer of the bag's film can name"),)
    return Explanation(MATERIAL_LIST, MATERIAL_LIST, facts, tuple(map(_material, MATERIALS)))


def _of_films(name: str) -> list[Explanation]:
    found = [_closure(each) for each in CLOSURES if each == name]
    return found + [_material(each) for each in MATERIALS if each.lower() == name.lower()]


# Terms.


def _term(term: Term) -> Explanation:
    source = term.source if term.source in UNSOURCED else f"{term.source} (from memory)"
    return Explanation(term.name, TERM, (("meaning", term.meaning), ("source", source)))


def _terms() -> Explanation:
    facts = (("meaning", "Words of statistics in the answers, and how to read them"),)
    return Explanation(TERM_LIST, TERM_LIST, facts, tuple(map(_term, TERMS)))


def _of_terms(name: str) -> list[Explanation]:
    return [_term(term) for term in TERMS if _plain(term.name) == _plain(name)]
