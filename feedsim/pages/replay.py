"""The page of a replay: a shift to step through, a picture and a table without any script."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from feedsim.accounts import Window
from feedsim.accounts.record import Run
from feedsim.accounts.timeline import states_of
from feedsim.answers.event_words import clock, lasting, state_names
from feedsim.answers.events import (
    CALL,
    STATE,
    Event,
    held_before,
    is_step,
    starts_of,
)
from feedsim.answers.replay import WALKING, Replay, StoryLine
from feedsim.config import dump_toml
from feedsim.pages.hatching import hatched
from feedsim.pages.page import LARGEST_BYTES, embedded_json, page, shown, style_of
from feedsim.pages.pictures import png_address
from feedsim.plots.replay import finding, replay_figure, time_axis, time_rows
from feedsim.plots.replay_parts import STAYS
from feedsim.plots.style import look_of
from feedsim.plots.wording import percent
from feedsim.version import program

if TYPE_CHECKING:
    from feedsim.cell import MachinePlan

MOST_LINES = 150
SHORTEST_US = 60_000_000
MAIN_WORK = ("begins", "ends")

NOTES = (
    "One shift is luck: no size, round or film is chosen from one. The other commands answer with "
    "many shifts and confidence intervals.",
    "The model is no safety assessment: load and clear only as the machine's guards, your local "
    "codes and trained people allow.",
)


def replay_page(replay: Replay, *, command: str, config_name: str) -> str:
    """Write a shift's page.

    Parameters
    ----------
    replay : Replay
    command : str
        The command as typed.
    config_name : str
        The config's file.

    Returns
    -------
    str
        HTML below 1 MB: where the window would take more, its beginning, and it is said.
    """
    part = replay
    while True:
        text = _page(part, replay.window, command, config_name)
        window = part.window
        length_us = window.end_us - window.start_us
        if len(text.encode("utf-8")) < LARGEST_BYTES or length_us < 2 * SHORTEST_US:
            return text
        part = replace(part, window=Window(window.start_us, window.start_us + length_us // 2))


def _page(replay: Replay, wanted: Window, command: str, config_name: str) -> str:
    figure = replay_figure(replay)
    rules: list[str] = []
    data = _data(replay, rules)
    rows = time_rows(figure)
    for number, (top, height) in enumerate(rows):
        rules.append(f"#cursor{number} {{ top: {100 * top:.2f}%; height: {100 * height:.2f}%; }}")
    width_in, height_in = figure.get_size_inches()
    story, caption = _story(replay)
    told = finding(replay)
    return page(
        "replay.html",
        styles=[style_of("replay.css"), *rules],
        script="replay.js",
        title=f"{told} (feedsim)",
        finding=told,
        config_title=shown(replay.config.title),
        span=_span(replay),
        cut=_cut(replay, wanted),
        picture=png_address(figure),
        cursors=len(rows),
        picture_width=round(96 * width_in),
        picture_height=round(96 * height_in),
        picture_text=f"{told}. The table of main events below tells the same in words.",
        story=story,
        story_caption=caption,
        sums_caption=_sums_caption(replay),
        sums_columns=[name for name, _ in _SUMS],
        sums_rows=_sums_rows(replay),
        command=shown(command),
        config_name=shown(config_name),
        seed=replay.seed,
        replication=replay.replication,
        engine=replay.engine,
        program=program(),
        config_text=dump_toml(replay.config),
        has_stock=any(plan.outfeed is not None for plan in replay.cell.machines),
        notes=NOTES,
        data=embedded_json(data),
    )


def _span(replay: Replay) -> str:
    window = replay.window
    told = f"{clock(window.start_us)} to {clock(window.end_us)} from the shift's start"
    if window.start_us < replay.cell.warm_up_us:
        told += f"; the warm-up, to {clock(replay.cell.warm_up_us)}, is shown and counted here"
    return f"{told}. {len(replay.events):,} events."


def _cut(replay: Replay, wanted: Window) -> str:
    if replay.window == wanted:
        return ""
    end = clock(replay.window.end_us)
    return (
        f"So that the page stays small it ends at {end}: for the rest up to "
        f"{clock(wanted.end_us)} add --from {end}. The event log is complete."
    )


_SUMS = (
    ("OEE", "oee"),
    ("good packs", "good_packs"),
    ("rejects", "rejected_packs"),
    ("lost pockets", "lost_pockets"),
    ("bags loaded", "bags_loaded"),
    ("loading visits", "refill_visits"),
    ("fault visits", "fault_visits"),
)


def _sums_caption(replay: Replay) -> str:
    reading = replay.reading.crew
    if not reading["present_us"]:
        return "Nobody tends the machines."
    busy = percent(reading["busy_us"] / reading["present_us"])
    return f"The crew was busy {busy} of its time present."


def _sums_rows(replay: Replay) -> list[tuple[str, list[str]]]:
    rows = []
    for plan, sums in zip(replay.cell.machines, replay.reading.machines, strict=True):
        numbers = [percent(replay.oee(plan.index))]
        numbers += [f"{sums[name]:,}" for _, name in _SUMS[1:]]
        rows.append((plan.name, numbers))
    return rows


def _story(replay: Replay) -> tuple[list[dict[str, Any]], str]:
    lines: Sequence[StoryLine] = replay.story
    caption = f"All {len(lines)} halts, visits, duties and planned stops."
    if len(lines) > MOST_LINES:
        longest = sorted(lines, key=lambda line: line.lasts_us, reverse=True)[:MOST_LINES]
        lines = sorted(longest, key=lambda line: line.at_us)
        shortest = lasting(min(line.lasts_us for line in lines))
        caption = (
            f"The {MOST_LINES} longest of {len(replay.story):,} halts, visits, duties and planned "
            f"stops, all of {shortest} or more; events.csv has every one."
        )
    return [
        {
            "at_us": line.at_us,
            "clock": clock(line.at_us),
            "lasts": lasting(line.lasts_us),
            "who": line.who,
            "what": line.what,
        }
        for line in lines
    ], caption


# What the script works with.


def _data(replay: Replay, rules: list[str]) -> dict[str, Any]:
    """The window's changes, times in whole microseconds."""
    names: dict[str, int] = {}
    events = [
        [event.at_us, names.setdefault(event.who, len(names)), int(_is_main(event)), words]
        for event in replay.events
        if is_step(event)
        for words in [replay.words(event)]
    ]
    classes: list[str] = []
    machines = [_machine(replay, plan, classes, rules) for plan in replay.cell.machines]
    stays = {}
    for kind, look in STAYS.items():
        stays[kind] = len(classes)
        rules.append(hatched(f".look{len(classes)}", look))
        classes.append(f"look{len(classes)}")
    return {
        "start": replay.window.start_us,
        "end": replay.window.end_us,
        "axis": time_axis(),
        "looks": classes,
        "stays": stays,
        "names": list(names),
        "events": events,
        "machines": machines,
        "operators": [_stays(replay, number) for number in range(replay.cell.crew.operators)],
    }


