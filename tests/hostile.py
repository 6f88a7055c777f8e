"""Hostile input: mutators of bytes, lines, fields and TOML values, and a harness that judges.

What reads a mutant may take it or refuse it with clear lines that name the file and, where there
is one, the line. Another error, a line that a terminal would obey or that names no place, and a
reading that takes seconds are faults; `misuse` says which, with the mutant that shows it.
"""

from __future__ import annotations

import copy
import random
import re
import signal
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from time import process_time
from typing import Any

from feedsim.config import ConfigError, dump_toml
from feedsim.config.write import toml_value
from feedsim.mistakes import Mistake

LONGEST_S = 3.0
SHOWN_MUTANTS = 8

# What a program reads as a number, or nearly so.
NUMBERS = (
    *("0", "-0", "-1", "1", "2", "7", "1e3", "1e9", "1e12", "1e300", "1e-300", "1e308", "1e400"),
    *("-1e300", "5e-324", "1e-9", "inf", "-inf", "nan", "+nan", "0.1", "0.5", "1.0", "-0.0"),
    *("9223372036854775807", "9223372036854775808", "1_000", "0x7f", "0o17", "0b1", "1e", ".5"),
    *("1.", "+3", "--3", "1,5", "1.234,5", "1'000", "٣", "²", "½", "true", "false", "9" * 5000),
    *("1000000000000", "10000000", "100000", "1000001", "168", "3600", "0.000001", "1e5", "1e-6"),
)
# Texts that a terminal obeys, that lead elsewhere, that look alike or are long.
TEXTS = (
    *("", " ", "a", "\x00", "\x1b[31mred\x1b[0m", "\x1b]0;title\x07", "\x9b2J", "a\rb", "a\nb"),
    *("\u202eabc\u202c", "\u2066x\u2069", "\u200b", "\u200d", "\ufeff", "\u2028", "\u0085", "\x7f"),
    *("../../etc/passwd", "/etc/passwd", "..", ".", "/", "\\\\host\\share", "C:\\x", "a/b"),
    *("$(touch x)", "`x`", "=1+1", "@SUM(A1)", "<script>alert(1)</script>", "{{7*7}}", "%s%n"),
    *("$\\frac{1}{", "$", "_$^", "[bold]x[/bold]", "ﷺ", "𝕏", "e\u0301", "🥣", "名前", "شريط"),
    *("running", "blocked_by_x", "machine", "oats", "NaN", "None", "null", "x" * 10_000),
)
BYTES = (
    *(
        b"\x00",
        b"\xff",
        b"\xfe\xff",
        b"\xef\xbb\xbf",
        b"\xc3",
        b"\xed\xa0\x80",
        b"\xf4\x90\x80\x80",
    ),
    *(b"\r\n", b"\r", b"\n", b"\n\n", b"\x0b", b"\x0c", b"\x1a", b"\x1b[2J", b"\xe2\x80\xae"),
    *(b'"', b"'", b'"""', b"'''", b"\\", b"#", b",", b";", b"\t", b"|", b"=", b".", b"[", b"]"),
    *(b"[[", b"]]", b"{", b"}", b" ", b"-", b"_", b":", b"0", b"9", b"e", b"inf", b"nan"),
)
ENCODINGS = ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "cp1252", "cp037", "utf-7")
VALUES: tuple[Any, ...] = (
    *(0, -1, 1, 2, 3, 7, 0.5, -0.5, 1e-300, 1e300, -1e300, 5e-324, 10**12, 10**7, 10**5, 10**400),
    *(float("inf"), float("-inf"), float("nan"), True, False, 2**63 - 1, 2**63, 168, 1e-9, 1e9),
    *([], {}, [[]], [{}], [1, 2], [[1, 2], [3]], [1e300, -1e300], [float("nan")], [0] * 40),
    *({"family": "constant"}, {"family": "constant", "mean_s": 0}, {"": {}}, [3, {}]),
    *({"family": "constant", "mean_s": 1e-300}, {"family": "exponential", "mean_s": 1e-300}),
    *({"family": "weibull", "mean_s": 1e9, "shape": 0.1}, {"family": "weibull", "mean_h": 2e5}),
    *({"family": "lognormal", "mean_s": 1e9, "cv": 100}, {"family": "lognormal", "mean_s": 1}),
    *({"family": "exponential", "mean_h": 1e300}, {"family": "empirical", "values_s": [1e300]}),
    *({"family": "empirical", "values_s": []}, {"family": "empirical", "values_s": [0, 1e-300]}),
    *({"family": "empirical", "file_s": "/dev/zero"}, {"family": "empirical", "file_s": "\x00"}),
    *({"family": "empirical", "file_s": "x" * 10_000}, {"family": "empirical", "file_min": "."}),
    *({"family": "empirical", "file_s": "pipe"}, {"family": "empirical", "file_s": "times.txt"}),
    *({"missed": 1}, {"missed": 0.5, "jam": 0.5}, {"share": 1, "missed": 1}, "pipe", "film.toml"),
)


