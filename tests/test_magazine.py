"""Capacity of a lane from its geometry, by hand."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim import magazine


@pytest.mark.parametrize(
    ("length", "part", "expected"),
    [
        (400.0, 0.2, 2000),
        (1.2, 0.1, 12),
        (0.3, 0.1, 3),
        (399.9, 0.2, 1999),
        (360.0, 1.2, 300),
        (0.9, 1.0, 0),
        (-5.0, 10.0, -1),
    ],
)
def test_whole_parts(length: float, part: float, expected: int) -> None:
    assert magazine.whole_fits(length, part) == expected


def test_binary_dust_is_real() -> None:
    """Negative control: the bare floor loses a bag in one of the cases above."""
    assert math.floor(1.2 / 0.1) == 11
    assert magazine.whole_fits(1.2, 0.1) == 12


@settings(max_examples=200, deadline=None)
@given(hundredths=st.integers(1, 500), tenths=st.integers(1, 20_000))
def test_decimals_fit_as_fractions_do(hundredths: int, tenths: int) -> None:
    exact = math.floor(Fraction(tenths, 10) / Fraction(hundredths, 100))
    assert magazine.whole_fits(tenths / 10, hundredths / 100) == exact


@pytest.mark.parametrize("part", [0.0, -1.0, math.nan, math.inf])
def test_no_part_no_answer(part: float) -> None:
    with pytest.raises(ValueError, match="cannot fit"):
        magazine.whole_fits(10.0, part)


def test_one_pile() -> None:
    """Zip edge of 1.2 mm in a stack of 360 mm: 300 bags."""
    assert magazine.stacked_capacity_bags(stack_height_mm=360, bag_thickness_mm=1.2) == 300


def test_piles_along_the_lane() -> None:
    """1200 mm, bags of 300 mm with 20 mm between: 3 piles, (1200 + 20) / 320 = 3.8."""
    bags = magazine.stacked_capacity_bags(
        stack_height_mm=100,
        bag_thickness_mm=1,
        lane_length_mm=1200,
        bag_length_mm=300,
        gap_mm=20,
    )
    assert bags == 300
    touching = magazine.stacked_capacity_bags(
        stack_height_mm=100, bag_thickness_mm=1, lane_length_mm=1200, bag_length_mm=300
    )
    assert touching == 400


def test_a_lane_shorter_than_a_bag_holds_none() -> None:
    assert (
        magazine.stacked_capacity_bags(
            stack_height_mm=100, bag_thickness_mm=1, lane_length_mm=200, bag_length_mm=300
        )
        == 0
    )
    assert (
        magazine.shingled_capacity_bags(lane_length_mm=200, shingle_pitch_mm=12, bag_length_mm=300)
        == 0
    )


def test_half_a_geometry_is_refused() -> None:
    with pytest.raises(ValueError, match="both lane_length_mm and bag_length_mm"):
        magazine.stacked_capacity_bags(stack_height_mm=100, bag_thickness_mm=1, lane_length_mm=1200)


@pytest.mark.parametrize(
    ("bag_length", "expected"), [(None, 101), (300.0, 76), (1200.0, 1), (1201.0, 0)]
)
def test_shingled(bag_length: float | None, expected: int) -> None:
    """L / p + 1 at 1200 mm and 12 mm; with a bag of 300 mm (1200 - 300) / 12 + 1."""
    bags = magazine.shingled_capacity_bags(
        lane_length_mm=1200, shingle_pitch_mm=12, bag_length_mm=bag_length
    )
    assert bags == expected
