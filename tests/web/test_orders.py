# ruff: noqa: E501 (rows of made-up answers read better whole)
"""What this computer sends or asks is always shown; what a person orders is confirmed first and refused in words."""

from __future__ import annotations

import pytest

from tests.web.conftest import Open, Opened
from tests.web.situations import asked
from tests.web.stand_in import PAGES, now_ms

pytestmark = pytest.mark.browser


def with_house(opened: Opened, **changed: object) -> Opened:
    opened.listener.situation.house |= changed
    return opened


def asking(opened: Opened, running: bool = True) -> Opened:
    opened.listener.situation.house["listener"] |= {"asking": asked(now_ms(), running=running)}
    return opened


@pytest.mark.parametrize("path", PAGES)
def test_while_fixtures_are_asked_every_view_says_so_and_can_stop_it(open_page: Open, path: str) -> None:
    opened = asking(open_page("well"))
    page = opened.go(path)
    banner = page.locator("#banner p", has_text="This computer is asking fixtures what they are")
    banner.wait_for()
    assert "34 requests so far." in banner.inner_text()
    assert "until " in banner.inner_text()
    banner.get_by_role("button", name="Stop asking").click()
    opened.listener.wait_for_change("DELETE", "ask-fixtures")


def test_a_count_that_moves_moves_in_the_banner_and_the_end_takes_it_away(open_page: Open) -> None:
    opened = asking(open_page("well"))
    page = opened.go("/")
    page.wait_for_selector("#banner >> text=34 requests so far")
    health = opened.listener.situation.house["listener"]
    health["asking"]["requests"] = 41
    opened.listener.send("house", opened.listener.situation.house | {"at": opened.listener.at()})
    page.wait_for_selector("#banner >> text=41 requests so far")
    health["asking"] |= {"running": False, "ends_in_s": 0.0}
    opened.listener.send("house", opened.listener.situation.house | {"at": opened.listener.at()})
    page.wait_for_function("() => !document.getElementById('banner').textContent.includes('asking')")


def test_a_window_whose_end_has_passed_is_not_believed(open_page: Open) -> None:
    """Should the process that asks be gone with its last word "running", the page does not repeat it for ever."""
    opened = asking(open_page("well"))
    opened.listener.situation.house["listener"]["asking"]["ends_at"] = "2020-01-01T00:00:00.000Z"
    page = opened.go("/fixtures-asked")
    page.wait_for_selector("text=Ask again")
    assert "asking" not in page.locator("#banner").inner_text()


def test_when_stale_the_banner_speaks_of_what_was(open_page: Open) -> None:
    opened = asking(open_page("well"))
    page = opened.go("/")
    opened.listener.stall()
    page.wait_for_selector("#banner >> text=When it was last heard, this computer was asking fixtures")


def test_a_refused_stop_is_reported(open_page: Open) -> None:
    opened = asking(open_page("well"))
    page = opened.go("/")
    opened.listener.refusal = "judging does not answer now"
    page.click("#banner >> text=Stop asking")
    page.wait_for_selector("#banner [role=alert] >> text=Asking was not stopped: judging does not answer now")


