"""The figures of feedsim, in one palette and one style; importing this imports matplotlib."""

from feedsim.plots.losses import loss_breakdown
from feedsim.plots.style import save

__all__ = ["loss_breakdown", "save"]
