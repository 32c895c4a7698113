"""The page at 512 universes in headless Chromium: first content, main-thread cost of an update, memory, bytes.

Run alone: `python -m benchmarks.web [seconds]`. Prints each number beside its goal and, as a floor from the same
sitting, what the browser needs for a page of the same size that does nothing.
"""

from __future__ import annotations

import json
import random
import statistics
import sys
import time
from typing import Any

from playwright.sync_api import Browser, CDPSession, Page

from tests.web.browser import chromium
from tests.web.stand_in import StandIn

UPDATES_HZ = 4
GOALS = {
    "first_content_ms": 1000,
    "update_ms": 50,
    "first_load_bytes": 150_000,
    "bytes_per_s": 20_000,
    "core_percent": 10,
}


WATCH_FIRST_STROKE = """new MutationObserver((_, observer) => {
    if (!document.querySelector('.tick')) return;
    observer.disconnect();
    requestAnimationFrame(() => setTimeout(() => { window.firstStrokeMs = performance.now(); }));
}).observe(document, {subtree: true, childList: true});"""
LOADS = 7


def first_content_ms(browser: Browser, url: str) -> list[float]:
    """From the start of navigation to the frame after the first stroke of a universe, timed in the page: several
    loads, each with an empty cache."""
    found = []
    for _ in range(LOADS):
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        page = context.new_page()
        page.add_init_script(WATCH_FIRST_STROKE)
        page.goto(url)
        page.wait_for_function("() => window.firstStrokeMs")
        found.append(float(page.evaluate("window.firstStrokeMs")))
        context.close()
    return sorted(found)


def heap_bytes(page: Page) -> int:
    client = page.context.new_cdp_session(page)
    client.send("HeapProfiler.enable")
    client.send("HeapProfiler.collectGarbage")
    return int(client.send("Runtime.getHeapUsage")["usedSize"])


def task_s(client: CDPSession) -> float:
    """Seconds that the page's main thread was busy with anything so far: script, style, layout, painting's share."""
    metrics = client.send("Performance.getMetrics")["metrics"]
    return float(next(row["value"] for row in metrics if row["name"] == "TaskDuration"))


def _near(row: dict[str, Any], chance: random.Random, jitter_hz: float) -> float:
    return float(row["refresh_hz"] or 0) + chance.uniform(-jitter_hz, jitter_hz)


def drive(listener: StandIn, page: Page, seconds: float, jitter_hz: float | None = None) -> dict[str, Any]:
    """Change every rate four times a second: by up to `jitter_hz`, or to any rate, which no real house ever does."""
    chance = random.Random(44)
    client = page.context.new_cdp_session(page)
    client.send(
        "Performance.setTimeDomain", {"timeDomain": "threadTicks"}
    )  # processor time: others use this machine too
    client.send("Performance.enable")
    busy_s = task_s(client)
    started = time.monotonic()
    # Observed, because the page itself forgets old measures to keep its memory flat.
    page.evaluate(
        """() => { window.spent = []; if (window.watching) return; window.watching =
            new PerformanceObserver(list => window.spent.push(...list.getEntries()
            .filter(e => e.name === 'slotwatch-update').map(e => e.duration)));
            window.watching.observe({entryTypes: ['measure']}); }"""
    )
    until = time.monotonic() + seconds
    sent = 0
    while time.monotonic() < until:
        rows = [
            row
            | {"refresh_hz": round(chance.uniform(20, 44) if jitter_hz is None else _near(row, chance, jitter_hz), 1)}
            for row in listener.situation.universes
        ]
        listener.send_rows(rows, ("universe", "state", "refresh_hz"))
        sent += len(json.dumps([[row["universe"], row["state"], row["refresh_hz"]] for row in rows]))
        page.wait_for_timeout(1000 / UPDATES_HZ)
    share = (task_s(client) - busy_s) / (time.monotonic() - started)
    spent = page.evaluate("window.spent")
    return {
        "core_percent": round(100 * share, 1),
        "updates": len(spent),
        "update_ms_median": round(statistics.median(spent), 2),
        "update_ms_p99": round(sorted(spent)[int(len(spent) * 0.99)], 2),
        "driven_bytes_per_s": round(sent / seconds),
    }


def measure(seconds: float) -> dict[str, Any]:
    with chromium(["--enable-precise-memory-info"]) as browser, StandIn("crowd") as listener:
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        started = time.perf_counter()
        page.goto("data:text/html,<p>nothing</p>")
        floor_ms = (time.perf_counter() - started) * 1000
        loads = first_content_ms(browser, listener.url + "/")
        found: dict[str, Any] = {
            "empty_page_ms": round(floor_ms),
            "first_content_ms": round(statistics.median(loads)),
            "first_content_worst": round(loads[-1]),
            "first_load_bytes": sum(n for path, n in listener.bytes_sent.items() if not path.startswith("/api")),
        }
        page.goto(listener.url + "/")
        page.wait_for_selector(".tick")
        drive(listener, page, min(10, seconds / 4))  # warm up: caches fill, code is compiled
        before = heap_bytes(page)
        nodes_before = page.evaluate("document.querySelectorAll('*').length")
        found |= drive(listener, page, seconds)
        found["core_percent_all_rates_random"] = found.pop("core_percent")
        found["core_percent"] = drive(listener, page, seconds, jitter_hz=1.0)["core_percent"]
        found["heap_growth_bytes"] = heap_bytes(page) - before
        found["node_growth"] = page.evaluate("document.querySelectorAll('*').length") - nodes_before
    return found


def main(seconds: float = 60.0) -> dict[str, Any]:
    found = measure(seconds)
    print(f"page, 512 universes, every rate changed {UPDATES_HZ} times a second for {seconds:.0f} s (goals: {GOALS})")
    for name, value in found.items():
        print(f"  {name:20} {value}")
    return found


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
