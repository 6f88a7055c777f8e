"""The reporting checklist STRESS-DES, filled from a study."""

from __future__ import annotations

import shlex

from feedsim.config import Config
from feedsim.pages.finished_study import FinishedStudy
from feedsim.pages.report_words import ASSUMPTIONS, LOGIC, QUESTIONS, VARIES

# Number, heading, paragraphs.
Item = tuple[str, str, list[str]]
Section = tuple[str, list[Item]]


def checklist(study: FinishedStudy, config: Config | None) -> list[Section]:
    """Answer the checklist's headings one by one.

    Parameters
    ----------
    study : FinishedStudy
        One that simulated shifts.
    config : Config or None
        Its config as resolved; None where it cannot be read.

    Returns
    -------
    list of tuple of str and list
        Sections with their items.
    """
    return [
        ("1 Objectives", _objectives(study)),
        ("2 Logic", _logic(study, config)),
        ("3 Data", _data(study, config)),
        ("4 Experimentation", _experimentation(study, config)),
        ("5 Implementation", _implementation(study)),
        ("6 Code access", _code_access(study)),
    ]


def _objectives(study: FinishedStudy) -> list[Item]:
    outputs = "OEE with availability, performance and quality; packs and bags; lost time by cause; "
    outputs += "visits; how busy the crew is. Each for every machine and for the whole cell, with "
    outputs += "an interval; all of them stand in summary.csv."
    asked = ", ".join(f"{key} {_told(value)}" for key, value in study.manifest.options.items())
    return [
        ("1.1", "Purpose of the model", [_question(study)]),
        ("1.2", "Model outputs", [outputs]),
        (
            "1.3",
            "Aims of the experiments",
            [_varies(study), f"Asked for: {asked}." if asked else "No options beyond the config."],
        ),
    ]


def _question(study: FinishedStudy) -> str:
    return QUESTIONS.get(study.kind, "What the answer above says.")


def _varies(study: FinishedStudy) -> str:
    return VARIES.get(study.kind, "The settings of the tables.")


def _logic(study: FinishedStudy, config: Config | None) -> list[Item]:
    diagram = "Bundles of bags -> lanes of the magazine -> pick head -> pocket: filled, or lost -> "
    diagram += "packs -> accumulation -> stations behind. Operators tend magazine, picks, stations."
    ties = "Steps of one instant are taken in a stated order of classes (calendar, stations, "
    ties += "operators, outfeed, machines). Time is a whole number of microseconds, so that all "
    ties += "balances are exact."
    cell = []
    if config is not None:
        count = sum(table.count for table in config.machine)
        lanes = ", ".join(str(table.magazine.lanes) for table in config.machine)
        stations = sum(len(table.station) * table.count for table in config.machine)
        cell = [
            f"This cell: machines {count} (lanes: {lanes}), stations {stations}, operators "
            f"{config.crew.operators}."
        ]
    return [
        ("2.1", "Base model: overview", [diagram]),
        ("2.2", "Base model: logic", [*LOGIC, *cell]),
        ("2.3", "Scenario logic", [_varies(study)]),
        ("2.4", "Algorithms", [ties]),
        ("2.5.1", "Entities", ["Bags, in bundles until loaded; packs; tasks for operators."]),
        (
            "2.5.2",
            "Activities",
            ["Machine cycles, retries, restarts; stops of stations; walking, fetching, loading, "
            "clearing, restarting, duties; breaks and planned stops by the calendar."],
        ),
        ("2.5.3", "Resources", ["Operators, the lanes' room, the accumulation's room."]),
        ("2.5.4", "Queues", ["Lanes (first in, first out); tasks that wait for an operator; the "
                             "accumulation."]),
        ("2.5.5", "Entry and exit", ["Bags enter with a bundle; they leave as good packs, rejects "
                                     "or waste. At the end of a shift what is left is counted."]),
    ]  # fmt: skip


