# ruff: noqa: E501 (snippets of script read better whole)
"""What a person sees at the moment of a fault: never a false calm, large enough at two metres, and nothing moves away.

Sizes: ISO 9241-303 asks for capitals of at least 16 minutes of arc (20 to 22 for long reading); the distance and the
screen (2 m, 14 inches, 1366 by 768) are the owner's. Flood limits follow ISA-18.2's advice that ten alarms in ten
minutes are the most that one person can take in; both figures from memory, no text at hand.
"""

from __future__ import annotations

import math

import pytest
from playwright.sync_api import Page

from slotwatch.judge.catalog import RULES
from tests.web.conftest import Open, settle
from tests.web.situations import Json, desk_lost, flood, incident, iso, universe
from tests.web.stand_in import PAGES, now_ms

pytestmark = pytest.mark.browser

SCREEN_MM = 14 * 25.4 * 16 / math.hypot(16, 9)
"""Width of a 14-inch screen of 16:9."""
SIZES = [(390, 844), (1366, 768), (1920, 1080)]
MOVES_PX = 8


def minutes_of_arc(height_px: float, width_px: int = 1366, distance_mm: float = 2000) -> float:
    """The angle of a height on that screen, in minutes of arc."""
    return math.degrees(2 * math.atan(height_px * SCREEN_MM / width_px / 2 / distance_mm)) * 60


def test_the_formula_agrees_with_one_known_angle() -> None:
    """1 mm at 3437.75 mm is one minute of arc, by definition of the radian."""
    assert minutes_of_arc(1366 / SCREEN_MM, distance_mm=3437.75) == pytest.approx(1, abs=1e-4)


CAPITAL = """name => { const line = document.querySelector('.verdict-now .' + name), style = getComputedStyle(line);
    const drawn = document.createElement('canvas').getContext('2d'); drawn.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
    return drawn.measureText('H').actualBoundingBoxAscent; }"""


@pytest.mark.parametrize("situation", ["desk-lost", "all-lost", "blind", "flood", "on-backup", "returned", "over"])
def test_three_lines_are_read_at_two_metres(open_page: Open, situation: str) -> None:
    """All three lines at the worst moment: at least 48 px of type and 16 minutes of arc of capital height, each on one line."""
    page = open_page(situation, width=1366, height=768).go("/")
    for name in ("what", "holds", "look"):
        size = page.evaluate(f"parseFloat(getComputedStyle(document.querySelector('.verdict-now .{name}')).fontSize)")
        assert size >= 48
        assert minutes_of_arc(page.evaluate(CAPITAL, name)) >= 16
        height = page.locator(f".verdict-now .{name}").bounding_box()["height"]  # type: ignore[index]
        assert height < 1.5 * size, (name, page.locator(f".verdict-now .{name}").inner_text())


def lines(page: Page) -> list[str]:
    return [page.locator(f".verdict-now .{name}").inner_text().strip() for name in ("what", "holds", "look")]


def test_every_rule_has_a_verdict_that_fits_one_line(open_page: Open) -> None:
    """Each rule of the table in turn, with a long label, a long source and a long fixture: three lines, none of them wrapped."""
    opened = open_page("well", width=1366, height=768)
    long = {"e131/3": "Bridge one, upstage left"}
    for row in opened.listener.situation.universes:
        row["label"] = long.get(row["universe"], row["label"])
    page = opened.go("/")
    size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('.verdict-now .what')).fontSize)")
    wrong = []
    for number, rule in enumerate(RULES, 100):
        at_ms = now_ms()
        one = incident(number, at_ms, rule.name, "critical", ["e131/3"], at_ms) | {
            "sources": ["media server of the guests"], "fixtures": ["Haze machine stage right"], "labels": long, "next_checks": list(rule.next_checks),
        }  # fmt: skip
        opened.listener.send("incident", one)
        page.wait_for_function("id => document.querySelector(`.card[data-incident='${id}']`)", arg=number)
        settle(page)
        heights = [page.locator(f".verdict-now .{name}").bounding_box()["height"] for name in ("what", "holds", "look")]  # type: ignore[index]
        if max(heights) > 1.5 * size or len(lines(page)[2].split()) < 3:
            wrong.append((rule.name, lines(page)))
        opened.listener.send("incident", one | {"state": "closed", "closed_at": iso(at_ms)})
    assert wrong == []


