"""A figure as the bytes of an SVG file, for a page that holds it."""

from __future__ import annotations

from io import BytesIO

from matplotlib.figure import Figure

from feedsim.plots.style import figure_style


def svg_of(figure: Figure) -> bytes:
    """Draw a figure as SVG; the same figure gives the same bytes."""
    drawing = BytesIO()
    with figure_style():
        figure.savefig(drawing, format="svg", metadata={"Date": None})
    return drawing.getvalue()
