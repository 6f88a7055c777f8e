"""A real browser for tests of pages, where one can be had; else the tests skip and say so."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")


@contextmanager
def a_browser() -> Iterator[Any]:
    """Chromium without a window: the one installed on this machine, or playwright's own."""
    api = pytest.importorskip("playwright.sync_api", reason="no browser: playwright is missing")
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    with api.sync_playwright() as playwright:
        browser = None
        with suppress(api.Error):
            browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        if browser is None:
            pytest.skip("no browser: install the system's package chromium")
        try:
            yield browser
        finally:
            browser.close()


class Opened:
    """A page that was opened, with all that it complained of and asked for."""

    def __init__(self, browser: Any, address: str, width: int = 1200, **options: Any) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": 800}, **options)
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.dialogs: list[str] = []
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("dialog", self._dismiss)
        self.page.goto(address)

    def _hear(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def _dismiss(self, dialog: Any) -> None:
        self.dialogs.append(dialog.message)
        dialog.dismiss()

    @property
    def asked_for(self) -> list[str]:
        """Addresses that it asked for besides its own and what it holds itself."""
        return [url for url in self.requests[1:] if not url.startswith("data:")]

    @property
    def too_wide_px(self) -> int:
        """By how much it must be scrolled sideways."""
        root = "document.documentElement"
        return int(self.page.evaluate(f"{root}.scrollWidth - {root}.clientWidth"))
