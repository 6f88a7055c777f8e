"""Table [machine.bag]: the bag, its film and the chances of its five pick faults."""

from __future__ import annotations

from typing import Literal

from feedsim import film as films
from feedsim.config.declare import Table, key
from feedsim.config.film import ALLOWED, FilmKey
from feedsim.film import Chances

ChanceSource = Literal["faults", "film model", "planning", "none"]
Closure = Literal["plain", "press_zip", "front_zip", "hook_zip", "slider", "handle"]


class Layer(Table):
    """One layer of the film: a known material or a modulus, and its thickness."""

    material: str | None = key(
        "Material, for its modulus in machine direction; or give modulus_GPa",
        default=None,
        example="PET",
        allowed="one of " + ", ".join(f'"{name}"' for name in films.MATERIALS),
        source="handbook values, from memory",
    )
    modulus_GPa: float | None = key(
        "Modulus in machine direction, in place of material",
        unit="GPa",
        default=None,
        example=0.25,
        ge=1e-6,
        le=films.STIFFEST_GPA,
    )
    um: float = key("Thickness", unit="um", example=80, ge=0.001, le=films.THICKEST_UM)

    @property
    def modulus(self) -> float:
        """Modulus in machine direction, GPa.

        Raises
        ------
        ValueError
            An unknown material, which no sound config has.
        """
        if self.modulus_GPa is not None:
            return self.modulus_GPa
        if self.material not in films.MATERIALS:
            raise ValueError(f"unknown material {self.material!r}")
        return films.MATERIALS[self.material].modulus_GPa


class Faults(Table):
    """Chances per pick attempt; what is not named does not happen."""

    missed: float = key("Nothing taken", default=0, example=0.003, ge=0, le=1)
    double: float = key("Two or more taken, detected", default=0, example=0.0005, ge=0, le=1)
    unopened: float = key("Taken, did not open", default=0, example=0.003, ge=0, le=1)
    skewed: float = key("Filled, closed badly", default=0, example=0.0008, ge=0, le=1)
    jam: float = key("Stops the machine", default=0, example=0.0001, ge=0, le=1)


class BadBundles(Table):
    """Misses come in bad bundles, not alone."""

    share: float = key("Chance that a bundle is bad", example=0.03, ge=0, le=1)
    missed: float = key("Chance of a miss per pick in a bad bundle", example=0.2, ge=0, le=1)


class Bag(Table):
    """The bag of one machine."""

    closure: Closure | None = key(
        "How the consumer closes the bag", default=None, example="press_zip", shown_default="none"
    )
    stiffness_uNm: float | None = key(
        "Bending stiffness of one panel, machine direction; or give layers",
        unit="uN.m",
        default=None,
        example=42,
        shown_default="none, or from layers",
        ge=1e-6,
        le=films.STIFFEST_UNM,
    )
    layers: tuple[Layer, ...] | None = key(
        "Layers of the film, from which the stiffness follows, in place of stiffness_uNm",
        default=None,
        example=[{"material": "PET", "um": 12}, {"modulus_GPa": 0.25, "um": 80}],
        allowed='a list of layers like { material = "PET", um = 12 }',
        shown_default="none",
        listed=True,
        min_length=1,
        max_length=50,
    )
    film: FilmKey | None = key(
        "File of a film model fitted to pick trials",
        default=None,
        example="film.toml",
        allowed=ALLOWED,
        shown_default="none",
    )
    faults: Faults | None = key(
        "Chances of the faults per pick attempt, measured",
        default=None,
        example={"missed": 0.003, "double": 0.0005, "unopened": 0.003, "jam": 0.0001},
        shown_default="none",
    )
    bad_bundles: BadBundles | None = key(
        "Bundles in which the picks miss far more often",
        default=None,
        example={"share": 0.03, "missed": 0.2},
        shown_default="none",
        source="where wanted: share 0.03, missed 0.2 are planning values, from memory",
    )

    @property
    def stiffness(self) -> float | None:
        """Bending stiffness of one panel, uN.m, as given or from the layers."""
        if self.stiffness_uNm is not None:
            return self.stiffness_uNm
        if self.layers is None:
            return None
        return films.bending_stiffness_uNm([(layer.modulus, layer.um) for layer in self.layers])

    @property
    def chance_source(self) -> ChanceSource:
        """Where the chances come from."""
        if self.faults is not None:
            return "faults"
        if self.film is not None:
            return "film model"
        if self.closure is not None and self.stiffness is not None:
            return "planning"
        return "none"

    def chances(self, mouth_opener: bool = False) -> Chances:
        """Chances per pick attempt in a good bundle, in the order of `film.FAULTS`.

        Raises
        ------
        ValueError
            As `FilmModel.chances`: no sound config has such a closure or stiffness.
        """
        if self.faults is not None:
            f = self.faults
            return (f.missed, f.double, f.unopened, f.skewed, f.jam)
        if self.film is not None:
            return self.film.chances(self.closure, self.stiffness, mouth_opener)
        if self.closure is not None and self.stiffness is not None:
            return films.planning_chances(self.closure, self.stiffness, mouth_opener)
        return (0.0, 0.0, 0.0, 0.0, 0.0)

    def bad_chances(self, mouth_opener: bool = False) -> Chances:
        """The same within a bad bundle: another chance of a miss, the others as they were."""
        good, bad = self.chances(mouth_opener), self.bad
        return good if bad is None else (bad.missed, *good[1:])

    @property
    def bad(self) -> BadBundles | None:
        """Bad bundles: the config's, else the film model's, else none."""
        if self.bad_bundles is not None or self.film is None or self.faults is not None:
            return self.bad_bundles
        fitted = self.film.bad_bundles
        return None if fitted is None else BadBundles(share=fitted.share, missed=fitted.missed)