class TooSlow(BaseException):
    """Reading a mutant took too long."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Raise `TooSlow` out of a block that works longer, or waits without end; in a main thread."""

    def ring(number: int, _: object) -> None:
        raise TooSlow("works too long" if number == signal.SIGPROF else "waits without end")

    clocks = ((signal.SIGPROF, signal.ITIMER_PROF, 1), (signal.SIGALRM, signal.ITIMER_REAL, 10))
    before = [signal.signal(number, ring) for number, _, _ in clocks]
    for _, timer, factor in clocks:
        signal.setitimer(timer, factor * seconds)
    try:
        yield
    finally:
        for (number, timer, _), handler in zip(clocks, before, strict=True):
            signal.setitimer(timer, 0)
            signal.signal(number, handler)


# Mutators


def mutated_bytes(rng: random.Random, data: bytes, others: Sequence[bytes] = ()) -> bytes:
    """Bytes put in, taken out, doubled, turned over, spliced, recoded or cut."""
    at, to = sorted(rng.randrange(len(data) + 1) for _ in range(2))
    near = min(to, at + rng.randrange(1, 40))
    kind = rng.randrange(12)
    if kind <= 2:
        return data[:at] + rng.choice(BYTES) + data[at:]
    if kind == 3:
        return data[:at] + rng.choice(BYTES) + data[near:]
    if kind == 4:
        return data[:at] + data[near:]
    if kind == 5:
        return data[:near] + data[at:near] * rng.choice([1, 2, 50]) + data[near:]
    if kind == 6:
        return data[:at]
    if kind == 7 and others:
        other = rng.choice(others)
        return data[:at] + other[rng.randrange(len(other) + 1) :]
    if kind == 8:
        return _recoded(rng, data)
    if kind == 9:
        return data.replace(b"\n", rng.choice([b"\r\n", b"\r", b"\n\r", b"\x0b", b"\xe2\x80\xa8"]))
    if kind == 10:
        filling = rng.choice([b"x", b" ", b"[", b"{", b'"', b"1", b",", b"\n", b"\x1b[", b"a."])
        return data[:at] + filling * rng.choice([100, 3000, 20_000]) + data[at:]
    flipped = bytearray(data)
    for _ in range(rng.randrange(1, 6)):
        if flipped:
            flipped[rng.randrange(len(flipped))] ^= 1 << rng.randrange(8)
    return bytes(flipped)


def _recoded(rng: random.Random, data: bytes) -> bytes:
    text = data.decode("utf-8", errors="replace")
    return text.encode(rng.choice(ENCODINGS), errors="replace")


def mutated_lines(rng: random.Random, text: str) -> str:
    """Lines left out, doubled, swapped, joined, moved or made of something else."""
    lines = text.split("\n")
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    kind = rng.randrange(7)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines.insert(other, lines[at])
    elif kind == 2:
        lines[at], lines[other] = lines[other], lines[at]
    elif kind == 3:
        lines[at : at + 2] = [" ".join(lines[at : at + 2])]
    elif kind == 4:
        lines.insert(at, rng.choice(TEXTS))
    elif kind == 5:
        del lines[min(at, other) : max(at, other)]
    else:
        lines[at] = lines[at][::-1]
    return "\n".join(lines)


_TOKEN = re.compile(r"[\w.+-]+")


def mutated_token(rng: random.Random, text: str) -> str:
    """A word or number of a text replaced."""
    found = list(_TOKEN.finditer(text))
    if not found:
        return rng.choice(TEXTS)
    token = rng.choice(found)
    new = rng.choice(NUMBERS) if rng.random() < 0.7 else rng.choice(TEXTS)
    return text[: token.start()] + new + text[token.end() :]


