"""The command line in odd places: broken streams, foreign locales, no home, links, odd names."""

from __future__ import annotations

import fcntl
import io
import json
import os
import pty
import re
import shlex
import shutil
import struct
import subprocess
import sys
import termios
import threading
from pathlib import Path
from typing import NamedTuple

import click
import pytest
from studies import GRANOLA, KINDS, OATS, call, is_simulated

from feedsim.cli import Commands, main
from feedsim.cli.answer_folder import LEFT_BEHIND_S, AnswerFolder
from feedsim.cli.codes import DONE, PART_FAILED, TARGET_MISSED
from feedsim.cli.outlets import Outlet, settled_streams
from feedsim.config import load_config
from feedsim.files import write_whole
from feedsim.folder import MANIFEST, FolderError, StudyFolder
from feedsim.store import STORE, StoreError

needs_posix = pytest.mark.skipif(os.name != "posix", reason="needs its streams")


# -- streams that fail -------------------------------------------------------------------------


def full() -> int:
    return os.open("/dev/full", os.O_WRONLY)


@needs_posix
def test_a_reader_who_goes_is_no_failure():
    reader, writer = os.pipe()
    os.close(reader)
    outlet = Outlet(writer)
    assert outlet.write(b"told") == 4
    assert outlet.failure is None
    assert outlet.write(memoryview(b"more")) == 4
    os.close(writer)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_under_an_outlet_is_remembered():
    outlet = Outlet(full())
    assert outlet.write(b"told") == 4
    assert outlet.failure is not None
    assert outlet.failure.strerror == "No space left on device"
    os.close(outlet.fileno())


@needs_posix
def test_a_pipe_that_does_not_block_is_waited_for():
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    told = bytes(range(256)) * 2000  # more than a pipe holds
    read: list[bytes] = []

    def read_all() -> None:
        with os.fdopen(reader, "rb") as stream:
            read.append(stream.read())

    slow = threading.Timer(0.05, read_all)
    slow.start()
    stream = io.BufferedWriter(Outlet(writer))
    stream.write(told)
    stream.flush()
    os.close(writer)
    slow.join()
    assert read == [told]


def test_streams_that_are_no_files_are_left_alone(monkeypatch):
    ours = io.StringIO()
    monkeypatch.setattr(sys, "stdout", ours)
    monkeypatch.setattr(sys, "stderr", None)
    with settled_streams() as outlet:
        assert sys.stdout is ours
        print("told", file=sys.stderr)
    assert (outlet, sys.stderr) == (None, None)


def gone() -> int:
    reader, writer = os.pipe()
    os.close(reader)
    return writer


@needs_posix
@pytest.mark.parametrize(
    ("stdout", "answered", "code"),
    [
        (gone, DONE, DONE),
        (gone, TARGET_MISSED, TARGET_MISSED),
        (gone, PART_FAILED, PART_FAILED),
        (full, DONE, PART_FAILED),
        (full, TARGET_MISSED, PART_FAILED),
    ],
)
def test_a_command_is_done_to_its_end_and_its_answer_is_its_own(
    monkeypatch, capfd, stdout, answered, code
):
    done = []

    def answer() -> int:
        for line in ("first", "second"):
            click.echo(line)
            click.echo(line, err=True)
            done.append(line)
        return answered

    command = click.Command("size", callback=answer)
    monkeypatch.setattr(Commands, "get_command", lambda *arguments: command)
    monkeypatch.setattr(sys, "argv", ["feedsim", "size"])
    with os.fdopen(stdout(), "w") as stream, pytest.raises(SystemExit) as ended:
        monkeypatch.setattr(sys, "stdout", stream)
        main()
    assert ended.value.code == code
    assert done == ["first", "second"]
    _, err = capfd.readouterr()
    failure = "feedsim: the answer could not be printed in full: No space left on device\n"
    assert err == "first\nsecond\n" + (failure if stdout is full else "")


# -- surroundings ------------------------------------------------------------------------------


class Surroundings(NamedTuple):
    """What is odd: the environment (None: not there), the shell's redirections, Python's words."""

    env: dict[str, str | None] = {}
    around: str = "{}"
    python: str = ""
    code: int | None = None


