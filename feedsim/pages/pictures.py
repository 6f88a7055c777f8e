"""Figures within a page: data: addresses, and pictures of few colours, which are small."""

from __future__ import annotations

import base64
from io import BytesIO
from typing import TYPE_CHECKING

from feedsim.plots.style import drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI = 120
COLOURS = 256


def png_address(figure: Figure) -> str:
    """A figure as a data: address: a PNG of few colours, which the figures have, so a small one."""
    return address("image/png", few_colours(drawn(figure, "png", DPI)))


def address(kind: str, data: bytes) -> str:
    """Bytes of a kind, such as "image/png", as a data: address."""
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def few_colours(png: bytes) -> bytes:
    """Take a PNG's colours down to 256.

    Raises
    ------
    OSError
        If the bytes are no picture.
    """
    from PIL import Image

    small = BytesIO()
    with Image.open(BytesIO(png)) as image:
        image.convert("RGB").quantize(COLOURS, Image.Quantize.MAXCOVERAGE).save(
            small, "png", optimize=True
        )
    return small.getvalue()
