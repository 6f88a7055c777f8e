"""One machine's losses drawn: a band of planned busy time, below it a ledger of the losses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from feedsim.answers.loss_words import spoken
from feedsim.labels import given_percent
from feedsim.losses import Breakdown, Loss
from feedsim.plots.sheet import EDGE_IN, NOTE_IN, Sheet
from feedsim.plots.style import (
    BAND_SHADE,
    FONT,
    INK,
    RULE,
    SOFT_INK,
    STEPS,
    area_looks,
    look_of,
)
from feedsim.plots.wording import (
    counted,
    fitted,
    ledger_percent,
    minutes,
    percent,
    percent_with_interval,
    width_in,
    wrapped,
)

WIDTH_IN = 12.0
INNER_IN = WIDTH_IN - 2 * EDGE_IN
HEAD_IN = 0.62
BAND_IN = 0.5
LINK_IN = 0.42
ROW_IN = 0.31
AXIS_IN = 0.62
GAP_IN = 0.3
LONGEST_LABEL_IN = 3.6
NUMBERS_IN = 2.25
SHARE_AT_IN, MINUTES_AT_IN = 1.05, 2.05
NAME_SIZE = 14.0
MARK_ROOM_IN = 0.24


@dataclass(frozen=True, slots=True)
class MachineLosses:
    """What one panel shows: a machine's name, its stations' states and its breakdown.

    `headline` is what the share of good packs is called.
    """

    name: str
    stations: Sequence[str]
    whole: Breakdown
    headline: str = "OEE"

    @property
    def seen(self) -> list[Loss]:
        """Losses that occurred, the largest first."""
        return [loss for loss in self.whole.losses if loss.time_us.any()]

    @property
    def is_idle(self) -> bool:
        """Whether there is no planned busy time at all."""
        return not self.whole.planned_busy_us.any()

    def notes(self, confidence: float) -> list[str]:
        """Remarks below the ledger, in lines that fit."""
        unseen = [loss for loss in self.whole.losses if not loss.time_us.any()]
        found: list[str] = []
        if unseen and not self.is_idle:
            first = unseen[0].share
            limit = percent(first.chance_high if first.chance_high is not None else 1.0)
            found += wrapped(
                f"Not seen in {counted(first.replications, 'replication')}: "
                + "; ".join(fitted(loss.label, LONGEST_LABEL_IN) for loss in unseen)
                + f". The chance that a shift has one is below {limit}"
                + f" ({given_percent(confidence)} confidence).",
                INNER_IN,
            )
        if any(loss.share.few_events for loss in self.seen):
            found.append("* seen in few replications: its interval may be too short.")
        return found

    def height_in(self, confidence: float) -> float:
        """Height that the panel takes."""
        ledger_in = LINK_IN + ROW_IN * len(self.seen) + AXIS_IN if self.seen else LINK_IN
        notes_in = NOTE_IN * len(self.notes(confidence))
        return self.head_in + BAND_IN + ledger_in + notes_in + GAP_IN

    @property
    def finding(self) -> str:
        """What to see, in a line."""
        if self.is_idle:
            return "no planned busy time"
        text = f"{self.headline} {percent_with_interval(self.whole.good.share)}"
        if self.seen:
            text += f"; largest loss: {fitted(spoken(self.seen[0].label), LONGEST_LABEL_IN)}"
        return text

    @property
    def fits_one_line(self) -> bool:
        """Whether the name leaves room for the finding."""
        name_in = width_in(self.name, NAME_SIZE, bold=True)
        return name_in + 0.4 + width_in(self.finding) <= INNER_IN

    @property
    def head_in(self) -> float:
        """Height of the heading."""
        return HEAD_IN if self.fits_one_line else HEAD_IN + NOTE_IN


class Panel:
    """Draws one machine's losses on a sheet, from a height downwards, in inches."""

    def __init__(
        self, sheet: Sheet, top_in: float, shown: MachineLosses, confidence: float
    ) -> None:
        self.sheet = sheet
        self.top_in = top_in
        self.shown = shown
        self.confidence = confidence

    def draw(self) -> None:
        """Draw the heading, the band, the ledger and the remarks."""
        self._head()
        if self.shown.is_idle:
            return
        band_in = self.top_in - self.shown.head_in - BAND_IN
        self._band(band_in)
        below_in = band_in - LINK_IN
        if self.shown.seen:
            below_in -= ROW_IN * len(self.shown.seen)
            self._ledger(below_in)
            below_in -= AXIS_IN
        for line in self.shown.notes(self.confidence):
            self.sheet.write(EDGE_IN, below_in, line, color=SOFT_INK, va="top")
            below_in -= NOTE_IN

    def _head(self) -> None:
        """Write the machine's name and what to see, below it where the name is long."""
        shown, y_in = self.shown, self.top_in - 0.36
        name = fitted(shown.name, INNER_IN, NAME_SIZE, bold=True)
        self.sheet.write(EDGE_IN, y_in, name, size=NAME_SIZE, weight="bold", va="baseline")
        if shown.fits_one_line:
            self.sheet.write(WIDTH_IN - EDGE_IN, y_in, shown.finding, ha="right", va="baseline")
        else:
            self.sheet.write(EDGE_IN, y_in - NOTE_IN, shown.finding, va="baseline")

    def _band(self, bottom_in: float) -> None:
        """Draw planned busy time as one band; the losses carry the ledger's numbers."""
        axes = self.sheet.axes(EDGE_IN, bottom_in, INNER_IN, BAND_IN)
        axes.axis("off")
        parts = [(self.shown.whole.good, "")]
        parts += [(loss, str(row)) for row, loss in enumerate(self.shown.seen, start=1)]
        shares = [max(0.0, part.share.value) for part, _ in parts]
        total = max(1.0, sum(shares))
        axes.set(xlim=(0, total), ylim=(0, 1))
        edge = 0.0
        for (part, mark), share in zip(parts, shares, strict=True):
            self._segment(axes, part, mark, edge, share, INNER_IN / total)
            edge += share
        self._link(bottom_in, shares[0] / total)

    def _segment(
        self, axes: Axes, part: Loss, mark: str, edge: float, share: float, in_per_share: float
    ) -> None:
        look = look_of(part.state, self.shown.stations)
        axes.bar(edge, 1.0, share, align="edge", **area_looks(look))
        axes.axvline(edge + share, color="white", linewidth=1.2)
        room_in = share * in_per_share
        if not mark:
            text = f"{part.label} {percent(share, part.share.half_width)}"
            if width_in(text, 12, bold=True) < room_in - 0.2:
                axes.text(0.1 / in_per_share, 0.5, text, **_inside("white", 12.0, "left"))
        elif room_in > MARK_ROOM_IN:
            axes.text(edge + share / 2, 0.5, mark, **_inside(INK, FONT, "center"), bbox=_PATCH)

    def _link(self, band_in: float, good_share: float) -> None:
        """Lead from the band's losses to the ledger below: it shows them larger."""
        if not self.shown.seen:
            return
        axes = self.sheet.axes(EDGE_IN, band_in - LINK_IN, INNER_IN, LINK_IN)
        axes.axis("off")
        axes.set(xlim=(0, 1), ylim=(0, 1))
        edges = [good_share, 1.0, 1.0, 0.0]
        axes.fill(edges, [1.0, 1.0, 0.12, 0.12], color=BAND_SHADE, linewidth=0)
        axes.plot([0.0, good_share], [0.12, 1.0], color=RULE, linewidth=1)
        for at_in, text in ((SHARE_AT_IN, "share"), (MINUTES_AT_IN, "in 8 h")):
            x = 1 - (NUMBERS_IN - at_in) / INNER_IN
            axes.text(x, 0.25, text, ha="right", va="baseline", color=SOFT_INK)

    def _ledger(self, bottom_in: float) -> None:
        """Draw the losses as bars with intervals and numbers, the largest on top."""
        seen = self.shown.seen
        names = [
            f"{fitted(loss.label, LONGEST_LABEL_IN)}  {row}" for row, loss in enumerate(seen, 1)
        ]
        labels_in = max(width_in(name) for name in names) + 0.15
        left_in = EDGE_IN + labels_in
        width = WIDTH_IN - EDGE_IN - NUMBERS_IN - left_in
        axes = self.sheet.axes(left_in, bottom_in, width, ROW_IN * len(seen))
        rows = np.arange(len(seen))
        for row, loss in zip(rows, seen, strict=True):
            self._bar(axes, int(row), loss, width)
        axes.set_yticks(rows, names)
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(len(seen) - 0.5, -0.5)
        axes.set_xlim(min(0.0, *(100 * loss.share.value for loss in seen)), self._reach())
        axes.set_xlabel("% of planned busy time")
        axes.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=STEPS))
        axes.grid(visible=False, axis="y")
        axes.spines["bottom"].set_visible(False)

    def _reach(self) -> float:
        ends = [100 * np.nanmax([s.share.value, s.share.high]) for s in self.shown.seen]
        return max(0.1, 1.04 * float(max(ends)))

    def _bar(self, axes: Axes, row: int, loss: Loss, width: float) -> None:
        share = loss.share
        axes.barh(
            row, 100 * share.value, 0.66, **area_looks(look_of(loss.state, self.shown.stations))
        )
        if not np.isnan(share.half_width):
            axes.hlines(row, 100 * share.low, 100 * share.high, color="white", linewidth=3.6)
            ends = [100 * share.low, 100 * share.high]
            axes.plot(ends, [row, row], color=INK, linewidth=1.4, marker="|", markersize=8)
        at_row = axes.get_yaxis_transform()
        looks: dict[str, Any] = {"va": "center_baseline", "transform": at_row}
        numbers = (
            (SHARE_AT_IN, ledger_percent(share.value)),
            (MINUTES_AT_IN, minutes(loss.minutes)),
        )
        for at_in, text in numbers:
            axes.text(1 + at_in / width, row, text, ha="right", **looks)
        if share.few_events:
            axes.text(1 + (MINUTES_AT_IN + 0.08) / width, row, "*", ha="left", **looks)


_PATCH = {"boxstyle": "round,pad=0.12", "facecolor": "white", "edgecolor": "none", "alpha": 0.9}


def _inside(colour: str, size: float, ha: str) -> dict[str, Any]:
    return {"color": colour, "size": size, "weight": "bold", "ha": ha, "va": "center"}
