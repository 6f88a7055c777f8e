"""`feedsim replay`."""

from __future__ import annotations

import re
import shlex
import sys
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.options import (
    ALLOW_LARGE,
    CONFIG,
    JSON,
    SET,
    STUDY_SEED,
    engine_option,
    load_told,
    out_option,
)

if TYPE_CHECKING:
    from feedsim.answers.events import Event
    from feedsim.answers.replay import Replay

FIRST_EVENTS = 12
CLOCK = re.compile(r"(\d{1,5}):([0-5]\d)(?::([0-5]\d(?:\.\d{1,6})?))?")
HOURS = re.compile(r"\d{1,5}(?:\.\d*)?|\.\d+")


class Clock(click.ParamType[float]):
    """An instant of the shift in hours: 2.5, 2:30 or 2:30:15."""

    name = "clock"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Hours from the shift's start."""
        if isinstance(value, float):
            return value
        text = str(value).strip()
        if HOURS.fullmatch(text):
            return float(text)
        found = CLOCK.fullmatch(text)
        if found is None:
            self.fail(f"{text!r} is no instant, allowed: hours (2.5) or h:mm (2:30)", param, ctx)
        hours, minutes, seconds = found.groups()
        return int(hours) + int(minutes) / 60 + float(seconds or 0) / 3600


@click.command("replay")
@CONFIG
@click.option(
    "--replication",
    type=click.IntRange(1, 10_000_000),
    default=1,
    show_default=True,
    help="Which shift: the one of this number in any study of the same config and seed.",
)
@click.option("--from", "from_h", type=Clock(), metavar="H:MM", help="Show it from here on.")
@click.option("--to", "to_h", type=Clock(), metavar="H:MM", help="Show it up to here.")
@click.option("--text", "as_text", is_flag=True, help="Print the whole event log, line by line.")
@STUDY_SEED
@SET
@engine_option("What simulates; the shift is the same.")
@out_option("one under outputs/, named by what is shown")
@JSON
@ALLOW_LARGE
def command(
    *,
    config_path: Path,
    replication: int,
    from_h: float | None,
    to_h: float | None,
    as_text: bool,
    seed: int | None,
    overrides: tuple[str, ...],
    engine: str,
    out: Path | None,
    as_json: bool,
    allow_large: bool,
) -> None:
    """Show one shift of CONFIG, event by event.

    Writes a folder with the event log (events.csv), a picture of lanes, states and people over
    time (replay.png, replay.svg) and a page (replay.html) in which one steps from event to event
    with the keyboard. Prints a summary and the first events.

    \b
    Examples:
      feedsim replay configs/oats_slider.toml
      feedsim replay configs/oats_slider.toml --replication 3 --from 0:15 --to 0:45 --text
    """
    from feedsim.answers.replay import replay
    from feedsim.cli.screen import talk
    from feedsim.folder import StudyFolder
    from feedsim.pages.replay import replay_page
    from feedsim.plots.replay import replay_figure
    from feedsim.plots.style import save

    config = load_told(config_path, overrides, {"seed": seed})
    shift = replay(
        config, replication, from_h=from_h, to_h=to_h, engine=engine, allow_large=allow_large
    )
    command_line = ["feedsim", *sys.argv[1:]]
    own = {"replication": replication, "from_h": from_h, "to_h": to_h}
    folder = StudyFolder("replay", config_path, config, own, command_line, out)
    with folder.store:
        folder.write_frames("events.csv", [shift.frame()])
        save(replay_figure(shift), folder.path, "replay")
        page = replay_page(shift, command=shlex.join(command_line), config_name=config_path.name)
        folder.write("replay.html", page.encode())
        folder.finish(shift.engine)
    if as_json:
        _say_document(shift)
    elif as_text:
        click.echo("\n".join(_lines(shift, shift.events)))
    else:
        say_summary(shift)
    talk(f"Written to {folder.path}: open {folder.path / 'replay.html'} in a browser")


def _lines(shift: Replay, events: Sequence[Event]) -> list[str]:
    """Some of the event log, a line an event."""
    from feedsim.answers.event_words import exact_clock

    width = max((len(event.who) for event in events), default=0)
    return [
        f"{exact_clock(event.at_us):>15}  {event.who:<{width}}  {shift.words(event)}"
        for event in events
    ]


def _say_document(shift: Replay) -> None:
    from feedsim.cli.documents import command_document
    from feedsim.cli.screen import say_json
    from feedsim.cli.study_output import planning_notes
    from feedsim.plots.replay import finding

    own = {
        "replication": shift.replication,
        "engine": shift.engine,
        "from_s": shift.window.start_us / 1e6,
        "to_s": shift.window.end_us / 1e6,
        "events": len(shift.events),
        "summary": shift.summary(),
        "story": [
            {
                "at_s": line.at_us / 1e6,
                "lasts_s": line.lasts_us / 1e6,
                "who": line.who,
                "what": line.what,
            }
            for line in shift.story
        ],
    }
    told = {
        "title": shift.config.title,
        "answer": [finding(shift)],
        "seed": shift.seed,
        "replay": own,
        "notes": [ONE_SHIFT, *planning_notes(shift.config)],
    }
    say_json(command_document("replay", told))


ONE_SHIFT = (
    "One shift is luck: choose nothing from it. `feedsim run` and the other commands answer with "
    "many shifts and confidence intervals."
)


def say_summary(shift: Replay) -> None:
    """Say where the time of the shift went."""
    from feedsim.answers.event_words import lasting
    from feedsim.answers.events import is_step
    from feedsim.cli.screen import say_notes, say_table
    from feedsim.cli.study_output import CAUTION, planning_notes
    from feedsim.plots.replay import finding
    from feedsim.plots.wording import percent

    click.echo(f"{finding(shift)}.")
    say_table(
        "What the machines came to",
        ("machine", "OEE", "good packs", "rejects", "lost pockets", "loading", "faults", "dry"),
        [
            (
                plan.name,
                percent(shift.oee(plan.index)),
                f"{sums['good_packs']:,}",
                f"{sums['rejected_packs']:,}",
                f"{sums['lost_pockets']:,}",
                f"{sums['refill_visits']:,}",
                f"{sums['fault_visits']:,}",
                lasting(sums["time_dry_us"]),
            )
            for plan, sums in zip(shift.cell.machines, shift.reading.machines, strict=True)
        ],
        "Loading and faults: visits to load, and to clear or restart.",
    )
    first = list(islice(filter(is_step, shift.events), FIRST_EVENTS))
    click.echo(f"{len(shift.events):,} events; the first besides good packs (all: --text):")
    for line in _lines(shift, first):
        click.echo(line)
    say_notes([ONE_SHIFT, *planning_notes(shift.config), CAUTION])
