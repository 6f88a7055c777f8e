"""Every rule of the config: one wrong value, one clear line."""

from __future__ import annotations

import pytest
from test_config_base import CELL, edited, line_with, problems_of

from feedsim.config import ConfigError, parse_config

Edits = list[tuple[str, str]]
LAYERS = CELL[CELL.index("layers = [") : CELL.index("bad_bundles")].rstrip()
SAME_STATE = """[[machine.station]]
name = "case_PACKER"
between_stops = { family = "constant", mean_s = 9 }
stop = 0
[machine.outfeed]"""

# (edits, key, words of the message, text on the line that is told)
WRONG_VALUES: list[tuple[Edits, str, list[str], str]] = [
    ([("shift_h = 8", "shift_h = 0")], "study.shift_h", ["above 0, at most 168", "is 0"], "= 0\n"),
    ([("shift_h = 8", "shift_h = 200")], "study.shift_h", ["is 200"], "shift_h = 200"),
    ([("shift_h = 8", "shift_h = nan")], "study.shift_h", ["is nan"], "nan"),
    ([("shift_h = 8", "shift_h = inf")], "study.shift_h", ["is inf"], "inf"),
    ([("shift_h = 8", "shift_h = true")], "study.shift_h", ["a number", "is true"], "true\nw"),
    ([("shift_h = 8", 'shift_h = "8"')], "study.shift_h", ["a number", 'is "8"'], '"8"'),
    (
        [("warm_up_h = 1", "warm_up_h = 1\nseed = -1")],
        "study.seed",
        ["a whole number from 0 to 2^63 - 1", "is -1"],
        "seed",
    ),
    ([("warm_up_h = 1", "seed = 9223372036854775808")], "study.seed", ["2^63 - 1"], "seed"),
    ([("warm_up_h = 1", "seed = 1.0")], "study.seed", ["a whole number", "is 1"], "seed"),
    ([("warm_up_h = 1", "confidence = 1")], "study.confidence", ["from 0.5 to 0.9999"], "confid"),
    ([("warm_up_h = 1", "replications = 0")], "study.replications", ["is 0"], "replic"),
    ([("operators = 2", "operators = 101")], "crew.operators", ["from 0 to 100", "101"], "101"),
    ([("operators = 2", "operators = 2.5")], "crew.operators", ["a whole number", "2.5"], "2.5"),
    (
        [('calls = "low"', 'calls = "high"')],
        "crew.calls",
        ['one of "low", "dry", "none"', 'is "high"'],
        "high",
    ),
    (
        [("rounds_every_min = 10", "rounds_every_min = 0")],
        "crew.rounds_every_min",
        ["is 0"],
        "= 0\n",
    ),
    ([("walk_s = 20", "base_m = [1]")], "crew.base_m", ["two numbers [x, y]", "is [1]"], "base_m"),
    ([("walk_s = 20", "base_m = [1, 2, 3]")], "crew.base_m", ["is [1, 2, 3]"], "base_m"),
    ([("walk_s = 20", 'base_m = [1, "a"]')], "crew.base_m[1]", ["two numbers", 'is "a"'], "base_m"),
    ([("cover = 1", "cover = 1.5")], "crew.break.cover", ["a whole number", "1.5"], "cover"),
    ([("count = 2", "count = 101")], "machine[0].count", ["from 1 to 100", "is 101"], "count"),
    (
        [("speed_per_min = 50", "speed_per_min = 0")],
        "machine[0].speed_per_min",
        ["from 0.01 to 3000 (bags/min)", "is 0"],
        "speed_per_min = 0",
    ),
    (
        [("speed_per_min = 50", "speed_per_min = 3001")],
        "machine[0].speed_per_min",
        ["3001"],
        "3001",
    ),
    ([("lanes = 2", "lanes = 5")], "machine[0].magazine.lanes", ["from 1 to 4", "is 5"], "lanes"),
    (
        [("capacity_bags = 300", "capacity_bags = 1000001")],
        "machine[0].magazine.capacity_bags",
        ["from 1 to 1000000", "is 1000001"],
        "1000001",
    ),
    ([("retries = 2", "retries = 101")], "machine[0].pick.retries", ["from 0 to 100"], "retries"),
    (
        [("retries = 2", "misses_to_stop = -1")],
        "machine[0].pick.misses_to_stop",
        ["from 0 to 100", "is -1"],
        "misses_to_stop",
    ),
    (
        [("needs_operator = true", "needs_operator = 1")],
        "machine[0].station.needs_operator",
        ["true or false", "is 1"],
        "needs_operator",
    ),
    (
        [('closure = "press_zip"', 'closure = "zip"')],
        "machine[0].bag.closure",
        ['"hook_zip"', 'is "zip"'],
        '"zip"',
    ),
    (
        [("um = 80", "um = -80")],
        "machine[0].bag.layers[1].um",
        ["from 0.001 to 10000 (um)", "is -80"],
        "-80",
    ),
    (
        [("missed = 0.004", "missed = 1.5")],
        "machine[1].bag.faults.missed",
        ["from 0 to 1", "is 1.5"],
        "missed = 1.5",
    ),
    (
        [('name = "oats"', 'name = "oats/2"')],
        "machine[0].name",
        ["must not hold a slash", 'is "oats/2"'],
        "oats/2",
    ),
    (
        [('name = "oats"', 'name = "o\\u0007"')],
        "machine[0].name",
        ["control characters", 'is "o\\x07"'],
        "u0007",
    ),
    ([('name = "oats"', 'name = " "')], "machine[0].name", ["must not be empty"], '" "'),
    (
        [('name = "oats"', f'name = "{"o" * 101}"')],
        "machine[0].name",
        ["at most 100 characters, this one has 101", "oooo…"],
        "ooo" * 33 + "oo",
    ),
    ([("[money]", "[money]\ncurrency = 3")], "money.currency", ["a text", "is 3"], "currency"),
]

