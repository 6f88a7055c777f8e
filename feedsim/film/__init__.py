"""Films: bending stiffness, planning chances of the five pick faults, models fitted to trials."""

from feedsim.film.bending import (
    bending_length_mm,
    cantilever_stiffness_uNm,
    overhang_mm,
    two_point_stiffness_uNm,
)
from feedsim.film.file import FilmFileError, model_of, table_of
from feedsim.film.laminate import (
    LaminateTerms,
    bending_stiffness_uNm,
    laminate_terms,
    neutral_axis_um,
)
from feedsim.film.layers import Layer, grammage_g_m2, layer_of, layers_of, stiffness_range_uNm
from feedsim.film.materials import DIRECTIONS, MATERIALS, MATERIALS_SOURCE, Direction, Material
from feedsim.film.model import ANY, BadBundleFit, FaultFit, FilmModel, Tried
from feedsim.film.planning import (
    CLOSURES,
    FAULTS,
    MOUTH_OPENER_DIVISOR,
    PLANNING_EXPONENTS,
    PLANNING_ODDS,
    PLANNING_SOURCE,
    Chances,
    PLANNING_STIFFNESS_uNm,
    PLANNING_VALID_uNm,
    chance_of_any,
    planning_chances,
    stiffness_warning,
)

__all__ = [
    "ANY",
    "CLOSURES",
    "DIRECTIONS",
    "FAULTS",
    "MATERIALS",
    "MATERIALS_SOURCE",
    "MOUTH_OPENER_DIVISOR",
    "PLANNING_EXPONENTS",
    "PLANNING_ODDS",
    "PLANNING_SOURCE",
    "BadBundleFit",
    "Chances",
    "Direction",
    "FaultFit",
    "FilmFileError",
    "FilmModel",
    "LaminateTerms",
    "Layer",
    "Material",
    "PLANNING_STIFFNESS_uNm",
    "PLANNING_VALID_uNm",
    "Tried",
    "bending_length_mm",
    "bending_stiffness_uNm",
    "cantilever_stiffness_uNm",
    "chance_of_any",
    "grammage_g_m2",
    "laminate_terms",
    "layer_of",
    "layers_of",
    "model_of",
    "neutral_axis_um",
    "overhang_mm",
    "planning_chances",
    "stiffness_range_uNm",
    "stiffness_warning",
    "table_of",
    "two_point_stiffness_uNm",
]
