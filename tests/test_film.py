"""Stiffness against handbook values and laminate theory; planning chances by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim import film

# Two-layer film of the worked example: PET 12 um (4.5 GPa) on PE 80 um (0.2 GPa).
PET_PE = [(4.5, 12.0), (0.2, 80.0)]


@pytest.mark.parametrize(
    ("layers", "expected_uNm"),
    [
        # E t^3 / 12 by hand: 1 GPa, 100 um.
        ([(1.0, 100.0)], 83.3333),
        # Neutral axis of an unsymmetric film, by hand.
        (PET_PE, 35.2988),
        # Symmetric 100/200/100 um of 5/2/5 GPa: 24.6667 mN.m.
        ([(5.0, 100.0), (2.0, 200.0), (5.0, 100.0)], 24666.7),
    ],
)
def test_stiffness_by_hand(layers: list[tuple[float, float]], expected_uNm: float) -> None:
    assert film.bending_stiffness_uNm(layers) == pytest.approx(expected_uNm, rel=2e-6)
    assert film.laminate_terms(layers).stiffness_uNm == pytest.approx(expected_uNm, rel=2e-6)


def test_the_mid_plane_value_is_another_one() -> None:
    """Negative control: D about the mid-plane of the unsymmetric film is wrong by 2.7 times."""
    bend = film.laminate_terms(PET_PE).bend_uNm
    assert bend == pytest.approx(96.157, abs=5e-4)
    assert bend / film.bending_stiffness_uNm(PET_PE) == pytest.approx(2.724, abs=1e-3)


def test_plate_form_of_steel() -> None:
    """E t^3 / (12 (1 - nu^2)): steel 200 GPa, nu 0.3, 2 mm, 146.5201 N.m, by hand."""
    reduced = 200.0 / (1 - 0.3**2)
    assert film.bending_stiffness_uNm([(reduced, 2000.0)]) == pytest.approx(146.5201e6, rel=1e-6)


def _q_bar_11_GPa(angle_deg: float) -> float:
    """Plane-stress stiffness along x of a graphite/epoxy ply turned by an angle."""
    e1, e2, g12, nu12 = 181.0, 10.3, 7.17, 0.28
    nu21 = nu12 * e2 / e1
    q11, q22 = e1 / (1 - nu12 * nu21), e2 / (1 - nu12 * nu21)
    q12, q66 = nu12 * e2 / (1 - nu12 * nu21), g12
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return q11 * c**4 + 2 * (q12 + 2 * q66) * s**2 * c**2 + q22 * s**4


def test_unsymmetric_laminate_of_the_textbook() -> None:
    """Kaw, Mechanics of Composite Materials, 2nd ed., example 4.2: [0/30/-45], 5 mm plies."""
    terms = film.laminate_terms([(_q_bar_11_GPa(angle), 5000.0) for angle in (0, 30, -45)])
    # Kaw counts z downwards from the top ply as here: B11 is negative.
    assert terms.stretch_N_per_m == pytest.approx(1.739e9, rel=3e-4)
    assert terms.coupling_N == pytest.approx(-3.129e6, rel=3e-4)
    assert terms.bend_uNm * 1e-6 == pytest.approx(3.343e4, rel=3e-4)


def test_a_turned_film_is_as_stiff() -> None:
    assert film.bending_stiffness_uNm(PET_PE[::-1]) == pytest.approx(
        film.bending_stiffness_uNm(PET_PE), rel=1e-12
    )


@settings(max_examples=50, deadline=None)
@given(
    modulus=st.floats(0.05, 100),
    parts=st.lists(st.floats(1.0, 200.0), min_size=1, max_size=6),
)
def test_cutting_a_layer_changes_nothing(modulus: float, parts: list[float]) -> None:
    """Layers of one modulus are one layer: both forms reduce to E t^3 / 12."""
    layers = [(modulus, part) for part in parts]
    whole = 1e-3 * modulus * sum(parts) ** 3 / 12
    assert film.bending_stiffness_uNm(layers) == pytest.approx(whole, rel=1e-10)
    assert film.laminate_terms(layers).stiffness_uNm == pytest.approx(whole, rel=1e-8)


@pytest.mark.parametrize(
    ("layers", "message"),
    [
        ([], "at least one layer"),
        ([(0.0, 10.0)], "layer 1: modulus must be above 0 GPa, is 0.0"),
        ([(1.0, 10.0), (1.0, -3.0)], "layer 2: thickness must be above 0 um, is -3.0"),
        ([(math.nan, 10.0)], "layer 1: modulus"),
        ([(1.0, math.inf)], "layer 1: thickness"),
    ],
)
def test_impossible_layers_are_refused(layers: list[tuple[float, float]], message: str) -> None:
    for function in (film.bending_stiffness_uNm, film.laminate_terms):
        with pytest.raises(ValueError, match=message):
            function(layers)


# Films in use, machine direction, at PE 0.25 GPa: the trade's table of rounded values.
@pytest.mark.parametrize(
    ("layers", "expected_uNm"),
    [
        ([("PET", 12), ("LLDPE", 80)], 42),
        ([("PET", 12), ("LLDPE", 100)], 75),
        ([("MDO-PE", 25), ("LLDPE", 80)], 45),
        ([("MDO-PE", 25), ("LLDPE", 67)], 31),
        ([("BOPE", 25), ("LLDPE", 80)], 35),
        ([("BOPP", 20), ("LLDPE", 60)], 23),
        ([("BOPP", 20), ("CPP", 60)], 47),
        ([("LLDPE", 120)], 36),
        ([("LLDPE", 92)], 16),
        ([("paper", 87.5)], 335),
        ([("paper", 125)], 977),
    ],
)
def test_films_in_use(layers: list[tuple[str, float]], expected_uNm: float) -> None:
    plies = [(film.MATERIALS[name].modulus_GPa, um) for name, um in layers]
    assert film.bending_stiffness_uNm(plies) == pytest.approx(expected_uNm, abs=0.51)


def test_order_of_the_materials() -> None:
    """Handbook values: only the order LDPE < HDPE < BOPP < PET is sure."""
    moduli = [film.MATERIALS[name].modulus_GPa for name in ("LDPE", "HDPE", "BOPP", "PET")]
    assert moduli == sorted(moduli)
    assert len(set(moduli)) == 4


@pytest.mark.parametrize("name", film.MATERIALS)
def test_each_modulus_lies_in_its_range(name: str) -> None:
    material = film.MATERIALS[name]
    assert 0 < material.low_GPa <= material.modulus_GPa <= material.high_GPa


def test_planning_chances_at_the_reference_are_the_odds() -> None:
    for closure, odds in film.PLANNING_ODDS.items():
        expected = tuple(o / (1 + o) for o in odds)
        assert film.planning_chances(closure, 40.0) == pytest.approx(expected, rel=1e-15)


def test_planning_chances_by_hand() -> None:
    """Slider at 10 uN.m: odds times 4^b with b = 1, 1/2, 1/2, 0.7, 0.7."""
    chances = film.planning_chances("slider", 10.0)
    odds = (0.0050 * 4, 0.0003 * 2, 0.0020 * 2, 0.0012 * 4**0.7, 0.0003 * 4**0.7)
    assert chances == pytest.approx(tuple(o / (1 + o) for o in odds), rel=1e-14)


def test_a_mouth_opener_cuts_the_odds_of_unopened_alone() -> None:
    without = film.planning_chances("hook_zip", 60.0)
    opened = film.planning_chances("hook_zip", 60.0, mouth_opener=True)
    for fault, before, after in zip(film.FAULTS, without, opened, strict=True):
        ratio = (after / (1 - after)) / (before / (1 - before))
        assert ratio == pytest.approx(1 / 3 if fault == "unopened" else 1.0, rel=1e-12)


def test_flimsier_is_worse() -> None:
    stiff, flimsy = film.planning_chances("plain", 80.0), film.planning_chances("plain", 20.0)
    assert all(a > b for a, b in zip(flimsy, stiff, strict=True))


@pytest.mark.parametrize(
    ("closure", "stiffness", "message"),
    [
        ("velvet", 40.0, "closure must be one of plain.*'velvet'"),
        ("plain", 0.0, "above 0"),
        ("plain", math.inf, "above 0"),
    ],
)
def test_planning_refuses(closure: str, stiffness: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        film.planning_chances(closure, stiffness)


@pytest.mark.parametrize(
    ("stiffness", "said"), [(9.99, True), (10.0, False), (1000.0, False), (1000.1, True)]
)
def test_outside_the_rule_of_thumb_it_says_so(stiffness: float, said: bool) -> None:
    text = film.stiffness_warning(stiffness)
    assert (text is not None) == said
    if text is not None:
        assert f"{stiffness:.4g}" in text
        assert "10 to 1000" in text