STRUCTURE: list[tuple[Edits, str, list[str], str]] = [
    ([("lanes = 2", "lane = 2")], "machine[0].magazine.lane", ["did you mean `lanes`?"], "lane ="),
    (
        [("call_level_bags", "call_level")],
        "machine[0].magazine.call_level",
        ["unknown key, did you mean `call_level_bags`?", "75"],
        "call_level",
    ),
    (
        [("restart_s = 5", "retries = 5")],
        "machine[0].retries",
        ["it belongs in [machine.pick]", "5"],
        "retries = 5",
    ),
    (
        [("[money]", "[money]\nxyzzy = 1")],
        "money.xyzzy",
        ["allowed here are currency, pack_margin"],
        "xyzzy",
    ),
    (
        # Required: misspelt is told, missing is not told besides.
        [("speed_per_min = 50", "spead_per_min = 50")],
        "machine[0].spead_per_min",
        ["did you mean `speed_per_min`?"],
        "spead",
    ),
    (
        [('closure = "press_zip"', 'closure = "Press zip"')],
        "machine[0].bag.closure",
        ['is "Press zip", did you mean "press_zip"?'],
        "closure",
    ),
    ([("[money]", "[monney]")], "monney", ["did you mean `money`?"], "monney"),
    (
        [("speed_per_min = 50\n", "")],
        "machine[0].speed_per_min",
        ["is missing", "from 0.01 to 3000 (bags/min), for example speed_per_min = 50"],
        '[[machine]]\nname = "oats"',
    ),
    ([("every_min = 30\n", "")], "crew.duty.every_min", ["is missing"], "[[crew.duty]]"),
    (
        [("share = 0.03, ", "")],
        "machine[0].bag.bad_bundles.share",
        ["is missing", "share = 0.03"],
        "bad_bundles",
    ),
    ([("[study]", "[[study]]")], "study", ["[study] in single brackets"], "[[study]]"),
    (
        [("[[planned_stop]]", "[planned_stop]")],
        "planned_stop",
        ["[[planned_stop]] tables, in double brackets"],
        "[planned_stop]",
    ),
    (
        [("[money]\npack_margin = 0.4", "money.x = 3")],
        "machine[1].bag.money",
        ["unknown"],
        "money.x",
    ),
    (
        [
            (
                LAYERS,
                "layers = []",
            )
        ],
        "machine[0].bag.layers",
        ["a list of layers like", "is []"],
        "layers = []",
    ),
]

