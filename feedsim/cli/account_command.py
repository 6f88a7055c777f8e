"""`feedsim account`."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.log_options import LogSource, log_command
from feedsim.cli.options import JSON, NumberRange, confidence_option, out_option

if TYPE_CHECKING:
    from feedsim.answers.account import AccountResult, MachineAccount

SHOWN_DAYS = 31
SHOWN_LINES = 3


@click.command("account")
@log_command
@click.option(
    "--minor-stop-min",
    type=NumberRange(0, 100_000),
    default=5.0,
    show_default=True,
    help="Stops as long or longer count against availability, shorter ones against performance.",
)
@click.option(
    "--per",
    type=click.Choice(["window", "day"]),
    default="window",
    show_default=True,
    help="What the intervals take as independent of one another.",
)
@confidence_option()
@out_option("one under outputs/, named by the log")
@JSON
def command(
    source: LogSource,
    minor_stop_min: float,
    per: str,
    confidence: float,
    out: Path | None,
    as_json: bool,
) -> int:
    """Read LOG, a plant's event log, into the accounts of a simulation.

    LOG is a CSV file with a row a stop: start, and end or duration; reason and machine if there
    are. --windows names a second one with a row a production window, and what it made. Columns
    are found by obvious names, or told. What is odd in a line (a missing end, an overlap, an hour
    that a clock change brings twice ...) is counted, shown with its line and treated by a stated
    rule: findings.csv has all of them. What a log does not tell is left empty.

    \b
    Examples:
      feedsim account configs/data/stops.csv --windows configs/data/shifts.csv
      feedsim account configs/data/stops.csv --columns configs/data/columns.toml --per day
      feedsim account configs/data/events.csv --zone Europe/Berlin --as run=running --made packs
    """
    from feedsim.answers.account import account
    from feedsim.answers.account_json import account_json
    from feedsim.answers.rows import rows_json, summary_frame
    from feedsim.cli.answer_folder import AnswerFolder
    from feedsim.cli.documents import answer_document
    from feedsim.plots.account import account_figure, log_losses

    log = source.read()
    result = account(log, minor_stop_min=minor_stop_min, confidence=confidence, per=per)
    told = {**source.told, "minor_stop_min": minor_stop_min, "per": per, "confidence": confidence}
    folder = AnswerFolder("account", source.path.stem, _plain(told), source.files, out)
    folder.write_frames("windows.csv", [result.windows_frame()])
    folder.write_frames("days.csv", [result.days_frame()])
    folder.write_frames("summary.csv", [summary_frame(result.rows)])
    folder.write_frames("findings.csv", [result.findings_frame()])
    sentences, notes = [answer(result), reading(result)], list(notes_on(result))
    own = {
        "confidence": confidence,
        "rows": rows_json(result.rows),
        "account": account_json(result),
    }
    document = answer_document("account", sentences, notes, own)
    figures = {"losses": log_losses(result), "account": account_figure(result)}
    folder.deliver(figures, document, partial(say_tables, result), as_json=as_json)
    return 0


def _plain(told: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in told.items() if value not in (None, (), {}, [])}


def _windows(result: AccountResult) -> str:
    number = result.cell.replications
    noun = "window" if result.per == "window" else "day"
    return f"{number:,} {noun}" + ("" if number == 1 else "s")


def answer(result: AccountResult) -> str:
    """The answer in one sentence."""
    from math import isfinite

    from feedsim.cli.screen import number, percent

    row = result.cell
    sure = f"{100 * row.confidence:g} % confidence, {_windows(result)}"
    if row.replications == 1:
        sure = f"one {result.per}: no interval"
    running = percent(row["time_running_share"])
    if isfinite(row["oee"].value):
        told = f"OEE is {percent(row['oee'])} ({sure}), running {running}"
        return f"{told}: {number(row['packs_per_h'], 0)} good packs an hour."
    bound = result.machines[0].oee_at_most
    told = f"Running {running} of planned busy time ({sure})"
    if len(result.machines) == 1 and isfinite(bound.value):
        what = "the packs made at the stated speed"
        if bound is result.machines[0].running_share:
            what = "that"
        at_most = percent(bound) if what != "that" else "that"
        told += f"; OEE is at most {at_most}" + ("" if what == "that" else f", {what}")
    return f"{told}."


def reading(result: AccountResult) -> str:
    """What was read, each stop accounted for."""
    places, log = result.places, result.log
    told = f"Read {places['rows']:,} rows: {places['stops']:,} stops"
    if places["running"]:
        told += f", {places['running']:,} of running"
    told += f", {places['set_aside']:,} set aside; in {len(log.windows):,} production windows lie "
    told += f"{places['in_windows']:,} stops, outside {places['outside_windows']:,}. "
    told += f"They are {places['halts']:,} halts"
    if places["planned_halts"]:
        told += f" and {places['planned_halts']:,} planned ones"
    joined = places["joined"]
    if joined:
        told += f": {joined:,} overlap or touch the stop before and are one halt with it"
    return told + "."


MEASURES = (
    *("oee", "availability", "performance", "quality", "time_running_share"),
    *("packs_per_h", "bags_used", "rejected_packs"),
    *("dry_share", "blocked_share", "refill_visits_per_h", "fault_visits_per_h"),
)


def say_tables(result: AccountResult) -> None:
    """Print the measures, the losses, the lengths, the days and what was odd."""
    from feedsim.cli.cell_tables import say_losses, say_measures

    rows = result.rows if len(result.rows) > 2 else result.rows[-1:]
    few = few_note(result)
    say_measures(rows, MEASURES, few, counted=f"in a {result.per}")
    for machine, row in zip(result.machines, result.rows, strict=False):
        title = f"Where the planned busy time of {machine.name} goes (in 8 h of it)"
        say_losses(title, machine.whole.losses, row, few)
        _say_lengths(machine)
    _say_days(result)
    _say_findings(result)


def few_note(result: AccountResult) -> str:
    """What a star means."""
    from feedsim.stats import FEW_EVENTS

    return f"* seen in fewer than {FEW_EVENTS} {result.per}s: its interval may be too short."


def _say_lengths(machine: MachineAccount) -> None:
    from feedsim.cli.screen import number, say_table

    every = machine.lengths
    if not every.stops:
        return
    by_reason = [("all", every), *machine.by_reason.items()]
    if len(machine.by_reason) == 1:
        by_reason = by_reason[:1]
    say_table(
        f"How long the stops of {machine.name} last",
        ("reason", "stops", "median min", "mean min", "longest min", "min in all", "minor: % time"),
        [
            (
                reason,
                f"{found.stops:,}",
                f"{found.median_s / 60:,.2f}",
                f"{found.mean_s / 60:,.2f}",
                f"{found.longest_s / 60:,.1f}",
                f"{found.time_us / 6e7:,.0f}",
                f"{100 * found.minor_time_share:.1f}" if found.time_us else "-",
            )
            for reason, found in by_reason
            if found.stops
        ],
        f"{number(machine.stops_per_running_h, 2)} stops per hour of running; minor: below "
        f"{every.minor_stop_s / 60:g} min, {every.minor_stops:,} of {every.stops:,} stops.",
    )
    say_table(
        f"Stops of {machine.name} by length",
        ("length", "stops", "% of stops", "% of stopped time"),
        [
            (
                found.label,
                f"{found.stops:,}",
                f"{100 * found.stops / every.stops:.1f}",
                f"{100 * found.time_us / every.time_us:.1f}" if every.time_us else "-",
            )
            for found in every.classes
        ],
    )


def _say_days(result: AccountResult) -> None:
    from math import isfinite

    from feedsim.cli.screen import say_table

    frame = result.days_frame()
    stop_columns = [
        name
        for name in frame.columns
        if name.startswith("stops_")
        and name not in ("stops_planned_stop_per_h", "stops_changeover_per_h")
    ]

    def share(value: float) -> str:
        return f"{100 * value:.1f}" if isfinite(value) else "-"

    def packs(value: float) -> str:
        return f"{value:,.0f}" if isfinite(value) else "-"

    shown = frame.head(SHOWN_DAYS * len(result.machines))
    several = len(result.machines) > 1
    say_table(
        "By day",
        (
            *("date", *(["machine"] if several else []), "windows", "running %", "stops/h"),
            *("availability %", "OEE %", "packs made", "good packs"),
        ),
        [
            (
                line["date"],
                *([line["machine"]] if several else []),
                f"{line['windows']}",
                share(line["time_running_share"]),
                f"{line[stop_columns].sum():.2f}",
                share(line["availability"]),
                share(line["oee"]),
                packs(line["bags_used"]),
                packs(line["good_packs"]),
            )
            for _, line in shown.iterrows()
        ],
        f"The first {len(shown):,} of {len(frame):,} lines; days.csv has all."
        if len(shown) < len(frame)
        else "",
    )


def _say_findings(result: AccountResult) -> None:
    from feedsim.cli.screen import say_table
    from feedsim.logs import RULES, counts_by_kind

    found = counts_by_kind(result.findings)
    if not found:
        click.echo("Nothing odd was found in the files.")
        return
    lines = []
    for kind, number in found.items():
        places = [f"{Path(f.file).name}:{f.line}" for f in result.findings if f.kind == kind]
        more = f" and {number - SHOWN_LINES:,} more" if number > SHOWN_LINES else ""
        lines.append(
            (
                RULES[kind].what,
                f"{number:,}",
                RULES[kind].done,
                ", ".join(places[:SHOWN_LINES]) + more,
            )
        )
    say_table(
        "What was odd, and what was done (findings.csv has every line)",
        ("what", "times", "done", "where"),
        lines,
    )


def notes_on(result: AccountResult) -> list[str]:
    """What a reader must know of the figures."""
    from math import isfinite

    log, row = result.log, result.cell
    notes = [_columns(result)]
    if log.windows_from == "days":
        notes.append(
            "No production windows are given: all time from the first stop's start to the last "
            "stop's end is taken as planned, day by day. Give --windows, or read every share as "
            "too good or too bad."
        )
    elif log.windows_from == "log":
        notes.append("The production windows are what the log's rows cover without a gap.")
    unknown = [name for name in ("oee", "performance", "quality") if not isfinite(row[name].value)]
    if unknown:
        names = ", ".join(name.upper() if name == "oee" else name for name in unknown)
        notes.append(
            f"Not known, and left empty: {names}. They need good packs, packs made and the speed "
            "(--good, --made, --speed or --speed-per-min)."
        )
    windows = len(log.windows)
    known = sum(w.good is not None or w.made is not None for w in log.windows)
    if 0 < known < windows:
        notes.append(
            f"{windows - known} of {windows} windows have no count: the measures that need one are "
            "of the others."
        )
    if log.zone.name is None:
        notes.append(
            "Times stand on the log's own clock (no --zone): a stop over a clock change is an hour "
            "too long or too short."
        )
    own = [f"{reason!r} as {state}" for reason, state in log.states.items()]
    if own:
        notes.append(f"Reasons read as states of the accounts: {', '.join(own)}.")
    if log.unused:
        notes.append(f"Reasons named that the log does not hold: {', '.join(log.unused)}.")
    notes.append(
        "The log tells stops: time running slower than stated, empty pockets and stops that nobody "
        "logged are one loss here, and visits are known only where --visited says them."
    )
    return notes


def _columns(result: AccountResult) -> str:
    read = []
    for file, roles in result.log.columns.items():
        named = ", ".join(f"{role} from '{name}'" for role, name in roles.items())
        read.append(f"{file}: {named}")
    return f"Columns read: {'; '.join(read)}."
