"""What a plant's log says: the measures of a simulation, as far as the log knows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.accounts.record import (
    BLOCKED,
    DRY,
    JAM,
    LANE_FAULT,
    RESTARTING,
    RETRY,
    RUNNING,
    SKEWED,
)
from feedsim.accounts.timeline import causes_of
from feedsim.answers.rows import Row, estimate_json, replications_frame, rows_of
from feedsim.cell import MachinePlan
from feedsim.logs import EventLog, Finding
from feedsim.logs.lengths import Lengths, lengths_by_reason, lengths_of
from feedsim.logs.sums import DAY, WINDOW, Flags, Known, LogSums, log_sums
from feedsim.losses import CLOSED_BADLY, REST, SLOW, Breakdown, breakdown, loss_of
from feedsim.measures import (
    COUNT,
    CREW_BUSY,
    HOUR_US,
    RATE,
    SHARE,
    Figure,
    Measure,
    SumArrays,
    figure,
    measures_of,
)
from feedsim.stats import Estimate, Floats

if TYPE_CHECKING:
    import pandas as pd

# What must be known of a window for a measure.
NEEDS = {
    "oee": ("good", "cycle"),
    "performance": ("made", "cycle"),
    "quality": ("good", "made"),
    "good_packs": ("good",),
    "packs_per_h": ("good",),
    "rejected_packs": ("good", "made"),
    "bags_used": ("made",),
}
# What no log of stops tells.
NEVER = frozenset(
    {
        *("bags_loaded", "bags_wasted", "lost_pockets", "bags_per_refill", "start_bags_share"),
        *("wait_share", f"time_{RETRY}_share", f"time_{RESTARTING}_share", CREW_BUSY.name),
    }
)


# Running time that no pack accounts for.
SLOW_SUM = "slow_cycles_us"


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
class AccountResult:
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
            known = np.concatenate([_mask(name, own) for own in masks])
            if not _is_told(self.log, name):
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
            told = [m for m in measures_of([plan]) if _is_told(self.log, m.name)]
            for day in dict.fromkeys(dates):
                there = np.array([each == day for each in dates])
                line: dict[str, Any] = {"machine": plan.name, "date": day}
                line["windows"] = begun.count(day)
                part = _part(own, there)
                for measure in told:
                    if _mask(measure.name, known)[there].all():
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


def _mask(measure: str, known: Known) -> Flags:
    """The windows in which a measure is known, as far as that hangs on counts and speed."""
    mask = np.ones_like(known.good)
    for need in NEEDS.get(measure, ()):
        mask &= getattr(known, need)
    if measure == "quality" and known.cycle.any():
        # Packs of unlike speeds have unlike weights.
        mask &= known.cycle
    return mask


def _is_told(log: EventLog, measure: str) -> bool:
    """Whether a log tells a measure at all, counts and speed apart."""
    if measure in NEVER:
        return False
    told = set(log.states.values())
    for state in (DRY, LANE_FAULT, JAM, BLOCKED):
        of_state = (f"{state}_share", f"time_{state}_share", f"stops_{state}_per_h")
        if measure in of_state:
            return state in told
    if measure.endswith("visits_per_h"):
        states = {log.states.get(reason) for reason in log.visited}
        refills, faults = DRY in states, bool(states - {DRY})
        return {
            "visits_per_h": refills or faults,
            "refill_visits_per_h": refills,
            "fault_visits_per_h": faults,
        }[measure]
    return True


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
        mask = _mask(name, known)
        if not _is_told(log, name) or not mask.any():
            figures[name] = _unknown(found)
        elif mask.all():
            figures[name] = found
        else:
            figures[name] = figure(found.measure, [_part(machines[n], mask) for n in own])
    return replace(row, figures=figures, capacity_bags=None)


def _part(sums: SumArrays, mask: Flags) -> SumArrays:
    return {name: numbers[mask] for name, numbers in sums.items()}


def _unknown(found: Figure) -> Figure:
    nothing = np.full(len(found.seen), np.nan)
    return Figure(found.measure, float("nan"), nothing, np.ones(len(found.seen), bool))


def _machine(log: EventLog, number: int, sums: LogSums, minor_stop_min: float) -> MachineAccount:
    results = sums.results
    plan, machine = results.settings[0].cell.machines[number], log.machines[number]
    own, known = results.sums[0].machines[number], sums.known[number]
    counted = _mask("oee", known).all() or _mask("performance", known).all()

    def estimate(measure: Measure, mask: Flags) -> Estimate:
        if not mask.any():
            return _unknown(figure(measure, [own])).estimate(results.confidence)
        return figure(measure, [_part(own, mask)]).estimate(results.confidence)

    everywhere = np.ones_like(known.good)
    return MachineAccount(
        name=plan.name,
        stops_per_running_h=estimate(_stops_per_running_h(plan), everywhere),
        running_share=estimate(_share_of("running_share", _running_us), everywhere),
        made_share=estimate(_share_of("made_share", _made_us), _mask("performance", known)),
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
    return Measure(name, "", "share of planned busy time", SHARE, top, _planned_busy_us)


def _running_us(sums: SumArrays) -> Floats:
    return sums[f"time_{RUNNING}_us"]


def _made_us(sums: SumArrays) -> Floats:
    return (sums["good_packs"] + sums["rejected_packs"]) * sums["cycle_us"]


def _planned_busy_us(sums: SumArrays) -> Floats:
    return sums["window_us"] - sums["time_planned_stop_us"]


def log_breakdown(sums: SumArrays, plan: MachinePlan, known: Known, confidence: float) -> Breakdown:
    """Cut planned busy time into packs, as far as they are counted, and losses by reason.

    Where packs or the speed are not known everywhere, the first part is all running time. Else
    what is left of running time is told as one loss, which no log can tell apart: running slower
    than stated, and stops that were not logged.

    Parameters
    ----------
    sums : mapping from the name of a sum to an array of shape (n,)
    plan : MachinePlan
    known : Known
    confidence : float
    """
    has_good = bool(_mask("oee", known).all())
    has_made = bool(_mask("performance", known).all())
    if not has_good and not has_made:
        nothing = np.zeros_like(sums["window_us"])
        sums = {
            **sums,
            "good_packs": nothing,
            "rejected_packs": nothing,
            f"pockets_{SKEWED}": nothing,
            SLOW_SUM: _running_us(sums),
        }
    whole = breakdown(sums, plan, confidence)
    labels = {station.state: f"stopped: {station.name}" for station in plan.stations}
    labels[CLOSED_BADLY] = "rejected packs"
    losses = [
        replace(loss, label=labels.get(loss.name, loss.label))
        for loss in whole.losses
        if loss.name != SLOW and loss.time_us.any()
    ]
    if not has_good and not has_made:
        good = loss_of(
            sums, RUNNING, "running, packs not counted", RUNNING, _running_us(sums), confidence
        )
        return Breakdown(whole.planned_busy_us, good, tuple(losses))
    label = "running slower than stated, stops not logged"
    if not has_made:
        label = "rejects, running slower, stops not logged"
    losses.append(loss_of(sums, REST, label, REST, sums[SLOW_SUM], confidence))
    losses.sort(key=lambda loss: -np.nan_to_num(loss.share.value))
    good = whole.good if has_good else replace(whole.good, label="packs made, good or not")
    return Breakdown(whole.planned_busy_us, good, tuple(losses))


def _value(measure: Measure, sums: SumArrays) -> float:
    """A measure of several replications together; what is counted is their sum."""
    if measure.kind == COUNT:
        return float(np.sum(measure.top(sums)))
    return figure(measure, [sums]).value


def account_json(result: AccountResult) -> dict[str, Any]:
    """The answer's own part of the JSON document."""
    return {
        "per": result.per,
        "minor_stop_min": result.minor_stop_min,
        "windows_from": result.log.windows_from,
        "columns": {file: dict(roles) for file, roles in result.log.columns.items()},
        "stops": result.places,
        "machines": [_machine_json(each) for each in result.machines],
        "days": _days_json(result),
        "findings": [
            {
                "file": found.file,
                "line": found.line,
                "kind": found.kind,
                "what": found.what,
                "detail": found.detail,
                "done": found.done,
            }
            for found in result.findings
        ],
    }