SENSE: list[tuple[Edits, str, list[str], str]] = [
    (
        [("warm_up_h = 1", "warm_up_h = 8")],
        "study.warm_up_h",
        ["before the shift ends (shift_h = 8)", "is 8"],
        "warm_up_h",
    ),
    ([("at_h = 4", "at_h = 8")], "crew.break.at_h", ["must begin before", "is 8"], "at_h = 8"),
    ([("at_h = 6", "at_h = 9.5")], "planned_stop.at_h", ["must begin before", "is 9.5"], "9.5"),
    ([("cover = 1", "cover = 3")], "crew.break.cover", ["the 2 operators", "is 3"], "cover"),
    (
        [
            (
                "[[crew.break]]",
                '[[crew.duty]]\nname = "weight check"\nevery_min=9\ntakes=0\n[[crew.break]]',
            )
        ],
        "crew.duty[1].name",
        ["must differ from the other duties' names", '"weight check"'],
        'name = "weight check"\nevery_min=9',
    ),
    (
        [('name = "granola"', 'name = "oats"')],
        "machine[1].name",
        ["must differ", '"oats"', "1 and 2"],
        'name = "oats"\nspeed_per_min = 40',
    ),
    (
        [('name = "granola"', 'name = "oats 2"')],
        "machine[1].name",
        ["must differ", '"oats 2"'],
        '"oats 2"',
    ),
    (
        [("walk_s = 20\n", ""), ("restart_s = 5", "at_m = [[1, 1], [2, 2]]")],
        "machine[1].at_m",
        ["all machines must have a place or none", "granola has none"],
        '[[machine]]\nname = "granola"',
    ),
    (
        [
            ("walk_s = 20\n", ""),
            ("restart_s = 5", "at_m = [1, 1]"),
            ("speed_per_min = 40", "speed_per_min = 40\nat_m = [5, 5]"),
        ],
        "machine[0].at_m",
        ["one place for each machine of count = 2, gives 1", "[[1, 1]]"],
        "at_m = [1, 1]",
    ),
    (
        [
            ("restart_s = 5", "at_m = [[1, 1], [2, 2]]"),
            ("speed_per_min = 40", "speed_per_min = 40\nat_m = [5, 5]"),
        ],
        "crew.walk_s",
        ["must not stand together with at_m", "is 20"],
        "walk_s",
    ),
    (
        [("start_bags = 250", "start_bags = 301")],
        "machine[0].magazine.start_bags",
        ["at most the 300 bags", "is 301"],
        "start_bags",
    ),
    (
        [("call_level_bags = 75", "call_level_bags = 300")],
        "machine[0].magazine.call_level_bags",
        ["below the 300 bags", "is 300"],
        "call_level_bags",
    ),
    (
        [("bundle_bags = 50", "bundle_bags = 301")],
        "machine[0].magazine.bundle_bags",
        ["at most the 300 bags", "is 301"],
        "bundle_bags",
    ),
    (
        [
            (
                "lanes = 2",
                'geometry = { loading = "shingled", lane_length_mm = 1, shingle_pitch_mm = 1 }',
            )
        ],
        "machine[0].magazine.capacity_bags",
        ["must not stand together with geometry", "is 300"],
        "capacity_bags = 300",
    ),
    (
        [("capacity_bags = 300\n", "")],
        "machine[0].magazine.capacity_bags",
        ["is missing", "or give geometry"],
        "[machine.magazine]\nlanes = 2",
    ),
    (
        [("stack_height_mm = 360, ", "")],
        "machine[1].magazine.geometry.stack_height_mm",
        ["is missing", 'loading = "stacked" needs stack_height_mm'],
        "geometry",
    ),
    (
        [("stack_height_mm = 360", "stack_height_mm = 360, lane_length_mm = 900")],
        "machine[1].magazine.geometry.bag_length_mm",
        ["is missing"],
        "geometry",
    ),
    (
        [
            (
                '"stacked", stack_height_mm = 360, bag_thickness_mm = 1.2',
                '"shingled", lane_length_mm = 900',
            )
        ],
        "machine[1].magazine.geometry.shingle_pitch_mm",
        ["is missing", 'loading = "shingled" needs shingle_pitch_mm'],
        "geometry",
    ),
    (
        [("stack_height_mm = 360", "stack_height_mm = 1")],
        "machine[1].magazine.geometry",
        ["at least one bag per lane, holds 0"],
        "geometry",
    ),
    (
        [("bag_thickness_mm = 1.2", "bag_thickness_mm = 0.0001")],
        "machine[1].magazine.geometry",
        ["at most 1000000 bags per lane, holds 3600000"],
        "geometry",
    ),
    (
        [("faults = {", "film = 7\nfaults = {")],
        "machine[1].bag.film",
        ["the path of a film model", "is 7"],
        "film = 7",
    ),
    (
        [("layers = [", "stiffness_uNm = 40\nlayers = [")],
        "machine[0].bag.stiffness_uNm",
        ["must not stand together with layers", "is 40"],
        "stiffness_uNm",
    ),
    (
        [('material = "PET"', 'material = "BOP"')],
        "machine[0].bag.layers[0].material",
        ['one of "LDPE", "LLDPE"', 'is "BOP"', 'did you mean "BOPP"?'],
        '"BOP"',
    ),
    (
        [('material = "PET"', 'material = "PET", modulus_GPa = 4.1')],
        "machine[0].bag.layers[0].modulus_GPa",
        ["must not stand together with material", "is 4.1"],
        "4.1",
    ),
    (
        [('material = "PET", ', "")],
        "machine[0].bag.layers[0].material",
        ["is missing", "material or modulus_GPa"],
        "um = 12",
    ),
    (
        [("missed = 0.004, jam = 0.0001", "missed = 0.9, jam = 0.2")],
        "machine[1].bag.faults",
        ["sum to at most 1, sum to 1.1"],
        "faults",
    ),
    (
        [("faults = {", "bad_bundles = { share = 0.1, missed = 1 }\nfaults = {")],
        "machine[1].bag.bad_bundles.missed",
        ["sums to 1.0001", "is 1"],
        "missed = 1 }",
    ),
    (
        [("um = 12", "um = 0.1"), ("0.25, um = 80", "0.0001, um = 1")],
        "machine[0].bag.layers",
        ["must sum to at most 1"],
        "layers",
    ),
    (
        [('name = "Case packer"', 'name = "Lane fault"')],
        "machine[0].station.name",
        ["the built-in state lane_fault", 'is "Lane fault"'],
        "Lane fault",
    ),
    (
        [('name = "Case packer"', 'name = "SPEED"')],
        "machine[0].station.name",
        ["must not be speed", 'is "SPEED"'],
        "SPEED",
    ),
    (
        [('name = "Case packer"', 'name = "blocked by x"')],
        "machine[0].station.name",
        ["must not begin with blocked by"],
        "blocked by x",
    ),
    ([('name = "Case packer"', 'name = "*?*"')], "machine[0].station.name", ["a letter"], "*?*"),
    (
        [
            (
                "[machine.outfeed]",
                SAME_STATE,
            )
        ],
        "machine[0].station[1].name",
        ['gives the state case_packer, as station "Case packer" does', '"case_PACKER"'],
        "case_PACKER",
    ),
    (
        [('between_stops = { family = "exponential", mean_h = 1 }', "between_stops = 0")],
        "machine[0].station.between_stops",
        ["mean above 0, is 0"],
        "between_stops",
    ),
    (
        [("restart_packs = 20", "restart_packs = 40")],
        "machine[0].outfeed.restart_packs",
        ["below accumulation_packs = 40", "is 40"],
        "restart_packs",
    ),
    (
        [("accumulation_packs = 40\n", "")],
        "machine[0].outfeed.restart_packs",
        ["without an accumulation", "is 20"],
        "restart_packs",
    ),
    (
        [("accumulation_packs = 40\nrestart_packs = 20", "speed_per_min = 61")],
        "machine[0].outfeed.speed_per_min",
        ["without an accumulation", "is 61"],
        "= 61",
    ),
]


