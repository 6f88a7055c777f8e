"""The figure of a cell's losses: one panel a machine."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from feedsim.answers.loss_words import spoken
from feedsim.labels import given_percent
from feedsim.losses import breakdown, gathered
from feedsim.plots.loss_rows import WIDTH_IN, MachineLosses, Panel
from feedsim.plots.sheet import Sheet
from feedsim.plots.style import figure_style
from feedsim.plots.wording import percent
from feedsim.study import Results

GAP_IN = 0.07
MOST_MACHINES = 24


def loss_breakdown(results: Results, setting_index: int = 0) -> Figure:
    """Draw where planned busy time went, from the whole of it down to good packs.

    For each machine a band is planned busy time, cut into good packs and the losses by cause;
    the ledger below it lists the losses, the largest first, with their intervals. Losses below
    0.2 % are gathered where there are several. Of more than 24 machines those of the lowest
    OEE are drawn.

    Parameters
    ----------
    results : Results
        Of a study.
    setting_index : int
        Which of its settings.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    BalanceError
        If the parts do not add up to planned busy time.
    """
    setting, sums = results.settings[setting_index], results.sums[setting_index]
    shown: list[MachineLosses] = []
    for plan, machine in zip(setting.cell.machines, sums.machines, strict=True):
        whole = gathered(breakdown(machine, plan, results.confidence), machine, results.confidence)
        shown.append(MachineLosses(plan.name, [s.state for s in plan.stations], whole))
    return draw_losses(shown, _note(results), results.confidence)


def _note(results: Results) -> str:
    if results.replications == 1:
        return "One replication: no intervals."
    return (
        f"{results.replications} replications; lines over the bars: "
        f"{given_percent(results.confidence)} intervals."
    )


def _finding(shown: Sequence[MachineLosses]) -> str:
    """What to see over all machines: the share of good packs, and the largest loss."""
    busy = [machine for machine in shown if not machine.is_idle]
    if not busy:
        return "No planned busy time"
    goods = sorted(machine.whole.good.share.value for machine in busy)
    told = f"{busy[0].headline} {percent(goods[0])}"
    if len(busy) > 1:
        told = f"{told.removesuffix(' %')} to {percent(goods[-1])} by machine"
    times_us: dict[str, float] = {}
    for machine in busy:
        for loss in machine.seen:
            times_us[loss.label] = times_us.get(loss.label, 0.0) + float(loss.time_us.sum())
    if not times_us:
        return told
    most = max(times_us, key=lambda label: times_us[label])
    whole_us = sum(float(machine.whole.planned_busy_us.sum()) for machine in busy)
    share = percent(times_us[most] / whole_us)
    return f"{told}; largest loss: {spoken(most)}, {share}"


def draw_losses(shown: Sequence[MachineLosses], note: str, confidence: float) -> Figure:
    """Draw machines' losses, one panel each, below a heading and a note.

    Of more than 24 machines those are drawn whose band has least left, and it is said.
    """
    if len(shown) > MOST_MACHINES:
        headlines = " or ".join(dict.fromkeys(each.headline for each in shown))
        note += f" The {MOST_MACHINES} of {len(shown)} machines with the lowest {headlines}."
        shown = sorted(shown, key=lambda each: each.whole.good.share.value)[:MOST_MACHINES]
    with figure_style():
        heights_in = [machine.height_in(confidence) for machine in shown]
        top_in = sum(heights_in)
        note = f"Where planned busy time went. {note}"
        sheet = Sheet(WIDTH_IN, _finding(shown), GAP_IN + top_in, note)
        for machine, panel_in in zip(shown, heights_in, strict=True):
            Panel(sheet, top_in, machine, confidence).draw()
            top_in -= panel_in
    return sheet.figure