ODD = {
    "stdout closed": Surroundings(around="{} >&-"),
    "stderr closed": Surroundings(around="{} 2>&-"),
    "all closed": Surroundings(around="{} <&- >&- 2>&-"),
    "stdout full": Surroundings(around="{} >/dev/full", code=3),
    "stderr full": Surroundings(around="{} 2>/dev/full"),
    "both full": Surroundings(around="{} >/dev/full 2>&1", code=3),
    "reader gone": Surroundings(around="{} | true; exit ${{PIPESTATUS[0]}}"),
    "reader of a line": Surroundings(around="{} | head -1; exit ${{PIPESTATUS[0]}}"),
    "both readers gone": Surroundings(around="{} 2>&1 | true; exit ${{PIPESTATUS[0]}}"),
    "unbuffered": Surroundings({"PYTHONUNBUFFERED": "1"}, "{} | true; exit ${{PIPESTATUS[0]}}"),
    "buffered": Surroundings({"PYTHONUNBUFFERED": None}, "{} | true; exit ${{PIPESTATUS[0]}}"),
    "narrow": Surroundings({"COLUMNS": "20", "LINES": "3"}),
    "C": Surroundings({"LC_ALL": "C"}),
    "POSIX": Surroundings({"LC_ALL": "POSIX", "LANG": None}),
    "Turkish": Surroundings({"LC_ALL": "tr_TR.UTF-8"}),
    "ascii": Surroundings({"PYTHONIOENCODING": "ascii"}),
    "no UTF-8": Surroundings({"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}),
    "hash 0": Surroundings({"PYTHONHASHSEED": "0"}),
    "hash 4711": Surroundings({"PYTHONHASHSEED": "4711"}),
    "optimised": Surroundings(python="-O"),
    "warnings are errors": Surroundings(python="-W error"),
    "no home": Surroundings({"HOME": None, "XDG_CACHE_HOME": None}),
    "home for nobody": Surroundings({"HOME": "/proc", "XDG_CACHE_HOME": None}),
    "no folder for what passes": Surroundings({"TMPDIR": "/nowhere"}),
    "no terminal": Surroundings({"TERM": None, "NO_COLOR": "1"}),
    "dumb terminal": Surroundings({"TERM": "dumb", "FORCE_COLOR": "1"}),
    "far away": Surroundings({"TZ": "Asia/Kathmandu"}),
    "nothing": Surroundings(around="env -i {}"),
}

COMMANDS = {
    **KINDS,
    "new": ["new", "out/cell.toml"],
    "check": ["check", "cell.toml"],
    "show": ["show", "machine.magazine"],
    "stiffness": ["stiffness", "PET12/LLDPE80"],
    "replay": ["replay", "cell.toml"],
    "report": ["report", "study"],
    "help": ["--help"],
    "a missing config": ["run", "absent.toml"],
}
WRITES_NO_FOLDER = ("new", "check", "show", "stiffness", "report", "help")


class Bench:
    """Commands called in processes of their own, each in a fresh folder of the same path."""

    def __init__(self, place: Path) -> None:
        self.place = place
        (place / "inputs").mkdir()
        (place / "inputs" / "cell.toml").write_text(OATS.format(title="Ümläut", name="oats"))
        (place / "inputs" / "two.toml").write_text(GRANOLA)
        self._undisturbed: dict[str, tuple[int, dict[str, bytes]]] = {}

    def words(self, kind: str) -> list[str]:
        """The command with the options that keep it small."""
        words = list(COMMANDS[kind])
        if is_simulated(kind):
            words += ["--engine", "simpy", "--jobs", "1"]
        return words if kind in WRITES_NO_FOLDER else [*words, "--out", "out"]

    def call(
        self, kind: str, odd: Surroundings
    ) -> tuple[subprocess.CompletedProcess[bytes], dict[str, bytes]]:
        """Call it; how it ended, and the files that it wrote."""
        folder = self.place / "work"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.place / "inputs", folder)
        if kind == "new":
            (folder / "out").mkdir()
        if kind == "report":
            self._lay_a_study(folder)
        command = [sys.executable, *odd.python.split(), "-m", "feedsim", *self.words(kind)]
        env = {**os.environ, **odd.env}
        found = subprocess.run(
            ["bash", "-c", odd.around.format(shlex.join(command))],
            cwd=folder,
            env={name: value for name, value in env.items() if value is not None},
            capture_output=True,
            timeout=300,
            check=False,
        )
        files = {
            str(path.relative_to(folder)): path.read_bytes()
            for path in folder.rglob("*")
            if path.is_file() and not path.name.startswith(STORE)
        }
        return found, files

    def _lay_a_study(self, folder: Path) -> None:
        study = self.place / "study"
        if not study.exists():
            words = ["run", "cell.toml", "--engine", "simpy", "--jobs", "1", "--out", "../study"]
            assert call(folder, *words) == 0
        shutil.copytree(study, folder / "study")

    def undisturbed(self, kind: str) -> tuple[int, dict[str, bytes]]:
        """Exit code and files where nothing is odd."""
        if kind not in self._undisturbed:
            found, files = self.call(kind, Surroundings())
            self._undisturbed[kind] = found.returncode, files
        return self._undisturbed[kind]

    def problems(self, kind: str, odd: Surroundings) -> list[str]:
        """What differs from the same command where nothing is odd."""
        code, wanted = self.undisturbed(kind)
        found, files = self.call(kind, odd)
        if odd.code is not None and code in (0, 1):
            code = odd.code
        told = (found.stdout + found.stderr).decode(errors="replace")
        problems = []
        if found.returncode != code:
            problems.append(f"exit code {found.returncode}, not {code}: {told[-600:]}")
        if re.search(r"Traceback|Exception ignored|Error in ", told):
            problems.append(told[-1500:])
        problems += [
            f"{name} differs"
            for name in sorted(wanted.keys() | files.keys())
            if files.get(name) != wanted.get(name)
        ]
        return problems


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return Bench(tmp_path_factory.mktemp("bench"))


@needs_posix
@pytest.mark.campaign
@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("kind", COMMANDS)
def test_a_command_does_the_same_in_odd_surroundings(bench, kind, name):
    assert bench.problems(kind, ODD[name]) == []


@needs_posix
@pytest.mark.parametrize(
    ("kind", "name", "code"), [("a missing config", "stderr full", 2), ("show", "all closed", 0)]
)
def test_some_commands_end_as_they_should_in_odd_surroundings(bench, kind, name, code):
    found, _ = bench.call(kind, ODD[name])
    assert found.returncode == code
    assert b"Traceback" not in found.stdout + found.stderr


@needs_posix
@pytest.mark.campaign
def test_what_differs_is_found(bench):
    hindered = Surroundings(around="{} >/dev/full")  # whose exit code is another
    assert "exit code 3, not 0" in bench.problems("trial plan", hindered)[0]
    loud = Surroundings(around="{}; code=$?; echo Traceback; exit $code")
    assert "Traceback" in bench.problems("trial plan", loud)[0]
    meddling = Surroundings(around="{}; code=$?; echo >> out/plans.csv; exit $code")
    assert bench.problems("trial plan", meddling) == ["out/plans.csv differs"]


@needs_posix
@pytest.mark.campaign
@pytest.mark.parametrize("kind", COMMANDS)
def test_a_narrow_terminal_is_no_fault(bench, kind):
    screen, terminal = pty.openpty()
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 10, 20, 0, 0))
    shown: list[bytes] = []

    def read() -> None:
        try:
            while data := os.read(screen, 65536):
                shown.append(data)
        except OSError:
            pass  # the terminal's end

    reader = threading.Thread(target=read)
    reader.start()
    bench.undisturbed(kind)
    name = os.ttyname(terminal)
    narrow = Surroundings({"COLUMNS": None}, f"{{}} >{name} 2>&1")
    try:
        assert bench.problems(kind, narrow) == []
    finally:
        os.close(terminal)
        reader.join(10)
        os.close(screen)
    assert b"".join(shown)
    assert b"Traceback" not in b"".join(shown)


