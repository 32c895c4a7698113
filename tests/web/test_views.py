# ruff: noqa: E501 (rows of a table read better whole)
"""Every view has its own address, loads by itself, lives, and needs nothing that the policy forbids."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Route

from tests.web.conftest import Open
from tests.web.situations import UNIVERSE_COLUMNS, incident, iso, universe
from tests.web.stand_in import PAGES, now_ms

pytestmark = pytest.mark.browser

ALL = (*PAGES, "/universe/e131/3", "/universe/artnet/1", "/universe/e131/999", "/incident/7", "/incident/99")

SAYS = {
    "/": "SPARE DESK SILENT",
    "/incidents": "SPARE DESK SILENT",
    "/universes": "14 universes: 4 lost",
    "/rules": "rules are judged all the time.",
    "/sources": "2 sources are heard.",
    "/network": "Port 4 of FOH is down.",
    "/patch": "1 conflict in the patch.",
    "/rig-check": "15 of 35 fixtures still to rise.",
    "/racks": "By estimate, Rack 2 line 2 is over the declared limit.",
    "/hours": "2 lamps are or may be near the end of rated life.",
    "/fixtures-asked": "5 of 6 fixtures are not as patched.",
    "/routes": "1 route, each as declared.",
    "/readiness": "Not ready.",
    "/references": "1 reference kept.",
    "/reports": "3 incidents in the last 12 hours.",
    "/listener": "This listener is in order, as far as it can tell.",
    "/universe/e131/3": "e131/3, Bridge 1, is lost: no frame for",
    "/universe/artnet/1": "artnet/1, Media wall 2, is steady at 30.0 Hz from media server.",
    "/universe/e131/999": "e131/999 is not known here.",
    "/incident/7": "Universes e131/3 to e131/6 are lost: spare desk itself fell silent.",
    "/incident/99": "Incident 99 is not known here.",
}


@pytest.mark.parametrize("path", ALL)
def test_each_address_opens_by_itself_and_its_headline_is_a_sentence(open_page: Open, path: str) -> None:
    """A bookmark to any view answers with that view's sentence; the browser has nothing to complain of."""
    opened = open_page("desk-lost")
    page = opened.go(path)
    page.wait_for_function("words => document.querySelector('main h1').textContent.includes(words)", arg=SAYS[path])
    assert page.locator("main h1").count() == 1
    assert "incident" in page.title()
    assert page.locator("html").get_attribute("lang") == "en"
    wanted_404 = path in {"/universe/e131/999", "/incident/99"}
    assert [text for text in opened.complaints if not (wanted_404 and "404" in text)] == []


@pytest.mark.parametrize("path", PAGES)
def test_a_house_that_declares_nothing_is_reported_so_in_a_sentence(open_page: Open, path: str) -> None:
    """No view is blank or broken where parts of the house are missing."""
    opened = open_page("empty")
    page = opened.go(path)
    assert len(page.locator("main h1").inner_text()) > 8
    assert "undefined" not in page.locator("main").inner_text()
    assert "NaN" not in page.locator("main").inner_text()
    assert opened.complaints == []


def test_all_well_is_quiet_and_says_how_old_its_knowledge_is(open_page: Open) -> None:
    page = open_page("well").go("/")
    assert page.locator("h1 .what").inner_text().strip() == "All is well"
    assert "14 of 14 universes arrive" in page.locator("h1").inner_text()
    assert page.locator("#head .age").inner_text() == "updated this second"
    assert page.locator("#head .host").inner_text() == "listener rack-pc"
    assert "all is well" in page.title()


def test_the_headline_answers_what_since_when_what_holds_and_what_to_look_at(open_page: Open) -> None:
    page = open_page("desk-lost").go("/")
    page.wait_for_selector("text=SPARE DESK SILENT")
    text = page.locator(".headline").inner_text()
    assert "10 of 14 universes arrive" in text
    assert "Look at spare desk's own screen" in text
    assert "since " in text
    assert "1 other incident" in text
    assert "10.20." not in text, "no address is in the headline"
    assert (
        "Universes e131/3 to e131/6 are lost: spare desk itself fell silent" in page.locator(".card").first.inner_text()
    )