VERDICTS = {
    "well": ["All is well", "14 of 14 universes arrive", ""],
    "desk-lost": ["SPARE DESK SILENT", "10 of 14 universes arrive", "Look at spare desk's own screen"],
    "all-lost": ["512 OF 512 UNIVERSES LOST", "0 of 512 universes arrive", "Look at the show switch"],
    "crowd": ["9 OF 512 UNIVERSES GONE", "502 of 512 universes arrive", "Look at spare desk's own screen"],
    "blind": ["Blind", "0 of 512 universes seen", "Look at this listener's page"],
    "flood": ["BRIDGE 1 (e131/3) LOST", "13 of 14 universes arrive", "Look at Bridge 1 (e131/3)"],
    "on-backup": ["MAIN DESK SILENT", "Backup holds 10 universes", "Look at main desk's screen"],
    "stranger": ["UNEXPECTED SOURCE", "14 of 14 arrive, 2 from a stranger", "Look at its name and address"],
    "over": ["All is well", "14 of 14 universes arrive", "Last: spare desk silent 13 s"],
    "undeclared": ["Nothing declared", "3 universes heard", ""],
    "empty": ["Nothing is heard", "Nothing is declared yet", "Look at this listener's page"],
}


@pytest.mark.parametrize("situation", VERDICTS)
def test_the_verdict_names_the_thing_what_holds_and_one_thing_to_look_at(open_page: Open, situation: str) -> None:
    page = open_page(situation).go("/")
    page.wait_for_function(
        "words => document.querySelector('.verdict-now .what').textContent.trim() === words", arg=VERDICTS[situation][0]
    )
    assert lines(page) == VERDICTS[situation]


@pytest.mark.parametrize(
    ("states", "holds"),
    [
        (["lost"] * 4 + ["on-backup"] * 6, "10 of 14 universes arrive"),
        (["faulty"] * 8 + ["on-backup"] * 2, "14 of 14 universes arrive"),
    ],
)
def test_the_backup_is_said_to_hold_all_that_the_incident_is_about_and_no_part_of_it(
    open_page: Open, states: list[str], holds: str
) -> None:
    opened = open_page("on-backup")
    for row, state in zip(opened.listener.situation.universes, states, strict=False):
        row["state"] = state
    assert lines(opened.go("/"))[1] == holds


def test_what_another_source_holds_is_not_said_beside_the_loss_of_a_third(open_page: Open) -> None:
    opened = open_page("on-backup")
    for row in opened.listener.situation.universes[10:]:
        row["state"] = "lost"
    opened.listener.situation.incidents[-1] |= {"universes": ["artnet/0", "artnet/1", "artnet/2", "artnet/3"]}
    assert lines(opened.go("/"))[1] == "10 of 14 universes arrive"


@pytest.mark.parametrize(
    ("beside", "holds"),
    [
        ({}, "14 of 14 arrive, 2 from a stranger"),
        ({"controlled_by": {"e131/5": "several sources"}}, "14 arrive, 3 from other sources"),
        ({"controlled_by": {"e131/5": "a stranger"}, "severity": "note"}, "14 of 14 arrive, 3 from a stranger"),
        ({"controlled_by": {"e131/5": "a stranger"}, "accepted": {"reason": "a test"}}, "14 of 14 arrive, 2 from a stranger"),
        ({"controlled_by": {"e131/99": "a stranger"}}, "14 of 14 arrive, 2 from a stranger"),
        ({"controlled_by": {"e131/5": "a stranger"}, "returned_at": "2026-03-01T20:00:00Z"}, "14 of 14 arrive, 2 from a stranger"),
    ],
)  # fmt: skip
def test_who_controls_is_said_as_the_open_incidents_say_it(open_page: Open, beside: Json, holds: str) -> None:
    opened = open_page("stranger")
    second = incident(10, now_ms() - 9000, "source-conflict", "warning", ["e131/5"], now_ms())
    opened.listener.situation.incidents.append(second | beside)
    assert lines(opened.go("/"))[1] == holds


def test_a_stranger_is_named_beside_a_loss_and_leaves_the_line_with_its_incident(open_page: Open) -> None:
    opened = open_page("stranger")
    for row in opened.listener.situation.universes[4:8]:
        row["state"] = "lost"
    names = [row["universe"] for row in opened.listener.situation.universes[4:8]]
    lost = incident(10, now_ms() - 9000, "universe-lost", "critical", names, now_ms())
    opened.listener.situation.incidents.append(lost)
    page = opened.go("/")
    assert lines(page)[:2] == ["4 OF 14 UNIVERSES LOST", "10 of 14 arrive, 2 from a stranger"]
    over = next(one for one in opened.listener.situation.incidents if one["id"] == 9)
    opened.listener.send("incident", over | {"state": "closed", "closed_at": iso(now_ms()), "revision": 2})
    page.wait_for_function(
        "() => document.querySelector('.verdict-now .holds').textContent.trim() === '10 of 14 universes arrive'"
    )


