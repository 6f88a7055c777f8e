"""`feedsim check`."""

from __future__ import annotations

from pathlib import Path

import click

from feedsim.cli.options import ALLOW_LARGE, CONFIG, JSON, SET


@click.command("check")
@CONFIG
@SET
@JSON
@ALLOW_LARGE
def command(
    config_path: Path, overrides: tuple[str, ...], as_json: bool, allow_large: bool
) -> None:
    """Say whether CONFIG is sound, what it resolves to, and what it costs to run.

    Shows every value with where it comes from, the lanes' capacity, the autonomy, the chances
    of each fault, and what is sound but may surprise.

    \b
    Examples:
      feedsim check configs/oats_slider.toml
      feedsim check configs/oats_slider.toml --set machine.magazine.capacity_bags=300
    """
    from feedsim.cell import build_cell
    from feedsim.cli.documents import command_document
    from feedsim.cli.screen import say_json, say_notes, say_table
    from feedsim.config import load_config
    from feedsim.config.explain import explain
    from feedsim.config.problems import escaped
    from feedsim.config.surprises import warnings_of
    from feedsim.engines import AUTO, choose
    from feedsim.study import cost_text, cycles_of, refuse_absurd

    config = load_config(config_path, list(overrides))
    cell = build_cell(config)
    cycles = cycles_of([cell], config.study.replications)
    if not allow_large:
        refuse_absurd([cell], config.study.replications)
    rows, warnings = explain(config), warnings_of(config)
    if as_json:
        values = [
            {"key": r.key, "value": r.value, "unit": r.unit, "source": r.source} for r in rows
        ]
        own = {"sound": True, "values": values, "warnings": warnings, "cycles": cycles}
        say_json(command_document("check", own))
        return
    file = escaped(str(config_path))
    bags = sum(machine.lanes * machine.capacity_bags for machine in cell.machines)
    number = len(cell.machines)
    counted = "1 machine" if number == 1 else f"{number} machines"
    shortest = min(machine.autonomy_us for machine in cell.machines) / 60e6
    click.echo(
        f"{file} is sound: {counted}, {bags:,} bags in the magazines, which last "
        f"{shortest:.1f} min with nobody there"
        + (" (the shortest)." if len(cell.machines) > 1 else ".")
    )
    click.echo(
        f"`run` simulates {config.study.replications} shifts, up to {cycles:,} machine cycles: "
        f"{cost_text(cycles, choose(AUTO, [cell], cycles).engine)} on one core; `capacity` ten "
        "times that."
    )
    say_notes(warnings)
    say_table(
        f"Resolved values (lines are of {file})",
        ("key", "value", "unit", "from"),
        [
            (row.key, row.value, row.unit, row.source.replace(f"{config_path}:", "line "))
            for row in rows
        ],
    )
