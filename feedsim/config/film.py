"""Key `film` of a bag: a fitted film model, by the name of its file or written out in full."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, InstanceOf, ValidationInfo
from pydantic_core import PydanticCustomError

from feedsim.config.datafile import read_text
from feedsim.config.declare import LONGEST_FILE_NAME, plain_error
from feedsim.config.lines import line_of, lines_of_keys
from feedsim.config.problems import ConfigError, Problem, escaped, key_text
from feedsim.config.problems import Path as KeyPath
from feedsim.config.reading import read_toml
from feedsim.film import FilmFileError, FilmModel, model_of

ALLOWED = "the path of a film model, relative to the config"


def read_film_model(path: str | Path, *, named: bool = False) -> FilmModel:
    """Read a film model that `feedsim fit picks` wrote.

    Parameters
    ----------
    path : str or Path
        A TOML file.
    named : bool
        Whether a config names it: then it must be an ordinary file.

    Returns
    -------
    FilmModel

    Raises
    ------
    ConfigError
        With all problems of the file, each with its line.
    """
    path = Path(path)
    text, line, problem = read_text(path, named=named)
    if problem:
        raise ConfigError([Problem(str(path), line, "", problem)])
    values = read_toml(text, str(path))
    try:
        return model_of(values, path.name)
    except FilmFileError as error:
        lines = lines_of_keys(text)
        problems = [
            Problem(str(path), line_of(key, lines), key_text(key, values), escaped(message))
            for key, message in error.problems
        ]
        raise ConfigError(problems) from error


def _film_model(value: Any, info: ValidationInfo) -> Any:
    """A model of a path or of plain values."""
    if isinstance(value, FilmModel):
        return value
    if isinstance(value, dict):
        try:
            return model_of(value)
        except FilmFileError as error:
            found = [(_dotted(key), escaped(message)) for key, message in error.problems]
            raise PydanticCustomError("findings", "several", {"findings": found}) from error
    if not isinstance(value, str):
        raise plain_error(f"must be {ALLOWED}")
    if not value.isprintable() or len(value) > LONGEST_FILE_NAME:
        raise plain_error(
            f"must be {ALLOWED}: at most {LONGEST_FILE_NAME} characters, none a control character"
        )
    folder = Path((info.context or {}).get("folder", "."))
    try:
        return read_film_model(folder / value, named=True)
    except ConfigError as error:
        wrong = [
            ("", f"{p.key}: {p.message}" if p.key else p.message, p.file, p.line)
            for p in error.problems
        ]
        raise PydanticCustomError("findings", "several", {"findings": wrong}) from error


def _dotted(key: KeyPath) -> str:
    return ".".join(map(str, key))


FilmKey = Annotated[InstanceOf[FilmModel], BeforeValidator(_film_model)]
