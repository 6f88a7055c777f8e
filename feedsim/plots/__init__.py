"""The figures of feedsim, in one palette and one style; importing this imports matplotlib."""

from feedsim.plots.capacity import capacity_figure
from feedsim.plots.losses import loss_breakdown
from feedsim.plots.style import save

__all__ = ["capacity_figure", "loss_breakdown", "save"]
