"""The page of a study: the answer first, why, what it leans on, and how to get it again."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator
from math import isfinite
from typing import Any

from feedsim.config import warnings_of
from feedsim.labels import label_of
from feedsim.pages.drawings import Drawing, drawings_within
from feedsim.pages.explorer import MEASURES, Grid, figure_text, grid_of
from feedsim.pages.finished_study import FinishedStudy, StudyTable
from feedsim.pages.page import LARGEST_BYTES, embedded_json, page, shown, style_of
from feedsim.pages.report_checklist import checklist
from feedsim.pages.report_inputs import RESOLVED, config_of, planning_inputs, unstated_inputs
from feedsim.pages.report_losses import limits_of, losses_tables
from feedsim.pages.report_words import (
    ASSUMPTIONS,
    CAPTIONS,
    CAUTIONS,
    FIT_CAUTIONS,
    QUESTIONS,
    STRESS_SOURCE,
    TITLES,
)

MOST_LINES = 200
FEWEST_LINES = 10
MOST_COLUMNS = 40
LONGEST_TEXT = 60_000
SHORTEST_TEXT = 4_000
MOST_INPUTS = 300
SPARE_BYTES = 4_000
EVIDENCE, TIME, LIMITS = "evidence", "time", "limits"
WORTH = "Worth:"
# An answer's folder keeps its notes as sentences: where they stand on the page goes by these.
_SURE = ("Too few events", "Only ", "Set aside", "Precision")


def report_page(study: FinishedStudy) -> str:
    """Write a study's page.

    Parameters
    ----------
    study : FinishedStudy

    Returns
    -------
    str
        HTML below 1 MB, the same for the same study. Where that is too little for all of it,
        figures and ends of long tables are left out, and it is said which.
    """
    lines, text = MOST_LINES, LONGEST_TEXT
    while True:
        bare = _page(study, lines, text, 0)
        room = LARGEST_BYTES - len(bare.encode("utf-8")) - SPARE_BYTES
        if room > 0 or lines <= FEWEST_LINES:
            return _page(study, lines, text, max(0, room))
        lines, text = max(FEWEST_LINES, lines // 2), max(SHORTEST_TEXT, text // 2)


def _page(study: FinishedStudy, most_lines: int, longest: int, room: int) -> str:
    answer, manifest = study.answer, study.manifest
    config = config_of(study)
    grid = grid_of(study)
    figures, left_out = _figures(study, room)
    explorer = grid if grid is not None and most_lines > FEWEST_LINES else None
    planning = [] if config is None else planning_inputs(config)
    notes = list(answer.notes)
    sure = [note for note in notes if note.startswith(_SURE)]
    planned = [note for note in notes if "planning values" in note]
    tables: dict[str, list[StudyTable]] = {EVIDENCE: [], TIME: [], LIMITS: []}
    for table in _cut_each(answer.tables, most_lines):
        tables[_section_of(table)].append(table)
    context: dict[str, Any] = {
        "kind": TITLES.get(study.kind, study.kind),
        "study_title": answer.title or manifest.title,
        "question": QUESTIONS.get(study.kind, study.kind),
        "answer": answer.answer[0],
        "more": answer.answer[1:],
        "figures": [figure for figure in figures if figure.name != "losses"],
        "captions": _captions(study),
        "left_out": left_out,
        "tables": tables[EVIDENCE],
        "evidence_notes": [note for note in notes if note.startswith(WORTH)],
        "explorer": None if explorer is None else _sliders(explorer),
        "grid_table": _grid_table(grid, most_lines),
        "time_figures": [figure for figure in figures if figure.name == "losses"],
        "time_tables": tables[TIME] or _cut_each(losses_tables(study), most_lines),
        "limits": limits_of(study),
        "limit_tables": tables[LIMITS],
        "surprises": [] if config is None else [shown(text) for text in warnings_of(config)],
        "read_with": [
            note
            for note in notes
            if note not in sure and note not in planned and not note.startswith(WORTH)
        ],
        "is_simulated": study.is_simulated,
        "assumptions": ASSUMPTIONS if study.is_simulated else (),
        "planned": planned,
        "planning": planning,
        "unstated": unstated_inputs(study)[:MOST_INPUTS] if RESOLVED in study.texts else [],
        "sureness": list(_sureness(study)),
        "sure_notes": sure,
        "cautions": CAUTIONS if study.is_simulated else FIT_CAUTIONS,
        "texts": [
            (shown(name), _TEXT_WORDS.get(name, ""), _page_text(text, longest))
            for name, text in sorted(study.texts.items())
        ],
        "provenance": list(_provenance(study)),
        "command": shlex.join(manifest.command_line),
        "checklist": checklist(study, config) if study.is_simulated else [],
        "checklist_source": STRESS_SOURCE,
        "folder": shown(study.name),
    }
    return page(
        "report.html",
        styles=[style_of("report.css")],
        script=None if explorer is None else "explorer.js",
        title=f"{context['kind']}: {context['study_title'] or context['folder']} (feedsim)",
        data=embedded_json(explorer.data()) if explorer else "",
        **context,
    )


_TEXT_WORDS = {
    "config.toml": "as given",
    "resolved.toml": "resolved: with every default and option",
    "config-b.toml": "B, as given",
    "resolved-b.toml": "B, resolved",
    "film.toml": "the film model, for a config's bag.film",
    "stations.toml": "the stations, for a config's machine",
}


def _page_text(text: str, longest: int) -> str:
    """A file's text as a page can hold it, whole if it is not very long."""
    lines = [shown(line.replace("\t", "    ")) for line in text[:longest].splitlines()]
    if len(text) > longest:
        lines.append(f"... cut here; the whole is in the folder ({len(text):,} characters)")
    return "\n".join(lines)