def _data(study: FinishedStudy, config: Config | None) -> list[Item]:
    manifest = study.manifest
    files = [f"Files read: {', '.join(manifest.inputs)}."] if manifest.inputs else []
    sources = [f"The config {manifest.config}, as printed above; whoever wrote it knows where its "
               "values are from.", *files]  # fmt: skip
    if config is not None:
        chances = "; ".join(
            f"{table.name}: {_CHANCES[table.bag.chance_source]}" for table in config.machine
        )
        sources.append(f"Chances of faults: {chances}.")
    return [
        ("3.1", "Data sources", sources),
        (
            "3.2",
            "Preprocessing",
            ["None in this study. Where stations or a film model were fitted to records, the fit's "
            "own report says how."],
        ),
        ("3.3", "Input parameters", ["All of them, with units in their names: the complete config "
                                     "above."]),
        ("3.4", "Assumptions", [*ASSUMPTIONS]),
    ]  # fmt: skip


_CHANCES = {
    "faults": "stated in the config",
    "film model": "a film model fitted to pick trials",
    "planning": "planning values, from memory",
    "none": "no faults",
}


def _experimentation(study: FinishedStudy, config: Config | None) -> list[Item]:
    start = "Shifts start with full lanes, or with start_bags."
    length = ""
    if config is not None:
        warm_up_h, shift_h = config.study.warm_up_h, config.study.shift_h
        start += f" Warm-up, not counted: {warm_up_h:g} h."
        length = f"A shift of {shift_h:g} h, of which the last {shift_h - warm_up_h:g} h are read."
    numbers = sorted({row.replications for row in [*study.answer.rows, *study.answer.map]})
    shifts = _span(numbers)
    confidence = study.answer.confidence
    sure = "" if confidence is None else f" at {100 * confidence:g} % confidence"
    return [
        ("4.1", "Initialisation", [start]),
        ("4.2", "Run length", [length or "As the config says."]),
        (
            "4.3",
            "Estimation",
            [
                f"{shifts} independent shifts of each setting, all settings on the same luck. "
                f"Figures are ratios of sums over shifts, intervals Student's t on the linearised "
                f"deviations{sure}; where few shifts saw an event that is said."
            ],
        ),
    ]


def _implementation(study: FinishedStudy) -> list[Item]:
    manifest = study.manifest
    libraries = ", ".join(f"{name} {number}" for name, number in manifest.libraries.items())
    return [
        (
            "5.1",
            "Software",
            [f"{manifest.program or manifest.feedsim}; Python {manifest.python}; {libraries}."],
        ),
        (
            "5.2",
            "Random sampling",
            [
                f"PCG64, seed {manifest.seed}; every source of chance has a stream of its own, so "
                "that a change of one thing leaves the luck of all others as it was."
            ],
        ),
        (
            "5.3",
            "Model execution",
            [
                f"Engine: {manifest.engine}. Next event first; the SimPy model and its compiled "
                "twin agree to the microsecond."
            ],
        ),
        (
            "5.4",
            "System",
            ["The result is the same on one core, on many and on a cluster. What the study ran on "
            "is not recorded."],
        ),
    ]  # fmt: skip


def _code_access(study: FinishedStudy) -> list[Item]:
    return [
        (
            "6.1",
            "Sharing",
            [
                "feedsim is open source. The command that repeats the study: "
                f"{shlex.join(study.manifest.command_line)}"
            ],
        )
    ]


def _span(numbers: list[int]) -> str:
    if not numbers:
        return "Several"
    return f"{numbers[0]:,}" if len(numbers) == 1 else f"{numbers[0]:,} to {numbers[-1]:,}"


def _told(value: object) -> str:
    if isinstance(value, list):
        return " ".join(_told(each) for each in value) or "none"
    if isinstance(value, dict):
        return " ".join(f"{key} {_told(each)}" for key, each in value.items()) or "none"
    return (
        "not given" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    )