@pytest.mark.parametrize(("edits", "key", "words", "needle"), WRONG_VALUES + STRUCTURE + SENSE)
def test_a_wrong_value_is_one_clear_line(
    edits: Edits, key: str, words: list[str], needle: str
) -> None:
    text = edited(*edits)
    found = problems_of(text)
    told = [p for p in found if p.key == key and all(word in p.message for word in words)]
    assert len(told) == 1, [str(problem) for problem in found]
    assert told[0].line == line_with(text, needle)
    assert str(told[0]) == f"cell.toml:{told[0].line}: {key}: {told[0].message}"
    # Nothing else is blamed.
    assert len(found) == 1, [str(problem) for problem in found]


def test_a_cell_without_machines() -> None:
    problem = problems_of('title = "empty"')[0]
    assert (problem.line, problem.key) == (None, "machine")
    assert "at least one [[machine]]" in problem.message
    assert str(problem).startswith("cell.toml: machine: ")


def test_too_many_machines_together() -> None:
    machine = (
        '[[machine]]\nname = "{}"\ncount = 100\nspeed_per_min = 5\nmagazine.capacity_bags = 9\n'
    )
    found = problems_of("".join(machine.format(letter) for letter in "abcdefghijk"))
    assert "at most 1000, are 1100" in found[0].message


