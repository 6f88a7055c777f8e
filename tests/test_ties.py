"""The order of steps within one instant, and what would be different in another one.

Each case is a tiny cell in which two kinds of steps fall due at one instant. It is simulated in
the stated order and then, as a negative control, with the two turned round. No case tells the
order of stations and calendar, operators or outfeeds, nor that of planned stops and the calendar's
other entries: they meet only through what comes after both, so their order alters nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from cells import Shift, shift_of

import feedsim.model.calendar
import feedsim.model.clock
import feedsim.model.crew
import feedsim.model.machine
import feedsim.model.outfeed
import feedsim.model.station
from feedsim.model.calendar import Calendar
from feedsim.model.clock import place
from feedsim.model.crew import Crew

CLASSES = {
    "calendar": (feedsim.model.calendar, "CALENDAR"),
    "stations": (feedsim.model.station, "STATIONS"),
    "operators": (feedsim.model.crew, "OPERATORS"),
    "outfeed": (feedsim.model.outfeed, "OUTFEEDS"),
    "machines": (feedsim.model.machine, "MACHINES"),
    "shift end": (feedsim.model.clock, "SHIFT_END"),
}

Reverse = Callable[[pytest.MonkeyPatch], None]


def swapped(one: str, other: str) -> Reverse:
    """Give each of two classes the other's place."""

    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        (module, name), (module_2, name_2) = CLASSES[one], CLASSES[other]
        ranks = getattr(module, name), getattr(module_2, name_2)
        monkeypatch.setattr(module, name, ranks[1])
        monkeypatch.setattr(module_2, name_2, ranks[0])

    return patch


def backwards(kind: str) -> Reverse:
    """Take the steps of one class by falling number."""

    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        module, _ = CLASSES[kind]
        monkeypatch.setattr(module, "place", lambda kind, number=0: place(kind, 1000 - number))

    return patch


