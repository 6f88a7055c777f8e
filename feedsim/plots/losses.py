"""The figure of a cell's losses: one panel a machine."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from feedsim.losses import breakdown, gathered
from feedsim.plots.loss_rows import EDGE_IN, WIDTH_IN, MachineLosses, Panel
from feedsim.plots.style import SOFT_INK, figure_style
from feedsim.plots.wording import percent_number
from feedsim.study import Results

TOP_IN = 0.85
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
    note = _note(results)
    if len(shown) > MOST_MACHINES:
        note += f" The {MOST_MACHINES} of {len(shown)} machines with the lowest OEE."
        shown = sorted(shown, key=lambda each: each.whole.good.share.value)[:MOST_MACHINES]
    return draw_losses(shown, note, results.confidence)


def _note(results: Results) -> str:
    if results.replications == 1:
        return "One replication: no intervals."
    return (
        f"{results.replications} replications; lines over the bars: "
        f"{percent_number(results.confidence)} intervals."
    )


def draw_losses(shown: Sequence[MachineLosses], note: str, confidence: float) -> Figure:
    """Draw machines' losses, one panel each, below a heading and a note."""
    with figure_style():
        heights_in = [machine.height_in(confidence) for machine in shown]
        height_in = TOP_IN + sum(heights_in)
        figure = Figure(figsize=(WIDTH_IN, height_in))
        left = EDGE_IN / WIDTH_IN
        title = "Where planned busy time went"
        figure.text(left, 1 - 0.42 / height_in, title, size=17, weight="bold")
        figure.text(left, 1 - 0.72 / height_in, note, color=SOFT_INK)
        top_in = height_in - TOP_IN
        for machine, panel_in in zip(shown, heights_in, strict=True):
            Panel(figure, top_in, machine, confidence).draw()
            top_in -= panel_in
    return figure