def mutated_fields(rng: random.Random, text: str) -> str:
    """Fields of a CSV text replaced, left out, doubled, quoted or parted otherwise."""
    lines = text.split("\n")
    mark = max(",;\t|", key=lines[0].count)
    at = rng.randrange(len(lines))
    cells = lines[at].split(mark)
    place = rng.randrange(len(cells))
    kind = rng.randrange(9)
    if kind <= 2:
        cells[place] = rng.choice(NUMBERS if rng.random() < 0.5 else TEXTS)
    elif kind == 3:
        del cells[place]
    elif kind == 4:
        cells.insert(place, rng.choice(cells))
    elif kind == 5:
        cells[place] = rng.choice([f'"{cells[place]}"', f'"{cells[place]}', f'{cells[place]}""'])
    elif kind == 6:
        return text.replace(mark, rng.choice(",;\t|"))
    elif kind == 7:
        lines[at] = lines[at].replace(mark, rng.choice(",;\t|"))
        return "\n".join(lines)
    else:
        return _column(rng, lines, mark)
    lines[at] = mark.join(cells)
    return "\n".join(lines)


def _column(rng: random.Random, lines: list[str], mark: str) -> str:
    """The same thing in a whole column: extremes that do not stand alone."""
    rows = [line.split(mark) for line in lines]
    place, word = rng.randrange(len(rows[0])), rng.choice((*NUMBERS, *TEXTS))
    for row in rows[1:]:
        if place < len(row):
            row[place] = word
    return "\n".join(mark.join(row) for row in rows)


def mutated_values(rng: random.Random, data: dict[str, Any], others: Sequence[Any]) -> Any:
    """Values of a TOML text replaced, left out, renamed, doubled, nested, moved or spliced."""
    data = copy.deepcopy(data)
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        places = list(_places(data))
        if not places:
            break
        holder, name = rng.choice(places)
        kind = rng.randrange(16)
        if kind >= 10:
            holder[name] = _near(rng, holder[name])
        elif kind <= 3:
            holder[name] = copy.deepcopy(rng.choice(VALUES))
        elif kind == 4:
            holder[name] = rng.choice(TEXTS)
        elif kind == 5:
            del holder[name]
        elif kind == 6 and isinstance(holder, dict):
            other = rng.choice(["new", "lanes", "name", "mean_min", "film", *TEXTS])
            holder[other] = holder.pop(name)
        elif kind == 7:
            inner = holder[name]
            holder[name] = rng.choice([[inner], {"inner": inner}, [inner, inner], str(inner)])
        elif kind == 8:
            there, elsewhere = rng.choice(list(_places(rng.choice(others))))
            holder[name] = copy.deepcopy(there[elsewhere])
        else:
            there, elsewhere = rng.choice(places)
            holder[name] = copy.deepcopy(there[elsewhere])
    return data


def _near(rng: random.Random, value: Any) -> Any:
    """Another value of the same kind, so that more of what is hostile gets past the types."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return rng.choice([0, 1, value + 1, value - 1, 2 * value, value // 3, 10 * value, 100])
    if isinstance(value, float):
        return value * rng.choice([0, 1e-300, 1e-12, 1e-6, 0.1, 0.5, 1 + 1e-15, 3, 100, 1e9])
    if isinstance(value, str):
        return rng.choice([value + " ", value.upper(), value[::-1], value * 2, value[:1]])
    if isinstance(value, list):
        return rng.choice([value[::-1], value[:-1], value + value, sorted(value, key=str)])
    return {**value, **{name: _near(rng, inner) for name, inner in list(value.items())[:1]}}


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every (holder, key) in nested values."""
    for name, inner in list(value.items() if isinstance(value, dict) else enumerate(value)):
        yield value, name
        if isinstance(inner, dict | list):
            yield from _places(inner)


def toml_of(data: dict[str, Any], rng: random.Random) -> str:
    """The TOML of any values, under heads or each key on one line."""
    if rng.random() < 0.5:
        return dump_toml(data)
    return "".join(f"{toml_value(name)} = {toml_value(value)}\n" for name, value in data.items())


@cache
def _parsed(text: str) -> dict[str, Any]:
    """The values of a sound text; whoever changes them takes a copy."""
    return tomllib.loads(text)


def mutated_toml(rng: random.Random, bases: Sequence[str]) -> bytes:
    """A TOML text that is hostile in structure, in words or in bytes."""
    text = rng.choice(bases)
    kind = rng.random()
    if kind < 0.55:
        others = [_parsed(base) for base in rng.sample(list(bases), min(2, len(bases)))]
        text = toml_of(mutated_values(rng, _parsed(text), others), rng)
        if rng.random() < 0.9:
            return text.encode("utf-8", errors="surrogatepass")
    elif kind < 0.75:
        for _ in range(rng.choice([1, 1, 2, 3])):
            text = mutated_token(rng, text)
    elif kind < 0.85:
        text = mutated_lines(rng, text)
    data = text.encode("utf-8", errors="surrogatepass")
    if kind >= 0.85 or rng.random() < 0.1:
        for _ in range(rng.choice([1, 1, 2, 4])):
            data = mutated_bytes(rng, data, [base.encode() for base in bases])
    return data