def test_a_line_does_not_count_its_universes_twice(open_page: Open) -> None:
    opened = open_page("on-backup")
    opened.listener.situation.incidents[-1] |= {"rule": "packet-loss", "sources": []}
    summary = opened.go("/").locator("details.card summary").first.inner_text()
    assert summary.count("10 universes") == 1


@pytest.mark.parametrize("state", ["not-visible", "not-sent", "missing", "lost", "not-judged"])
def test_a_house_in_which_nothing_arrives_is_never_called_well(open_page: Open, state: str) -> None:
    """Whatever the reason, and with no incident open: as in phase dark, or before anything was judged."""
    opened = open_page("well")
    opened.listener.situation.universes[:] = [
        universe(row["universe"], row["label"], state, "", now_ms()) for row in opened.listener.situation.universes
    ]
    page = opened.go("/")
    page.wait_for_function("() => !document.querySelector('.verdict-now .what').textContent.includes('Asking')")
    assert "well" not in page.locator(".verdict-now").inner_text()
    assert "well" not in page.title()


def test_part_of_a_house_that_is_not_visible_is_not_called_well_either(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.situation.universes[3] |= {"state": "not-visible", "refresh_hz": None}
    page = opened.go("/")
    page.wait_for_selector("text=1 not visible from this port")
    assert lines(page)[:2] == ["No fault seen", "13 of 14 universes seen"]


def test_what_may_still_come_after_the_start_is_not_called_well(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.situation.house["uptime_s"] = 4
    opened.listener.situation.universes[3] |= {"state": "not-sent", "refresh_hz": None, "last_frame_at": None}
    page = opened.go("/")
    page.wait_for_selector("text=1 not heard yet")
    assert lines(page)[:2] == ["Just started", "13 of 14 universes arrive"]


def test_blind_is_not_ready(open_page: Open) -> None:
    page = open_page("blind").go("/readiness")
    page.wait_for_selector("text=Not ready.")
    assert "Blind: 0 of 512 universes seen from this port" in page.locator("main").inner_text()
    assert "Everything declared arrives" not in page.locator("main").inner_text()


def test_the_half_hour_call_names_what_is_not_judged(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.situation.answers["readiness"]["not_judged"] = ["e131/4"]
    page = opened.go("/readiness")
    page.wait_for_selector("text=Not judged now, so not known: e131/4.")
    assert "No fault is known; 1 universe is not judged now." in page.locator("main").inner_text()
    assert "Everything declared arrives" not in page.locator("main").inner_text()


def test_a_blind_listener_says_why_it_may_be_blind(open_page: Open) -> None:
    page = open_page("blind").go("/listener")
    page.wait_for_selector("text=Blind: 0 of 512 universes seen from this port.")
    assert "artnet_subscribe = true" in page.locator("main").inner_text()


def test_back_is_reported_at_once_with_its_own_length_and_its_number(open_page: Open) -> None:
    page = open_page("returned").go("/")
    page.wait_for_function("() => document.querySelector('.verdict-now .what').textContent.startsWith('BACK')")
    assert lines(page)[2] == "Watching that it stays"
    assert "Spare desk silent for 13 s, 4th time." in page.locator(".verdict-now .more").inner_text()
    assert "after 13 s, 4th time" in page.locator(".card .when").first.inner_text()
    assert page.locator("text=What to do").count() == 0, "what is back has nothing to be done"


def test_what_is_over_says_what_was_suggested_and_asks_for_nothing_now(open_page: Open) -> None:
    """Common practice, no source: who is called in the morning looks for what was wrong in the night."""
    page = open_page("over").go("/incident/7")
    page.wait_for_selector("text=What was suggested, while it lasted")
    assert "Look at its link lamp" in page.locator("main").inner_text()
    assert page.locator("text=What to do").count() == 0


def test_what_is_over_is_remembered_until_somebody_has_seen_it(open_page: Open) -> None:
    opened = open_page("over")
    page = opened.go("/")
    page.wait_for_selector("text=Last: spare desk silent 13 s")
    page.click("button:has-text('Seen')")
    page.wait_for_selector("text=Last: spare desk silent 13 s", state="detached")
    page.reload()
    page.wait_for_selector("text=All is well")
    assert page.locator("text=Last: spare desk").count() == 0


def test_the_next_phase_forgets_what_is_over(open_page: Open) -> None:
    opened = open_page("over")
    page = opened.go("/")
    page.wait_for_selector("text=Last: spare desk silent 13 s")
    opened.listener.send(
        "house", {"at": opened.listener.at(), "phase": "post-show", "phase_since": opened.listener.at()}
    )
    page.wait_for_selector("text=Last: spare desk silent 13 s", state="detached")


def test_since_is_this_outages_own_start(open_page: Open) -> None:
    """It came back three times; the first outage began 200 s ago, this one 13 s ago."""
    opened = open_page("desk-lost")
    lost = next(one for one in opened.listener.situation.incidents if one["id"] == 7)
    first = lost["began_at"]
    at_ms = now_ms()
    lost |= {"began_at": desk_lost(at_ms - 200000).incidents[1]["began_at"], "flaps": 3}
    page = opened.go("/")
    page.wait_for_selector("text=SPARE DESK SILENT")
    more = page.locator(".verdict-now .more").inner_text()
    assert "4th time" in more
    assert " 3 min" not in more
    assert first[17:19] in more  # the same second of the minute


def test_the_time_zone_is_shown_once(open_page: Open) -> None:
    page = open_page("desk-lost").go("/")
    zone = page.locator("#head .zone").inner_text()
    assert zone in {"GMT", "BST", "GMT+1"}
    assert zone not in page.locator("main").inner_text()


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("width", [390, 1366])
def test_a_strip_is_on_every_view_while_something_is_open(open_page: Open, path: str, width: int) -> None:
    """Sign, what, since when, and a link; on the first view the verdict says it, and the strip once that is out of sight."""
    opened = open_page("desk-lost", width=width, height=700)
    page = opened.go(path)
    if path == "/":
        page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    strip = page.locator("#strip .strip")
    strip.wait_for(state="visible")
    assert "Spare desk silent" in strip.inner_text()
    assert "since " in strip.inner_text()
    assert strip.locator("a.what").get_attribute("href") == "/incident/7"
    box = strip.bounding_box()
    assert box
    assert box["y"] + box["height"] <= 700 + 1


@pytest.mark.parametrize("path", ["/", "/rig-check", "/patch"])
def test_there_is_no_strip_while_all_is_well(open_page: Open, path: str) -> None:
    page = open_page("well").go(path)
    assert page.locator("#strip .strip").count() == 0


def test_a_pause_holds_back_no_critical_incident(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    page.click("text=Pause")
    began = now_ms()
    opened.listener.send_rows([universe("e131/4", "Bridge 2", "lost", "", began)])
    opened.listener.send("incident", incident(30, began, "universe-lost", "critical", ["e131/4"], began))
    page.wait_for_selector("#strip .strip.is-critical >> visible=true")
    assert "new since the pause" in page.locator("#strip").inner_text()
    page.wait_for_selector("text=A critical incident has opened since.")
    page.wait_for_selector(".verdict-now.is-critical >> text=LOST")
    assert page.locator(".card").count() == 0, "the rest of the view is paused"
    page.click("text=Resume")
    page.wait_for_selector(".card.is-critical")


def positions(page: Page) -> dict[str, float]:
    """Where the rows of the universes are, from the top of the page."""
    return page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('.universes tbody tr th, .map-row')].map(e => [e.textContent, e.getBoundingClientRect().top + scrollY]))"
    )  # type: ignore[no-any-return]


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("house", ["well", "many"])
def test_the_universes_keep_their_place_when_incidents_open(
    open_page: Open, width: int, height: int, house: str
) -> None:
    """One incident, then seventeen: the table and the map move by at most 8 px."""
    opened = open_page("well" if house == "well" else "crowd", width=width, height=height)
    opened.listener.situation.incidents[:] = []
    page = opened.go("/")
    page.wait_for_selector(".universes tbody tr" if house == "well" else ".map-row")
    settle(page)
    before = positions(page)
    began = now_ms()
    opened.listener.send("incident", desk_lost(began).incidents[1])
    page.wait_for_selector(".card")
    settle(page)
    one = positions(page)
    for each in flood(began).incidents:
        opened.listener.send("incident", each)
    page.wait_for_selector("text=lights up, no power")
    settle(page)
    many = positions(page)
    assert before.keys() == one.keys() == many.keys()
    assert len(before) >= 14
    for after in (one, many):
        moved = {name: (top, after[name]) for name, top in before.items() if abs(after[name] - top) > MOVES_PX}
        assert moved == {}


@pytest.mark.parametrize("state", ["steady", "on-backup", "not-judged", "not-visible"])
def test_fourteen_universes_fit_without_scrolling(open_page: Open, state: str) -> None:
    """Rows of 28 px whatever their words, and the last of 14 is above the fold of 1366 by 768."""
    opened = open_page("desk-lost", width=1366, height=768)
    for row in opened.listener.situation.universes:
        row |= {"state": state, "label": "Strobes and blinders, stage left"}
    page = opened.go("/")
    rows = page.locator(".universes tbody tr")
    assert rows.count() == 14
    boxes = [row.bounding_box() for row in rows.all()]
    assert all(box and 27 <= box["height"] <= 29.5 for box in boxes)
    last = boxes[-1]
    assert last
    assert last["y"] + last["height"] <= 768


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_flood_is_few_lines_with_the_worst_first(open_page: Open, width: int, height: int) -> None:
    """17 incidents: those of one rule and one start are one line, at most ten lines, the most severe first."""
    page = open_page("flood", width=width, height=height).go("/")
    page.wait_for_selector("text=12 lights up, no power")
    shown = page.locator(".open > .cards > .card:not(.rest)")
    assert shown.count() <= 10
    assert "is-critical" in (shown.first.get_attribute("class") or "")
    if width == 390:
        assert "And 4 more" in page.locator(".card.rest").inner_text()
    assert page.evaluate("document.documentElement.scrollHeight") < (2700 if width == 390 else 1800)


def test_a_silent_desk_comes_before_what_only_limps(open_page: Open) -> None:
    """Two warnings: ten universes on backup, and twelve that stutter, which began later and are more."""
    opened = open_page("on-backup")
    at_ms = now_ms()
    names = [f"e131/{n}" for n in range(1, 13)]
    opened.listener.situation.incidents.append(incident(60, at_ms, "uneven-refresh", "warning", names, at_ms))
    page = opened.go("/")
    page.wait_for_selector("text=MAIN DESK SILENT")
    assert "Main desk silent" in page.locator(".card").first.inner_text()


def test_ten_lines_are_the_most_and_the_others_are_counted(open_page: Open) -> None:
    opened = open_page("well", width=1366)
    began = now_ms()
    opened.listener.situation.incidents += [
        incident(50 + n, began - 10000 * n, "slow-refresh", "warning", [f"e131/{n + 1}"], began) for n in range(12)
    ]
    page = opened.go("/")
    page.wait_for_selector(".card.rest")
    assert page.locator(".open > .cards > .card").count() == 10
    assert "And 3 more" in page.locator(".card.rest").inner_text()
    assert "Dimmer racks" in page.locator(".open .card").first.inner_text(), "of one severity the newest is first"


def test_still_working_is_a_list_apart_from_what_should_hold(open_page: Open) -> None:
    page = open_page("on-backup").go("/incident/9")
    part = page.locator("section", has=page.locator("h2", has_text="Still working"))
    part.wait_for()
    lists = part.locator(".titled-list")
    assert lists.nth(0).locator("li").all_inner_texts() == [
        "backup spare desk is sending e131/1 to e131/10",
        "media server is sending artnet/0 and artnet/1",
    ]
    assert "Should hold last levels (not verified)" in lists.nth(1).inner_text()
    assert lists.nth(1).locator("li").all_inner_texts() == ["Rack 1 processor"]


def test_stale_covers_everything(open_page: Open) -> None:
    opened = open_page("desk-lost")
    page = opened.go("/patch")
    opened.listener.stall()
    page.wait_for_selector("#banner .stale")
    assert "STALE" in page.locator("#strip .strip").inner_text()
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    assert page.locator("#head .age").inner_text().startswith("STALE")
    assert page.locator("#head .age").bounding_box()["y"] >= 0  # type: ignore[index]


# -- 512 universes -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [390, 1366, 1920])
def test_the_map_has_row_starts_and_blocks_of_sixteen_large_enough_for_a_finger(open_page: Open, width: int) -> None:
    """WCAG 2.5.8: each target at least 24 by 24 CSS pixels."""
    page = open_page("all-lost", width=width, height=844).go("/")
    page.wait_for_selector(".map-row")
    blocks = page.locator(".map-row")
    assert blocks.count() == 32
    assert blocks.nth(2).locator(".start").inner_text() == "e131/33"
    assert blocks.nth(2).locator(".tick").count() == 16
    small = page.evaluate(
        "[...document.querySelectorAll('.map-row')].map(e => e.getBoundingClientRect()).filter(b => b.height < 24 || b.width < 24).length"
    )
    assert small == 0
    assert blocks.nth(2).get_attribute("aria-label") == "e131/33–48: 16 lost"
    assert page.locator(".glance a").count() <= 40
    assert "512 lost:e131/1–512" in " ".join(page.locator(".states").inner_text().split())


@pytest.mark.parametrize("width", [390, 1366, 1920])
def test_every_block_of_the_map_is_one_row_high_whatever_the_protocol(open_page: Open, width: int) -> None:
    page = open_page("blind", width=width, height=844).go("/")
    page.wait_for_selector(".map-row")
    heights = page.evaluate("[...document.querySelectorAll('.map-row')].map(e => e.getBoundingClientRect().height)")
    assert len(heights) == 32
    assert max(heights) <= 30


def test_the_map_says_word_and_number_of_what_has_the_focus(open_page: Open) -> None:
    page = open_page("crowd", width=1366).go("/")
    page.wait_for_selector(".map-row")
    page.locator("[data-block='e131/33']").focus()
    page.wait_for_function(
        "() => document.querySelector('.readout').textContent.includes('e131/40 Pixel run 40: faulty')"
    )
    page.keyboard.press("ArrowRight")
    page.wait_for_function("() => document.querySelector('.readout').textContent.includes('e131/41')")
    page.keyboard.press("Enter")
    page.wait_for_url("**/universe/e131/41")


def test_a_finger_on_the_map_opens_its_block(open_page: Open) -> None:
    opened = open_page("crowd", width=390, height=844, has_touch=True)
    page = opened.go("/")
    page.wait_for_selector(".map-row")
    page.locator("[data-block='e131/289']").tap()
    page.wait_for_url("**/universes/from/e131/289")
    page.wait_for_selector(".universes tbody tr")
    assert page.locator(".universes tbody tr").count() == 16
    assert page.locator(".universes tbody tr.is-lost").count() == 5


@pytest.mark.parametrize(("width", "height", "most_px"), [(390, 844, 2400), (1366, 768, 1700)])
def test_the_list_of_512_universes_is_paged(open_page: Open, width: int, height: int, most_px: int) -> None:
    page = open_page("crowd", width=width, height=height).go("/universes")
    page.wait_for_selector(".universes tbody tr")
    assert page.locator(".universes tbody tr").count() == 32
    assert page.evaluate("document.documentElement.scrollHeight") < most_px
    assert "1 to 32 of 512" in page.locator("main").inner_text()
    assert "is-critical" in (page.locator(".headline").get_attribute("class") or "")
    page.click("button:has-text('Next')")
    page.wait_for_selector("text=33 to 64 of 512")
    page.fill("input[type=search]", "pixel run 77")
    page.wait_for_selector("text=1 to 1 of 1 found among 512")


# -- one hand ----------------------------------------------------------------------------------------------------


def test_on_a_phone_one_press_takes_it_on_marks_and_goes_to_the_next(open_page: Open) -> None:
    opened = open_page("desk-lost", width=390, height=844)
    page = opened.go("/")
    bar = page.locator(".one-hand")
    bar.wait_for()
    for name in ("I have it", "Mark", "Next incident"):
        box = bar.locator(f"text={name}").bounding_box()
        assert box, name
        assert box["y"] + box["height"] <= 844
        assert box["height"] >= 44
    bar.locator("text=I have it").click()
    page.fill("dialog input[name=by]", "Jo")
    page.click("dialog button:has-text('I have it')")
    opened.listener.wait_for_change("POST", "incidents/7/acknowledge")
    page.wait_for_selector(".one-hand >> text=Jo has it")
    bar.locator("text=Mark").click()
    opened.listener.wait_for_change("POST", "marks")
    bar.locator("text=Next incident").click()
    page.wait_for_url("**/incident/*")


def test_a_known_name_needs_no_second_press(open_page: Open) -> None:
    opened = open_page("desk-lost", width=390, height=844)
    opened.context.add_init_script("localStorage.setItem('name', 'Jo')")
    page = opened.go("/rig-check")
    page.click(".one-hand >> text=I have it")
    opened.listener.wait_for_change("POST", "incidents/7/acknowledge")
    assert opened.listener.changes == [("POST", "incidents/7/acknowledge", {"by": "Jo", "note": ""})]


def test_the_bar_is_not_shown_on_a_desk(open_page: Open) -> None:
    page = open_page("desk-lost", width=1366).go("/")
    assert page.locator(".one-hand").is_hidden()


def test_what_rose_last_is_on_top_with_number_and_name_and_two_presses(open_page: Open) -> None:
    opened = open_page("desk-lost", width=390, height=844)
    page = opened.go("/rig-check")
    first = page.locator(".light-checks li").first
    first.wait_for()
    assert "101" in first.locator(".name").inner_text() or "Dimmer racks" in first.locator(".name").inner_text()
    for name in ("Lit", "No light"):
        box = first.locator(f"button:has-text('{name}')").bounding_box()
        assert box
        assert box["height"] >= 44
    first.locator("button:has-text('No light')").click()
    opened.listener.wait_for_change("POST", "marks")
    fixture = opened.listener.situation.answers["rig-check"]["done"][0]["fixture"]
    assert opened.listener.changes[0] == ("POST", "rig-check", {"no_light": fixture})
    assert opened.listener.changes[1][2]["text"].startswith("no light: ")
    page.wait_for_selector("text=1 without light.")
    page.evaluate("localStorage.clear()")
    page.reload()
    page.wait_for_selector("text=1 without light.")  # the listener keeps it, so another phone shows it too


def test_a_row_keeps_its_size_when_it_is_pressed(open_page: Open) -> None:
    """The next press would hit another fixture than the one it is aimed at."""
    opened = open_page("desk-lost", width=390, height=844)
    done = opened.listener.situation.answers["rig-check"]["done"]
    done[0] |= {"universe": "e131/12", "address": 512, "circuit": "0479"}
    page = opened.go("/rig-check")
    page.wait_for_selector(".light-checks li")
    heights = "[...document.querySelectorAll('.light-checks li')].map((row) => row.getBoundingClientRect().height)"
    before = page.evaluate(heights)
    page.locator(".light-checks li >> nth=0 >> text=No light").click()
    page.wait_for_selector("text=1 without light.")
    page.locator(".light-checks li >> nth=1 >> text=Lit").click()
    page.wait_for_selector(".light-checks li.is-lit")
    assert page.evaluate(heights) == before


def test_a_press_as_a_row_comes_in_is_not_taken_for_the_new_row(open_page: Open) -> None:
    opened = open_page("desk-lost", width=390, height=844)
    done = opened.listener.situation.answers["rig-check"]["done"]
    page = opened.go("/rig-check")
    page.wait_for_selector(".light-checks li")
    done.insert(0, {"fixture": "999", "label": "Ladder left", "at": iso(now_ms())})
    page.evaluate("""() => new Promise((pressed) => {
        const look = () => {
            const row = document.querySelector('.light-checks li');
            if (!row.innerText.includes('999')) return;
            clearInterval(timer);
            row.querySelectorAll('button')[1].click();
            pressed();
        };
        const timer = setInterval(look, 5);
    })""")
    page.wait_for_function("(then) => performance.now() - then > 400", arg=page.evaluate("performance.now()"))
    page.locator(".light-checks li >> nth=1 >> text=No light").click()
    opened.listener.wait_for_change("POST", "marks")
    assert opened.listener.changes[0] == ("POST", "rig-check", {"no_light": done[1]["fixture"]})


@pytest.mark.parametrize("again", ["✗ No light", "✓ Lit"])
def test_no_light_that_is_taken_back_is_taken_back_in_the_history_too(open_page: Open, again: str) -> None:
    opened = open_page("desk-lost", width=390, height=844)
    done = opened.listener.situation.answers["rig-check"]["done"]
    done[0]["no_light"] = True
    page = opened.go("/rig-check")
    page.wait_for_selector("text=1 without light.")
    page.locator(f".light-checks li:has(button[aria-pressed=true]) >> text={again}").click()
    opened.listener.wait_for_change("POST", "marks")
    assert opened.listener.changes[0] == ("POST", "rig-check", {"light": done[0]["fixture"]})
    assert opened.listener.changes[1][2]["text"].startswith("no light taken back: ")
    page.wait_for_selector("text=without light.", state="detached")
    assert page.locator("button[aria-pressed=true]").all_inner_texts() == (["✓ Lit"] if "Lit" in again else [])


def test_a_rig_check_by_keyboard_never_loses_its_place(open_page: Open) -> None:
    """WCAG 2.2, 2.4.3 and 3.2.2: what goes away when it is pressed leaves the focus at what follows."""
    opened = open_page("desk-lost", width=390, height=844)
    opened.listener.situation.answers["rig-check"] = {
        "running": False,
        "started_at": None,
        "done": [],
        "left": [],
        "flagged": [],
    }
    page = opened.go("/rig-check")

    def press(button: str, then: str) -> str:
        page.locator(f"text='{button}'").focus()
        page.keyboard.press("Enter")
        page.wait_for_selector(f"text='{then}'")
        settle(page)
        return str(page.evaluate("document.activeElement.innerText"))

    assert press("Start a rig check", "End it here") == "Begin again"
    assert press("Begin again", "Yes, begin again") == "Keep this one"
    assert press("Yes, begin again", "End it here") == "Begin again"
    page.locator("text='End it here'").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("text='End it here'", state="detached")
    settle(page)
    assert page.evaluate("document.activeElement.innerText") == "Begin again"


def test_the_newest_rise_comes_first(open_page: Open) -> None:
    opened = open_page("desk-lost")
    done = opened.listener.situation.answers["rig-check"]["done"]
    done.insert(3, {"fixture": "999", "label": "Ladder left", "at": iso(now_ms())})
    page = opened.go("/rig-check")
    page.wait_for_selector(".light-checks li")
    assert "999 Ladder left" in page.locator(".light-checks li").first.inner_text()


# -- pictures ----------------------------------------------------------------------------------------------------


def test_the_night_is_drawn_and_leads_to_any_past_moment(open_page: Open) -> None:
    """Phases, incidents by severity, marks and what was not judged; a press shows what was open then."""
    page = open_page("desk-lost", width=1366).go("/reports")
    picture = page.locator("svg.night")
    picture.wait_for()
    assert picture.locator(".bar").count() == 4
    assert picture.locator(".mark-at").count() == 1
    assert picture.locator(".unjudged").count() == 1
    label = picture.get_attribute("aria-label") or ""
    assert "1 critical, 2 warning, 1 note; 1 mark; 1 interval not judged" in label
    assert "rehearsal from " in label
    page.locator(".handle input").focus()
    page.keyboard.press("Home")
    page.wait_for_selector("text=phase rehearsal: nothing was open.")
    page.keyboard.press("End")
    page.wait_for_selector("text=3 incidents open.")
    page.locator(".at-moment a").first.click()
    page.wait_for_url("**/incident/*")


def test_the_way_from_source_to_receiver_is_drawn_with_what_is_wrong_on_it(open_page: Open) -> None:
    page = open_page("desk-lost", width=1366).go("/sources")
    picture = page.locator("svg.path-map")
    picture.wait_for()
    label = picture.get_attribute("aria-label") or ""
    assert label.startswith("e131/3–6 lost, sent by spare desk")
    assert picture.locator(".node.is-lost").count() >= 2
    assert "Rack 1 processor" in (picture.text_content() or "")
    assert picture.locator(".path.is-lost").count() == 1


def test_levels_around_an_incident_are_drawn_and_break_off_where_no_frame_came(open_page: Open) -> None:
    page = open_page("desk-lost", width=1366).go("/incident/7")
    picture = page.locator("svg.over-time")
    picture.wait_for()
    assert picture.locator(".line").count() == 2
    assert (picture.get_attribute("aria-label") or "").startswith(
        "e131/3: the 2 slots that moved most, of 1 source, from "
    )
    assert "301 intensity" in (picture.text_content() or "")
    page.select_option("select", "e131/4")
    page.wait_for_selector("svg.over-time[aria-label^='e131/4']")


# -- what a rule means, accepting it -----------------------------------------------------------------------------


def test_from_an_incident_one_press_opens_what_its_rule_means(open_page: Open) -> None:
    page = open_page("desk-lost").go("/incident/7")
    page.click("main a[href='/rules/universe-lost']")
    page.wait_for_selector("text=Universe lost.")
    text = page.locator("main").inner_text()
    assert (
        "2.5" in page.locator("table", has_text="E1.31").first.inner_text()
    )  # E1.31-2018, 6.7.1: network data loss after 2.5 s
    assert "What to look at" in text
    assert "source lost" in text


def test_one_form_accepts_a_fault_with_reason_name_and_end(open_page: Open) -> None:
    opened = open_page("desk-lost")
    page = opened.go("/incident/6")
    page.click("summary:has-text('Accept it on purpose')")
    page.locator("form:has(input[name=reason])").locator("input[name=reason]").fill("the new effect")
    page.locator("form:has(input[name=reason])").locator("input[name=by]").fill("Mara")
    page.click("button:has-text('Accept it')")
    page.wait_for_selector("text=Accepted by Mara: the new effect, until")
    (change,) = opened.listener.changes
    assert change[:2] == ("POST", "incidents/6/accept")
    assert {"reason", "until", "by"} == set(change[2])
    page.click("button:has-text('Take back')")
    opened.listener.wait_for_change("DELETE", "incidents/6/accept")


def test_what_is_accepted_is_listed_and_is_not_the_verdict(open_page: Open) -> None:
    opened = open_page("well")
    began = now_ms()
    opened.listener.situation.incidents.append(
        incident(30, began, "slow-refresh", "warning", ["e131/4"], began)
        | {"accepted": {"reason": "the old desk", "until": None, "by": "Mara"}}
    )
    page = opened.go("/")
    page.wait_for_selector("text=All is well")
    assert "1 accepted" in page.locator(".verdict-now").inner_text()
    assert page.locator("h2:has-text('Accepted')").count() == 1


def test_nothing_declared_offers_a_house_file_of_what_is_heard(open_page: Open) -> None:
    page = open_page("undeclared").go("/")
    link = page.locator("text=Write a house file from what is heard")
    link.wait_for()
    assert link.get_attribute("href") == "/api/v1/house/draft"


def test_every_view_says_that_it_is_not_a_safety_system(open_page: Open) -> None:
    page = open_page("well").go("/patch")
    assert "not a safety system" in page.locator("footer").inner_text()
