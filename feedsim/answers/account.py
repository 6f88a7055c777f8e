"""What a plant's log says: the measures of a simulation, as far as the log knows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.accounts.record import (
    RUNNING,
)
from feedsim.accounts.timeline import causes_of
from feedsim.answers.account_known import is_told, known_mask, part_of, unknown
from feedsim.answers.account_losses import log_breakdown
from feedsim.answers.rows import Row, replications_frame, rows_of
from feedsim.answers.shown import ShownRows
from feedsim.cell import MachinePlan
from feedsim.logs import EventLog, Finding
from feedsim.logs.lengths import Lengths, lengths_by_reason, lengths_of
from feedsim.logs.sums import DAY, WINDOW, Flags, LogSums, log_sums
from feedsim.losses import Breakdown
from feedsim.measures import (
    COUNT,
    CREW_BUSY,
    HOUR_US,
    RATE,
    SHARE,
    Measure,
    SumArrays,
    figure,
    measures_of,
    packs_us,
    planned_busy_us,
)
from feedsim.stats import Estimate, Floats

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class MachineAccount:
    """What a log says of one machine beyond its row.

    Attributes
    ----------
    name : str
    stops_per_running_h : Estimate
        Halts, planned ones left out, per hour of running.
    running_share, made_share : Estimate
        Running time, and the packs made at the stated speed, over planned busy time; not a
        number where not known. OEE is at most the smaller of the two.
    lengths : Lengths
        Of all halts.
    by_reason : mapping of reason to Lengths
        The reason with most time first.
    whole : Breakdown
        Where planned busy time went.
    is_counted : bool
        Whether the breakdown begins with packs, or with running time only.
    """

    name: str
    stops_per_running_h: Estimate
    running_share: Estimate
    made_share: Estimate
    lengths: Lengths
    by_reason: Mapping[str, Lengths]
    whole: Breakdown
    is_counted: bool

    @property
    def oee_at_most(self) -> Estimate:
        """What OEE can be at most, while no machine is faster than its stated speed."""
        if np.isfinite(self.made_share.value):
            return self.made_share
        return self.running_share


@dataclass(frozen=True)
class AccountResult(ShownRows):
    """The answer of `account`.

    Attributes
    ----------
    log : EventLog
    per : {"window", "day"}
        What stands for a replication.
    minor_stop_min : float
    sums, days : LogSums
        A replication a window (or day), and a replication a day.
    rows : list of Row
        One a machine and last the whole cell's, with the measures of `run`; what the log does
        not know is not a number.
    machines : list of MachineAccount
    findings : tuple of Finding
        All that was odd in the files.
    """

    log: EventLog
    per: str
    minor_stop_min: float
    sums: LogSums
    days: LogSums
    rows: list[Row]
    machines: list[MachineAccount]
    findings: tuple[Finding, ...]

    @property
    def cell(self) -> Row:
        """The whole cell's row."""
        return self.rows[-1]

    def __repr__(self) -> str:
        return f"AccountResult({self.log.file!r}, {len(self.log.windows)} windows)"

    @cached_property
    def places(self) -> dict[str, int]:
        """How the stops of the log add up, each once.

        rows = set aside + running + stops; stops = outside + in windows; in windows = halts +
        joined to another halt.
        """
        log = self.log
        halts = sum(account.lengths.stops for account in self.machines)
        planned = sum(
            halt.is_counted and log.is_planned(halt.reason)
            for machine in log.machines
            for window in log.windows_of(machine)
            for halt in log.stops_in(window, machine)
        )
        outside = sum(f.kind in ("outside", "no_windows") for f in log.findings)
        inside = len(log.stops) - outside
        return {
            "rows": log.rows,
            "set_aside": log.rows - log.running_rows - len(log.stops),
            "running": log.running_rows,
            "stops": len(log.stops),
            "outside_windows": outside,
            "in_windows": inside,
            "joined": inside - halts - planned,
            "planned_halts": planned,
            "halts": halts,
        }

    def windows_frame(self) -> pd.DataFrame:
        """Every measure of each machine and window (or day), empty where not known."""
        frame = replications_frame(self.sums.results).drop(columns=[CREW_BUSY.name])
        begins = [self.log.zone.text_of(at_us) for at_us in self.sums.begins_us]
        masks = self.sums.known
        for name in frame.columns[2:]:
            known = np.concatenate([known_mask(name, own) for own in masks])
            if not is_told(self.log, name):
                known[:] = False
            frame.loc[~known, name] = np.nan
        frame.insert(2, "begin", begins * len(self.log.machines))
        return frame

    def days_frame(self) -> pd.DataFrame:
        """Every measure of each machine and day, empty where not known."""
        import pandas as pd

        [setting], [sums] = self.days.results.settings, self.days.results.sums
        dates = [str(self.log.zone.day_of(at_us)) for at_us in self.days.begins_us]
        lines = []
        for machine, plan, own, known in zip(
            self.log.machines,
            setting.cell.machines,
            sums.machines,
            self.days.known,
            strict=True,
        ):
            begun = [str(self.log.zone.day_of(w.begin_us)) for w in self.log.windows_of(machine)]
            told = [m for m in measures_of([plan]) if is_told(self.log, m.name)]
            for day in dict.fromkeys(dates):
                there = np.array([each == day for each in dates])
                line: dict[str, Any] = {"machine": plan.name, "date": day}
                line["windows"] = begun.count(day)
                part = part_of(own, there)
                for measure in told:
                    if known_mask(measure.name, known)[there].all():
                        line[measure.name] = _value(measure, part)
                lines.append(line)
        names = [measure.name for measure in measures_of(setting.cell.machines)]
        return pd.DataFrame(lines, columns=["machine", "date", "windows", *names])

    def findings_frame(self) -> pd.DataFrame:
        """A line a finding: file, line, what it is, what was done."""
        import pandas as pd

        return pd.DataFrame(
            [(f.file, f.line, f.kind, f.what, f.detail, f.done) for f in self.findings],
            columns=["file", "line", "kind", "what", "detail", "done"],
        )


