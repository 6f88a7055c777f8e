"""Checks of physical sense of a bag, its film and its fault chances."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim import film
from feedsim.config.bag import Bag, Layer
from feedsim.config.catalog import nearest
from feedsim.config.machine import Machine
from feedsim.config.problems import Finding, Path, number_text, show

# Chances written in decimals may sum to a hair above 1.
DUST = 1e-12


def bag_findings(machine: Machine, machine_path: Path) -> Iterator[Finding]:
    """What is impossible about a machine's bag.

    Parameters
    ----------
    machine : Machine
        Types and ranges checked.
    machine_path : tuple
        Of the machine in the config.
    """
    bag = machine.bag
    path: Path = (*machine_path, "bag")
    film_wrong = list(_film_findings(bag, path))
    yield from film_wrong
    if bag.stiffness_uNm is not None and bag.layers is not None:
        message = (
            "must not stand together with layers: give the one or the other, "
            f"is {number_text(bag.stiffness_uNm)}"
        )
        yield Finding((*path, "stiffness_uNm"), message, ((*path, "layers"),))
    layers = list(_layer_findings(bag, path))
    yield from layers
    if not layers and not film_wrong:
        yield from _chance_findings(machine, path)


def _film_findings(bag: Bag, path: Path) -> Iterator[Finding]:
    if bag.film is None:
        return
    own: Path = (*path, "film")
    if bag.faults is not None:
        message = (
            "must not stand together with faults: give the one or the other, "
            f"is {show(str(bag.film))}"
        )
        yield Finding(own, message, ((*path, "faults"),))
        return
    if bag.film.needs_closure and bag.closure not in bag.film.closures:
        known = ", ".join(f'"{closure}"' for closure in bag.film.closures)
        given = "is missing" if bag.closure is None else f'is "{bag.closure}"'
        message = f"{given}: the film model's chances hang on it, must be one of {known}"
        yield Finding((*path, "closure"), message, (own,))
    if bag.film.needs_stiffness and bag.stiffness_uNm is None and bag.layers is None:
        message = (
            "is missing: the film model's chances hang on it, must be a number above 0 (uN.m), "
            "or layers"
        )
        yield Finding((*path, "stiffness_uNm"), message, (own,))


def _layer_findings(bag: Bag, path: Path) -> Iterator[Finding]:
    for number, layer in enumerate(bag.layers or ()):
        own: Path = (*path, "layers", number)
        name, message = _layer_problem(layer)
        if message:
            uses: tuple[Path, ...] = ((*own, "modulus_GPa"), (*own, "material"))
            yield Finding((*own, name), message, uses)


def _layer_problem(layer: Layer) -> tuple[str, str]:
    if layer.material is None:
        missing = "is missing: a layer needs material or modulus_GPa"
        return "material", missing if layer.modulus_GPa is None else ""
    if layer.modulus_GPa is not None:
        return "modulus_GPa", (
            "must not stand together with material: give the one or the other, "
            f"is {number_text(layer.modulus_GPa)}"
        )
    if layer.material not in film.MATERIALS:
        near = nearest(layer.material, list(film.MATERIALS))
        meant = f" (did you mean {show(near)}?)" if near else ""
        known = ", ".join(f'"{name}"' for name in film.MATERIALS)
        return "material", f"must be one of {known}, is {show(layer.material)}{meant}"
    return "", ""


def _chance_findings(machine: Machine, path: Path) -> Iterator[Finding]:
    bag = machine.bag
    film_paths: tuple[Path, ...] = tuple(
        (*path, name) for name in ("closure", "stiffness_uNm", "layers", "film", "faults")
    )
    opener: Path = (*path[:-1], "pick", "mouth_opener")
    good = film.chance_of_any(machine.chances)
    if good > 1 + DUST:
        name = "faults"
        if bag.chance_source in ("planning", "film model"):
            given = [n for n in ("stiffness_uNm", "layers") if getattr(bag, n) is not None]
            name = given[0] if given else "film"
        message = f"the chances of the five faults must sum to at most 1, sum to {good:.12g}"
        yield Finding((*path, name), message, (*film_paths, opener))
        return
    bad = film.chance_of_any(machine.bad_chances)
    if bag.bad is not None and bad > 1 + DUST:
        message = (
            "with the chances of the other faults it must sum to at most 1, sums to "
            f"{bad:.12g}, is {number_text(bag.bad.missed)}"
        )
        name = "film" if bag.bad_bundles is None else "bad_bundles"
        where: Path = (*path, name) if name == "film" else (*path, name, "missed")
        yield Finding(where, message, (*film_paths, opener))
