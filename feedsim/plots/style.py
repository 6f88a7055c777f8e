"""One palette and one figure style for every picture.

Hues keep apart for colour-blind eyes, their lightness keeps apart in grey, and none relies on
colour: a state has a hatching of its own, a line its dashes and its marker.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import matplotlib
import matplotlib.style
from matplotlib.figure import Figure

from feedsim.files import write_whole

INK = "#1d2733"
SOFT_INK = "#5a6673"
RULE = "#c9d0d8"
BAND_SHADE = "#f1f4f7"
FAMILY = "DejaVu Sans"
FONT = 11
DPI = 150

RC = {
    "font.family": [FAMILY],
    "font.size": FONT,
    "axes.titlesize": FONT,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.labelsize": FONT,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT_INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "xtick.labelsize": FONT,
    "ytick.labelsize": FONT,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,
    "text.usetex": False,
    "hatch.linewidth": 0.9,
    "legend.frameon": False,
    "legend.fontsize": FONT,
    "lines.linewidth": 2.0,
    "lines.markersize": 6.0,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "feedsim",
}


@dataclass(frozen=True, slots=True)
class Look:
    """Colour and hatching of an area; the hatching is drawn in `ink`."""

    colour: str
    hatch: str
    ink: str = "white"


LOOKS = {
    "running": Look("#17395c", ""),
    "retry": Look("#b7d3ea", "//", INK),
    "restarting": Look("#5b8fbf", "\\\\"),
    "dry": Look("#e3c878", "..", INK),
    "lane_fault": Look("#8a6fb3", "xx"),
    "jam": Look("#4a2a63", "++"),
    "blocked": Look("#2f8f8a", "||"),
    "changeover": Look("#aab2bb", "--", INK),
    "planned_stop": Look("#e9ecef", "", SOFT_INK),
    "speed/slow_cycles": Look("#dbe9f5", "\\\\\\\\", "#2c5a86"),
    "speed/rest": Look("#dbe9f5", "..", "#2c5a86"),
    "pockets/missed": Look("#dcaecb", "//", INK),
    "pockets/double": Look("#dcaecb", "oo", INK),
    "pockets/unopened": Look("#dcaecb", "xx", INK),
    "pockets/jam": Look("#dcaecb", "++", INK),
    "rejects/skewed": Look("#a34a7e", "//"),
    "rejects/scrapped": Look("#a34a7e", ".."),
    "other": Look("#d3d8de", "", SOFT_INK),
}

_STATION_COLOURS = (("#7c5a3c", "white"), ("#c9b8a2", INK), ("#56697d", "white"))
_STATION_HATCHES = ("", "//", "..", "--", "xx", "\\\\", "||", "oo", "++", "**", "////")

_LINES = (
    ("#17395c", "-", 3.2),
    ("#8a3b74", (0, (4.0, 1.4)), 2.7),
    ("#2f8f8a", (0, (1.3, 1.1)), 2.3),
    ("#b08a2e", (0, (5.0, 1.4, 1.2, 1.4)), 2.0),
    ("#5f86bd", (0, (3.0, 1.0, 1.0, 1.0, 1.0, 1.0)), 1.7),
    ("#8f8f8f", (0, (9.0, 2.5)), 1.5),
)
_MARKERS = "os^DvPX<>*p"

# Where the ticks of an axis may lie, and the thin line of the config's own value.
STEPS = (1, 2, 2.5, 5, 10)
OWN_LINE: dict[str, Any] = {"color": SOFT_INK, "linewidth": 1.1, "linestyle": "-"}


def look_of(state: str, stations: Sequence[str] = ()) -> Look:
    """Colour and hatching of a state: a built-in one's own, a station's by its place.

    Parameters
    ----------
    state : str
        A state of the accounts, or a loss.
    stations : sequence of str
        All stations' states of the machine, as listed.
    """
    if state in stations:
        number = list(stations).index(state)
        colour, ink = _STATION_COLOURS[number % len(_STATION_COLOURS)]
        return Look(colour, _STATION_HATCHES[number % len(_STATION_HATCHES)], ink)
    return LOOKS.get(state, LOOKS["other"])


def area_looks(look: Look) -> dict[str, Any]:
    """Tell matplotlib the look of an area."""
    return {
        "facecolor": look.colour,
        "hatch": look.hatch,
        "edgecolor": look.ink,
        "linewidth": 0.0,
    }


def line_looks(number: int) -> dict[str, Any]:
    """Tell matplotlib the look of the line with a number from 0.

    Later lines are thinner, so that one that covers another leaves it seen.
    """
    colour, dashes, width = _LINES[number % len(_LINES)]
    return {
        "color": colour,
        "linestyle": dashes,
        "linewidth": width,
        "marker": _MARKERS[number % len(_MARKERS)],
        "markersize": 3.6 + 1.2 * width,
    }


@contextmanager
def figure_style() -> Iterator[None]:
    """Build and save figures in the package's style, whatever the user's settings are.

    Letters that the font lacks are drawn as boxes, without a warning.
    """
    with matplotlib.style.context(["default", RC]), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        warnings.filterwarnings("ignore", message=r"Matplotlib currently does not support")
        yield


def save(figure: Figure, folder: str | Path, name: str) -> tuple[Path, Path]:
    """Write a figure as `name`.png (150 dpi) and `name`.svg, each whole or not at all.

    The same figure gives the same bytes: nothing in the files tells when they were written.

    Returns
    -------
    tuple of Path
        The two files.

    Raises
    ------
    OSError
        If a file cannot be written; one that was there stays as it was.
    """
    png, svg = Path(folder) / f"{name}.png", Path(folder) / f"{name}.svg"
    write_whole(png, [drawn(figure, "png")])
    write_whole(svg, [drawn(figure, "svg")])
    return png, svg


def drawn(figure: Figure, kind: str, dpi: float = DPI) -> bytes:
    """Draw a figure as "png" or "svg": the bytes of a file, the same for the same figure."""
    drawing = BytesIO()
    with figure_style():
        metadata = {"Date": None} if kind == "svg" else None
        figure.savefig(drawing, format=kind, dpi=dpi, metadata=metadata)
    return drawing.getvalue()
