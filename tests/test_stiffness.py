"""Stiffness of films from layers and tests: formulas by hand, and the command."""

from __future__ import annotations

import json
import math

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim import film
from feedsim.cli.stiffness_command import command


def _run(*words: str):
    return CliRunner().invoke(command, list(words), standalone_mode=False)


def test_two_point_bending() -> None:
    """ISO 5628, from memory: 60 F l^2 / (pi alpha b), and F l^3 / (3 f b) with f = l alpha."""
    found = film.two_point_stiffness_uNm(0.1, 50, 38, 7.5)
    assert found / 1e3 == pytest.approx(16.7532, abs=5e-5)  # mN.m
    deflection_mm = 50 * math.radians(7.5)
    assert found == pytest.approx(0.1 * 50**3 / (3 * deflection_mm * 38) * 1e3, rel=1e-12)


def test_a_single_film_by_the_beam_form() -> None:
    """E t^3 / 12: 1 GPa, 100 um, 83.3333 mN.mm."""
    value, low, high = film.stiffness_range_uNm(film.layers_of("1GPa:100"), "machine")
    assert (value, low, high) == pytest.approx((83.3333,) * 3, rel=1e-6)


def test_two_layers_about_the_neutral_axis() -> None:
    """PET 12 um (4.5 GPa) on PE 80 um (0.2 GPa): 35.2988 mN.mm, z_n = 17.62 um by hand."""
    layers = [(4.5, 12.0), (0.2, 80.0)]
    # z_n = (4.5 * 12 * 6 + 0.2 * 80 * 52) / (4.5 * 12 + 0.2 * 80)
    by_hand = (4.5 * 12 * 6 + 0.2 * 80 * 52) / (4.5 * 12 + 0.2 * 80)
    assert film.neutral_axis_um(layers) == pytest.approx(by_hand, rel=1e-12)
    assert film.neutral_axis_um(layers[::-1]) == pytest.approx(92 - by_hand, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    names=st.lists(st.sampled_from(sorted(film.MATERIALS)), min_size=1, max_size=4),
    um=st.floats(5, 100),
    parts=st.lists(st.floats(0, 1), min_size=4, max_size=4),
)
def test_no_moduli_within_the_ranges_go_beyond_the_range(names, um, parts) -> None:
    layers = [film.Layer(um * (1 + n), name) for n, name in enumerate(names)]
    for direction in film.DIRECTIONS:
        value, low, high = film.stiffness_range_uNm(layers, direction)
        plies = []
        for layer, part in zip(layers, parts, strict=False):
            _, least, most = layer.moduli_GPa(direction)
            plies.append((least + part * (most - least), layer.um))
        assert low * (1 - 1e-9) <= film.bending_stiffness_uNm(plies) <= high * (1 + 1e-9)
        assert low <= value * (1 + 1e-9)
        assert value <= high * (1 + 1e-9)


def test_each_cross_modulus_lies_in_its_range() -> None:
    for material in film.MATERIALS.values():
        assert 0 < material.cross_low_GPa <= material.cross_GPa <= material.cross_high_GPa
    assert film.MATERIALS["BOPP"].cross_GPa > film.MATERIALS["BOPP"].modulus_GPa
    assert film.MATERIALS["paper"].cross_GPa < film.MATERIALS["paper"].modulus_GPa


def test_overhang_and_bending_length() -> None:
    """Peirce: at 41.5 degrees the bending length is half the overhang (ASTM D1388, from memory)."""
    assert film.bending_length_mm(100) == pytest.approx(50, rel=0.02)
    # (cos(20.75 deg) / (8 tan 41.5 deg))^(1/3) by hand.
    by_hand = (math.cos(math.radians(20.75)) / (8 * math.tan(math.radians(41.5)))) ** (1 / 3)
    assert film.bending_length_mm(100) == pytest.approx(100 * by_hand, rel=1e-12)
    # G = w g c^3: 90 g/m2, c = 50 mm.
    overhang = 50 / by_hand
    expected = 0.090 * 9.80665 * 0.05**3 * 1e6
    assert film.cantilever_stiffness_uNm(overhang, 90) == pytest.approx(expected, rel=1e-12)
    assert film.overhang_mm(expected, 90) == pytest.approx(overhang, rel=1e-12)


