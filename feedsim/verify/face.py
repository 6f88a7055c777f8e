"""Face validity: whether a simulated cell looks like lines that somebody has logged.

This proves nothing; it finds what nobody would believe. Each figure of the cell stands beside what
real lines show of it (`feedsim.verify.real_lines`), counted in the same way, and whatever lies
outside has a declared reason or is shown as having none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, nan
from typing import TYPE_CHECKING

import numpy as np

from feedsim.accounts import Record, Window, read
from feedsim.accounts.record import BLOCKED, CHANGEOVER, DRY, MOVING, PLANNED, PLANNED_STOP
from feedsim.accounts.timeline import Halt, causes_of, halts_of, segments_of
from feedsim.answers.input_ranges import three_digits
from feedsim.cell import Cell, MachinePlan, build_cell
from feedsim.config import Config
from feedsim.engines import choose, engine_named, made_ready
from feedsim.losses import losses
from feedsim.measures import CREW_BUSY, HOUR_US, OEE, RATIO, SHARE, Measure, figure, measures_of
from feedsim.shown import Shown
from feedsim.stats import Estimate, Floats
from feedsim.study import HERE, Work, cycles_of, refuse_absurd
from feedsim.verify.real_lines import (
    CREW,
    OF_MACHINE,
    PRECURSOR_MIN,
    SHORT_STOP_MIN,
    RealRange,
    station_ranges,
)

if TYPE_CHECKING:
    import pandas as pd

MINUTE_US = 60_000_000.0
WAITING = (DRY, BLOCKED)
WHOLE_CREW = "crew"
LEAST_LOSS = 5e-4

INSIDE, EDGE, BELOW, ABOVE = "inside", "across an end", "below", "above"
FEW, NO_RANGE = "too few seen", "no range known"

Sums = Mapping[str, Floats]


@dataclass(frozen=True, slots=True)
class FaceLine:
    """A figure of a machine or the crew, beside what real lines show of it.

    `of` names the machine; `real` is None where nothing is known.
    """

    of: str
    what: str
    unit: str
    found: Estimate
    real: RealRange | None = None

    @property
    def verdict(self) -> str:
        """Where the figure lies: by its whole interval, or by its value where there is none."""
        if self.real is None:
            return NO_RANGE
        value, low, high = self.found.value, self.found.low, self.found.high
        if not isfinite(value) or self.found.unseen or self.found.few_events:
            return FEW
        low, high = (low, high) if isfinite(low) and isfinite(high) else (value, value)
        if low > self.real.high:
            return ABOVE
        if high < self.real.low:
            return BELOW
        return INSIDE if self.real.low <= value <= self.real.high else EDGE

    @property
    def is_outside(self) -> bool:
        """Whether it surely lies outside the range."""
        return self.verdict in (BELOW, ABOVE)

    @property
    def reason(self) -> str:
        """The declared reason for lying where it does; empty where there is none."""
        if self.real is None or not self.is_outside:
            return ""
        return self.real.below if self.verdict == BELOW else self.real.above

    @property
    def is_unexplained(self) -> bool:
        """Whether it lies outside, and nobody has said why."""
        return self.is_outside and not self.reason

    @property
    def scale(self) -> float:
        """What it is shown times."""
        return 100.0 if self.unit == "%" else 1.0

    def cells(self) -> list[str]:
        """The line as a table has it."""
        why = self.reason or ("no reason declared" if self.is_unexplained else "")
        source = "" if self.real is None else self.real.source
        return [
            *(self.of, self.what, self.unit),
            shown_estimate(self.found, self.scale),
            "" if self.real is None else shown_range(self.real),
            *(self.verdict, why, source),
        ]

    def numbers(self) -> dict[str, str | float]:
        """The line as a data frame has it."""
        real = self.real
        return {
            "of": self.of,
            "figure": self.what,
            "unit": self.unit,
            "value": self.scale * self.found.value,
            "low": self.scale * self.found.low,
            "high": self.scale * self.found.high,
            "real_low": nan if real is None else real.scale * real.low,
            "real_high": nan if real is None else real.scale * real.high,
            "lies": self.verdict,
            "reason": self.reason,
            "source": "" if real is None else real.source,
        }


@dataclass(frozen=True)
class FaceValidity(Shown):
    """A cell beside real lines.

    Attributes
    ----------
    config : Config
    lines : list of FaceLine
        Machine by machine, then the crew.
    replications : int
    """

    config: Config
    lines: list[FaceLine]
    replications: int

    @property
    def judged(self) -> list[FaceLine]:
        """The lines of which a range is known, and enough was seen."""
        return [line for line in self.lines if line.verdict not in (NO_RANGE, FEW)]

    @property
    def unexplained(self) -> list[FaceLine]:
        """What lies outside without a declared reason."""
        return [line for line in self.lines if line.is_unexplained]

    @property
    def title(self) -> str:
        """The finding."""
        outside = sum(line.is_outside for line in self.judged)
        without = len(self.unexplained)
        name = self.config.title or "The cell"
        told = f"{name}: {len(self.judged) - outside} of {len(self.judged)} figures are like those "
        told += "of real lines"
        if not outside:
            return told
        return f"{told}; outside for a declared reason: {outside - without}, without one: {without}"

    @property
    def words(self) -> list[str]:
        """What was done, and what to make of it."""
        confidence = f"{100 * self.config.study.confidence:g} %"
        told = [
            f"{self.replications:,} shifts, each machine by itself; intervals of {confidence}. A "
            "figure lies outside where its whole interval does.",
            "Stops are counted as the log counts them: short ones end within 10 minutes, and those "
            "of planned stops and changeovers are none, nor those that the shift's end cuts. Own "
            "stops are all but dry and blocked.",
            "Real lines differ widely, and none of those logged is known to fill pre-made bags: "
            "what lies inside is believable, not proven.",
        ]
        if self.unexplained:
            shown = "; ".join(
                f"{line.of}, {line.what} ({shown_estimate(line.found, line.scale)}, real "
                f"{shown_range(line.real)} {line.unit})"
                for line in self.unexplained
                if line.real is not None
            )
            told.append(f"Outside, and no reason is declared: {shown}.")
        return told

    @property
    def columns(self) -> list[str]:
        """Headings of the table."""
        return ["of", "figure", "unit", "simulated", "real lines", "lies", "why", "source"]

    @property
    def rows(self) -> list[list[str]]:
        """The table."""
        return [line.cells() for line in self.lines]

    def frame(self) -> pd.DataFrame:
        """The lines as a table.

        Returns
        -------
        pandas.DataFrame
            A line for each figure: `value`, its ends `low` and `high`, and those of the range of
            real lines, all in `unit`; where it lies, the declared reason, and the source.
        """
        import pandas as pd

        return pd.DataFrame([line.numbers() for line in self.lines])

    def __repr__(self) -> str:
        return f"FaceValidity({len(self.judged)} judged, {len(self.unexplained)} unexplained)"


def shown_estimate(found: Estimate, scale: float) -> str:
    """A figure with its interval, to three digits."""
    if not isfinite(found.value):
        return "-"
    value = three_digits(scale * found.value)
    if not (isfinite(found.low) and isfinite(found.high)):
        return value
    low, high = (three_digits(scale * end) for end in (found.low, found.high))
    return f"{value} ({low} to {high})"


def shown_range(real: RealRange) -> str:
    """A range, to three digits."""
    return f"{three_digits(real.scale * real.low)} to {three_digits(real.scale * real.high)}"


def face_validity(
    config: Config,
    work: Work = HERE,
    ranges: Mapping[str, RealRange] = OF_MACHINE,
) -> FaceValidity:
    """Put a cell's figures beside those of real lines.

    Parameters
    ----------
    config : Config
        Its study table says how many shifts, and how sure.
    work : Work
        What simulates; the shifts' records are needed, so it is done in this process.
    ranges : mapping from a figure's name to RealRange
        By default what `feedsim.verify.real_lines` knows.

    Returns
    -------
    FaceValidity

    Raises
    ------
    TooLarge
        If it would run for hours.
    """
    cell, study = build_cell(config), config.study
    refuse_absurd([cell], study.replications, work)
    chosen = choose(work.engine, [cell], cycles_of([cell], study.replications))
    engine = engine_named(made_ready(chosen).engine)
    shifts = []
    for number in range(1, study.replications + 1):
        shifts.append(_read_shift(engine.record(cell, study.seed, number), cell))
        if work.progress:
            work.progress(number, study.replications)
    lines: list[FaceLine] = []
    for index, plan in enumerate(cell.machines):
        sums = {
            name: np.array([s[index][name] for s in shifts], float) for name in shifts[0][index]
        }
        lines += _machine_lines(plan, sums, study.confidence, ranges)
    lines += _crew_lines(cell, _together([shift[-1] for shift in shifts]), study.confidence)
    return FaceValidity(config, lines, study.replications)


def _together(shifts: Sequence[Mapping[str, float]]) -> dict[str, Floats]:
    """The same sums of all shifts as arrays of shape (n,)."""
    return {name: np.array([shift[name] for shift in shifts], float) for name in shifts[0]}


def _read_shift(record: Record, cell: Cell) -> list[dict[str, float]]:
    """Sums of a shift, machine by machine, and last the crew's."""
    reading = read(record, cell)
    window = Window(cell.warm_up_us, cell.shift_us)
    found: list[dict[str, float]] = []
    for plan, machine, sums in zip(cell.machines, record.machines, reading.machines, strict=True):
        halts = [
            halt
            for halt in halts_of(segments_of(machine, cell.shift_us))
            if halt.cause not in PLANNED
            and window.holds(halt.begin_us)
            and halt.segments[-1].end_us < cell.shift_us  # its length is known
        ]
        own = _halt_sums(halts, causes_of(plan))
        found.append({**sums, **own})
    return [*found, dict(reading.crew)]


