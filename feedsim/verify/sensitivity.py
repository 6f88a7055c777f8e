"""The sensitivity of a config as a page shows it: the finding, its table and its figure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from feedsim.answers.sensitivity import TRAJECTORIES, SensitivityResult, sensitivity
from feedsim.config import Config
from feedsim.study import HERE, Work


@dataclass(frozen=True)
class SensitivityShown:
    """A sensitivity with its figure."""

    result: SensitivityResult

    @property
    def title(self) -> str:
        """The finding."""
        return self.result.title

    @property
    def words(self) -> list[str]:
        """The answer, sentence by sentence."""
        return self.result.words

    @property
    def columns(self) -> list[str]:
        """Headings of the table."""
        return self.result.columns

    @property
    def rows(self) -> list[list[str]]:
        """The table."""
        return self.result.rows

    @cached_property
    def picture(self) -> bytes | None:
        """The figure as SVG."""
        from feedsim.plots.sensitivity import sensitivity_figure
        from feedsim.plots.svg import svg_of

        return svg_of(sensitivity_figure(self.result))


def shown_sensitivity(
    config: Config, work: Work = HERE, *, design: int = TRAJECTORIES
) -> SensitivityShown:
    """Find a cell's sensitivity for a page; see `feedsim.answers.sensitivity.sensitivity`."""
    return SensitivityShown(sensitivity(config, work, design=design))
