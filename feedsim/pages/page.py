"""A page from its template: everything in it, every name escaped, no request to anywhere."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from feedsim.config.problems import escaped

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"
STYLE = "page.css"
LARGEST_BYTES = 1_000_000


def page(
    template: str, *, styles: Sequence[str] = (), script: str | None = None, **context: Any
) -> str:
    """Fill in a page's template.

    Parameters
    ----------
    template : str
        Name of a template that extends base.html.
    styles : sequence of str
        Style sheets behind the common one, as text.
    script : str, optional
        Name of the one script that may run.
    **context
        What the template shows. Texts are escaped by the template; control characters, which no
        page may hold, are to be taken out with `shown` before.

    Returns
    -------
    str
        HTML whose content security policy lets nothing run or load but what is in it.
    """
    style = "\n".join([_text_of(STYLE), *styles])
    code = "" if script is None else _text_of(script)
    policy = [
        "default-src 'none'",
        "img-src data:",
        f"style-src '{_digest(style)}'",
        *([f"script-src '{_digest(code)}'"] if code else []),
        "base-uri 'none'",
        "form-action 'none'",
    ]
    return (
        _templates()
        .get_template(template)
        .render(policy="; ".join(policy), style=style, script=code, **context)
    )


def fragment(name: str, **context: Any) -> str:
    """Fill in a template that is part of somebody else's page, such as a notebook's.

    Parameters
    ----------
    name : str
        Of a template that extends nothing; its style sheet, of the same stem, goes into it.
    **context
        What the template shows, as for `page`.
    """
    style = _text_of(f"{Path(name).stem}.css")
    return _templates().get_template(name).render(style=style, **context)


def shown(text: str) -> str:
    """A text of the user as a page can hold it: control characters written as escapes."""
    return escaped(text)


def embedded_json(data: Any) -> str:
    """Data for a page's script, such that no text in it can end its element."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def style_of(name: str) -> str:
    """A style sheet of the package."""
    return _text_of(name)


@cache
def _text_of(name: str) -> str:
    return (TEMPLATES / name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode()}"


@cache
def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
