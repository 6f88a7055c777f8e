"""The package as others get it: what is inside, the oldest libraries it allows, newer Pythons.

Each case makes an environment of its own and installs from the package index; it skips, with the
reason, where an interpreter or the index cannot be had.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Iterable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DECLARED = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
PROJECT = DECLARED["project"]
SOURCES = ("feedsim", "pyproject.toml", "README.md", "LICENSE")
# What tells whether the simulation, its figures, the commands and the pages work.
CORE = [
    *("stories", "ties", "clock", "accounts", "stats", "measures", "golden", "magazine"),
    *("config_base", "config_rules", "config_times", "cli", "store", "plots", "report"),
]
KERNEL = ["tests/test_kernel_equality.py", "-k", "each_mechanism_alone or shipped_configs"]
TOOLS = ("pytest", "pytest-xdist", "hypothesis", "statsmodels")
NO_INDEX = re.compile(r"No matching distribution|Could not find a version|NewConnectionError")
IN_VAIN_S = 1800


def clean() -> dict[str, str]:
    """Variables without those that would let this working tree in."""
    kept = ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "PYTEST_ADDOPTS")
    return {name: value for name, value in os.environ.items() if name not in kept}


def call(*words: str | Path, cwd: Path) -> str:
    """Run a program; what it printed. A failure fails the test, with all it said."""
    done = subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env=clean(),
        capture_output=True,
        text=True,
        timeout=IN_VAIN_S,
        check=False,
    )
    assert done.returncode == 0, f"{words}\n{done.stdout[-4000:]}\n{done.stderr[-4000:]}"
    return done.stdout


def program(environment: Path, name: str = "python") -> Path:
    """A program of an environment."""
    return environment / ("Scripts" if sys.platform == "win32" else "bin") / name


def environment_with(
    folder: Path, *requirements: str | Path, python: str | Path = sys.executable
) -> Path:
    """A new environment with some packages; the test skips where the index has none of them."""
    call(python, "-m", "venv", folder, cwd=folder.parent)
    if not requirements:
        return folder
    install = [program(folder), "-m", "pip", "install", "-q", "--no-compile", *requirements]
    try:
        call(*install, cwd=folder.parent)
    except AssertionError as error:
        if NO_INDEX.search(str(error)):
            pytest.skip(f"the package index has not all of it: {str(error)[-300:]}")
        raise
    return folder


def copy_of_sources(folder: Path, names: Iterable[str] = SOURCES) -> Path:
    """The sources alone, so that nothing built lands in the working tree."""
    folder.mkdir()
    for name in names:
        if (ROOT / name).is_dir():
            shutil.copytree(
                ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        else:
            shutil.copy2(ROOT / name, folder / name)
    return folder


@pytest.fixture(scope="module")
def dist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the source distribution."""
    folder = tmp_path_factory.mktemp("packages")
    sources = copy_of_sources(folder / "sources")
    environment = environment_with(folder / "builder", *DECLARED["build-system"]["requires"])
    (folder / "dist").mkdir()
    for kind in ("sdist", "wheel"):
        build = f"import sys; from setuptools.build_meta import *; build_{kind}(sys.argv[1])"
        call(program(environment), "-c", build, folder / "dist", cwd=sources)
    return folder / "dist"


def only(folder: Path, pattern: str) -> Path:
    """The one file of a pattern."""
    [path] = folder.glob(pattern)
    return path


@pytest.mark.campaign
def test_the_wheel_holds_the_package_and_no_more(dist: Path) -> None:
    with zipfile.ZipFile(only(dist, "*.whl")) as wheel:
        inside = {name for name in wheel.namelist() if ".dist-info/" not in name}
        told = [name for name in wheel.namelist() if name.endswith(".dist-info/METADATA")]
        metadata = wheel.read(told[0]).decode()
    package = ROOT / "feedsim"
    needed = [*package.rglob("*.py"), *(package / "pages" / "templates").iterdir()]
    needed.append(package / "py.typed")
    assert inside == {path.relative_to(ROOT).as_posix() for path in needed}
    assert f"Requires-Python: {PROJECT['requires-python']}" in metadata


@pytest.mark.campaign
def test_the_source_distribution_holds_licence_and_readme(dist: Path) -> None:
    with tarfile.open(only(dist, "*.tar.gz")) as archive:
        inside = {name.partition("/")[2] for name in archive.getnames()}
    assert {"LICENSE", "README.md", "pyproject.toml", "feedsim/py.typed"} <= inside
    assert "feedsim/pages/templates/report.html" in inside


