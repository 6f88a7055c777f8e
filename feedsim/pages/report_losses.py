"""Where the time goes, from the rows of a study: shares of planned busy time by cause."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

from feedsim.answers.key_words import setting_words
from feedsim.answers.rows import WHOLE_CELL, short_keys
from feedsim.losses import LABELS
from feedsim.measures import CREW_BUSY
from feedsim.pages.explorer import figure_text, oee_of
from feedsim.pages.finished_study import FinishedStudy, StudyRow, StudyTable

MOST_SETTINGS = 20
WIDTH = 5
SHOWN_FROM = 5e-5
LARGEST = 3
BUSY = 0.85
_OUTSIDE = ("running", "planned_stop")


def causes_of(row: StudyRow) -> dict[str, float]:
    """Shares of planned busy time lost to each cause, the largest first.

    What ran and made no good pack (lost pockets, rejects, slow cycles) is one cause.
    """
    found = {}
    for name, share in row.measures.items():
        state = name.removeprefix("time_").removesuffix("_share")
        is_state = name == f"time_{state}_share" and not state.startswith("blocked_by_")
        if is_state and state not in _OUTSIDE and share.value is not None:
            found[state] = share.value
    running, oee = row.measures.get("time_running_share"), row.measures.get("oee")
    if running and oee and running.value is not None and oee.value is not None:
        found["no_good_pack"] = running.value - oee.value
    return dict(sorted(found.items(), key=lambda cause: -cause[1]))


def cause_label(state: str) -> str:
    """A cause for readers."""
    if state == "no_good_pack":
        return "running without a good pack"
    return LABELS.get(state, f"{state.replace('_', ' ')} stopped")


def losses_tables(study: FinishedStudy) -> list[StudyTable]:
    """Shares by cause, a column a setting, or a machine where there is one setting."""
    rows = study.cells
    if not rows:
        return []
    machines = [row for row in study.answer.rows if row.machine is not None]
    if len(rows) == 1 and len(machines) > 1:
        rows, heads = study.answer.rows, [row.machine or WHOLE_CELL for row in study.answer.rows]
    else:
        short = short_keys(key for row in rows for key in row.setting)
        heads = [setting_words(row.setting, short) for row in rows]
        heads = [head or WHOLE_CELL for head in heads]
    kept = _spread(len(rows))
    rows, shown = [rows[place] for place in kept], [heads[place] for place in kept]
    shares = [causes_of(row) for row in rows]
    largest = {
        state: max(abs(found.get(state, 0.0)) for found in shares)
        for found in shares
        for state in found
    }
    states = sorted(
        (state for state, share in largest.items() if share >= SHOWN_FROM),
        key=lambda state: -largest[state],
    )
    if not states:
        return []
    lines = [["good packs (OEE)", *(figure_text("oee", r.measures.get("oee")) for r in rows)]]
    lines += [[cause_label(s), *(_share(row, s, causes_of(row)) for row in rows)] for s in states]
    notes = ["Each column sums to 100 %."]
    if any(entry.endswith("*") for line in lines for entry in line):
        notes.append("* too few shifts had it for the stated confidence.")
    if "no_good_pack" in states:
        notes.append(
            "Running without a good pack: lost pockets, rejects, slow cycles; the difference of "
            "two shares, so without an interval of its own."
        )
    if len(kept) < len(heads):
        notes.append(
            f"{len(kept)} of {len(heads):,} settings, evenly spread; all stand in summary.csv."
        )
    return list(_in_widths(lines, shown, notes))


def _in_widths(lines: list[list[str]], heads: list[str], notes: list[str]) -> Iterator[StudyTable]:
    """Tables no wider than a sheet of paper, the notes below the last."""
    title = "Share of planned busy time, % (interval)"
    for first in range(0, len(heads), WIDTH):
        part = slice(first + 1, first + 1 + WIDTH)
        is_last = first + WIDTH >= len(heads)
        yield StudyTable(
            title=title if first == 0 else f"{title}, continued",
            columns=["cause", *heads[first : first + WIDTH]],
            lines=[[line[0], *line[part]] for line in lines],
            notes=notes if is_last else [],
        )


def _spread(number: int) -> list[int]:
    if number <= MOST_SETTINGS:
        return list(range(number))
    return sorted({round(n * (number - 1) / (MOST_SETTINGS - 1)) for n in range(MOST_SETTINGS)})


def _share(row: StudyRow, state: str, found: dict[str, float]) -> str:
    if state == "no_good_pack":
        return f"{100 * found[state]:,.2f}" if state in found else "-"
    name = f"time_{state}_share"
    return figure_text(name, row.measures.get(name))


def limits_of(study: FinishedStudy) -> list[str]:
    """What keeps the settings that matter from more, in sentences."""
    rows = _rows_that_matter(study)
    short = short_keys(key for row in study.cells for key in row.setting)
    found = []
    for row in rows:
        where = setting_words(row.setting, short)
        where = f"At {where}: " if where else ""
        oee = row.measures.get("oee")
        causes = [(s, share) for s, share in causes_of(row).items() if share >= SHOWN_FROM]
        if oee is None or oee.value is None or not causes:
            continue
        told = ", ".join(f"{cause_label(s)} {100 * share:.1f} %" for s, share in causes[:LARGEST])
        found.append(
            f"{where}OEE {figure_text('oee', oee)} %. The largest losses: {told} of planned busy "
            "time."
        )
        busy = row.measures.get(CREW_BUSY.name)
        if busy and busy.value is not None and isfinite(busy.value) and busy.value > BUSY:
            found.append(
                f"{where}The crew is busy {figure_text(CREW_BUSY.name, busy)} % of its time: above "
                f"{100 * BUSY:.0f} % there is no reserve, and waiting grows."
            )
    return found


def _rows_that_matter(study: FinishedStudy) -> Sequence[StudyRow]:
    """The setting that the answer is about, with the ends of a curve where there is one."""
    cells, command = study.cells, study.kind
    if len(cells) <= 2:
        return cells
    best = study.answer.sweep.get("best")
    if command == "sweep" and isinstance(best, dict):
        return [row for row in cells if row.setting == best.get("setting")][:1]
    if command == "size":
        named = [each.get("capacity_bags") for each in study.answer.size]
        found = [row for row in cells if any(bags in named for bags in row.setting.values())]
        return found[:1] or [max(cells, key=oee_of)]
    if command == "capacity":
        return [cells[0], cells[-1]]
    return cells[:4]