def account(
    log: EventLog, *, minor_stop_min: float = 5.0, confidence: float = 0.95, per: str = WINDOW
) -> AccountResult:
    """Read a log into the accounts of a simulation.

    Parameters
    ----------
    log : EventLog
        As `feedsim.logs.read_log` gives it.
    minor_stop_min : float
        Halts as long or longer count against availability, shorter ones against performance,
        minutes.
    confidence : float
        Of the intervals.
    per : {"window", "day"}
        What stands for a replication: windows, or days, are taken as independent of one another.

    Returns
    -------
    AccountResult
    """
    sums = log_sums(log, minor_stop_min=minor_stop_min, confidence=confidence, per=per)
    days = log_sums(log, minor_stop_min=minor_stop_min, confidence=confidence, per=DAY)
    return AccountResult(
        log=log,
        per=per,
        minor_stop_min=minor_stop_min,
        sums=sums,
        days=days,
        rows=[_known_row(log, row, sums) for row in rows_of(sums.results)],
        machines=[
            _machine(log, number, sums, minor_stop_min) for number in range(len(log.machines))
        ],
        findings=(*log.findings, *sums.findings),
    )


def _known_row(log: EventLog, row: Row, sums: LogSums) -> Row:
    """A row with the measures that the log knows; the others are not a number."""
    [machines] = [each.machines for each in sums.results.sums]
    names = [plan.name for plan in sums.results.settings[0].cell.machines]
    own = list(range(len(names))) if row.machine is None else [names.index(row.machine)]
    known = sums.known[own[0]]
    for number in own[1:]:
        known = known.but(sums.known[number])
    figures = {}
    for name, found in row.figures.items():
        mask = known_mask(name, known)
        if not is_told(log, name) or not mask.any():
            figures[name] = unknown(found)
        elif mask.all():
            figures[name] = found
        else:
            figures[name] = figure(found.measure, [part_of(machines[n], mask) for n in own])
    return replace(row, figures=figures, capacity_bags=None)


def _machine(log: EventLog, number: int, sums: LogSums, minor_stop_min: float) -> MachineAccount:
    results = sums.results
    plan, machine = results.settings[0].cell.machines[number], log.machines[number]
    own, known = results.sums[0].machines[number], sums.known[number]
    counted = known_mask("oee", known).all() or known_mask("performance", known).all()

    def estimate(measure: Measure, mask: Flags) -> Estimate:
        if not mask.any():
            return unknown(figure(measure, [own])).estimate(results.confidence)
        return figure(measure, [part_of(own, mask)]).estimate(results.confidence)

    everywhere = np.ones_like(known.good)
    return MachineAccount(
        name=plan.name,
        stops_per_running_h=estimate(_stops_per_running_h(plan), everywhere),
        running_share=estimate(_share_of("running_share", _running_us), everywhere),
        made_share=estimate(_share_of("made_share", packs_us), known_mask("performance", known)),
        lengths=lengths_of(log, minor_stop_min, machine),
        by_reason=lengths_by_reason(log, minor_stop_min, machine),
        whole=log_breakdown(own, plan, known, results.confidence),
        is_counted=bool(counted),
    )


def _stops_per_running_h(plan: MachinePlan) -> Measure:
    causes = [c for c in causes_of(plan) if c not in ("planned_stop", "changeover")]

    def stops(sums: SumArrays) -> Floats:
        total: Floats = np.sum([sums[f"stops_{cause}"] for cause in causes], axis=0)
        return total

    return Measure(
        "stops_per_running_h",
        "stops/h",
        "halts per hour of running",
        RATE,
        stops,
        lambda sums: _running_us(sums) / HOUR_US,
    )


def _share_of(name: str, top: Any) -> Measure:
    return Measure(name, "", "share of planned busy time", SHARE, top, planned_busy_us)


def _running_us(sums: SumArrays) -> Floats:
    return sums[f"time_{RUNNING}_us"]


def _value(measure: Measure, sums: SumArrays) -> float:
    """A measure of several replications together; what is counted is their sum."""
    if measure.kind == COUNT:
        return float(np.sum(measure.top(sums)))
    return figure(measure, [sums]).value