@pytest.mark.campaign
@pytest.mark.parametrize("pattern", ["*.whl", "*.tar.gz"], ids=["wheel", "source distribution"])
def test_it_works_from_an_empty_environment(dist: Path, tmp_path: Path, pattern: str) -> None:
    environment = environment_with(tmp_path / "environment", only(dist, pattern))
    feedsim = program(environment, "feedsim")
    away = tmp_path / "away"
    away.mkdir()
    assert PROJECT["name"] in call(feedsim, "--version", cwd=away)
    home = call(program(environment), "-c", "import feedsim; print(feedsim.__file__)", cwd=away)
    assert Path(home.strip()).is_relative_to(environment)
    call(feedsim, "new", "cell.toml", cwd=away)
    assert "is sound" in call(feedsim, "check", "cell.toml", cwd=away)
    few = ("--replications", "4", "--jobs", "1", "--engine", "simpy")
    assert call(feedsim, "run", "cell.toml", *few, "--out", "run", cwd=away).startswith("OEE is")
    call(feedsim, "capacity", "cell.toml", *few, "--bags", "100,200", "--out", "curve", cwd=away)
    call(feedsim, "report", "curve", cwd=away)
    assert "<html" in (away / "curve" / "report.html").read_text("utf-8")


def lowest(requirements: Iterable[str]) -> list[str]:
    """The oldest version that each requirement allows; of two numbers, the newest of that line."""
    found = []
    for requirement in requirements:
        bound = re.match(r"([\w-]+)>=([\d.]+)$", requirement)
        if bound is None:
            assert "platform_system" in requirement, f"no lower bound: {requirement}"
            continue
        name, version = bound.groups()
        found.append(f"{name}=={version}" + (".*" if version.count(".") == 1 else ""))
    return found


def test_each_library_has_its_lower_bound() -> None:
    assert lowest(["numpy>=1.26", "pandas>=2.2.1"]) == ["numpy==1.26.*", "pandas==2.2.1"]
    with pytest.raises(AssertionError, match="no lower bound: numpy"):
        lowest(["numpy"])
    groups = PROJECT["optional-dependencies"]
    listed = [*PROJECT["dependencies"], *groups["fast"], *groups["cluster"]]
    assert len(lowest(listed)) == len(listed) - 1  # tzdata, on Windows alone


def the_core_passes(environment: Path, folder: Path) -> None:
    """The core of the quick tests, in a copy of the sources, with an environment's libraries."""
    sources = copy_of_sources(folder / "sources", (*SOURCES, "tests", "configs"))
    install = ("-m", "pip", "install", "-q", "--no-compile", "--no-deps", "-e", sources)
    call(program(environment), *install, cwd=folder)
    files = [f"tests/test_{name}.py" for name in CORE]
    # What old libraries say of the newest of their own is no fault of the package.
    quiet = (
        "-m",
        "pytest",
        "-q",
        "-x",
        "-p",
        "no:cacheprovider",
        "-W",
        "ignore::DeprecationWarning",
    )
    call(program(environment), *quiet, *files, cwd=sources)
    call(program(environment), *quiet, *KERNEL, cwd=sources)


@pytest.mark.campaign
def test_the_oldest_libraries_do(tmp_path: Path) -> None:
    fast = PROJECT["optional-dependencies"]["fast"]
    oldest = lowest([*PROJECT["dependencies"], *fast])
    environment = environment_with(tmp_path / "environment", *oldest, *TOOLS)
    listed = call(program(environment), "-m", "pip", "list", "--format=freeze", cwd=tmp_path)
    assert all(one.rstrip("*").lower() in listed.lower() for one in oldest), listed
    the_core_passes(environment, tmp_path)


def interpreter(version: str) -> Path | None:
    """A Python of a version: on the path, or kept by pyenv."""
    found = shutil.which(f"python{version}")
    kept = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv") / "versions"
    others = sorted(kept.glob(f"{version}.*/bin/python"))
    for path in [*([Path(found)] if found else []), *reversed(others)]:
        told = subprocess.run([path, "--version"], capture_output=True, text=True, check=False)
        if told.stdout.startswith(f"Python {version}."):
            return path
    return None


@pytest.mark.campaign
@pytest.mark.parametrize("version", ["3.12", "3.13"])
def test_newer_pythons_do(version: str, tmp_path: Path) -> None:
    python = interpreter(version)
    if python is None:
        pytest.skip(f"no Python {version} here")
    fast = PROJECT["optional-dependencies"]["fast"]
    wanted = [*PROJECT["dependencies"], *fast, *TOOLS]
    the_core_passes(environment_with(tmp_path / "environment", *wanted, python=python), tmp_path)
