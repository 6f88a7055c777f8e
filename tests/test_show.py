"""`feedsim show`: every name explained from its declaration, near names, completion."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from feedsim.answers.explanations import UnknownNameError, explain_name, known_names
from feedsim.answers.terms import TERMS
from feedsim.cell import build_cell
from feedsim.cli import COMMANDS, main
from feedsim.config import all_keys, load_config
from feedsim.config.catalog import declaration_of, declarations
from feedsim.film import CLOSURES, MATERIALS
from feedsim.measures import measure_names


@pytest.fixture
def feedsim_command(monkeypatch, capsys):
    def call(*words):
        monkeypatch.setattr(sys, "argv", ["feedsim", *words])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return call


@pytest.mark.parametrize("key", all_keys())
def test_every_key_is_explained_as_declared(key):
    [found] = explain_name(key)
    declared = declaration_of(tuple(key.split(".")))
    assert found.kind == "key"
    assert found.fact("meaning") == declared.meaning
    assert found.fact("allowed") == declared.allowed
    assert found.fact("default") == declared.default_text
    assert found.fact("unit")
    assert found.fact("source")


def test_every_table_lists_its_keys():
    for pattern, declared in declarations().items():
        if declared.kind in ("table", "tables"):
            [found] = explain_name(".".join(pattern))
            depth = len(pattern) + 1
            below = [p for p in declarations() if len(p) == depth and p[:-1] == pattern]
            assert [each.name for each in found.below] == [".".join(p) for p in below]


@pytest.mark.parametrize(
    ("name", "names"),
    [
        ("capacity_bags", ["machine.magazine.capacity_bags"]),
        ("magazine", ["machine.magazine"]),
        ("magazine.lanes", ["machine.magazine.lanes"]),
        ("machine[1].speed_per_min", ["machine.speed_per_min"]),
        ("speed_per_min", ["machine.speed_per_min", "machine.outfeed.speed_per_min"]),
        ("crew.duty.takes.mean_s", ["crew.duty.takes.mean_s"]),
        ("dry_share", ["dry_share"]),
        ("pet", ["PET"]),
        ("slider", ["slider"]),
        ("waiting", ["wait_share"]),
        ("Crew busy", ["crew_busy"]),
        ("good packs", ["good_packs", "packs_per_h"]),
        ("tarone", ["Tarone's z"]),
        ("log rank", ["log-rank test"]),
        ("jeffreys", ["Jeffreys' prior"]),
        ("", ["tables"]),
    ],
)
def test_names_are_found(name, names):
    assert [each.name for each in explain_name(name)] == names


def test_every_measure_of_the_shipped_configs_is_explained(request):
    for path in sorted((request.config.rootpath / "configs").glob("*.toml")):
        for name in measure_names(build_cell(load_config(path))):
            [found] = explain_name(name)
            assert found.fact("meaning")


def test_every_term_is_explained():
    [listed] = explain_name("terms")
    assert [each.name for each in listed.below] == [term.name for term in TERMS]
    assert len({term.name.lower() for term in TERMS}) == len(TERMS)
    for term in TERMS:
        found = explain_name(term.name)
        assert term.name in [each.name for each in found]
        assert all(each.fact("meaning") and each.fact("source") for each in found)


def test_columns_of_the_fits_tables_are_terms():
    for column in ("AIC", "A²", "p", "cv", "Laplace", "neighbours", "dispersion"):
        [found] = explain_name(column)
        assert found.kind == "term"


def test_closures_and_materials_say_that_they_are_from_memory():
    for name in (*CLOSURES, *MATERIALS):
        [found] = explain_name(name)
        assert "from memory" in found.fact("source")


@pytest.mark.parametrize(("name", "listed"), [("closures", CLOSURES), ("materials", MATERIALS)])
def test_lists_of_films_hold_each_of_them(name, listed):
    [found] = explain_name(name)
    assert [each["name"] for each in found.document()["below"]] == list(listed)
    assert found.fact("meaning")


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("capacity_bgs", "machine.magazine.capacity_bags"),
        ("machine.magazin.lanes", "machine.magazine.lanes"),
        ("dry_shar", "dry_share"),
        ("sliders", "slider"),
        ("qqqq", "allowed"),
        ("time__share' \n[[machine]]", "allowed"),
        ("x" * 5000, "allowed"),
    ],
)
def test_an_unknown_name_is_told_with_the_nearest(name, meant, feedsim_command):
    with pytest.raises(UnknownNameError, match=r"KEY: "):
        explain_name(name)
    code, out, err = feedsim_command("show", name)
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert meant in err


def test_show_prints_and_lists(feedsim_command):
    code, out, _ = feedsim_command("show", "machine.magazine.capacity_bags")
    assert code == 0
    for word in ("bags per lane", "from geometry", "1000000"):
        assert word in out
    _, out, _ = feedsim_command("show")
    for declared in declarations().values():
        if declared.kind in ("table", "tables"):
            assert declared.path in out
    _, out, _ = feedsim_command("show", "measures")
    assert "oee" in out
    assert max(map(len, out.splitlines())) <= 100


def test_show_in_json(feedsim_command):
    _, out, _ = feedsim_command("show", "machine.pick.retries", "--json")
    document = json.loads(out)
    assert (document["schema"], document["command"]) == (1, "show")
    [found] = document["show"]
    assert (found["name"], found["kind"]) == ("machine.pick.retries", "key")
    assert {"unit", "default", "allowed", "meaning", "source"} <= set(found)
    code, out, _ = feedsim_command("show", "nothing_like_it", "--json")
    assert code == 2
    assert "nothing_like_it" in json.loads(out)["error"]


# Completion, which the shell asks for with every press of the tabulator.


COMPLETE = (
    "import sys\n"
    "from feedsim.cli import main\n"
    "sys.argv = ['feedsim']\n"
    "try:\n    main()\nexcept SystemExit:\n    pass\n"
    "heavy = {'pandas', 'scipy.stats', 'matplotlib', 'numba', 'numpy', 'pydantic', 'rich'}\n"
    "sys.exit(' '.join(heavy & set(sys.modules)) or 0)"
)


def completed(words: str, script: str = COMPLETE) -> subprocess.CompletedProcess[str]:
    told = {
        "COMP_WORDS": words,
        "COMP_CWORD": str(len(words.split(" ")) - 1),
        "_FEEDSIM_COMPLETE": "bash_complete",
    }
    return subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, **told},
        capture_output=True,
        text=True,
        check=False,
    )


def test_commands_are_completed_without_slow_imports():
    for typed in ("", "r", "sh"):
        found = completed(f"feedsim {typed}")
        assert found.returncode == 0, found.stderr
        offered = [line.partition(",")[2] for line in found.stdout.splitlines()]
        assert offered == sorted(offered, key=list(COMMANDS).index)
        assert set(offered) == {name for name in COMMANDS if name.startswith(typed)}


def test_options_are_completed_without_slow_imports():
    found = completed("feedsim replay --fr")
    assert found.returncode == 0, found.stderr
    assert "plain,--from" in found.stdout


def test_names_are_completed():
    found = completed("feedsim show capac", COMPLETE.partition("heavy")[0])
    assert "plain,capacity_bags" in found.stdout.splitlines()
    assert set(all_keys()) <= set(known_names())


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_way_to_switch_it_on_works(shell):
    found = subprocess.run(
        [
            sys.executable,
            "-c",
            "from feedsim.cli import main; import sys; sys.argv = ['feedsim']; main()",
        ],
        env={**os.environ, "_FEEDSIM_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "_FEEDSIM_COMPLETE" in found.stdout
    assert f"{shell}_complete" in found.stdout


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("dry", "dry_share"),
        ("refill visits", "refill_visits_per_h"),
        ("rounds", "crew.rounds_every_min"),
        ("Dry", "dry_share"),
    ],
)
def test_first_words_of_a_name_will_do(words, name):
    assert name in [each.name for each in explain_name(words)]


def test_words_that_many_names_begin_with_are_too_vague():
    with pytest.raises(UnknownNameError, match='nothing is called "time"'):
        explain_name("time")