def test_all_errors_at_once_in_the_order_of_lines() -> None:
    """Values, unknown keys and physical sense together; sense that leans on wrong values not."""
    text = edited(
        ("shift_h = 8", 'shift_h = "long"'),  # so nothing can be said of at_h = 99
        ("at_h = 4", "at_h = 99"),
        ("operators = 2", "operator = 2"),  # so nothing can be said of cover = 3
        ("cover = 1", "cover = 3"),
        ("lanes = 2", "lanes = 7"),
        ("start_bags = 250", "start_bags = 301"),
        ('name = "Case packer"', 'name = "jam"'),
        ("speed_per_min = 40\n", ""),
        ("missed = 0.004", "missed = 1.0"),
    )
    found = [(problem.line, problem.key) for problem in problems_of(text)]
    assert [key for _, key in found] == [
        "study.shift_h",
        "crew.operator",
        "machine[0].magazine.lanes",
        "machine[0].magazine.start_bags",
        "machine[0].station.name",
        "machine[1].speed_per_min",
        "machine[1].bag.faults",
    ]
    lines = [line for line, _ in found if line is not None]
    assert lines == sorted(lines)
    assert len(lines) == len(found)


def test_dust_in_a_sum_of_chances_is_no_error() -> None:
    faults = "missed = 0.1, double = 0.2, unopened = 0.3, skewed = 0.4"
    total = 0.1 + 0.2 + 0.3 + 0.4 + 2e-16 * 3
    assert total > 1
    sound = edited(("missed = 0.004, jam = 0.0001", faults + ", jam = 6e-16"))
    assert parse_config(sound).machine[1].chances[3] == 0.4
    with pytest.raises(ConfigError):
        parse_config(sound.replace("6e-16", "1e-11"))


def test_message_as_a_string_has_one_line_for_each_problem() -> None:
    text = edited(("lanes = 2", "lanes = 7"), ("count = 2", 'count = "a\\nb"'))
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "cell.toml")
    assert str(caught.value).split("\n") == [
        f"cell.toml:{line_with(text, 'count')}: machine[0].count: must be a whole number from 1 "
        'to 100 (machines), is "a\\nb"',
        f"cell.toml:{line_with(text, 'lanes')}: machine[0].magazine.lanes: must be a whole number "
        "from 1 to 4 (lanes), is 7",
    ]


def test_the_only_machine_needs_no_number() -> None:
    found = problems_of("[[machine]]\nspeed_per_min = 0\nmagazine.capacity_bags = 9\n")
    assert [problem.key for problem in found] == ["machine.speed_per_min"]


def test_the_sound_config_is_sound() -> None:
    """Negative control of this module."""
    parse_config(CELL)
    parse_config(edited(("operators = 2", "operators = 0"), ("cover = 1", "cover = 0")))
