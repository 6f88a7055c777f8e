"""From a file or text to a checked config, with everything wrong shown at once."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from feedsim.config.datafile import read_text
from feedsim.config.lines import line_of, lines_of_keys
from feedsim.config.overrides import SET, Changes, apply_overrides, apply_values
from feedsim.config.problems import ConfigError, Finding, Problem, key_text
from feedsim.config.problems import Path as KeyPath
from feedsim.config.reading import read_toml
from feedsim.config.root import Config, Origin
from feedsim.config.sense import findings_of_sense
from feedsim.config.translate import findings_of_types, stand_in

_MOST_ROUNDS = 8


def load_config(path: str | Path, overrides: Sequence[str] = ()) -> Config:
    """Read and check a config file.

    Parameters
    ----------
    path : str or Path
        A TOML file.
    overrides : sequence of str
        "key=value" texts set over the file, see `--set`.

    Returns
    -------
    Config

    Raises
    ------
    ConfigError
        With all problems of the file at once.
    """
    path = Path(path)
    text, line, problem = read_text(path)
    if problem:
        raise ConfigError([Problem(str(path), line, "", problem)])
    return parse_config(text, str(path), path.parent, overrides)


def parse_config(
    text: str, name: str = "config", folder: Path | str = Path(), overrides: Sequence[str] = ()
) -> Config:
    """Check the text of a config, as `load_config` does for a file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        For messages.
    folder : Path
        Where files named in it are looked for.
    overrides : sequence of str
        "key=value" texts.

    Raises
    ------
    ConfigError
        With all problems of the text at once.
    """
    data = read_toml(text, name)
    changes = apply_overrides(data, overrides)
    origin = Origin(
        name=name,
        text=text.removeprefix("\ufeff"),
        folder=Path(folder),
        overrides=tuple(overrides),
        set_paths=frozenset(changes.set_paths),
    )
    return _checked(changes, origin)


def changed(config: Config, values: Mapping[str, Any]) -> Config:
    """A config with other values: what `Config.with_values` does.

    Raises
    ------
    ConfigError
        With all problems at once.
    """
    changes = apply_values(config.resolved(), values)
    origin = replace(
        config.origin, changed_paths=config.origin.changed_paths | frozenset(changes.set_paths)
    )
    return _checked(changes, origin)


def _checked(changes: Changes, origin: Origin) -> Config:
    config, findings = _validated(changes.data, origin.folder)
    problems = changes.problems + _located(findings, changes, origin)
    if problems or config is None:
        raise ConfigError(problems)
    config._origin = origin
    return config


def _validated(data: dict[str, Any], folder: Path) -> tuple[Config | None, list[Finding]]:
    """The config, or all that is wrong with it.

    A wrong value is replaced by its default or an example, so that the checks of sense of
    everything else still run; a finding that leans on such a stand-in is left out.
    """
    findings: list[Finding] = []
    tainted: set[KeyPath] = set()
    data = copy.deepcopy(data)
    for _ in range(_MOST_ROUNDS):
        try:
            config = Config.model_validate(data, context={"folder": folder})
        except ValidationError as error:
            new = findings_of_types(error)
            # A key that is missing because it is misspelt is told once, as misspelt.
            misspelt = {meant for finding in new for meant in finding.taints}
            findings += [f for f in new if f.path not in misspelt and not _leans_on(f, tainted)]
            for finding in new:
                tainted |= {*stand_in(data, finding), *finding.taints}
            continue
        sense = findings_of_sense(config)
        findings += [f for f in sense if not _leans_on(f, tainted)]
        return (None if findings else config), findings
    return None, findings


def _leans_on(finding: Finding, tainted: set[KeyPath]) -> bool:
    return any(
        path[: len(wrong)] == wrong or wrong[: len(path)] == path
        for path in (finding.path, *finding.uses)
        for wrong in tainted
        if path
    )


def _located(findings: list[Finding], changes: Changes, origin: Origin) -> list[Problem]:
    if not findings:
        return []
    lines = lines_of_keys(origin.text) if origin.text else {}
    located = [_problem(finding, changes, origin, lines) for finding in findings]
    # A file's problems in the order of its lines, those of other files and --set after them.
    located.sort(key=lambda p: (p.file != origin.name, p.line is None, p.line or 0))
    return list(dict.fromkeys(located))


def _problem(
    finding: Finding, changes: Changes, origin: Origin, lines: dict[KeyPath, int]
) -> Problem:
    key = key_text(finding.path, changes.data)
    if finding.file is not None:
        return Problem(finding.file, finding.line, key, finding.message)
    for paths, where in ((changes.set_paths, changes.origin), (origin.set_paths, SET)):
        if any(finding.path[: len(path)] == path for path in paths):
            return Problem(where, None, key, finding.message)
    if changes.origin != SET and not origin.text:
        return Problem(changes.origin, None, key, finding.message)
    return Problem(origin.name, line_of(finding.path, lines), key, finding.message)