@needs_posix
@pytest.mark.campaign
@pytest.mark.parametrize("kind", COMMANDS)
def test_a_folder_that_has_gone_is_told_in_a_line(bench, kind, tmp_path):
    here = tmp_path / "gone"
    here.mkdir()
    command = shlex.join([sys.executable, "-m", "feedsim", *bench.words(kind)])
    found = subprocess.run(
        ["bash", "-c", f"rmdir {shlex.quote(str(here))}; {command}"],
        cwd=here,
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == (0 if kind in ("show", "stiffness", "help") else 2), found.stderr
    if found.returncode:
        assert len(found.stderr.splitlines()) == 1
    assert "Traceback" not in found.stderr


LATIN = os.fsdecode(b"caf\xe9")


@needs_posix
@pytest.mark.campaign
@pytest.mark.parametrize("env", [{}, {"LC_ALL": "C", "PYTHONUTF8": "0"}])
@pytest.mark.parametrize("kind", ["run", "replay", "check", "fit picks", "account"])
def test_names_that_are_no_unicode(bench, tmp_path, kind, env):
    own = tmp_path / LATIN
    shutil.copytree(bench.place / "inputs", own)
    words = [
        os.path.join(own, word) if word.endswith(".toml") else word for word in bench.words(kind)
    ]
    words = [f"{LATIN}-out" if word == "out" else word for word in words]
    command = [sys.executable, "-m", "feedsim", *words]
    calls = [command]
    if kind not in ("check", "replay"):
        calls.append([sys.executable, "-m", "feedsim", "report", f"{LATIN}-out"])
    for each in calls:
        found = subprocess.run(
            each, cwd=tmp_path, env={**os.environ, **env}, capture_output=True, check=False
        )
        assert found.returncode == 0, found.stderr
        assert b"Traceback" not in found.stderr


# -- folders -----------------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path, monkeypatch):
    """A folder to work in, below one in which nothing may appear."""
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    (folder / "cell.toml").write_text(OATS.format(title="slider", name="oats"))
    return folder


def study(out: Path | None = None) -> StudyFolder:
    config = Path("cell.toml")
    return StudyFolder("run", config, load_config(config, []), {}, ["feedsim"], out)


def answer(out: Path | None = None) -> AnswerFolder:
    return AnswerFolder("trial-plan", "0.01", {}, out=out)


def test_two_inputs_of_one_name_are_both_told(here):
    for place, text in (("a", "stops"), ("b", "shifts"), ("c", "stops")):
        (here / place).mkdir()
        (here / place / "log.csv").write_text(text)

    def told(*places: str) -> tuple[dict[str, str], str]:
        paths = [Path(place) / "log.csv" for place in places]
        folder = AnswerFolder("account", "log", {}, paths)
        manifest = json.loads((folder.path / MANIFEST).read_text())
        return manifest["inputs"], manifest["hash"]

    inputs, own = told("a", "b")
    assert list(inputs) == ["log.csv", "log.csv (2)"]
    assert len({*inputs.values()}) == 2
    assert told("c", "b") == (inputs, own)
    assert told("b")[1] != own


def take(kind: str, out: Path | None) -> Path:
    if kind == "study":
        folder = study(out)
        folder.store.close()
        return folder.path
    return answer(out).path


BOTH = pytest.mark.parametrize("kind", ["study", "answer"])


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("study", "with spaces"),
        ("answer", "Müsli 穀物"),
        ("study", "-dash"),
        ("answer", "deep/er"),
        ("study", "a/../b"),
        ("answer", "'quoted' $HOME `x`"),
    ],
)
def test_a_folder_of_any_name_is_taken(here, kind, name):
    assert take(kind, Path(name)) == Path(name)
    assert (here / name / MANIFEST).is_file()
    assert os.listdir(here.parent) == ["here"]