def test_fixtures_are_asked_only_after_a_person_read_what_may_happen(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/patch")
    page.click("text=Ask fixtures what they are")
    page.wait_for_selector("text=No fixture has been asked.")
    page.click("button:has-text('Ask the fixtures')")
    dialog = page.locator("dialog")
    assert "old fixtures may twitch" in dialog.inner_text()
    assert page.evaluate("document.activeElement.textContent") == "Cancel"
    page.keyboard.press("Escape")
    assert opened.listener.changes == [], "nothing was asked before it was agreed to"
    page.click("button:has-text('Ask the fixtures')")
    page.click("dialog >> text=Yes, ask them")
    opened.listener.wait_for_change("POST", "ask-fixtures")
    assert opened.listener.changes == [("POST", "ask-fixtures", {"seconds": 120, "confirm": True})]


def test_a_refusal_is_shown_in_judgings_own_words(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/fixtures-asked")
    opened.listener.refusal = "fixtures are not asked in show: RDM shares their line with the levels"
    page.click("button:has-text('Ask the fixtures')")
    page.click("dialog >> text=Yes, ask them")
    page.wait_for_selector("dialog [role=alert] >> text=fixtures are not asked in show")
    opened.listener.refusal = ""
    page.click("dialog >> text=Yes, ask them")
    page.wait_for_function("() => !document.querySelector('dialog').open")


def test_the_answers_are_in_a_table_abnormal_first(open_page: Open) -> None:
    page = asking(open_page("well"), running=False).go("/fixtures-asked")
    page.wait_for_selector("text=5 of 6 fixtures are not as patched.")
    rows = [row.inner_text().split("\t") for row in page.locator("tbody tr").all()]
    assert [row[0] for row in rows] == ["702", "703", "704", "–", "–", "701"]
    assert rows[0][1:6] == ["set to another address", "artnet/1", "7", "31", "6"]
    assert rows[2][1:5] == ["no device answers for it", "artnet/1", "19", "–"]
    assert "refused: DEVICE_LABEL" in rows[3][1]
    assert rows[5][1] == "as patched"
    assert "Asking ended before all had answered: stopped by a person." in page.locator("main").inner_text()


def test_nobody_to_ask_is_reported(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.situation.house["listener"]["asking"] = {"running": False, "rows": [], "trouble": "no gateway is declared, and none was heard"}  # fmt: skip
    page = opened.go("/fixtures-asked")
    page.wait_for_selector("text=No fixture was asked: no gateway is declared, and none was heard.")


def test_what_this_computer_sends_and_asks_for_is_in_the_head_and_with_the_listener(open_page: Open) -> None:
    opened = with_house(open_page("well"), subscribes=True, sends=["e131/112", "artnet/3"])
    opened.listener.situation.house["listener"]["node"] = {"replies": 7, "pages": 1, "waiting": False}
    page = opened.go("/")
    assert page.locator("#head .activity").inner_text() == "asks for data, sends 2 universes"
    page.click("#head .activity a")
    page.wait_for_selector("text=This listener asks for data: it answers polls as an Art-Net node")
    text = page.locator("main").inner_text()
    assert "7 answered so far." in text
    assert "This computer sends 2 universes: e131/112 and artnet/3." in text


def test_a_listener_that_only_listens_says_that(open_page: Open) -> None:
    page = open_page("well").go("/listener")
    page.wait_for_selector(
        "text=It only listens: it joins multicast groups and sends nothing else to the show network."
    )
    assert page.locator("#head .activity").count() == 0


def test_hours_list_the_oldest_lamps_first(open_page: Open) -> None:
    page = open_page("well").go("/racks")
    page.click("text=Hours of lamps and circuits")
    page.wait_for_selector("text=2 lamps are or may be near the end of rated life.")
    rows = [row.inner_text().split("\t") for row in page.locator("tbody tr").all()]
    assert [row[0] for row in rows] == ["circuit C103", "circuit C102", "circuit C101", "fixture 301"]
    assert rows[0][1:6] == ["700 h", "560 h", "351", "400 h", "overdue"]
    assert rows[3][4:6] == ["–", "no life declared"]
    page.fill("input[type=search]", "301")
    page.wait_for_function("() => document.querySelectorAll('tbody tr').length === 1")


def test_a_new_lamp_is_confirmed_before_its_hours_begin_anew(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/hours")
    page.get_by_role("button", name="The lamp of circuit C103 was changed").click()
    assert "700.0 h on, 560.0 h full-equivalent" in page.locator("dialog").inner_text()
    page.click("dialog >> text=Cancel")
    assert opened.listener.changes == []
    page.get_by_role("button", name="The lamp of fixture 301 was changed").click()
    page.click("dialog >> text=Yes, a new lamp is in")
    page.wait_for_selector("text=Hours of fixture 301 start again from zero.")
    assert opened.listener.changes == [("POST", "lamp-changes", {"fixture": "301"})]


def test_the_token_is_asked_for_in_between_and_the_order_goes_through(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.token = "sea-salt"
    page = opened.go("/hours")
    page.get_by_role("button", name="The lamp of circuit C103 was changed").click()
    page.click("dialog >> text=Yes, a new lamp is in")
    page.fill("#token", "sea-salt")
    page.click("text=Use it")
    page.wait_for_selector("text=Hours of circuit C103 start again from zero.")
    assert page.locator("dialog").is_hidden()


def test_the_levels_of_now_are_kept_and_compared_with_one_press_each(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/references")
    page.fill("input[name=name]", "act 2")
    page.get_by_role("button", name="Keep these levels").click()
    page.wait_for_selector("text=act 2: kept the levels of 35 fixtures.")
    assert [(method, path, body["name"]) for method, path, body in opened.listener.changes] == [
        ("POST", "references", "act 2")
    ]
    page.get_by_role("button", name="Compare now with act 1 opening").click()
    page.wait_for_selector("text=intensity 0 %, was 60 %")
    assert "1 fixture differs from act 1 opening" in page.locator("main h1").inner_text()
    page.wait_for_selector("text=Not compared: 40: not patched now.")
    assert "never sent" in page.locator("main").inner_text()


def test_a_part_of_the_house_is_kept_and_a_reference_deleted_with_two_presses(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/references")
    page.fill("input[name=name]", "bridge")
    page.click("main summary")
    page.select_option("select[name=positions]", ["Bridge 1", "Advance bar"])
    page.get_by_role("button", name="Keep these levels").click()
    page.wait_for_selector("text=bridge: kept the levels of 35 fixtures.")
    ((_, _, body),) = opened.listener.changes
    assert (body["positions"], "racks" in body) == (["Advance bar", "Bridge 1"], False)
    assert page.get_by_role("link", name="levels of act 1 opening as CSV").get_attribute("href") == (
        "/api/v1/references/act%201%20opening?format=csv"
    )
    page.get_by_role("button", name="Delete act 1 opening", exact=True).click()
    page.get_by_role("button", name="Keep act 1 opening").click()
    assert len(opened.listener.changes) == 1, "nothing is deleted with one press"
    page.get_by_role("button", name="Delete act 1 opening", exact=True).click()
    page.get_by_role("button", name="Delete act 1 opening for good").click()
    page.wait_for_selector("text=act 1 opening is deleted.")
    assert opened.listener.changes[1][:2] == ("DELETE", "references/act 1 opening")


def test_a_universe_says_how_tonight_is_against_the_other_shows(open_page: Open) -> None:
    page = open_page("well").go("/universe/e131/2")
    page.wait_for_selector("text=In the last 20 shows 99 of 100 intervals were within 26.2 ms to 31.2 ms")
    pictures = page.locator("svg.usual").evaluate_all("all => all.map(one => one.getAttribute('aria-label'))")
    assert [words.split()[0] for words in pictures] == ["In", "Frames", "The"], pictures
    page.wait_for_selector("text=The figures start again on 2025-11-03: the patch changed.")


def test_the_half_hour_call_says_what_grows_worse(open_page: Open) -> None:
    page = open_page("desk-lost").go("/readiness")
    page.wait_for_selector("text=where uneven-refresh warns")
    assert page.locator("svg.trend circle").count() == 10


def test_an_incident_shows_the_last_good_levels_with_a_caution(open_page: Open) -> None:
    opened = open_page("desk-lost")
    lit = {"role": "intensity", "percent": 60.0, "moving": False}
    row = {
        "fixture": "301",
        "label": "front wash",
        "position": "Bridge 1",
        "rack": "",
        "universe": "e131/3",
        "address": 1,
    }
    found = next(one for one in opened.listener.situation.incidents if one["id"] == 7)
    found["last_good_levels"] = {
        "caution": "Levels are only shown, never sent.",
        "fixtures": [
            row | {"levels": [lit]},
            row | {"fixture": "302", "levels": [lit | {"percent": 0.0}]},
            row | {"fixture": "e131/9", "levels": [lit | {"role": "", "percent": 20.0 + n} for n in range(3)]},
        ],
        "left_out": 3,
    }
    page = opened.go("/incident/7")
    page.wait_for_selector("text=intensity 60 %")
    text = page.locator("main").inner_text()
    assert "never sent" in text and "1 fixture at zero is left out." in text
    assert "3 slots, the highest at 22 %" in text and "The levels of 3 more fixtures were not kept." in text