def _machine_json(each: MachineAccount) -> dict[str, Any]:
    return {
        "machine": each.name,
        "oee_at_most": estimate_json(each.oee_at_most),
        "stops_per_running_h": estimate_json(each.stops_per_running_h),
        "lengths": _lengths_json(each.lengths),
        "reasons": {reason: _lengths_json(found) for reason, found in each.by_reason.items()},
        "losses": [
            {"loss": loss.name, "label": loss.label, "share": estimate_json(loss.share)}
            for loss in (each.whole.good, *each.whole.losses)
        ],
    }


def _lengths_json(found: Lengths) -> dict[str, Any]:
    def number(value: float) -> float | None:
        return value if np.isfinite(value) else None

    return {
        "stops": found.stops,
        "time_s": found.time_us / 1e6,
        "median_s": number(found.median_s),
        "mean_s": number(found.mean_s),
        "longest_s": number(found.longest_s),
        "minor_stops": found.minor_stops,
        "minor_time_share": number(found.minor_time_share),
        "classes": [
            {
                "from_s": each.from_s,
                "below_s": number(each.below_s),
                "stops": each.stops,
                "time_s": each.time_us / 1e6,
            }
            for each in found.classes
        ],
    }


def _days_json(result: AccountResult) -> list[dict[str, Any]]:
    frame = result.days_frame()
    shown = ["date", "machine", "windows", *DAY_MEASURES]
    return [
        {
            str(key): None if isinstance(value, float) and isnan(value) else value
            for key, value in line.items()
        }
        for line in frame[shown].to_dict("records")
    ]


DAY_MEASURES = (
    *("oee", "availability", "performance", "quality", "good_packs", "bags_used"),
    f"time_{RUNNING}_share",
)
