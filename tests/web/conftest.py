"""One browser for all tests of the page; a fresh context and a fresh stand-in for each."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from tests.web.browser import chromium, context
from tests.web.stand_in import StandIn


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


class Opened:
    """A page on a stand-in, with everything the browser complained of."""

    def __init__(self, listener: StandIn, context: BrowserContext) -> None:
        self.listener = listener
        self.context = context
        self.page: Page = context.new_page()
        self.complaints: list[str] = []
        self.page.on(
            "console",
            lambda message: self.complaints.append(message.text) if message.type in ("error", "warning") else None,
        )
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def go(self, path: str) -> Page:
        """Open a view, and wait until it is drawn with all that it asks for."""
        self.page.goto(self.listener.url + path)
        self.page.wait_for_selector("main h1")
        self.page.wait_for_function(DRAWN)
        settle(self.page)
        return self.page


DRAWN = "() => window.slotwatchPage.feed.loaded && !document.querySelector('main').innerText.includes('Asking for')"


def settle(page: Page) -> None:
    """Wait until the browser has drawn what has changed, and what it measured of that has been answered."""
    page.evaluate(
        "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))))"
    )


Open = Callable[..., Opened]


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Open]:
    closing: list[StandIn | BrowserContext] = []

    def opened(
        situation: str = "well", palette: str = "night", width: int = 1280, height: int = 900, **more: object
    ) -> Opened:
        listener = StandIn(situation).__enter__()
        closing.append(listener)
        made = context(browser, viewport={"width": width, "height": height}, **more)
        made.add_init_script(f"localStorage.setItem('palette', '{palette}')")
        closing.append(made)
        return Opened(listener, made)

    yield opened
    for one in reversed(closing):
        one.close() if isinstance(one, BrowserContext) else one.__exit__()
