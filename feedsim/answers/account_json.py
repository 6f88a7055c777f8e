"""A log's accounts as JSON."""

from __future__ import annotations

from math import isnan
from typing import Any

from feedsim.accounts.record import RUNNING
from feedsim.answers.account import AccountResult, MachineAccount
from feedsim.answers.rows import estimate_json, finite_or_none
from feedsim.logs.lengths import Lengths


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
    return {
        "stops": found.stops,
        "time_s": found.time_us / 1e6,
        "median_s": finite_or_none(found.median_s),
        "mean_s": finite_or_none(found.mean_s),
        "longest_s": finite_or_none(found.longest_s),
        "minor_stops": found.minor_stops,
        "minor_time_share": finite_or_none(found.minor_time_share),
        "classes": [
            {
                "from_s": each.from_s,
                "below_s": finite_or_none(each.below_s),
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