@BOTH
@pytest.mark.parametrize(
    "name", ["x" * 300, "cell.toml", "cell.toml/below", ".", "no\nsuch/" * 900]
)
def test_a_folder_that_cannot_be_is_refused(here, kind, name):
    with pytest.raises(FolderError):
        take(kind, Path(name))
    assert os.listdir(here) == ["cell.toml"]


@BOTH
def test_foreign_files_are_left_alone(here, kind):
    (here / "mine").mkdir()
    (here / "mine" / "summary.csv").write_text("mine")
    with pytest.raises(FolderError, match="is not empty"):
        take(kind, Path("mine"))
    assert (here / "mine" / "summary.csv").read_text() == "mine"
    assert os.listdir(here / "mine") == ["summary.csv"]


@BOTH
@pytest.mark.parametrize("to", ["nowhere", "out", "../outside"], ids=["dangling", "loop", "folder"])
def test_a_link_under_the_name_of_the_folder(here, kind, to):
    outside = here.parent / "outside"
    outside.mkdir()
    (here / "out").symlink_to(to, target_is_directory=True)
    if to == "../outside":
        # Who names a link names where it leads to.
        take(kind, Path("out"))
        assert (outside / MANIFEST).is_file()
    else:
        with pytest.raises(FolderError, match="cannot be written to"):
            take(kind, Path("out"))
    assert {*os.listdir(here.parent)} == {"here", "outside"}
    assert {*os.listdir(here)} == {"cell.toml", "out"}


