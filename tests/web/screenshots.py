"""Pictures of every view, in both palettes and at phone width, for a person to look at: `make screenshots`."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.web.browser import chromium
from tests.web.stand_in import PAGES, StandIn

OUT = Path(__file__).parents[2] / "screenshots"
MORE = {
    "well": ["/"],
    "desk-lost": [*PAGES, "/universe/e131/3", "/universe/artnet/1", "/incident/7"],
    "crowd": ["/", "/universes"],
    "empty": ["/", "/racks"],
}
SIZES = {"wide": (1440, 900), "phone": (390, 844)}


def main(only: list[str]) -> None:
    OUT.mkdir(exist_ok=True)
    with chromium() as browser:
        for situation, paths in MORE.items():
            for palette in ("night", "day"):
                for size, (width, height) in SIZES.items():
                    with StandIn(situation) as listener:
                        context = browser.new_context(
                            viewport={"width": width, "height": height}, color_scheme="dark", device_scale_factor=1
                        )
                        context.add_init_script(f"localStorage.setItem('palette', '{palette}')")
                        page = context.new_page()
                        for path in paths:
                            name = f"{situation}-{path.strip('/').replace('/', '-') or 'now'}-{size}-{palette}"
                            if only and not any(part in name for part in only):
                                continue
                            page.goto(listener.url + path)
                            page.wait_for_selector("main h1")
                            page.wait_for_timeout(500)
                            page.screenshot(path=OUT / f"{name}.png", full_page=True)
                        context.close()


if __name__ == "__main__":
    main(sys.argv[1:])
