# ruff: noqa: E501 (snippets of script read better whole)
"""Everyone can read and work it: axe-core on every view, keyboard, reflow, targets, motion, forced colours.

axe-core is the outside judge; the rest names its WCAG 2.2 criterion.
"""

from __future__ import annotations

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Page

from tests.web.conftest import Open, settle
from tests.web.stand_in import PAGES

pytestmark = pytest.mark.browser

ALL = (*PAGES, "/universe/e131/3", "/incident/7", "/rules/universe-lost")
RULES = {
    "resultTypes": ["violations"],  # the others are counted, and not described
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]},
}


def violations(page: Page) -> list[tuple[str, list[str]]]:
    """What axe finds. All else that it has to say of a page stays in the browser: to bring it here takes longest."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE_SCRIPT)
    found = page.evaluate("rules => axe.run(document, rules).then(all => all.violations)", RULES)
    return [(violation["id"], [node["html"][:120] for node in violation["nodes"][:2]]) for violation in found]


def test_axe_finds_what_is_wrong(open_page: Open) -> None:
    page = open_page("well", bypass_csp=True).page
    page.set_content('<title>x</title><p style="color:#777;background:#888">faint</p><button></button>')
    assert {"button-name", "color-contrast"} <= {name for name, _ in violations(page)}


@pytest.mark.parametrize("width", [1440, 360])
@pytest.mark.parametrize("path", ALL)
def test_axe_finds_nothing_on_any_view_in_either_palette(open_page: Open, path: str, width: int) -> None:
    opened = open_page("desk-lost", "night", width, bypass_csp=True)  # axe-core is injected as a script
    page = opened.go(path)
    assert violations(page) == []
    page.evaluate("document.documentElement.dataset.palette = 'day'")
    assert violations(page) == []


@pytest.mark.parametrize(
    "situation", ["crowd", "empty", "all-lost", "flood", "blind", "returned", "over", "undeclared"]
)
def test_axe_finds_nothing_in_any_situation(open_page: Open, situation: str) -> None:
    opened = open_page(situation, bypass_csp=True)
    for path in ("/", "/universes", "/racks"):
        page = opened.go(path)
        assert violations(page) == []


def test_axe_finds_nothing_in_the_questions_and_when_stale(open_page: Open) -> None:
    opened = open_page("well", bypass_csp=True)
    page = opened.go("/")
    page.click("#head .phase")
    assert violations(page) == []
    page.keyboard.press("Escape")
    opened.listener.stall()
    page.wait_for_selector("#banner .stale")
    assert violations(page) == []


@pytest.mark.parametrize("path", ALL)
def test_a_width_of_320_needs_no_scrolling_sideways(open_page: Open, path: str) -> None:
    """WCAG 1.4.10: only data tables may scroll, inside their own frame."""
    page = open_page("desk-lost", width=320, height=640).go(path)
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_512_universes_at_320_need_no_scrolling_sideways(open_page: Open) -> None:
    page = open_page("crowd", width=320, height=640).go("/")
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


@pytest.mark.parametrize("path", ALL)
def test_text_at_200_percent_loses_nothing(open_page: Open, path: str) -> None:
    """WCAG 1.4.4: doubled text neither runs out of the page nor is cut off."""
    page = open_page("desk-lost", width=1280).go(path)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    settle(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    cut = page.evaluate("""() => [...document.querySelectorAll('main *, header *')].filter(e => {
        const s = getComputedStyle(e); return s.overflow === 'hidden' && !e.closest('.unseen, svg') && e.scrollWidth > e.clientWidth + 1; }).map(e => e.outerHTML.slice(0, 90))""")
    assert cut == []


@pytest.mark.parametrize("width", [1280, 320])
def test_targets_are_large_enough(open_page: Open, width: int) -> None:
    """WCAG 2.5.8: 24 by 24 CSS pixels; what is pressed (not links in text) is 44 high."""
    opened = open_page("desk-lost", width=width)
    for path in ALL:
        page = opened.go(path)
        small = page.evaluate("""() => [...document.querySelectorAll('a, button, summary, input, select')].filter(e => !e.classList.contains('skip') && e.checkVisibility()).map(e => {
            const area = e.matches('input[type=radio]') ? e.closest('label') : e;
            const box = area.getBoundingClientRect();
            const least = e.matches('button, summary, .button, .contents a, input') ? 44 : 24;
            return [box.height >= least - 0.5 && box.width >= 24 - 0.5, e.outerHTML.slice(0, 100), box.width, box.height]; }).filter(r => !r[0])""")
        assert small == [], path


def test_everything_is_reached_and_worked_by_keyboard_with_a_visible_focus(open_page: Open) -> None:
    """WCAG 2.1.1, 2.4.3, 2.4.7: acknowledge an incident with the keyboard alone."""
    opened = open_page("desk-lost")
    page = opened.go("/")
    page.wait_for_selector("text=SPARE DESK SILENT")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.evaluate("document.activeElement.getBoundingClientRect().top") >= 0
    reached = []
    for _ in range(60):
        page.keyboard.press("Tab")
        text, outline = page.evaluate(
            "[document.activeElement.textContent.trim().slice(0, 30), getComputedStyle(document.activeElement).outlineStyle]"
        )
        assert outline == "solid", text
        reached.append(text)
        if text == "Acknowledge":
            break
    assert reached[0] == "Harbour Street Playhouse"
    assert "This listener" in reached
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("Jo")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Jo has it")
    assert opened.listener.changes[0][1] == "incidents/7/acknowledge"


def test_focus_is_never_under_the_header(open_page: Open) -> None:
    """WCAG 2.4.11: walking backwards through a long view, the focused thing stays in sight."""
    page = open_page("desk-lost", height=600).go("/universes")
    page.keyboard.press("Shift+Tab")
    for _ in range(14):
        page.keyboard.press("Shift+Tab")
        hidden = page.evaluate("""() => { const e = document.activeElement; if (!e.closest('main')) return false;
            return e.getBoundingClientRect().bottom <= document.getElementById('head').getBoundingClientRect().bottom; }""")
        assert not hidden


def test_half_typed_words_and_focus_survive_updates(open_page: Open) -> None:
    """WCAG 3.2: a page that renews itself four times a second takes nothing out of a person's hands."""
    opened = open_page("desk-lost")
    page = opened.go("/")
    page.click("summary:has-text('Acknowledge')")
    page.focus("input[name=note]")
    page.keyboard.type("half a s")
    for index in range(8):
        opened.listener.send_rows([row | {"refresh_hz": 30.0 + index} for row in opened.listener.situation.universes])
        page.wait_for_timeout(60)
    page.keyboard.type("entence")
    assert page.input_value("input[name=note]") == "half a sentence"


