"""The page on the real server: what `edge.front.server` sends is what the page reads, under the real policy.

Only the snapshots are made up; files, headers, answers and events are the daemon's own.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from aiohttp import web
from playwright.sync_api import Browser

from slotwatch import clock
from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Guard
from slotwatch.edge.front.history import History
from slotwatch.edge.front.server import build_app
from slotwatch.judge.orders import Accept, Acknowledge
from slotwatch.snapshot import Snapshot, UniverseState
from tests.edge.front_house import Judging, MadeUpSnapshots, Packets
from tests.patience import PATIENCE_S
from tests.views import fabricate
from tests.web.browser import context
from tests.web.stand_in import PAGES, serve_on_free_port, stop_serving

pytestmark = pytest.mark.browser


class RealFront:
    """The daemon's server in a thread, following a snapshots on which a new snapshot is laid ten times a second."""

    def __init__(self, place: Path, universes: int = 3) -> None:
        self.house = replace(fabricate.house(universes), file=str(place / "house.toml"))
        self.snapshot: Snapshot = fabricate.snapshot(universes)
        self.judging = Judging()
        self.url = ""
        self._place = place
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def start(self) -> RealFront:
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._start(), self._loop).result(PATIENCE_S)
        return self

    def stop(self) -> None:
        asyncio.run_coroutine_threadsafe(self._stop(), self._loop).result(PATIENCE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(PATIENCE_S)
        self._loop.close()

    def fall_silent(self) -> None:
        """Judging publishes nothing more."""
        self._loop.call_soon_threadsafe(self._laying.cancel)

    async def _start(self) -> None:
        self._snapshots = MadeUpSnapshots()
        self._history = History(self._place / "history.db", 3660)
        self._front = Front(self.house, self._snapshots, self.judging.ask, Guard(self.house))
        self._front.followers.append(self._history)
        self._runner = web.AppRunner(build_app(self._front, self._history, Packets(self._place)), shutdown_timeout=0.2)
        self._lay()
        self._front.look(clock.monotonic_ns())
        await self._runner.setup()
        self._listening = await serve_on_free_port(self._runner)
        self.url = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        self._laying = asyncio.create_task(self._lay_on())
        self._pump = asyncio.create_task(self._front.pump())

    async def _stop(self) -> None:
        for task in (self._laying, self._pump):
            task.cancel()
        self._front.listeners.close()
        await stop_serving(self._runner, self._listening)
        self._history.close()

    async def _lay_on(self) -> None:
        while True:
            self._lay()
            await asyncio.sleep(0.1)

    def _lay(self) -> None:
        """Lay the snapshot as of now: its own times stay, and the wall clock comes to them."""
        now_ns = self.snapshot.now_ns
        offset_ns = time.time_ns() - now_ns
        incidents = tuple(replace(one, wall_offset_ns=offset_ns) for one in self.snapshot.incidents)
        self._snapshots.show(
            replace(self.snapshot, sequence=self._snapshots.sequence + 1, wall_offset_ns=offset_ns, incidents=incidents)
        )


@pytest.fixture
def front(tmp_path: Path) -> Iterator[RealFront]:
    running = RealFront(tmp_path).start()
    yield running
    running.stop()


def test_every_view_reads_the_real_answers(front: RealFront, browser: Browser) -> None:
    """No view complains, and none shows a value that it did not understand."""
    opened = context(browser, viewport={"width": 1280, "height": 900})
    page = opened.new_page()
    complaints: list[str] = []
    page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    for path in (
        *PAGES,
        "/universe/e131/1",
        "/universe/e131/2",
        "/universe/artnet/0",
        "/incident/7",
        "/incident/3",
        "/rules/universe-lost",
        "/universes/from/e131/1",
    ):
        page.goto(front.url + path)
        page.wait_for_selector("main h1")
        page.wait_for_function(
            "() => window.slotwatchPage.feed.loaded && !document.querySelector('main').innerText.match('Asking for')",
        )
        text = page.locator("main").inner_text()
        assert not {"undefined", "NaN", "[object"} & set(text.replace(".", " ").split()), (path, text)
        assert "could not be read" not in text, (path, text)
    assert complaints == []
    opened.close()


def test_what_judging_says_comes_through_at_once(front: RealFront, browser: Browser) -> None:
    """From a snapshot in the snapshot buffer to the words on the page: the state, the headline, the levels."""
    opened = context(browser)
    page = opened.new_page()
    page.goto(front.url + "/universe/e131/1")
    page.wait_for_selector("text=main desk wins every slot.")
    page.wait_for_selector("text=is steady at 44.0 Hz from main desk.")
    columns = {name: column.copy() for name, column in front.snapshot.universes.items()}
    columns["state"][0] = UniverseState.LOST
    columns["refresh_hz"][0] = np.nan
    front.snapshot = replace(front.snapshot, universes=columns)
    page.wait_for_selector("text=e131/1, Label 1, is lost")
    page.goto(front.url + "/")
    page.wait_for_selector("text=2 OF 3 UNIVERSES LOST")
    page.wait_for_selector('.card >> text=Universe e131/2 ("Label 2") is lost.')
    assert page.locator("tr.is-lost").count() == 2
    opened.close()


def test_the_first_card_is_unfolded_however_late_the_browser_measures(front: RealFront, browser: Browser) -> None:
    """A busy browser reports sizes after the first drawing; a card that was drawn folded stayed so."""
    opened = context(browser, viewport={"width": 1366, "height": 768})
    page = opened.new_page()
    page.add_init_script("window.ResizeObserver = class { observe() {} }")
    page.goto(front.url + "/")
    page.wait_for_selector('.card >> text=Universe e131/2 ("Label 2") is lost.')
    opened.close()


def test_what_came_back_is_reported_from_the_listeners_own_fields(front: RealFront, browser: Browser) -> None:
    """`returned_at` and `lasted_s` as the daemon writes them: BACK, watched, with the outage's own length.

    A page that was given the incident before is given it anew, since it is revised.
    """
    columns = {name: column.copy() for name, column in front.snapshot.universes.items()}
    columns["state"][1] = UniverseState.RETURNING
    incidents = tuple(
        replace(one, returned_ns=one.began_ns + 4_600_000_000, revision=one.revision + 1)
        if one.closed_ns is None
        else one
        for one in front.snapshot.incidents
    )
    front.snapshot = replace(front.snapshot, universes=columns, incidents=incidents)
    opened = context(browser)
    page = opened.new_page()
    page.goto(front.url + "/")
    page.wait_for_function("() => document.querySelector('.verdict-now .what').textContent.startsWith('BACK ')")
    page.wait_for_selector("text=Main desk silent for 4.6 s")
    opened.close()


def test_a_person_takes_an_incident_on_through_the_real_server(front: RealFront, browser: Browser) -> None:
    opened = context(browser)
    page = opened.new_page()
    page.goto(front.url + "/")
    page.click("summary:has-text('Acknowledge')")
    page.fill("input[name=by]", "Jo")
    page.click("button:has-text('I have it')")
    page.wait_for_selector("text=Jo has it")
    assert Acknowledge(7, "Jo", "") in front.judging.asked
    page.fill("form input[name=text]", "blink")
    page.click("button:has-text('Mark')")
    page.wait_for_selector("text=Marked: “blink”.")
    opened.close()


def test_a_fault_is_accepted_through_the_real_server(front: RealFront, browser: Browser) -> None:
    opened = context(browser)
    page = opened.new_page()
    page.goto(front.url + "/incident/7")
    page.click("summary:has-text('Accept it on purpose')")
    form = page.locator("form:has(input[name=reason])")
    form.locator("input[name=reason]").fill("by design")
    form.locator("input[name=by]").fill("Jo")
    form.locator("button").click()
    page.wait_for_function("() => window.slotwatchPage.feed.incidents.get(7).accepted")
    (asked,) = [order for order in front.judging.asked if isinstance(order, Accept)]
    assert (asked.id, asked.reason, asked.by) == (7, "by design", "Jo")
    opened.close()


def test_judging_that_falls_silent_makes_the_page_stale(front: RealFront, browser: Browser) -> None:
    opened = context(browser)
    page = opened.new_page()
    page.goto(front.url + "/")
    page.wait_for_selector("text=MAIN DESK SILENT")
    front.fall_silent()
    page.wait_for_selector("#banner .stale")
    opened.close()