def backwards_in_calendar(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take the calendar's entries of one instant in the reverse order of their kinds."""
    entries = Calendar._entries

    def turned(self: Calendar, crew: Crew) -> Iterator[Iterator[tuple[int, Any]]]:
        return reversed(list(entries(self, crew)))

    monkeypatch.setattr(Calendar, "_entries", turned)


@dataclass(frozen=True)
class Tie:
    """A cell, what to look at, what is to be seen, and how to turn the order round."""

    text: str
    see: Callable[[Shift], Any]
    expected: Any
    reverse: Reverse


def states(shift: Shift) -> Any:
    return shift.of("states")


def halts(shift: Shift) -> Any:
    return [(at, cause) for at, _, _, cause in shift.of("halts")]


def loads_taken(shift: Shift) -> Any:
    return [task[1] for task in shift.tasks() if task[4] == "load"]


def first_tasks(shift: Shift) -> Any:
    return [(task[0], task[1], *task[4:]) for task in shift.tasks()[:3]]


def outfeed_stops(shift: Shift) -> Any:
    stops = shift.record.machines[0].outfeed_stops
    return [(stop.at_us / 1e6, stop.station, stop.stopped) for stop in stops]


def changes(shift: Shift) -> Any:
    """The states as told, those that last no time included."""
    return [(change.at_us / 1e6, change.state) for change in shift.record.machines[0].changes]


def study(seconds: float) -> str:
    return f"[study]\nshift_h = {seconds} s"


OATS = """
[[machine]]
name = "oats"
speed_per_min = 60
[machine.magazine]
capacity_bags = 1000
lanes = 1
"""
GRANOLA = OATS.replace("oats", "granola")

CASE_PACKER = """
[[machine.station]]
name = "case packer"
between_stops = {between} s
stop = 2 s
needs_operator = {needs_operator}
place = "outfeed"
[machine.outfeed]
accumulation_packs = {packs}
"""

TIES: dict[str, Tie] = {}


def tie(reverse: Reverse, see: Callable[[Shift], Any]) -> Callable[[Any], Any]:
    """Register a case: its function gives the cell's text and what is to be seen."""

    def register(case: Callable[[], tuple[str, Any]]) -> Any:
        text, expected = case()
        TIES[case.__name__] = Tie(text, see, expected, reverse)
        return case

    return register


# Calendar: planned stops, breaks, rounds, duties.


@tie(backwards_in_calendar, loads_taken)
def break_before_round() -> tuple[str, Any]:
    """The break begins with a round: the top-up waits for its end at 20 s.

    The other way round the operator would take it at 10 s.
    """
    crew = "[crew]\nrounds_every_min = 10 s\n[[crew.break]]\nat_h = 10 s\ntakes_min = 10 s"
    return study(25) + "\n" + crew + OATS, [20]


@tie(backwards_in_calendar, first_tasks)
def break_before_duty() -> tuple[str, Any]:
    """As with a round; the duty is taken at 25 s instead of 10 s."""
    crew = '[[crew.duty]]\nname = "pallets"\nevery_min = 10 s\ntakes = 3 s\n'
    crew += "[[crew.break]]\nat_h = 10 s\ntakes_min = 15 s"
    return study(27) + "\n" + crew + OATS, [(1, 25, "duty", "pallets")]


@tie(backwards_in_calendar, first_tasks)
def round_before_duty() -> tuple[str, Any]:
    """The free operator takes what is raised first: the top-up, not the duty."""
    crew = '[crew]\nrounds_every_min = 10 s\n[[crew.duty]]\nname = "pallets"\nevery_min = 10 s\n'
    crew += "takes = 3 s"
    return study(15) + "\n" + crew + OATS, [(1, 10, "load", "oats"), (1, 10, "duty", "pallets")]


@tie(backwards_in_calendar, first_tasks)
def duties_as_listed() -> tuple[str, Any]:
    """Pallets come before samples."""
    duty = '[[crew.duty]]\nname = "{}"\nevery_min = 10 s\ntakes = 3 s\n'
    crew = duty.format("pallets") + duty.format("samples")
    expected = [(1, 10, "duty", "pallets"), (1, 13, "duty", "samples")]
    return study(15) + "\n" + crew + OATS, expected


# Calendar before all else.


@tie(swapped("calendar", "operators"), first_tasks)
def break_before_end_of_work() -> tuple[str, Any]:
    """The duty ends with the break's beginning: the top-up that waits is left for 20 s.

    The other way round the operator would take it at 10 s, before going.
    """
    crew = '[crew]\nrounds_every_min = 8 s\n[[crew.duty]]\nname = "pallets"\nevery_min = 6 s\n'
    crew += "takes = 4 s\n[[crew.break]]\nat_h = 10 s\ntakes_min = 10 s"
    expected = [(1, 6, "duty", "pallets"), (1, 20, "load", "oats"), (1, 20, "duty", "pallets")]
    return study(21) + "\n" + crew + OATS, expected


@tie(swapped("calendar", "operators"), loads_taken)
def round_before_end_of_loading() -> tuple[str, Any]:
    """At 20 s the machine is still being loaded, so that round raises nothing for it."""
    crew = "[crew]\nrounds_every_min = 10 s"
    return study(45) + "\n" + crew + OATS + "visit = 10 s", [10, 30]


@tie(swapped("calendar", "machines"), states)
def planned_stop_before_cycle() -> tuple[str, Any]:
    """A stop that begins as a cycle ends holds the next one, which would end at 11 s."""
    stop = '[[planned_stop]]\nname = "cleaning"\nat_h = 10 s\ntakes_min = 20 s'
    return study(40) + "\n" + stop + OATS, [(0, "running"), (10, "planned_stop"), (30, "running")]


@tie(swapped("calendar", "machines"), lambda shift: shift.of("loads"))
def round_before_cycle() -> tuple[str, Any]:
    """The bag of the cycle that ends with the round is still there: no room for a bundle."""
    crew = '[crew]\ncalls = "none"\nrounds_every_min = 10 s'
    magazine = OATS.replace("= 1000", "= 10\nbundle_bags = 10")
    return study(25) + "\n" + crew + magazine, [(20, 1, 10)]


@tie(swapped("calendar", "outfeed"), lambda shift: [task[1] for task in shift.tasks()])
def break_before_outfeed() -> tuple[str, Any]:
    """The case packer stops at 11 s with the break's beginning: nobody goes before 20 s."""
    crew = "[[crew.break]]\nat_h = 11 s\ntakes_min = 9 s"
    outfeed = CASE_PACKER.format(between=10, needs_operator="true", packs=100)
    return study(21) + "\n" + crew + OATS + outfeed, [20]


# Stations, operators, outfeed.


@tie(swapped("stations", "machines"), halts)
def station_before_cycle() -> tuple[str, Any]:
    """The case packer is ready at 4 s and takes a pack before the machine's next one comes.

    So the accumulation of 3 is full at 5 s, as the case packer stops again, and not at 4 s.
    """
    outfeed = CASE_PACKER.format(between=1, needs_operator="false", packs=3)
    return study(7.5) + OATS + outfeed, [(5, "blocked")]


@tie(swapped("operators", "outfeed"), lambda shift: [task[2] for task in shift.tasks()][:2])
def end_of_work_before_outfeed() -> tuple[str, Any]:
    """The top-up ends at 11 s, then the case packer stops; the operator is back at the base.

    The other way round the operator would walk on from the machine, without the 5 s of way, and
    be at the case packer at 11 s.
    """
    crew = "[crew]\nwalk_s = 5\nrounds_every_min = 6 s"
    outfeed = CASE_PACKER.format(between=10, needs_operator="true", packs=100)
    return study(17) + "\n" + crew + OATS + outfeed, [11, 16]


@tie(swapped("operators", "machines"), halts)
def bundle_before_cycle() -> tuple[str, Any]:
    """A bundle comes in as the lane's last bag leaves: the machine is not dry."""
    magazine = OATS.replace("= 1000", "= 20\nbundle_bags = 10\nstart_bags = 10")
    return study(20) + magazine + "call_level_bags = 5\nbundle = 5 s", []


@tie(swapped("operators", "machines"), halts)
def bundle_before_restart() -> tuple[str, Any]:
    """A closed lane opens at 10 s as the restart ends: no second halt, for want of a lane."""
    magazine = OATS.replace("= 60", "= 60\nrestart_s = 4").replace(
        "= 1000", "= 20\nbundle_bags = 5"
    )
    station = '[[machine.station]]\nname = "sealer"\nbetween_stops = 5 s\nstop = 1 s'
    crew = "[crew]\nwalk_s = 1\nrounds_every_min = 6 s"
    loading = "live_loading = false\nbundle = 3 s\n"
    return study(12.9) + "\n" + crew + magazine + loading + station, [(5, "sealer")]


@tie(swapped("outfeed", "machines"), halts)
def outfeed_before_cycle() -> tuple[str, Any]:
    """With room for one pack and equal speeds the place is free just in time."""
    return study(20) + OATS + "[machine.outfeed]\naccumulation_packs = 1", []


@tie(swapped("machines", "shift end"), lambda shift: shift.sums()["good_packs"])
def cycle_before_shift_end() -> tuple[str, Any]:
    """The cycle that ends with the shift counts."""
    return study(20) + OATS, 20


@tie(swapped("operators", "shift end"), lambda shift: shift.of("loads"))
def bundle_before_shift_end() -> tuple[str, Any]:
    """So does a bundle that comes in with its end."""
    magazine = OATS.replace("= 1000", "= 20\nbundle_bags = 10\nstart_bags = 10")
    return study(10) + magazine + "call_level_bags = 5\nbundle = 5 s", [(10, 1, 10)]


@tie(swapped("outfeed", "shift end"), lambda s: len(s.told["machines"][0]["outfeed_starts"]))
def outfeed_before_shift_end() -> tuple[str, Any]:
    """Of 21 packs the outfeed has taken eleven, the last one with the shift's end."""
    return study(21) + OATS + "[machine.outfeed]\naccumulation_packs = 100\nspeed_per_min = 30", 11


# Within a class.


@tie(backwards("stations"), outfeed_stops)
def stations_of_an_outfeed_as_listed() -> tuple[str, Any]:
    """Both stop at 2 s and are ready at 4 s, each time the one listed first before the other."""
    stops = CASE_PACKER.format(between=1, needs_operator="false", packs=100)
    second = stops.partition("[machine.outfeed]")[0].replace("case packer", "palletiser")
    expected = [(2, 0, True), (2, 1, True), (4, 0, False), (4, 1, False)]
    return study(4.5) + OATS + second + stops, expected


@tie(backwards("stations"), changes)
def stations_of_a_machine_as_listed() -> tuple[str, Any]:
    """The sealer is ready first, so the coder holds the machine for the rest of that instant.

    The other way round the sealer, whose halt it is, would hold it to its end.
    """
    station = '[[machine.station]]\nname = "{}"\nbetween_stops = 2 s\nstop = 1 s\n'
    both = station.format("sealer") + station.format("coder")
    expected = [(0, "running"), (2, "sealer"), (3, "coder"), (3, "running")]
    return study(4) + OATS + both, expected


@tie(backwards("operators"), first_tasks)
def notice_before_end_of_work() -> tuple[str, Any]:
    """A jam of 6 s is noticed at 10 s, as the duty ends: it goes before the top-ups of 8 s."""
    crew = '[crew]\nnotice = 4 s\nrounds_every_min = 8 s\n[[crew.duty]]\nname = "pallets"\n'
    crew += "every_min = 6 s\ntakes = 4 s"
    slow = GRANOLA.replace("per_min = 60", "per_min = 10")
    jams = slow + "[machine.pick]\nclear = 1 s\n[machine.bag]\nfaults = { jam = 1 }"
    expected = [(1, 6, "duty", "pallets"), (1, 10, "jam", "granola"), (1, 11, "load", "oats")]
    return study(12) + "\n" + crew + OATS + jams, expected


@tie(backwards("operators"), lambda shift: [task[:2] + task[5:] for task in shift.tasks()])
def operators_by_number() -> tuple[str, Any]:
    """Both end a duty at 22 s: the first takes pallets, the second samples."""
    duty = '[[crew.duty]]\nname = "{}"\nevery_min = 10 s\ntakes = 12 s\n'
    crew = "[crew]\noperators = 2\n" + duty.format("pallets") + duty.format("samples")
    expected = [(1, 10, "pallets"), (2, 10, "samples"), (1, 22, "pallets"), (2, 22, "samples")]
    return study(23) + "\n" + crew + OATS, expected


@tie(backwards("machines"), first_tasks)
def machines_by_order_in_the_file() -> tuple[str, Any]:
    """Both jam at 1 s: the operator goes to the first one."""
    jams = "[machine.pick]\nclear = 2 s\n[machine.bag]\nfaults = { jam = 1 }"
    expected = [(1, 1, "jam", "oats"), (1, 3, "jam", "granola")]
    return study(3.5) + OATS + jams + GRANOLA + jams, expected


@tie(backwards("outfeed"), first_tasks)
def outfeeds_by_order_in_the_file() -> tuple[str, Any]:
    """Both case packers stop at 2 s: the operator goes to the first one."""
    outfeed = CASE_PACKER.format(between=1, needs_operator="true", packs=100)
    expected = [(1, 2, "station", "oats"), (1, 4, "station", "granola")]
    return study(4.5) + OATS + outfeed + GRANOLA + outfeed, expected


@pytest.mark.parametrize("name", TIES)
def test_order_within_an_instant(name: str) -> None:
    case = TIES[name]
    assert case.see(shift_of(case.text)) == case.expected


@pytest.mark.parametrize("name", TIES)
def test_the_other_order_would_be_seen(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    case = TIES[name]
    case.reverse(monkeypatch)
    assert case.see(shift_of(case.text)) != case.expected


# What is ordered in other ways than by class and number.


def calls_of(shift: Shift) -> list[tuple[float, str]]:
    return [(at, kind) for at, kind in shift.of("calls")]


BOTH = (
    '[[machine.station]]\nname = "{}"\nbetween_stops = 0.5 s\nstop = 3 s\nneeds_operator = true\n'
)


def test_tasks_of_one_cycles_end_are_raised_in_order() -> None:
    """One bag, a jam, two stations: jam, stations as listed, the low call, the dry call."""
    text = OATS.replace("= 1000", "= 1") + "[machine.bag]\nfaults = { jam = 1 }\n"
    shift = shift_of(
        study(5), "[crew]\noperators = 0", text, BOTH.format("sealer"), BOTH.format("coder")
    )
    kinds = ["jam", "station sealer", "station coder", "low", "dry"]
    assert calls_of(shift) == [(1, kind) for kind in kinds]


def test_tasks_of_one_priority_and_age_are_taken_as_raised() -> None:
    """The jam, then the sealer, then the coder; listed the other way, the coder first."""
    for names in (("sealer", "coder"), ("coder", "sealer")):
        stations = "".join(BOTH.format(name) for name in names)
        jam = "[machine.pick]\nclear = 2 s\n[machine.bag]\nfaults = { jam = 1 }\n"
        shift = shift_of(study(9.5), OATS + jam + stations)
        done = [
            (work.at_us / 1e6, work.kind, work.detail)
            for work in shift.record.work
            if work.event == "takes"
        ]
        assert done[:3] == [(1, "jam", ""), (3, "station", names[0]), (6, "station", names[1])]


LONG_DUTY = '[[crew.duty]]\nname = "pallets"\nevery_min = 6 s\ntakes = 20 s'


def test_of_one_priority_the_older_task_comes_before_the_first_machines() -> None:
    """Granola's sealer stops at 7 s, that of oats at 11 s, both while the operator is away."""
    sealers = [BOTH.format("sealer").replace("0.5", runs) for runs in ("10.5", "6.5")]
    shift = shift_of(study(35), LONG_DUTY, OATS, sealers[0], GRANOLA, sealers[1])
    expected = [(1, 6, "duty", "pallets"), (1, 26, "station", "granola")]
    assert first_tasks(shift) == [*expected, (1, 29, "station", "oats")]


def test_of_one_priority_and_age_the_first_machines_task_comes_first() -> None:
    """At 8 s granola's case packer stops and, after it, as a cycle ends, the sealer of oats."""
    sealer = BOTH.format("sealer").replace("0.5", "7.5")
    packer = CASE_PACKER.format(between=7, needs_operator="true", packs=100)
    shift = shift_of(study(35), LONG_DUTY, OATS, sealer, GRANOLA, packer)
    assert [calls[0] for calls in (shift.of("calls", 0), shift.of("calls", 1))] == [
        (8, "station sealer"),
        (8, "station case packer"),
    ]
    expected = [(1, 6, "duty", "pallets"), (1, 26, "station", "oats")]
    assert first_tasks(shift) == [*expected, (1, 29, "station", "granola")]


def test_a_lane_fault_is_raised_before_a_station() -> None:
    pick = "[machine.pick]\nmisses_to_stop = 1\n[machine.bag]\nfaults = { missed = 1 }\n"
    shift = shift_of(study(2), "[crew]\noperators = 0", OATS + pick + BOTH.format("sealer"))
    assert calls_of(shift) == [(1, "lane 1"), (1, "station sealer")]


def test_what_begins_without_delay_comes_before_later_classes() -> None:
    """Both machines are empty at 10 s. Operator 1 has loaded the first before the second calls."""
    text = [m.replace("= 1000", "= 10\nbundle_bags = 10") for m in (OATS, GRANOLA)]
    shift = shift_of(study(15), "[crew]\noperators = 2", *text)
    assert shift.tasks() == [(1, 10, 10, 10, "load", "oats"), (1, 10, 10, 10, "load", "granola")]
    assert [shift.of("loads", machine) for machine in (0, 1)] == [[(10, 1, 10)]] * 2


def test_a_visit_that_takes_time_leaves_the_second_machine_to_operator_2() -> None:
    """The twin of the case before: with a visit of 1 s both operators have to go."""
    text = [m.replace("= 1000", "= 10\nbundle_bags = 10\nvisit = 1 s") for m in (OATS, GRANOLA)]
    shift = shift_of(study(15), "[crew]\noperators = 2", *text)
    assert shift.tasks() == [(1, 10, 10, 11, "load", "oats"), (2, 10, 10, 11, "load", "granola")]


@pytest.mark.parametrize("kind", ["break", "changeover"])
def test_planned_stops_that_abut_leave_no_instant_between_them(kind: str) -> None:
    """No cycle begins at 20 s, where the one ends and the other begins."""
    stop = '[[planned_stop]]\nname = "{}"\nat_h = {} s\ntakes_min = 10 s\nkind = "{}"'
    stops = [stop.format("first", 20, kind), stop.format("second", 10, kind)]
    shift = shift_of(study(40), *stops, OATS)
    state = {"break": "planned_stop", "changeover": "changeover"}[kind]
    assert states(shift) == [(0, "running"), (10, state), (30, "running")]
    assert halts(shift) == [(10, state)]


def test_breaks_that_abut_leave_no_instant_between_them() -> None:
    """The operator does not come back at 20 s for the top-up of 15 s."""
    pause = "[[crew.break]]\nat_h = {} s\ntakes_min = 10 s"
    crew = ["[crew]\nrounds_every_min = 15 s", pause.format(10), pause.format(20)]
    assert loads_taken(shift_of(study(45), *crew, OATS)) == [30]


def test_a_planned_stop_ends_before_the_next_cycle_of_its_instant() -> None:
    """It ends at 10 s and 5 s: what it has held goes on at that instant, not a cycle later."""
    for ends in (10, 5):
        stop = f'[[planned_stop]]\nname = "cleaning"\nat_h = 0\ntakes_min = {ends} s'
        shift = shift_of(study(20), stop, OATS)
        assert states(shift) == [(0, "planned_stop"), (ends, "running")]
        assert shift.sums()["good_packs"] == 20 - ends


def test_no_round_and_no_duty_falls_due_at_the_shifts_end_or_start() -> None:
    crew = '[crew]\nrounds_every_min = 10 s\n[[crew.duty]]\nname = "pallets"\nevery_min = 10 s\n'
    crew += "takes = 0"
    shift = shift_of(study(30), crew, OATS)
    assert [task[1] for task in shift.tasks()] == [10, 10, 20, 20]