# Figures.


def _figures(study: FinishedStudy, room: int) -> tuple[list[Drawing], list[str]]:
    """The figures; that of the whole cell before those of single machines."""
    names = sorted(study.drawings, key=lambda name: ("-" in name, len(name), name))
    own = study.kind.replace(" ", "_")
    names.sort(key=lambda name: name != own)
    found, left_out = drawings_within(study.drawings, study.pictures, names, room)
    return found, [f"{shown(name)}.svg" for name in left_out]


def _captions(study: FinishedStudy) -> dict[str, str]:
    told = {}
    machines = list(dict.fromkeys(row.machine for row in study.answer.rows if row.machine))
    for name in study.drawings:
        base, _, number = name.partition("-machine-")
        caption = CAPTIONS.get(base, shown(name))
        if number.isdecimal() and 0 < int(number) <= len(machines):
            caption += f": {machines[int(number) - 1]}"
        elif number:
            caption += f": machine {shown(number)}"
        told[name] = caption
    return told


# Tables.


def _cut(table: StudyTable, most: int) -> StudyTable:
    lines = [[*line, *[""] * (len(table.columns) - len(line))] for line in table.lines[:most]]
    notes = list(table.notes)
    if len(table.lines) > most:
        notes.append(f"The first {most:,} of {len(table.lines):,} lines; all stand in the folder.")
    if len(table.columns) > MOST_COLUMNS:
        notes.append(
            f"The first {MOST_COLUMNS} of {len(table.columns):,} columns; all stand in the folder."
        )
    return StudyTable(
        title=table.title,
        columns=table.columns[:MOST_COLUMNS],
        lines=[line[:MOST_COLUMNS] for line in lines],
        notes=notes,
    )


def _cut_each(tables: Iterable[StudyTable], most: int) -> list[StudyTable]:
    return [_cut(table, most) for table in tables]


def _section_of(table: StudyTable) -> str:
    if table.title.startswith(("Where the planned busy time", "Losses of")):
        return TIME
    return LIMITS if table.title.startswith("What keeps") else EVIDENCE


