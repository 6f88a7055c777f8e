"""Checks of the engines on random cells: equal to one another, and their records in balance."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from functools import partial

from feedsim.accounts import BalanceError
from feedsim.cell import Cell, build_cell
from feedsim.config import parse_config
from feedsim.engines import Engine, engine_named
from feedsim.verify.alterations import ALTERATIONS, Altered
from feedsim.verify.finding import Tally
from feedsim.verify.invariants import cell_at_random, check_shift
from feedsim.verify.random_kinds import random_text, text_full_of_ties, text_with_long_runs
from feedsim.verify.spoiling import EVENTFUL, SPOILINGS
from feedsim.verify.twins import differences_of, the_kernel

EQUALITY, BALANCES = "engines", "balances"
TWIN = "definition: both tell every state change, count and sum alike, to the microsecond"
SUMS = "definition: time, bags, packs, halts and shares add up in every shift"
MOST_CELLS = 100
# Cuts a shift into two windows at another part of it for each number.
GOLDEN = 0.6180339887498949

KINDS: Mapping[str, Callable[[int], str]] = {
    "random cells": random_text,
    "random cells full of ties": text_full_of_ties,
    "random cells with long runs": text_with_long_runs,
}


def check_equality(kind: str, numbers: range) -> Tally:
    """Tell shifts of random cells on both engines; one of them is altered as a control."""
    kernel, make = the_kernel(), KINDS[kind]
    planted = Altered(kernel, ALTERATIONS["machine cycle_us"])
    wrong, example = 0, ""
    for number in numbers:
        replication = 1 + number % 3
        found = differences_of(make(number), replication, kernel)
        wrong += bool(found)
        if found and not example:
            example = f"{make.__name__}({number}), replication {replication}: {found[0][1]}"
    told_apart = any(differences_of(make(number), 1, planted) for number in numbers)
    return Tally(
        EQUALITY,
        f"cells that the engines tell differently: {kind}",
        TWIN,
        "cells",
        len(numbers),
        wrong,
        "batches in which one engine's cycles are a microsecond longer",
        1,
        told_apart,
        engine="both",
        example=example,
    )


def check_planted(name: str) -> Tally:
    """Alter every cell in one respect, for one engine: some cell must tell."""
    kernel = the_kernel()
    planted = Altered(kernel, ALTERATIONS[name])
    as_it_is = Altered(kernel, _same)
    for number in range(MOST_CELLS):
        if differences_of(random_text(number), 1, planted):
            break
    else:
        number = -1
    # What would be found without a difference is a false alarm.
    is_quiet = not differences_of(random_text(max(0, number)), 1, as_it_is)
    return Tally(
        EQUALITY,
        "planted differences that no random cell tells",
        "each thing that a cell says, altered for one engine alone",
        "differences",
        1,
        number < 0,
        "the same cell unaltered, which must tell of none",
        1,
        is_quiet,
        engine="both",
        example=f"{name}: not told by {MOST_CELLS} cells" if number < 0 else "",
    )


def _same(cell: Cell) -> Cell:
    return cell


def _balances(engine: str) -> partial[Tally]:
    return partial(
        Tally,
        BALANCES,
        f"shifts of random cells that do not add up: {engine}",
        SUMS,
        "shifts",
        engine=engine,
        control="spoilt records",
    )


def check_balanced(engine: str, numbers: range) -> Tally:
    """Simulate shifts of random cells and check that everything adds up."""
    simulates, wrong, example = engine_named(engine), 0, ""
    for number in numbers:
        complaint = _complaint(simulates, number)
        wrong += bool(complaint)
        if complaint and not example:
            example = f"cell {number}: {complaint}"
    return _balances(engine)(tried=len(numbers), wrong=wrong, example=example)


def _complaint(engine: Engine, number: int) -> str:
    cell = cell_at_random(number)
    try:
        record = engine.record(cell, number % 1000, 1 + number % 7)
        check_shift(cell, record, number * GOLDEN % 1)
    except Exception as error:
        # Whatever it fails with is a failure of that cell.
        return f"{type(error).__name__}: {error}"
    return ""


def check_spoilt(engine: str) -> Tally:
    """Spoil a record in every way that matters: each has to be turned down."""
    cell = build_cell(parse_config(EVENTFUL))
    whole = engine_named(engine).record(cell, 1, 1)
    check_shift(cell, whole, GOLDEN)
    turned_down = 0
    for spoiling in SPOILINGS:
        record = copy.deepcopy(whole)
        spoiling.alter(record, record.machines[0])
        try:
            check_shift(cell, record, GOLDEN)
        except BalanceError:
            turned_down += 1
    return _balances(engine)(control_tried=len(SPOILINGS), control_wrong=turned_down)