def test_nothing_moves_by_itself(open_page: Open) -> None:
    """WCAG 2.3.1 and reduced motion: there is no animation at all, asked for or not."""
    for wish in ("reduce", "no-preference"):
        opened = open_page("desk-lost", reduced_motion=wish)
        page = opened.go("/")
        assert page.evaluate("document.getAnimations().length") == 0
        assert (
            page.evaluate("[...document.querySelectorAll('*')].some(e => getComputedStyle(e).animationName !== 'none')")
            is False
        )


def test_forced_colours_keep_every_sign(open_page: Open) -> None:
    """States stay distinct by word and shape where the system owns the colours."""
    page = open_page("desk-lost", forced_colors="active").go("/")
    page.wait_for_selector("tr.is-lost")
    stroke, ink = page.evaluate(
        "[getComputedStyle(document.querySelector('tr.is-lost .sign')).stroke, getComputedStyle(document.body).color]"
    )
    assert stroke == ink
    assert page.locator("tr.is-lost .state").first.inner_text().strip() == "lost"


def test_the_palette_can_be_turned_and_is_remembered(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    dark = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    page.click("button:has-text('Palette')")
    page.wait_for_selector("text=Palette: day")
    light = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert dark != light
    assert page.evaluate("localStorage.getItem('palette')") == "day"


def test_readiness_prints_as_a_paper_for_the_half_hour_call(open_page: Open) -> None:
    page = open_page("desk-lost").go("/readiness")
    page.wait_for_selector("text=Not ready.")
    page.emulate_media(media="print")
    assert page.locator("button").first.is_hidden()
    assert page.locator(".contents").is_hidden()
    assert page.locator("#strip").is_hidden()
    assert page.locator(".sign-here").is_visible()
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.locator("h1 .verdict").is_visible()


@pytest.mark.parametrize("path", ["/sources", "/patch"])
def test_the_bar_of_a_phone_covers_nothing_that_has_the_focus(open_page: Open, path: str) -> None:
    """WCAG 2.2, 2.4.11 Focus Not Obscured: the last link of the page was half under what is open."""
    page = open_page("desk-lost", width=390, height=844).go(path)
    page.locator("#strip .strip").wait_for(state="visible")
    page.locator(".foot a").first.focus()
    settle(page)
    assert page.evaluate(
        "() => document.activeElement.getBoundingClientRect().bottom"
        " <= document.getElementById('strip').getBoundingClientRect().top"
    )
