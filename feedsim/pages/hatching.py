"""Colours and hatchings of the figures as style sheets."""

from __future__ import annotations

from feedsim.plots.style import Look

SPACING_PX = 7
_ANGLES = {"/": (-45,), "\\": (45,), "|": (90,), "-": (0,), "x": (45, -45), "+": (0, 90)}
_DOTS = {".": (1.1, 0.0), "o": (2.2, 1.2), "*": (1.8, 0.0)}


def hatched(selector: str, look: Look) -> str:
    """A rule that fills elements as the figures fill areas.

    Parameters
    ----------
    selector : str
        Of the elements.
    look : Look
        Colour, hatching and the hatching's ink.
    """
    rules = [f"background-color: {look.colour}"]
    layers = _layers(look)
    if layers:
        rules.append(f"background-image: {', '.join(layers)}")
    if look.hatch[:1] in _DOTS:
        rules.append(f"background-size: {SPACING_PX}px {SPACING_PX}px")
    return f"{selector} {{ {'; '.join(rules)}; }}"


def _layers(look: Look) -> list[str]:
    sign = look.hatch[:1]
    ink = look.ink
    # A pair of strokes is the usual density; four strokes lie twice as close.
    apart = SPACING_PX * 2 / max(2, len(look.hatch))
    if sign in _ANGLES:
        return [
            f"repeating-linear-gradient({angle}deg, {ink} 0 1px, transparent 1px {apart:g}px)"
            for angle in _ANGLES[sign]
        ]
    if sign in _DOTS:
        outer, inner = _DOTS[sign]
        ring = f"transparent {inner}px, {ink} {inner + 0.2:g}px {outer}px" if inner else ink
        edge = "" if inner else f" {outer}px"
        return [f"radial-gradient(circle, {ring}{edge}, transparent {outer + 0.3:g}px)"]
    return []
