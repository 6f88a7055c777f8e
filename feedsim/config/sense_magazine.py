"""Checks of physical sense of a magazine."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.config.magazine import MOST_BAGS, Geometry, Magazine
from feedsim.config.problems import Finding, Path, number_text


def magazine_findings(magazine: Magazine, path: Path) -> Iterator[Finding]:
    """What is impossible about a magazine.

    Parameters
    ----------
    magazine : Magazine
        Types and ranges checked.
    path : tuple
        Of the magazine in the config.
    """
    capacity_path: Path = (*path, "capacity_bags")
    geometry_path: Path = (*path, "geometry")
    if magazine.geometry is None:
        if magazine.capacity_bags is None:
            message = (
                f"is missing: must be a whole number from 1 to {MOST_BAGS} (bags per lane), "
                "for example capacity_bags = 300, or give geometry"
            )
            yield Finding(capacity_path, message, (geometry_path,))
            return
    elif magazine.capacity_bags is not None:
        message = (
            "must not stand together with geometry: give the one or the other, "
            f"is {magazine.capacity_bags}"
        )
        yield Finding(capacity_path, message, (geometry_path,))
    else:
        found = list(_geometry_findings(magazine.geometry, geometry_path))
        yield from found
        if found:
            return
    uses = (capacity_path, geometry_path)
    yield from _contents(magazine, path, magazine.lane_capacity_bags, uses)


def _geometry_findings(geometry: Geometry, path: Path) -> Iterator[Finding]:
    for name in geometry.missing:
        needs = " and ".join(geometry.missing)
        yield Finding((*path, name), f'is missing: loading = "{geometry.loading}" needs {needs}')
    if geometry.missing:
        return
    bags = geometry.lane_capacity_bags
    if bags < 1:
        yield Finding(path, "must hold at least one bag per lane, holds 0")
    elif bags > MOST_BAGS:
        yield Finding(path, f"must hold at most {MOST_BAGS} bags per lane, holds {bags}")


def _contents(
    magazine: Magazine, path: Path, capacity: int, uses: tuple[Path, ...]
) -> Iterator[Finding]:
    holds = f"the {number_text(capacity)} bags that a lane holds"
    if magazine.start_bags is not None and magazine.start_bags > capacity:
        message = f"must be at most {holds}, is {magazine.start_bags}"
        yield Finding((*path, "start_bags"), message, uses)
    if magazine.call_level_bags >= capacity:
        message = f"must be below {holds}, is {magazine.call_level_bags}"
        yield Finding((*path, "call_level_bags"), message, uses)
    if magazine.bundle_bags > capacity:
        message = f"must be at most {holds}, is {magazine.bundle_bags}"
        yield Finding((*path, "bundle_bags"), message, uses)