def test_a_network_of_which_some_still_arrives_is_not_called_silent(open_page: Open) -> None:
    """A link between two switches is out: what is behind it is cut off, and all else goes on."""
    opened = open_page("well")
    page = opened.go("/")
    opened.listener.send_rows([universe("e131/4", "Bridge 2", "lost", "", now_ms())])
    cut_off = incident(30, now_ms() - 3000, "universe-lost", "critical", ["e131/4"], now_ms()) | {
        "cause": "network-lost"
    }
    opened.listener.send("incident", cut_off)
    page.wait_for_selector("text=PART OF THE NETWORK SILENT")


def test_a_fault_of_the_listener_comes_first_and_is_no_fault_of_the_show(open_page: Open) -> None:
    opened = open_page("desk-lost")
    page = opened.go("/")
    own = opened.listener.situation.incidents[1] | {
        "id": 20, "rule": "link-down", "severity": "critical", "summary": "This listener's own link on eth1 is down", "universes": [], "still_working": [],
    }  # fmt: skip
    opened.listener.send("incident", own)
    page.wait_for_selector("text=LISTENER UNPLUGGED")


def test_what_is_streamed_while_the_open_incidents_are_asked_for_is_newer_than_the_answer(open_page: Open) -> None:
    opened = open_page("desk-lost")
    asked: list[Route] = []
    opened.page.route("**/api/v1/incidents?state=open", lambda route: asked.append(route))
    page = opened.go("/")
    page.wait_for_function("() => window.slotwatchPage.feed.connected")
    template = opened.listener.situation.incidents[1]
    own = template | {"id": 20, "rule": "link-down", "severity": "critical", "universes": [], "still_working": []}
    opened.listener.send("incident", own)
    page.wait_for_selector("text=LISTENER UNPLUGGED")
    answer = asked[0].fetch().json()
    answer["incidents"].append(template | {"id": 21})
    asked[0].fulfill(json=answer)
    page.wait_for_function("() => window.slotwatchPage.feed.incidents.has(21)")
    assert page.evaluate("window.slotwatchPage.feed.incidents.has(20)")


def test_a_change_arrives_without_being_asked_for(open_page: Open) -> None:
    """From the event to the words on the page in well under 250 ms; here only that it comes, and at once."""
    opened = open_page("well")
    page = opened.go("/")
    opened.listener.send_rows([universe("e131/4", "Bridge 2", "lost", "", now_ms())])
    page.wait_for_function("() => document.querySelector('tr.is-lost') !== null")
    assert "e131/4" in page.locator("tr.is-lost").inner_text()
    assert "was main desk" in page.locator("tr.is-lost").inner_text()


