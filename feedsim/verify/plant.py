"""Short configs for the theory cases: machines that fill cereal bags, bare of all else."""

from __future__ import annotations

from collections.abc import Iterable

# One bundle: a lane of a million single bags takes a tenth of a second to fill.
AMPLE = "lanes = 1\ncapacity_bags = 1_000_000\nbundle_bags = 1_000_000"


def exponential(mean_min: float) -> str:
    """An exponential time."""
    return f'{{ family = "exponential", mean_min = {mean_min!r} }}'


def constant(mean_min: float) -> str:
    """A constant time."""
    return f'{{ family = "constant", mean_min = {mean_min!r} }}'


def station(
    name: str, between_stops: str, stop: str, *, tended: bool = False, place: str = "inline"
) -> str:
    """One station's table."""
    return (
        f'[[machine.station]]\nname = "{name}"\nplace = "{place}"\n'
        f"between_stops = {between_stops}\nstop = {stop}\n"
        f"needs_operator = {str(tended).lower()}\n"
    )


def plant(
    *,
    shift_min: float,
    speed_per_min: float,
    warm_up_min: float = 0.0,
    machines: int = 1,
    operators: int = 0,
    crew: str = "",
    magazine: str = AMPLE,
    tables: Iterable[str] = (),
) -> str:
    """A config of machines that are all alike.

    Parameters
    ----------
    shift_min, warm_up_min : float
        Length of the shift and of what is left out of it, min.
    speed_per_min : float
        Speed of each machine, bags per minute.
    machines, operators : int
        How many.
    crew, magazine : str
        Further keys of these tables; by default a magazine that outlasts the shift.
    tables : iterable of str
        Further tables of the machine.

    Returns
    -------
    str
        The config in TOML. Every halt counts as availability loss.
    """
    lines = [
        "[study]",
        f"shift_h = {shift_min / 60!r}",
        f"warm_up_h = {warm_up_min / 60!r}",
        "minor_stop_min = 0",
        "[crew]",
        f"operators = {operators}",
        crew,
        "[[machine]]",
        'name = "oats"',
        f"count = {machines}",
        f"speed_per_min = {speed_per_min!r}",
        "[machine.magazine]",
        magazine,
        *tables,
    ]
    return "\n".join(lines) + "\n"
