"""Figures that were saved, made small enough for a page."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from feedsim.pages.pictures import address, few_colours

# A hundredth of a point is finer than any screen or printer shows.
DIGITS = 2
# With few colours a picture takes about a third; one that is larger yet is not tried.
MOST_SHRUNK = 5
_PLACES = re.compile(r'\b(d|x|y)="([^"]*)"')
_LONG_NUMBER = re.compile(rf"-?\d+\.\d{{{DIGITS + 1},}}")
_SIZE = re.compile(r'<svg\b[^>]*?\bviewBox="0 0 ([0-9.]{1,12}) ([0-9.]{1,12})"')
_POINT_PX = 96 / 72


@dataclass(frozen=True)
class Drawing:
    """A figure as a data: address, and its size on the page in pixels."""

    name: str
    address: str
    width: int
    height: int


def drawings_within(
    svg: Mapping[str, bytes], png: Mapping[str, bytes], names: Iterable[str], room_bytes: int
) -> tuple[list[Drawing], list[str]]:
    """Take in figures as long as there is room: drawn as SVG, else as a picture of few colours.

    Parameters
    ----------
    svg, png : mapping from str to bytes
        The figures' files by name.
    names : iterable of str
        Which, the most important first.
    room_bytes : int
        For all of them together.

    Returns
    -------
    list of Drawing
        In the order of `names`.
    list of str
        Names of those that were left out.
    """
    found, left_out = [], []
    for name in names:
        size = _size_px(svg[name])
        options = [address("image/svg+xml", _smaller(svg[name]))]
        may_fit = len(png.get(name, b"")) < MOST_SHRUNK * room_bytes
        if name in png and may_fit and len(options[0]) > room_bytes:
            options.append(address("image/png", _shrunk(png[name])))
        fitting = next((text for text in options if len(text) <= room_bytes), None)
        if size is None or fitting is None:
            left_out.append(name)
            continue
        room_bytes -= len(fitting)
        found.append(Drawing(name, fitting, *size))
    return found, left_out


def _smaller(svg: bytes) -> bytes:
    text = svg.decode("utf-8", errors="replace")
    return _PLACES.sub(
        lambda place: f'{place[1]}="{_LONG_NUMBER.sub(_rounded, place[2])}"', text
    ).encode("utf-8")


def _rounded(number: re.Match[str]) -> str:
    return f"{float(number[0]):.{DIGITS}f}".rstrip("0").rstrip(".")


def _size_px(svg: bytes) -> tuple[int, int] | None:
    head = _SIZE.search(svg[:4000].decode("utf-8", errors="replace"))
    if head is None:
        return None
    try:
        width, height = (round(float(part) * _POINT_PX) for part in head.groups())
    except ValueError:
        return None
    return (width, height) if width and height else None


def _shrunk(png: bytes) -> bytes:
    """A picture of few colours; what is no picture stays as it is."""
    try:
        return few_colours(png)
    except OSError:
        return png