def test_a_universe_that_is_not_sent_and_not_due_is_not_called_idle(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    never = universe("e131/4", "Bridge 2", "not-sent", "", now_ms()) | {"last_frame_at": None}
    opened.listener.send_rows([never, universe("e131/5", "Bridge 3", "not-sent", "", now_ms())])
    page.wait_for_selector("text=2 not sent, and not due")
    assert "12 of 12 universes arrive" in page.locator("h1").inner_text()


def test_one_universe_lives_levels_owners_and_rows_by_fixture(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/universe/e131/3")
    page.wait_for_selector("text=Winning source")
    assert "main desk wins slots 1–360." in page.locator("main").inner_text()
    assert "spare desk wins slots 361–384." in page.locator("main").inner_text()
    row = page.locator(".fixtures li").first
    row.wait_for()
    assert "Bridge 1 1" in row.inner_text()
    assert "by main desk" in row.inner_text()
    levels = [7] + [0] * 511
    opened.listener.send("levels", {"universe": "e131/3", "at": iso(now_ms()), "levels": levels})
    page.wait_for_function("() => document.querySelector('.fixtures li .number').textContent === '3 %'")
    assert "1 slot of 512 is above zero." in page.locator("main").inner_text()
    assert (
        page.locator("svg.histogram[role=img]")
        .get_attribute("aria-label")
        .startswith("How long it was from frame to frame.")
    )  # type: ignore[union-attr]
    assert page.locator("svg.histogram title").last.text_content() == "500 to more: 1 frame"
    assert "the longest gap, 930 ms" in page.locator("svg.hour").get_attribute("aria-label").lower()  # type: ignore[union-attr]


def test_of_what_nobody_sends_no_levels_are_made_up(open_page: Open) -> None:
    # As documented: `levels` are the winning ones; where nobody wins there are none, and "at zero" would be a claim
    page = open_page("desk-lost").go("/universe/e131/3")
    page.wait_for_selector("text=Nobody sends it now, so nothing is commanded.")
    assert "at zero" not in page.locator("main").inner_text()


@pytest.mark.parametrize(
    ("state", "expected", "sentence", "known"),
    [
        ("not-sent", True, "is expected, and no frame of it has come yet.", False),
        ("not-sent", False, "is not sent, and nothing is expected of it now.", True),
        ("not-judged", True, "is not judged: no frame of it has come since this listener started.", False),
        ("not-visible", True, "is not visible from this port; it may be fine.", False),
    ],
)
def test_what_is_not_judged_yet_is_not_said_to_be_sent_by_nobody(
    open_page: Open, state: str, expected: bool, sentence: str, known: bool
) -> None:
    """Just after a start what is expected has not come yet (docs/glossary.md): that is no silence."""
    opened = open_page("desk-lost")
    blank = {"state": state, "expected": expected, "last_frame_at": None, "levels": [], "streams": []}
    row = next(row for row in opened.listener.situation.universes if row["universe"] == "e131/3")
    row |= {key: value for key, value in blank.items() if key in row}
    opened.listener.situation.details["e131/3"] |= blank
    page = opened.go("/universe/e131/3")
    said = "Nobody sends it now, so nothing is commanded." if known else "What is commanded is not known."
    page.wait_for_selector(f"text={said}")
    assert page.locator("main h1").inner_text().endswith(sentence)


@pytest.mark.parametrize(
    ("state", "expected", "said"),
    [
        ("not-sent", True, "not known"),
        ("not-sent", False, "not sent"),
        ("not-judged", True, "not known"),
        ("not-visible", True, "not known"),
        ("lost", True, "not sent"),
    ],
)
def test_the_patch_calls_a_level_not_sent_only_where_that_is_known(
    open_page: Open, state: str, expected: bool, said: str
) -> None:
    """docs/glossary.md: "not sent" says that no source sends it. What is not seen, or not yet, may well be sent."""
    opened = open_page("desk-lost")
    row = next(row for row in opened.listener.situation.universes if row["universe"] == "e131/3")
    row |= {"state": state, "expected": expected, "last_frame_at": None}
    for fixture in opened.listener.situation.answers["fixtures"]["fixtures"]:
        if fixture["universe"] == "e131/3":
            fixture["levels"] = dict.fromkeys(fixture["levels"])
    page = opened.go("/patch")
    texts = page.locator(".fixtures li", has_text="e131/3 at").locator(".number").all_inner_texts()
    assert set(texts) == {said}


def test_missing_frames_and_gaps_have_a_band_where_the_last_hour_was_worse_than_any_show(open_page: Open) -> None:
    """Of the stand-in: 1 of 2,401 frames is 0.04 % and the longest gap 930 ms; the shows had 0.01 % and 120 ms at most."""
    page = open_page("well").go("/universe/e131/1")
    page.wait_for_selector("svg.usual")
    page.wait_for_function("() => document.querySelectorAll('svg.usual').length === 3")
    texts = [page.locator("svg.usual").nth(n).get_attribute("aria-label") for n in range(3)]
    assert texts[1:] == [
        "Frames missing: up to 0.04 % in a minute of the last hour, 0.00 % to 0.01 % in the last 20 shows.",
        "The longest gap: up to 930 ms in a minute of the last hour, 44.0 ms to 120 ms in the last 20 shows.",
    ]


def test_a_universe_is_shown_here_and_at_the_other_listeners(open_page: Open) -> None:
    page = open_page("desk-lost").go("/universe/e131/1")
    page.wait_for_selector("text=Heard here and there")
    cells = page.locator("section:has(h2:has-text('Heard here and there')) tbody td").all_inner_texts()
    plain = [cell.replace("\u202f", " ").replace("\xa0", " ") for cell in cells]
    assert "0 of 240 113 missing" in plain[0] and "4 802 of 240 113 missing" in plain[1]
    assert plain[2] == "not reached"
    assert ", in control" in plain[0] and ", in control" in plain[1]
    alone = open_page("well").go("/universe/e131/1")
    alone.wait_for_selector("text=Who sends it")
    assert "Heard here and there" not in alone.locator("main").inner_text()


def test_the_moment_of_failure_shows_what_stopped_together(open_page: Open) -> None:
    page = open_page("desk-lost").go("/incident/7")
    page.wait_for_selector("svg.moment")
    assert page.locator("svg.moment .stopped:not(.there)").count() == 4
    # Both ears: each of the four as the other listener heard it, with a way to its page.
    names = page.locator("svg.moment .there .row-label").all_text_contents()
    assert names == [f"e131/{n} at stage end" for n in (3, 4, 5, 6)]
    assert page.locator(".titled-list a:has-text('stage end')").get_attribute("href") == "http://10.20.0.6:8580"
    assert page.locator("svg.moment .continues").count() == 5
    assert "all within 12 ms of each other; 5 other streams continued" in page.locator("svg.moment").get_attribute(
        "aria-label"
    )  # type: ignore[operator]
    assert page.locator("a[download]").get_attribute("href") == "/api/v1/incidents/7/packets"


def test_many_universes_are_drawn_counted_and_listed_by_source(open_page: Open) -> None:
    """512 universes: one stroke each; what needs a look is named in ranges, and what each source sends."""
    page = open_page("crowd").go("/")
    assert page.locator(".tick").count() == 512
    assert page.locator(".carriers li").count() == 3
    assert "spare desk e131/257–384 at 40 Hz; 8 lost" in page.locator(".carriers").inner_text()
    assert page.locator(".states li").count() == 4
    page.locator(".tick.is-lost").first.scroll_into_view_if_needed()
    box = page.locator(".tick.is-lost").first.bounding_box()
    assert box
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 4)
    page.wait_for_url("**/universe/e131/300")


def test_a_warning_looks_less_severe_than_a_loss(open_page: Open) -> None:
    opened = open_page("desk-lost")
    opened.listener.situation.incidents = [
        one for one in opened.listener.situation.incidents if one["severity"] != "critical"
    ]
    page = opened.go("/")
    page.wait_for_selector("text=MOVING LIGHTS 1 (e131/11) SLOW")
    assert "is-warning" in (page.locator(".verdict-now").get_attribute("class") or "")


def test_the_listeners_own_health_is_in_words(open_page: Open) -> None:
    page = open_page("well").go("/listener")
    page.wait_for_selector("text=eth1 up, 10.20.0.90, 1000 Mbit/s")
    page.wait_for_selector("text=eth1 10.20.0.1, heard 41 s ago")
    page.wait_for_selector("text=234 packets on routes' inputs discarded by E1.31's sequence rule.")
    page.wait_for_selector("text=All its other counts are 0.")
    assert "Art-Net poll" not in page.locator("main").inner_text(), "what is 0 needs no line of its own"


def test_the_own_bridge_is_reported_to_be_this_computers(open_page: Open) -> None:
    opened = open_page("well")
    rows = opened.listener.situation.sources
    own = {"source": "10.20.0.90", "name": "10.20.0.90", "address": "10.20.0.90", "declared_as": "", "cid": None}
    rows.append(rows[-1] | own | {"universes": ["artnet/3"], "own_bridge": True})
    page = opened.go("/sources")
    page.wait_for_selector("text=This computer's own bridge: it sends what the routes of the house file say.")
    text = page.locator("main").inner_text()
    assert "not declared" not in text
    assert "All are declared." in text


def test_a_route_says_what_of_its_input_it_did_not_use(open_page: Open) -> None:
    page = open_page("well").go("/routes")
    page.wait_for_selector("text=234 packets of its input came too late by their sequence.")
    page.wait_for_selector("text=Its port was opened again 1 time after it had gone.")


def test_a_route_that_does_not_reach_its_output_is_not_as_declared(open_page: Open) -> None:
    opened = open_page("well")
    answer = opened.listener.situation.answers["routes"]
    running = answer["routes"][0]
    lost = running | {"route": "foyer", "to": "artnet/3 to 10.20.0.41", "trouble": "Nothing answers at 10.20.0.41."}
    opened.page.route("**/api/v1/routes", lambda route: route.fulfill(json={"routes": [running, lost]}))
    page = opened.go("/routes")
    page.wait_for_selector("text=1 route of 2 does not reach its output.")
    assert "output lost" in page.locator("article", has_text="foyer").inner_text()
    assert "output lost" not in page.locator("article", has_text="tower").inner_text()


def test_routes_whose_input_is_gone_are_not_called_as_declared(open_page: Open) -> None:
    opened = open_page("well")
    running = opened.listener.situation.answers["routes"]["routes"][0]
    gone = running | {"route": "foyer", "state": "stopped", "text": "Its input is gone, so nothing is sent."}
    opened.page.route("**/api/v1/routes", lambda route: route.fulfill(json={"routes": [running, gone]}))
    opened.go("/routes").wait_for_selector("text=1 route of 2 sends nothing.")


def test_a_supply_line_without_a_declared_load_is_given_no_current(open_page: Open) -> None:
    opened = open_page("well")
    (rack, _) = opened.listener.situation.answers["racks"]["racks"]
    bare = rack | {"supplies": [{"supply": 1, "estimated_a": 0.0, "worst_a": 0.0, "full_a": 0.0, "limit_a": 32.0}]}
    opened.page.route("**/api/v1/racks?ways=counted", lambda route: route.fulfill(json={"racks": [bare]}))
    shown = opened.go("/racks").locator(".amounts").inner_text()
    assert "no circuit on it has a declared load" in shown and "0.0 A" not in shown


def test_a_universe_that_only_this_computer_sends_is_listed_as_its_own(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    own = universe("e131/4", "copy", "steady", "", now_ms()) | {"sent_by_routes": ["copy"]}
    opened.listener.send_rows([own], (*UNIVERSE_COLUMNS, "sent_by_routes"))
    page.wait_for_selector("tr:has-text('e131/4') >> text=this computer")


def test_back_and_forward_are_the_browsers_own(open_page: Open) -> None:
    page = open_page("well").go("/")
    page.click("text=Sources")
    page.wait_for_selector("text=3 sources are heard.")
    page.go_back()
    page.wait_for_selector("text=All is well")
    page.go_forward()
    page.wait_for_selector("text=3 sources are heard.")


def test_without_scripts_it_leads_to_the_plain_page(open_page: Open) -> None:
    opened = open_page("well", java_script_enabled=False)
    opened.page.goto(opened.listener.url + "/")
    assert opened.page.locator("noscript a, main a").first.get_attribute("href") == "/plain"


def test_the_listener_is_not_in_order_while_its_house_file_is_refused(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.situation.house["faults"] = ["house.toml:10: universe: [[universe]] - not a known section or key"]
    page = opened.go("/listener")
    page.wait_for_selector("text=The house file was refused")
    words = "The house file on disk was refused; the one read before still runs."
    assert page.locator("main h1").inner_text().startswith(words)


def test_numbers_of_things_are_written_as_other_numbers_are(open_page: Open) -> None:
    """In one line stood "4000 universes: 3 989 at rest"."""
    page = open_page("well").go("/")
    said = page.evaluate("import('/web/words.js').then(words => [1, 11, 4000].map(n => words.plural(n, 'universe')))")
    assert said == ["1 universe", "11 universes", "4\u202f000 universes"]


def test_limits_without_an_estimate_are_not_called_undeclared(open_page: Open) -> None:
    """While a rack's universe is silent nothing is estimated; that its limits are declared stays true."""
    opened = open_page("well")
    racks = opened.listener.situation.answers["racks"]["racks"]
    line = {"supply": 1, "estimated_a": None, "limit_a": 16.0, "worst_a": 0.0, "full_a": 10.0}
    racks[:] = [racks[0] | {"supplies": [line], "ways_judged": 0, "neutral_upper_a": None}]
    page = opened.go("/racks")
    page.wait_for_selector("text=no estimate, as no data came yet; 16.0 A allowed")
    words = "No limit is judged: that needs declared limits and loads, and data."
    assert page.locator("main h1").inner_text().startswith(words)


@pytest.mark.parametrize(
    ("zone", "moments"),
    [
        ("Europe/Berlin", ["2026-10-24T23:59:59Z", "2026-10-25T00:00:00Z", "2026-10-25T01:59:59Z", "2026-10-25T02:00:00Z"]),
        ("America/New_York", ["2026-11-01T04:59:59Z", "2026-11-01T05:30:00Z", "2026-11-01T06:30:00Z", "2026-11-01T07:00:00Z"]),
        ("Europe/London", ["2026-03-29T00:59:59Z", "2026-03-29T01:00:00Z", "2026-07-01T12:00:00Z"]),
        ("UTC", ["2026-10-25T01:30:00Z"]),
    ],
)  # fmt: skip
def test_a_time_in_the_hour_that_comes_twice_says_which(open_page: Open, zone: str, moments: list[str]) -> None:
    """Expected by the tz database (zoneinfo): a wall time that both values of `fold` (PEP 495) have is said with its zone."""
    expected = []
    for text in moments:
        moment = datetime.fromisoformat(text).astimezone(ZoneInfo(zone))
        is_twice = moment.utcoffset() != moment.replace(fold=1 - moment.fold).utcoffset()
        name = f" {moment.tzname()}" if is_twice else ""
        expected.append(
            [moment.strftime("%H:%M:%S") + name, moment.strftime("%H:%M") + name, moment.strftime("%H:%M:%S.0") + name]
        )
    page = open_page("well").go("/")
    said = page.evaluate(
        """([zone, moments]) => import('/web/clock.js').then(clock => { clock.useZone(zone);
            return moments.map(one => [clock.clockTime(one), clock.hourMinute(one), clock.exactTime(one)]); })""",
        [zone, moments],
    )
    assert said == expected


def test_a_folded_rack_asks_for_no_ways_and_an_unfolded_one_shows_them(open_page: Open) -> None:
    """A house may have thousands of ways: only those that somebody looks at are sent and drawn."""
    opened = open_page("well")
    page = opened.go("/racks")
    page.wait_for_selector("summary:has-text('The 24 ways of Rack 2')")
    assert page.locator("tbody tr").count() == 0
    page.click("summary:has-text('The 24 ways of Rack 2')")
    page.wait_for_function("() => document.querySelectorAll('tbody tr').length === 24")
    first = page.locator("tbody tr").first.inner_text().split("\t")
    assert (first[0], first[1], first[4]) == ("1", "C001", "10.0 A")
    asked = {path for path in opened.listener.bytes_sent if path.startswith("/api/v1/racks")}
    assert asked == {"/api/v1/racks", "/api/v1/racks/Rack 2"}
    ways = opened.listener.situation.answers["racks"]["racks"][1]["ways"]
    ways[0] |= {"level": 255, "estimated_a": 12.5}
    page.wait_for_selector("tbody tr.over:has-text('12.5 A')")
    page.click("summary:has-text('The 24 ways of Rack 2')")
    page.wait_for_function("() => document.querySelectorAll('tbody tr').length === 0")


def test_racks_of_a_large_house_come_a_page_at_a_time_and_can_be_found(open_page: Open) -> None:
    opened = open_page("well")
    racks = opened.listener.situation.answers["racks"]["racks"]
    calm, over = racks
    racks[:] = [calm | {"rack": f"Rack {number}", "universe": f"e131/{number}"} for number in range(1, 300)]
    racks.append(over | {"rack": "Rack 300", "universe": "e131/300", "ways_over_limit": [7]})
    page = opened.go("/racks")
    page.wait_for_selector("text=1 to 24 of 300")
    assert (
        page.locator("main h1")
        .inner_text()
        .startswith("By estimate, Rack 300 line 2, Rack 300 way 7 are over the declared limit.")
    )
    assert page.locator("main h2").first.inner_text() == "Rack 300", "what is over its limit is in sight"
    assert page.locator("main details").count() == 24
    page.click("text=Next")
    page.wait_for_selector("h2:has-text('Rack 25')")
    page.fill("input[type=search]", "over the limit")
    page.wait_for_selector("text=1 to 1 of 1 found among 300")
    assert page.locator("main h2").all_inner_texts() == ["Rack 300"]
    page.fill("input[type=search]", "e131/299")
    page.wait_for_selector("h2:has-text('Rack 299')")
    page.fill("input[type=search]", "nothing of the kind")
    page.wait_for_selector("text=None is found.")
