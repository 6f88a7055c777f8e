"""What a judge found, in words: shared by the commands that take targets."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from feedsim.answers.targets import Check, Evidence

VERDICT_WORDS = {"met": "met", "missed": "missed", "open": "not shown"}


def failing_text(evidence: Evidence) -> str:
    """The same of the targets that are missed, or else of those that are open; there are some."""
    return evidence_text(evidence, only=evidence.verdict)


def evidence_text(evidence: Evidence, only: str | None = None) -> str:
    """What each target's measure is, at the machine where it is tightest.

    `only` names the verdict of those meant.
    """
    several = len(evidence.setting.cell.machines) > 1
    parts = []
    for name, check in evidence.tightest.items():
        if only not in (None, check.verdict):
            continue
        at = f" at {check.machine}" if several and check.machine else ""
        parts.append(f"{_label(name)} {_value(check)}{at}")
    return f"{', '.join(parts)}, {evidence.replications:,} shifts"


def _label(measure: str) -> str:
    return {"oee": "OEE", "packs_per_h": "good packs/h"}.get(
        measure, measure.replace("_per_h", "/h").replace("_share", " time").replace("_", " ")
    )


def _value(check: Check) -> str:
    from feedsim.cli.screen import number, percent

    found = check.found
    if found.unseen:
        return f"never in {found.replications:,} shifts"
    return percent(found, 2) if check.target.is_share else number(found, 2)