def _halt_sums(halts: Sequence[Halt], causes: Sequence[str]) -> dict[str, float]:
    """Counts and times of halts as the log tells them: short and long, own and waiting."""
    short_us = SHORT_STOP_MIN * MINUTE_US
    own = [halt for halt in halts if halt.cause not in WAITING]
    long = [halt for halt in own if halt.length_us >= short_us]
    short = [halt for halt in halts if halt.length_us < short_us]
    found: dict[str, float] = {
        "halts": len(halts),
        "short_halts": len(short),
        "short_us": sum(halt.length_us for halt in short),
        "own_halts": len(own),
        "own_us": sum(halt.length_us for halt in own),
        "long_halts": len(long),
        "long_us": sum(halt.length_us for halt in long),
        "preceded": sum(_is_preceded(halt, own) for halt in long),
    }
    for cause in causes:
        alike = [halt for halt in halts if halt.cause == cause]
        found[f"halts_{cause}_us"] = sum(halt.length_us for halt in alike)
        found[f"halts_{cause}"] = len(alike)
    return found


def _is_preceded(long: Halt, own: Sequence[Halt]) -> bool:
    """Whether a short stop of the same cause began in the hour before a long one."""
    return any(
        halt.cause == long.cause
        and halt.length_us < SHORT_STOP_MIN * MINUTE_US
        and 0 < long.begin_us - halt.begin_us <= PRECURSOR_MIN * MINUTE_US
        for halt in own
    )


