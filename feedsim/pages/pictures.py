"""Figures within a page."""

from __future__ import annotations

import base64
from io import BytesIO
from typing import TYPE_CHECKING

from feedsim.plots.style import figure_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI = 120
COLOURS = 256


def png_address(figure: Figure) -> str:
    """A figure as a data: address: a PNG of few colours, which the figures have, so a small one."""
    from PIL import Image

    drawn, small = BytesIO(), BytesIO()
    with figure_style():
        figure.savefig(drawn, format="png", dpi=DPI)
    drawn.seek(0)
    with Image.open(drawn) as image:
        image.convert("RGB").quantize(COLOURS, Image.Quantize.MAXCOVERAGE).save(
            small, "png", optimize=True
        )
    return f"data:image/png;base64,{base64.b64encode(small.getvalue()).decode()}"