def _grid_table(grid: Grid | None, most: int) -> StudyTable | None:
    """All computed points in figures: what the sliders show, for paper and without a script."""
    if grid is None:
        return None
    columns = [*(axis.label for axis in grid.axes)]
    several = len(grid.machines) > 1
    columns += ["machine"] if several else []
    columns += ["shifts", *(label_of(name).axis for name in MEASURES)]
    lines = []
    for places, machine, row in grid.points:
        line = [axis.values[place] for axis, place in zip(grid.axes, places, strict=True)]
        line += [grid.machines[machine]] if several else []
        line.append(f"{row.replications:,}")
        line += [figure_text(name, row.measures.get(name)) for name in MEASURES]
        lines.append(line)
    whole = StudyTable(
        title="The computed points (value and interval)",
        columns=columns,
        lines=lines,
        notes=["* too few shifts had it for the stated confidence."],
    )
    return _cut(whole, most)


def _sliders(grid: Grid) -> dict[str, Any]:
    return {
        "axes": [
            {"label": axis.label, "last": len(axis.values) - 1, "first_value": axis.values[0]}
            for axis in grid.axes
        ],
        "machines": grid.machines if len(grid.machines) > 1 else (),
        "measures": [label_of(name).axis for name in MEASURES],
    }


# How sure.


def _sureness(study: FinishedStudy) -> Iterator[tuple[str, str]]:
    answer = study.answer
    rows = [*answer.rows, *answer.map]
    if answer.confidence is not None:
        yield "confidence", f"{100 * answer.confidence:g} % for each interval on this page"
    if rows:
        numbers = sorted({row.replications for row in rows})
        what = "shifts of each setting" if study.is_simulated else "windows or days"
        span = f"{numbers[0]:,}" + (f" to {numbers[-1]:,}" if len(numbers) > 1 else "")
        yield "replications", f"{span} {what}"
        widths = sorted(_half_widths(study))
        if widths:
            ends = f"±{widths[0]:.2f}"
            ends += f" to ±{widths[-1]:.2f}" if f"{widths[-1]:.2f}" != f"{widths[0]:.2f}" else ""
            yield "half-width of OEE", f"{ends} points"
    if study.is_simulated:
        yield "luck", "all settings meet the same luck, so differences are surer than values"
        if answer.inputs is None:
            yield (
                "inputs",
                "taken as exactly known: the intervals tell the luck of shifts, not what is not "
                "known of the inputs; what was fitted can be varied: --inputs uncertain",
            )
        else:
            yield "inputs", "uncertain ones were drawn anew: see the table of expected measures"
        yield (
            "not validated",
            "nothing in this study compares the model with your line. Read a log of it with "
            "feedsim account, run its config, and compare before relying on the level of a figure",
        )
        yield (
            "verified",
            "the program is tested against cases of theory, and its two engines against each "
            "other: it computes the stated model, which is not yet your line",
        )
    elif study.kind == "account":
        yield "basis", "the line's own log, as good as it was kept; what it does not tell is empty"
    else:
        yield "basis", "counts or records as given; nothing was simulated"


def _half_widths(study: FinishedStudy) -> Iterator[float]:
    for row in [*study.cells, *(row for row in study.answer.map if row.machine is None)]:
        oee = row.measures.get("oee")
        if oee is not None and oee.low is not None and oee.high is not None:
            half = 50 * (oee.high - oee.low)
            if isfinite(half):
                yield half


# Where it comes from.


def _provenance(study: FinishedStudy) -> Iterator[tuple[str, str]]:
    manifest = study.manifest
    yield "folder", shown(study.name)
    if manifest.config:
        yield "config", manifest.config
    if manifest.inputs:
        yield (
            "files read",
            "; ".join(f"{name} (SHA-256 {digest}...)" for name, digest in manifest.inputs.items()),
        )
    if manifest.seed is not None:
        yield "seed", str(manifest.seed)
    yield "program", manifest.program or f"feedsim {manifest.feedsim}"
    if manifest.engine:
        yield "engine", manifest.engine
    yield "Python", manifest.python
    yield "libraries", ", ".join(f"{name} {text}" for name, text in manifest.libraries.items())
    yield "study's hash", manifest.hash