def mutated_csv(rng: random.Random, bases: Sequence[str]) -> bytes:
    """A CSV text that is hostile in fields, in words or in bytes."""
    text = rng.choice(bases)
    kind = rng.random()
    if kind < 0.55:
        for _ in range(rng.choice([1, 1, 2, 3])):
            text = mutated_fields(rng, text)
    elif kind < 0.7:
        text = mutated_token(rng, text)
    elif kind < 0.8:
        text = mutated_lines(rng, text)
    data = text.encode("utf-8", errors="surrogatepass")
    if kind >= 0.8 or rng.random() < 0.1:
        for _ in range(rng.choice([1, 1, 2, 4])):
            data = mutated_bytes(rng, data, [base.encode() for base in bases])
    return data


# The harness

# Of these there is no line to name: the file as a whole, or what is not in it.
WHOLE_FILE = re.compile(
    r"no such file|is a folder|is a pipe or a device|cannot be read: |is larger than|is empty|"
    r"holds no |is missing|must have a table|"
    r"is not [\w-]+ text: |and \d+ more|no stop is of a machine|its times carry no offset|"
    r"nested too deeply|digits|unknown encoding"
)


@dataclass
class Tally:
    """How mutants fared."""

    taken: int = 0
    refused: int = 0
    worst_s: float = 0.0
    worst: str = ""
    faults: Counter[str] = field(default_factory=Counter)
    shown: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        total = self.taken + self.refused + self.faults.total()
        return (
            f"{total:,} mutants: {self.taken:,} taken, {self.refused:,} refused, "
            f"{self.faults.total():,} faults; the slowest took {self.worst_s:.2f} s ({self.worst})"
        )

    def judge(self, name: str, data: bytes, read: Callable[[], None], files: Sequence[str]) -> None:
        """Read a mutant and note how it went."""
        began = process_time()
        said = misuse(read, files)
        took = process_time() - began
        if took > self.worst_s:
            self.worst_s, self.worst = took, name
        if said is None:
            self.taken += 1
        elif said == "":
            self.refused += 1
        else:
            plain = re.sub(r"\d+", "0", said)
            for file in files:
                plain = plain.replace(re.sub(r"\d+", "0", file), "FILE")
            self.faults[plain[:120]] += 1
            if len(self.shown) < SHOWN_MUTANTS and self.faults[plain[:120]] == 1:
                self.shown.append(f"{name}: {said}\n{data[:3000]!r}")

    def refuse_faults(self) -> None:
        """Fail with the first mutants that show a fault."""
        assert not self.faults, f"{self}\n{self.faults}\n" + "\n\n".join(self.shown)


def misuse(read: Callable[[], None], files: Sequence[str]) -> str | None:
    """What is wrong with a reading; None if it took the input, "" if it refused it well."""
    try:
        with within(LONGEST_S):
            read()
    except Mistake as mistake:
        return "; ".join(unclear(mistake, files))
    except AssertionError as error:
        return f"AssertionError: {error}"
    except TooSlow as error:
        return f"TooSlow: {error}"
    except Exception as error:
        place = error.__traceback__
        while place is not None and place.tb_next is not None:
            place = place.tb_next
        where = (
            ""
            if place is None
            else f"{Path(place.tb_frame.f_code.co_filename).name}:{place.tb_lineno}"
        )
        return f"{type(error).__name__} ({where}): {error}"
    return None


def unclear(mistake: Mistake, files: Sequence[str]) -> Iterator[str]:
    """What is wrong with a refusal: lines that name no place, or that a terminal obeys."""
    lines = str(mistake).split("\n")
    if not isinstance(mistake, ConfigError) and len(lines) > 1:
        yield f"several lines: {lines!r}"
    for line in lines:
        if not line.isprintable():
            yield f"not printable: {line!r}"
        if len(line) > 2000:
            yield f"too long: {line[:200]!r}"
        named = any(re.match(re.escape(file) + r":\d+: ", line) for file in files)
        if not named and not WHOLE_FILE.search(line):
            yield f"no line: {line!r}"


def command_line(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command as a user gives it."""
    program = [sys.executable, "-c", "from feedsim.cli import main; main()"]
    return subprocess.run(
        [*program, *words], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