def _is_main(event: Event) -> bool:
    return event.what in (STATE, CALL, *MAIN_WORK)


def _machine(
    replay: Replay, plan: MachinePlan, classes: list[str], rules: list[str]
) -> dict[str, Any]:
    window, record = replay.window, replay.record.machines[plan.index]
    states, names = states_of(plan), state_names(plan)
    stations = [station.state for station in plan.stations]
    looks = []
    for state in states:
        looks.append(len(classes))
        rules.append(hatched(f".look{len(classes)}", look_of(state, stations)))
        classes.append(f"look{len(classes)}")
    held = held_before(replay.record, replay.cell, window)
    bags = sorted(
        [(b.at_us, b.lane, b.bags) for b in record.loads if window.holds(b.at_us)]
        + [(b.at_us, b.lane, -b.bags) for b in record.discards if window.holds(b.at_us)]
    )
    stock = None
    if plan.outfeed is not None:
        taken = [_clipped(starts_of(run), window) for run in record.outfeed_cycles]
        stock = {
            "size": plan.outfeed.accumulation_packs,
            "start": held.packs[plan.index],
            "taken": [run for run in taken if run[2]],
        }
    runs = [[*_clipped(run, window), run.lane, run.outcome, run.bags_each] for run in record.runs]
    return {
        "name": plan.name,
        "cycle": plan.cycle_us,
        "capacity": plan.capacity_bags,
        "call": max(0, replay.cell.crew.calls_at_bags(plan)),
        "start": [held.lanes[plan.index, lane + 1] for lane in range(plan.lanes)],
        "names": [names[state] for state in states],
        "looks": looks,
        "states": [[s.begin_us, states.index(s.state)] for s in replay.segments(plan)],
        "bags": bags,
        "runs": [run for run in runs if run[2]],
        "stock": stock,
    }


def _clipped(run: Run, window: Window) -> list[int]:
    """First end, spacing and number of those cycles of a run that end in the window."""
    before = run.ends_until(window.start_us) if window.start_us else 0
    count = run.ends_until(window.end_us) - before
    return [run.first_end_us + before * run.spacing_us, run.spacing_us, count]


def _stays(replay: Replay, operator: int) -> list[list[Any]]:
    """Stays in the window: begin, end, kind, machine (-1: base), where from, task."""
    found: list[list[Any]] = []
    here, until_us = -1, 0
    for stay in replay.whereabouts[operator]:
        place = -1 if stay.machine is None else stay.machine
        start = here if stay.begin_us == until_us else -1
        if stay.end_us > replay.window.start_us and stay.begin_us <= replay.window.end_us:
            kind = stay.kind
            found.append([stay.begin_us, stay.end_us, kind, place, start, stay.task])
        if stay.kind != WALKING:
            here, until_us = place, stay.end_us
    return found
