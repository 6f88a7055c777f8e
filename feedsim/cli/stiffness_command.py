"""`feedsim stiffness`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from feedsim.cli.options import JSON

if TYPE_CHECKING:
    from feedsim.film import Layer

OVERHANG_NOTE = (
    "The overhang is where a strip bends to 41.5 degrees under its own weight (cantilever test, "
    "ASTM D1388 and Peirce 1930, from memory)."
)
TABLE_NOTE = (
    "Moduli are handbook values from memory; the range is that of the materials' ranges, not of "
    "the thickness. Adhesive, ink, creases and seals are left out."
)
TWO_POINT_NOTE = "Two-point bending by the formula of ISO 5628 (from memory), small deflections."


@click.command("stiffness")
@click.argument("layers", metavar="[LAYER]...", nargs=-1)
@click.option(
    "--two-point",
    type=float,
    nargs=4,
    metavar="N MM MM DEG",
    help="A two-point bending test: force, bending length, width of the piece, angle.",
)
@click.option(
    "--overhang", type=float, metavar="MM", help="Overhang measured in a cantilever test."
)
@click.option(
    "--grammage",
    type=float,
    metavar="G_M2",
    help="Mass per area, for an overhang; with LAYERs their densities give it.",
)
@click.option("--materials", is_flag=True, help="Show the table of materials.")
@JSON
def command(
    layers: tuple[str, ...],
    two_point: tuple[float, float, float, float] | None,
    overhang: float | None,
    grammage: float | None,
    materials: bool,
    as_json: bool,
) -> int:
    """Bending stiffness of a film, per width, in uN.m (1 uN.m = 1 mN.mm).

    From its LAYERs about the neutral axis, in machine and cross direction: MATERIAL:UM, or
    MODULUSGPa:UM where the modulus is known (1.2x0.9GPa:25 for both directions). Or from a
    bending test, or from the length that hangs over an edge. It writes no folder.

    \b
    Examples:
      feedsim stiffness PET:12 LLDPE:80
      feedsim stiffness BOPP:20 0.7GPa:60
      feedsim stiffness --two-point 0.1 50 38 7.5
      feedsim stiffness --overhang 90 --grammage 90
      feedsim stiffness --materials
    """
    from feedsim.cli.documents import answer_document
    from feedsim.cli.screen import say_json, say_notes

    if not (layers or two_point or overhang is not None or materials):
        raise click.UsageError(
            "LAYER: is missing, allowed: layers such as PET:12 LLDPE:80, --two-point, --overhang "
            "or --materials"
        )
    found = _layers(layers)
    own: dict[str, Any] = {}
    sentences: list[str] = []
    notes: list[str] = []
    if found:
        own["layers"] = _of_layers(found, grammage)
        sentences += _layer_sentences(own["layers"])
        notes += [TABLE_NOTE] if any(layer.material for layer in found) else []
        notes += [OVERHANG_NOTE] if own["layers"]["grammage_g_m2"] else []
    if two_point:
        own["two_point"] = _of_two_point(two_point)
        value = own["two_point"]["stiffness_uNm"]
        sentences.append(f"The two-point test gives a bending stiffness of {value:.4g} uN.m.")
        notes.append(TWO_POINT_NOTE)
        if two_point[3] > 15:
            notes.append(
                f"At {two_point[3]:g} degrees the formula's small deflections are exceeded."
            )
    if overhang is not None:
        own["overhang"] = _of_overhang(overhang, grammage, own.get("layers"))
        told = own["overhang"]
        sentences.append(
            f"An overhang of {overhang:g} mm at {told['grammage_g_m2']:.4g} g/m2 gives a bending "
            f"stiffness of {told['stiffness_uNm']:.4g} uN.m (bending length "
            f"{told['bending_length_mm']:.4g} mm)."
        )
        notes += [] if OVERHANG_NOTE in notes else [OVERHANG_NOTE]
    if materials:
        own["materials"] = _materials()
    if as_json:
        say_json(answer_document("stiffness", sentences, notes, {"stiffness": own}))
        return 0
    for sentence in sentences:
        click.echo(sentence)
    if found:
        _say_layers(own["layers"])
    if materials:
        _say_materials(own["materials"])
    say_notes(notes)
    return 0


def _layers(texts: Sequence[str]) -> list[Layer]:
    from feedsim.film import layers_of

    try:
        return [layer for text in texts for layer in layers_of(text)]
    except ValueError as error:
        raise click.UsageError(f"LAYER: {error}") from error


def _of_layers(layers: Sequence[Layer], grammage: float | None) -> dict[str, Any]:
    from feedsim.film import (
        DIRECTIONS,
        grammage_g_m2,
        neutral_axis_um,
        overhang_mm,
        stiffness_range_uNm,
    )

    weight = grammage if grammage is not None else grammage_g_m2(layers)
    _refuse_grammage(grammage)
    told: dict[str, Any] = {
        "film": " / ".join(f"{layer.name} {layer.um:g} um" for layer in layers),
        "thickness_um": sum(layer.um for layer in layers),
        "grammage_g_m2": weight,
        "directions": {},
    }
    for direction in DIRECTIONS:
        value, low, high = stiffness_range_uNm(layers, direction)
        plies = [(layer.moduli_GPa(direction)[0], layer.um) for layer in layers]
        told["directions"][direction] = {
            "stiffness_uNm": value,
            "low_uNm": low,
            "high_uNm": high,
            "neutral_axis_um": neutral_axis_um(plies),
            "overhang_mm": None if weight is None else overhang_mm(value, weight),
        }
    return told


def _refuse_grammage(grammage: float | None) -> None:
    if grammage is not None and not 0 < grammage < float("inf"):
        raise click.UsageError(f"--grammage: must be a number above 0 (g/m2), is {grammage:g}")


def _of_two_point(given: tuple[float, float, float, float]) -> dict[str, float]:
    from feedsim.film import two_point_stiffness_uNm

    force, length, width, angle = given
    try:
        value = two_point_stiffness_uNm(force, length, width, angle)
    except ValueError as error:
        raise click.UsageError(f"--two-point: {error}") from error
    return {
        "force_N": force,
        "length_mm": length,
        "width_mm": width,
        "angle_deg": angle,
        "stiffness_uNm": value,
    }


def _of_overhang(
    overhang: float, grammage: float | None, layers: dict[str, Any] | None
) -> dict[str, float]:
    from feedsim.film import bending_length_mm, cantilever_stiffness_uNm

    weight = grammage if grammage is not None else (layers or {}).get("grammage_g_m2")
    if weight is None:
        raise click.UsageError(
            "--overhang: needs the mass per area, allowed: --grammage G_M2, or LAYERs of known "
            "materials"
        )
    _refuse_grammage(grammage)
    try:
        value = cantilever_stiffness_uNm(overhang, weight)
    except ValueError as error:
        raise click.UsageError(f"--overhang: {error}") from error
    return {
        "overhang_mm": overhang,
        "grammage_g_m2": weight,
        "bending_length_mm": bending_length_mm(overhang),
        "stiffness_uNm": value,
    }


def _layer_sentences(told: dict[str, Any]) -> list[str]:
    along, across = (told["directions"][d] for d in ("machine", "cross"))
    return [
        f"{told['film']}: one panel has a bending stiffness of {along['stiffness_uNm']:.3g} uN.m "
        f"in machine direction, {across['stiffness_uNm']:.3g} uN.m across."
    ]


def _say_layers(told: dict[str, Any]) -> None:
    from feedsim.cli.screen import say_table

    weight = told["grammage_g_m2"]
    say_table(
        f"{told['thickness_um']:g} um" + ("" if weight is None else f", {weight:.3g} g/m2"),
        ("direction", "stiffness, uN.m", "from the materials' ranges", "neutral axis", "overhang"),
        [
            (
                direction,
                f"{found['stiffness_uNm']:.3g}",
                f"{found['low_uNm']:.3g} to {found['high_uNm']:.3g}",
                f"{found['neutral_axis_um']:.1f} um",
                "-" if found["overhang_mm"] is None else f"{found['overhang_mm']:.0f} mm",
            )
            for direction, found in told["directions"].items()
        ],
        "The neutral axis is counted from the outer face of the first layer.",
    )


def _materials() -> list[dict[str, Any]]:
    from dataclasses import asdict

    from feedsim.film import MATERIALS, MATERIALS_SOURCE

    return [
        {"material": name, **asdict(found), "source": MATERIALS_SOURCE}
        for name, found in MATERIALS.items()
    ]


def _say_materials(rows: list[dict[str, Any]]) -> None:
    from feedsim.cli.screen import say_table
    from feedsim.film import MATERIALS_SOURCE

    say_table(
        f"Moduli in GPa ({MATERIALS_SOURCE})",
        ("material", "machine", "range", "cross", "range", "density, g/cm3"),
        [
            (
                row["material"],
                f"{row['modulus_GPa']:g}",
                f"{row['low_GPa']:g} to {row['high_GPa']:g}",
                f"{row['cross_GPa']:g}",
                f"{row['cross_low_GPa']:g} to {row['cross_high_GPa']:g}",
                f"{row['density_g_cm3']:g}",
            )
            for row in rows
        ],
    )