@BOTH
def test_a_link_that_nobody_named_is_not_followed(here, kind):
    own = take(kind, None)
    shutil.rmtree(own)
    (here.parent / "outside").mkdir()
    own.symlink_to(here.parent / "outside", target_is_directory=True)
    with pytest.raises(FolderError, match="is a link"):
        take(kind, None)
    assert os.listdir(here.parent / "outside") == []


@BOTH
@pytest.mark.parametrize("to", ["outside", "nowhere"])
def test_a_link_under_the_name_of_a_file_is_replaced(here, kind, to):
    outside = here.parent / "outside"
    outside.write_text("theirs")
    folder = study(Path("out")) if kind == "study" else answer(Path("out"))
    (here / "out" / "answer.json").symlink_to(here.parent / to)
    folder.write_json("answer.json", {"answer": 1})
    if isinstance(folder, StudyFolder):
        folder.store.close()
    assert not (here / "out" / "answer.json").is_symlink()
    assert outside.read_text() == "theirs"
    assert {*os.listdir(here.parent)} == {"here", "outside"}


@BOTH
@pytest.mark.parametrize("to", ["../outside", "../nowhere"])
def test_a_link_under_the_name_of_the_manifest_is_refused(here, kind, to):
    folder = take(kind, Path("out"))
    shutil.move(folder / MANIFEST, here.parent / "outside")
    before = (here.parent / "outside").read_bytes()
    (folder / MANIFEST).symlink_to(f"../{to}")
    with pytest.raises(FolderError):
        take(kind, folder)
    assert (here.parent / "outside").read_bytes() == before
    assert {*os.listdir(here.parent)} == {"here", "outside"}


@pytest.mark.parametrize("ending", ["", "-wal", "-journal"])
@pytest.mark.parametrize("is_there", [True, False])
def test_a_link_under_the_name_of_the_store_is_refused(here, ending, is_there):
    outside = here.parent / "outside"
    if is_there:
        outside.write_bytes(b"")
    (here / "out").mkdir()
    (here / "out" / f"{STORE}{ending}").symlink_to(outside)
    with pytest.raises(StoreError):
        study(Path("out"))
    assert outside.exists() == is_there
    assert not is_there or outside.read_bytes() == b""


@needs_posix
@BOTH
def test_a_pipe_under_the_name_of_the_manifest_is_not_waited_for(here, kind):
    (here / "out").mkdir()
    os.mkfifo(here / "out" / MANIFEST)
    with pytest.raises(FolderError):
        take(kind, Path("out"))


@BOTH
@pytest.mark.parametrize("text", ["{", "[]", "[" * 100_000, '{"hash": []}', "\xff"])
def test_a_manifest_that_is_none_is_refused(here, kind, text):
    folder = take(kind, Path("out"))
    (folder / MANIFEST).write_text(text, encoding="latin-1")
    with pytest.raises(FolderError, match="holds another"):
        take(kind, folder)
    assert (folder / MANIFEST).read_text(encoding="latin-1") == text


@BOTH
def test_an_answer_stays_finished_while_it_is_repeated(here, kind):
    folder = take(kind, Path("out"))
    told = json.loads((folder / MANIFEST).read_text())
    own = {"finished": True, "engine": "simpy"} if kind == "study" else {"finished": True}
    (folder / MANIFEST).write_text(json.dumps({**told, **own}))
    take(kind, folder)
    assert json.loads((folder / MANIFEST).read_text()).items() >= own.items()


def test_what_a_killed_writer_left_is_no_foreign_file(here):
    """Young ones stay in a folder that nobody locks: another may just be writing them."""
    folder = here / "out"
    folder.mkdir()
    young, old = folder / ".manifest.json.ab12cd34", folder / ".plans.csv.ab12cd34"
    young.write_text("{")
    old.write_text("faults")
    os.utime(old, (0, old.stat().st_mtime - LEFT_BEHIND_S))
    answer(folder)
    assert {*os.listdir(folder)} == {MANIFEST, young.name}


@needs_posix
def test_files_are_for_whom_the_user_lets_read_them(tmp_path):
    before = os.umask(0o077)
    try:
        write_whole(tmp_path / "private.csv", [b"1"])
        os.umask(0o022)
        write_whole(tmp_path / "shared.csv", [b"1"])
    finally:
        os.umask(before)
    modes = [(tmp_path / f"{name}.csv").stat().st_mode & 0o777 for name in ("private", "shared")]
    assert modes == [0o600, 0o644]
