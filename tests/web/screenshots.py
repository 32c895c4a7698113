"""Pictures of every view, in both palettes and at three widths, for a person to look at: `make screenshots`.

The two of the README are written to `docs/pictures` as well.
"""

from __future__ import annotations

import sys
from pathlib import Path

from playwright.sync_api import Page

from tests.web.browser import chromium
from tests.web.small_png import small
from tests.web.stand_in import PAGES, StandIn

OUT = Path(__file__).parents[2] / "screenshots"
DOCUMENTS = Path(__file__).parents[2] / "docs" / "pictures"
OF_README = {"well-now-wide-night": "calm", "desk-lost-now-wide-night": "fault"}
MORE = {
    "well": ["/"],
    "desk-lost": [*PAGES, "/universe/e131/3", "/universe/artnet/1", "/incident/7", "/rules/universe-lost"],
    "crowd": ["/", "/universes"],
    "all-lost": ["/", "/universes", "/patch"],
    "flood": ["/"],
    "blind": ["/", "/readiness"],
    "on-backup": ["/"],
    "stranger": ["/"],
    "returned": ["/"],
    "over": ["/"],
    "undeclared": ["/"],
    "empty": ["/", "/racks"],
    "stale": ["/", "/patch"],
    "paused": ["/"],
}
"""Situations of the stand-in; `stale` and `paused` are what a page becomes while it is looked at."""
SIZES = {"wide": (1366, 768), "large": (1920, 1080), "phone": (390, 844)}
BECOMES = {"stale": "desk-lost", "paused": "well"}


def become(situation: str, listener: StandIn, page: Page) -> None:
    """Let the open page grow old, or be paused when something opens."""
    if situation == "stale":
        listener.stall()
        page.wait_for_selector("#banner .stale")
    if situation == "paused":
        page.click("text=Pause")
        with StandIn("desk-lost") as other:
            listener.send("incident", other.situation.incidents[1])
        page.wait_for_selector("#strip .strip")


def main(only: list[str]) -> None:
    OUT.mkdir(exist_ok=True)
    with chromium() as browser:
        for situation, paths in MORE.items():
            for palette in ("night", "day"):
                for size, (width, height) in SIZES.items():
                    named = {
                        path: f"{situation}-{path.strip('/').replace('/', '-') or 'now'}-{size}-{palette}"
                        for path in paths
                    }
                    wanted = {
                        path: name for path, name in named.items() if not only or any(part in name for part in only)
                    }
                    if not wanted:
                        continue
                    with StandIn(BECOMES.get(situation, situation)) as listener:
                        context = browser.new_context(
                            viewport={"width": width, "height": height}, color_scheme="dark", device_scale_factor=1
                        )
                        context.add_init_script(f"localStorage.setItem('palette', '{palette}')")
                        page = context.new_page()
                        for path, name in wanted.items():
                            listener.frozen_at_ms = None
                            page.goto(listener.url + path)
                            page.wait_for_selector("main h1")
                            page.wait_for_timeout(500)
                            become(situation, listener, page)
                            taken = page.screenshot(path=OUT / f"{name}.png")
                            if name in OF_README:
                                (DOCUMENTS / f"{OF_README[name]}.png").write_bytes(small(taken))
                            page.screenshot(path=OUT / f"{name}-whole.png", full_page=True)
                        context.close()


if __name__ == "__main__":
    main(sys.argv[1:])
