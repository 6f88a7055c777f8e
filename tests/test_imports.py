"""Data flow one way: no module imports what stands after it in the order of DEVELOPERS.md."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ORDER = [
    *(
        "version",
        "mistakes",
        "files",
        "shown",
        "film",
        "magazine",
        "config",
        "streams",
        "times",
        "cell",
        "accounts",
    ),
    *("model", "kernel", "stats", "engines", "executors", "cluster", "store", "study"),
    *("measures", "labels", "losses", "logs", "fit", "answers", "plots", "pages", "verify"),
    *("folder", "cli"),
]


def part_of(name: str) -> str:
    return name.split(".")[1] if "." in name else ""


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("feedsim."):
            found.add(part_of(node.module))
        elif isinstance(node, ast.ImportFrom) and node.module == "feedsim":
            found |= {alias.name for alias in node.names}
    return found - {""}


def wrong_imports(order: tuple[str, ...] | list[str]) -> list[str]:
    wrong = []
    for path in sorted((ROOT / "feedsim").rglob("*.py")):
        own = path.relative_to(ROOT / "feedsim").parts[0].removesuffix(".py")
        if own not in ("__init__", "__main__"):
            late = [part for part in imports_of(path) if order.index(part) > order.index(own)]
            wrong += [f"{path.name} imports {part}" for part in late]
    return wrong


def test_nothing_imports_what_stands_after_it():
    assert wrong_imports(ORDER) == []


def test_the_check_can_fail():
    assert wrong_imports(ORDER[::-1])


def test_developers_are_told_the_same_order():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert " -> ".join(ORDER) in " ".join(text.split())


@pytest.mark.parametrize("part", ORDER)
def test_each_part_is_there(part):
    assert (ROOT / "feedsim" / part).is_dir() or (ROOT / "feedsim" / f"{part}.py").is_file()