def test_grammage_from_densities() -> None:
    layers = film.layers_of("PET12/LLDPE80")
    assert film.grammage_g_m2(layers) == pytest.approx(1.40 * 12 + 0.92 * 80)
    assert film.grammage_g_m2(film.layers_of("PET12/0.25GPa:80")) is None


@pytest.mark.parametrize(
    "text", ["PET:12", "PET 12", "pet12", "PET=12um", " PET : 12 ", "PET:12.0 um"]
)
def test_ways_to_write_a_layer(text: str) -> None:
    assert film.layer_of(text) == film.Layer(12.0, "PET")


def test_ways_to_write_a_film() -> None:
    for text in ("MDO-PE25/LLDPE80", "MDO-PE 25 + LLDPE 80", "mdo-pe:25/lldpe:80"):
        layers = film.layers_of(text)
        assert [(layer.material, layer.um) for layer in layers] == [("MDO-PE", 25), ("LLDPE", 80)]
    [own] = film.layers_of("1.2x0.9GPa:25")
    assert own.moduli_GPa("machine")[0] == 1.2
    assert own.moduli_GPa("cross") == (0.9, 0.9, 0.9)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("PET", "is no layer"),
        ("", "is no layer"),
        ("12", "is no layer"),
        ("LLPDE:80", "did you mean LLDPE"),
        ("PET:0", "above 0 um"),
        ("PET:20000", "at most 10000 um"),
        ("0GPa:12", "a modulus must be above 0 GPa"),
        ("PET:1e3", "is no layer"),
        ("PET:-5", "is no layer"),
    ],
)
def test_what_is_no_layer_is_told(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        film.layer_of(text)


def test_the_command_answers_in_both_directions() -> None:
    ran = _run("PET:12", "LLDPE:80")
    assert ran.return_value == 0
    first = ran.stdout.splitlines()[0]
    # 42.2 by the trade's table at PE 0.25 GPa.
    assert "42.2 uN.m in machine direction" in first
    assert "across" in first
    assert "handbook values from memory" in ran.stdout


def test_the_command_in_json() -> None:
    ran = _run("PET:12", "LLDPE:80", "--two-point", "0.1", "50", "38", "7.5", "--json")
    document = json.loads(ran.stdout)
    own = document["stiffness"]
    machine = own["layers"]["directions"]["machine"]
    assert machine["low_uNm"] < machine["stiffness_uNm"] < machine["high_uNm"]
    assert own["two_point"]["stiffness_uNm"] == pytest.approx(16753.2, abs=0.05)
    # A film that hangs out its own overhang is as stiff as its layers say.
    overhang = machine["overhang_mm"]
    again = _run("PET:12", "LLDPE:80", "--overhang", repr(overhang), "--json")
    found = json.loads(again.stdout)["stiffness"]["overhang"]["stiffness_uNm"]
    assert found == pytest.approx(machine["stiffness_uNm"], rel=1e-9)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "LAYER: is missing"),
        (["PETT:12"], "unknown material 'PETT'"),
        (["--two-point", "0.1", "50", "38", "95"], "--two-point: angle must be below 90"),
        (["--two-point", "0", "50", "38", "7"], "--two-point: force must be above 0"),
        (["--overhang", "90"], "--overhang: needs the mass per area"),
        (["--overhang", "-1", "--grammage", "90"], "--overhang: overhang must be above 0"),
        (["--overhang", "90", "--grammage", "0"], "--grammage: must be a number above 0"),
        (["PET:12", "--grammage", "nan"], "--grammage: must be a number above 0"),
    ],
)
def test_bad_input_is_one_clear_line(words, told) -> None:
    message = str(getattr(_run(*words).exception, "message", ""))
    assert told in message
    assert "\n" not in message