def _ratio(sums: Sums, top: Floats, bottom: Floats, confidence: float, kind: str) -> Estimate:
    """A ratio of sums over the shifts, with its interval."""
    measure = Measure("", "", "", kind, lambda _: top, lambda _: bottom)
    return figure(measure, [sums]).estimate(confidence)


def _machine_lines(
    plan: MachinePlan, sums: Sums, confidence: float, ranges: Mapping[str, RealRange]
) -> Iterator[FaceLine]:
    moving = np.sum([sums[f"time_{state}_us"] for state in sorted(MOVING)], axis=0)
    planned = sums[f"time_{PLANNED_STOP}_us"]
    packs = sums["good_packs"] + sums["rejected_packs"]
    causes = [f"halts_{cause}" for cause in causes_of(plan)]
    commonest = max(causes, key=lambda name: float(sums[name].sum()))
    parts: dict[str, tuple[Floats, Floats, str]] = {
        "oee": (OEE.top(sums), OEE.bottom(sums), SHARE),
        "technical_availability": (moving, moving + sums["own_us"], SHARE),
        "short_stops_per_h": (sums["short_halts"], moving / HOUR_US, RATIO),
        "short_stop_min": (sums["short_us"] / MINUTE_US, sums["short_halts"], RATIO),
        "running_between_min": (moving / MINUTE_US, sums["halts"], RATIO),
        "long_part": (sums["long_halts"], sums["own_halts"], SHARE),
        "running_between_long_h": (moving / HOUR_US, sums["long_halts"], RATIO),
        "long_stop_min": (sums["long_us"] / MINUTE_US, sums["long_halts"], RATIO),
        "long_time_part": (sums["long_us"], sums["own_us"], SHARE),
        "precursor_part": (sums["preceded"], sums["long_halts"], SHARE),
        "commonest_part": (sums[commonest], sums["halts"], SHARE),
        "waiting_share": (
            sums[f"time_{DRY}_us"] + sums[f"time_{BLOCKED}_us"],
            sums["window_us"] - planned,
            SHARE,
        ),
        "speed_part": (packs * sums["cycle_us"], moving, SHARE),
        "rejected_part": (sums["rejected_packs"], packs, SHARE),
        "planned_part": (planned + sums[f"time_{CHANGEOVER}_us"], sums["window_us"], SHARE),
    }
    for name, real in ranges.items():
        top, bottom, kind = parts[name]
        found = _ratio(sums, top, bottom, confidence, kind)
        yield FaceLine(plan.name, real.what, real.unit, found, real)
    yield from _station_lines(plan, sums, moving, confidence)
    yield from _loss_lines(plan, sums, confidence)


