"""Chromium at a desk: what it complained of, what it asked for, and how many actions a person took."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from playwright.sync_api import Browser, ConsoleMessage, Page

from herdbook.pipeline.desk.serve import Listening
from tests.reports.browser import Watched

READY = "document.getElementById('window')?.dataset.ready === '1' && !document.getElementById('window').ariaBusy"


@dataclass
class Visit(Watched):
    """actions: keys, clicks and fields, as a person counts them."""

    actions: int = 0
    root: str = ""

    def key(self, name: str) -> None:
        self.actions += 1
        self.page.keyboard.press(name)

    def follow(self, name: str = "Enter") -> None:
        """A key that leads to another page."""
        before = self.page.url
        self.key(name)
        self.page.wait_for_url(lambda url: url != before)

    def click(self, selector: str) -> None:
        self.actions += 1
        self.page.locator(selector).first.click()

    def type(self, selector: str, text: str) -> None:
        self.actions += 1
        self.page.locator(selector).first.fill(text)

    def go(self, path: str) -> None:
        self.page.goto(self.root + path.lstrip("/"))

    def drawn(self) -> None:
        self.wait(lambda: self.ask(READY), "the signals to be drawn")

    def text(self, selector: str = "body") -> str:
        return str(self.page.locator(selector).first.inner_text())

    @property
    def strangers(self) -> list[str]:
        return [url for url in self.requests if not url.startswith((self.root, "data:", "blob:"))]


@contextmanager
def visiting(browser: Browser, listening: Listening, width: int = 1280, dark: bool = False) -> Iterator[Visit]:
    scheme = "dark" if dark else "light"
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    page: Page = context.new_page()
    visit = Visit(page, root=listening.root)

    def told(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning", "assert"):
            visit.complaints.append(f"{message.type}: {message.text}")

    page.on("console", told)
    page.on("pageerror", lambda error: visit.complaints.append(f"exception: {error}"))
    page.on("request", lambda request: visit.requests.append(request.url))
    page.goto(listening.address)
    try:
        yield visit
    finally:
        context.close()
