"""What every answer can do besides its own: say itself, draw itself, be read by pandas."""

from __future__ import annotations

from abc import ABC, abstractmethod
from importlib import import_module
from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

VIEWS = "feedsim.cli.notebook"


class Shown(ABC):
    """An answer that says and shows what its command does, in Python or in a notebook.

    What that needs stands after the answers and draws: so it is imported by name, when asked.
    """

    @abstractmethod
    def frame(self) -> pd.DataFrame:
        """The answer as a table."""

    def sentences(self) -> list[str]:
        """The answer in sentences, the most important first, as its command prints it."""
        return list(self._view("view_of").sentences())

    def figure(self) -> Figure:
        """The answer's main figure, as its command draws it; `feedsim.plots.save` writes it."""
        return cast("Figure", self._view("view_of").draw())

    def _repr_html_(self) -> str:
        """HTML for a notebook: sentences, figure and tables; all names escaped, no script."""
        return cast("str", self._view("html_of"))

    def _view(self, of: str) -> Any:
        return getattr(import_module(VIEWS), of)(self)