def _station_lines(
    plan: MachinePlan, sums: Sums, moving: Floats, confidence: float
) -> Iterator[FaceLine]:
    """Stations with a usual name, beside common practice."""
    for station in plan.stations:
        known = station_ranges(station.name, waits=station.needs_operator)
        if known is None:
            continue
        stops = sums[f"halts_{station.state}"]
        between, length = known
        times = (
            (between, moving / MINUTE_US),
            (length, sums[f"halts_{station.state}_us"] / MINUTE_US),
        )
        for real, top in times:
            found = _ratio(sums, top, stops, confidence, RATIO)
            yield FaceLine(plan.name, real.what, real.unit, found, real)


def _loss_lines(plan: MachinePlan, sums: Sums, confidence: float) -> Iterator[FaceLine]:
    """Where planned busy time goes, and visits: nothing comparable is published."""
    for loss in losses(sums, plan, confidence):
        if loss.share.value >= LEAST_LOSS:
            yield FaceLine(plan.name, f"loss: {loss.label}", "%", loss.share)
    for measure in measures_of([plan]):
        if measure.name in ("refill_visits_per_h", "fault_visits_per_h"):
            found = figure(measure, [sums]).estimate(confidence)
            yield FaceLine(plan.name, measure.meaning, "/h", found)


def _crew_lines(cell: Cell, crew: Sums, confidence: float) -> Iterator[FaceLine]:
    if cell.crew.operators:
        found = figure(CREW_BUSY, [crew]).estimate(confidence)
        yield FaceLine(WHOLE_CREW, CREW.what, CREW.unit, found, CREW)
