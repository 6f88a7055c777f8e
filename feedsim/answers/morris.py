"""A design of one-at-a-time steps from many starting points, and what its steps tell.

From a random point of a grid each input takes one step, in random order; that is a trajectory. The
mean of an input's steps over the trajectories is its effect wherever the other inputs lie, and the
spread of the steps is how much it depends on where they lie (or how curved it is).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.stats import Estimate, Floats, estimate

LEVELS = 4


@dataclass(frozen=True, slots=True)
class Steps:
    """What an input's steps tell of a figure.

    Attributes
    ----------
    mean : Estimate
        Mean of the steps, each as large as its slope over the whole range.
    mean_size : float
        Mean of their sizes, signs left out.
    spread : float
        Their standard deviation over the trajectories, without what so few shifts explain.
    """

    mean: Estimate
    mean_size: float
    spread: float


def trajectories(inputs: int, number: int, luck: np.random.Generator) -> Floats:
    """Make a design.

    Parameters
    ----------
    inputs : int
        k, at least 1.
    number : int
        t, how many trajectories.
    luck : numpy.random.Generator

    Returns
    -------
    array of shape (t, k + 1, k)
        Levels from 0 to 1 on a grid of 4. Neighbouring points of a trajectory differ in one
        input, by 2/3 up or down, and each input takes one step.

    References
    ----------
    Morris, Factorial sampling plans for preliminary computational experiments, Technometrics 33
    (1991) 161, with p = 4 levels and a step of p / (2 (p - 1)).
    """
    step = LEVELS / (2 * (LEVELS - 1))
    grid = np.arange(LEVELS // 2) / (LEVELS - 1)
    design = np.empty((number, inputs + 1, inputs))
    for trajectory in design:
        low = luck.choice(grid, inputs)
        is_up = luck.random(inputs) < 0.5
        trajectory[0] = np.where(is_up, low, low + step)
        for row, column in enumerate(luck.permutation(inputs)):
            trajectory[row + 1] = trajectory[row]
            trajectory[row + 1, column] += step if is_up[column] else -step
    return design


def steps_of(design: Floats, values: Floats, deviations: Floats, confidence: float) -> list[Steps]:
    """What the steps of each input tell.

    Parameters
    ----------
    design : array of shape (t, k + 1, k)
    values : array of shape (t, k + 1)
        The figure at each point.
    deviations : array of shape (t, k + 1, n)
        Its deviations in n shifts, the same luck at all points.
    confidence : float
        Of the mean's interval, over the luck of the shifts; the points are as they are.

    Returns
    -------
    list of Steps
        One an input.

    References
    ----------
    Means, and means of sizes: Campolongo, Cariboni and Saltelli, Environmental Modelling and
    Software 22 (2007) 1509. The shifts' part of the spread, own derivation: if trajectory i's
    step is e_i + noise_i, the expected sample variance of the steps is that of e plus
    sum over i of var(noise_i - mean of noises) / (t - 1).
    """
    moves = np.diff(design, axis=1)
    found = []
    for column in range(design.shape[2]):
        rows: NDArray[np.intp] = np.argmax(np.abs(moves[:, :, column]), axis=1)
        places = np.arange(len(design))
        move = moves[places, rows, column]
        effects = (values[places, rows + 1] - values[places, rows]) / move
        noise = (deviations[places, rows + 1] - deviations[places, rows]) / move[:, np.newaxis]
        n = noise.shape[1]
        mean = estimate(float(effects.mean()), noise.mean(axis=0), n, confidence)
        found.append(Steps(mean, float(np.abs(effects).mean()), _spread(effects, noise)))
    return found


def _spread(effects: Floats, noise: Floats) -> float:
    count, n = noise.shape
    if count < 2:
        return float("nan")
    within = 0.0
    if n > 1:
        apart = noise - noise.mean(axis=0)
        within = float(apart.var(axis=1, ddof=1).sum()) / n / (count - 1)
    return float(np.sqrt(max(0.0, float(effects.var(ddof=1)) - within)))
