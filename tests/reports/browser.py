"""One Chromium for the page tests, and a page that notes everything a page must not do."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

PATH = os.environ.get("HERDBOOK_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser") or ""
needs_chromium = pytest.mark.skipif(
    not PATH, reason="Chromium is missing: apt-get install chromium, or set HERDBOOK_CHROMIUM"
)
ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
OWN = ("file:", "data:", "blob:")


@dataclass
class Watched:
    """A page with what it said and asked for. complaints: console warnings, errors and uncaught exceptions."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    opened_s: float = 0.0
    metrics: Callable[[], list[dict[str, Any]]] = list

    def worked_ms(self) -> float:
        """Processor time of the page's own thread since it was opened: a busy machine does not make it longer."""
        return 1000 * next(float(m["value"]) for m in self.metrics() if m["name"] == "TaskDuration")

    def ask(self, expression: str) -> Any:
        """Evaluate without `eval` in the page itself: the page's own policy forbids that, as it should."""
        return self.page.evaluate(expression)

    def wait(self, true: Callable[[], Any], what: str, seconds: float = 30.0) -> None:
        end = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < end, f"waited {seconds} s for: {what}; the page said {self.complaints}"
            time.sleep(0.02)

    def live(self) -> None:
        """Touch every figure, and wait until all of them are live."""
        self.ask("window.herdbook.start()")
        assert self.ask("window.herdbook.error") in ("", None)
        assert self.ask("window.herdbook.drawn === window.herdbook.total")


@contextmanager
def chromium() -> Iterator[Browser]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=PATH, args=list(ARGUMENTS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser: Browser, path: Path, width: int = 1280, dark: bool = False) -> Iterator[Watched]:
    """Open a file of ours; everything it logs and asks for is noted."""
    scheme = "dark" if dark else "light"
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True)  # type: ignore[arg-type]
    page = context.new_page()
    watched = Watched(page)

    def told(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning", "trace", "assert"):
            watched.complaints.append(f"{message.type}: {message.text}")

    page.on("console", told)
    page.on("pageerror", lambda error: watched.complaints.append(f"exception: {error}"))
    page.on("request", lambda request: watched.requests.append(request.url))
    spoken = context.new_cdp_session(page)
    spoken.send("Performance.enable", {"timeDomain": "threadTicks"})
    watched.metrics = lambda: list(spoken.send("Performance.getMetrics")["metrics"])
    start = time.monotonic()
    page.goto(path.as_uri())
    watched.opened_s = time.monotonic() - start
    try:
        yield watched
    finally:
        context.close()


def outside(watched: Watched) -> list[str]:
    """Requests that left the page's own files."""
    return [url for url in watched.requests if not url.startswith(OWN)]
