# ruff: noqa: E501 (snippets of script read better whole)
"""The page may be believed: it says when it is old, pauses when asked, and changes nothing unasked."""

from __future__ import annotations

import pytest

from tests.web.conftest import Open
from tests.web.stand_in import now_ms

pytestmark = pytest.mark.browser


def test_stale_is_reported_in_words_by_the_browsers_own_clock(open_page: Open) -> None:
    """Judging hangs while the server still answers: the page calls itself stale after 5 s, and recovers."""
    opened = open_page("well")
    page = opened.go("/")
    assert page.locator("#banner .stale").count() == 0
    opened.listener.stall()
    page.wait_for_selector("#banner .stale")
    page.wait_for_selector("h1 .look >> text=Look at the listener's computer")
    assert "STALE." in page.locator("#banner").inner_text()
    assert page.locator("h1 .what").inner_text().strip() == "STALE"
    assert page.title().startswith("STALE")
    assert "STALE" in page.locator("#head .age").inner_text()
    assert "STALE" in page.locator("#urgent").inner_text()
    opened.listener.frozen_at_ms = None
    page.wait_for_selector("#banner .stale", state="detached")
    page.wait_for_selector("h1 .what >> text=All is well")


def test_a_stale_page_asks_one_thing_at_a_time_whether_the_listener_answers(open_page: Open) -> None:
    """Of one host a browser asks six things at a time by HTTP/1.1: the event stream needs a place among them."""
    opened = open_page("well")
    opened.page.clock.install()
    page = opened.go("/")
    asked: list[object] = []
    page.route("**/healthz", lambda route: asked.append(route))
    opened.listener.stall()
    page.wait_for_selector("#banner .stale")
    with page.expect_request("**/healthz"):
        page.clock.run_for(20_000)
    assert len(asked) == 1


def test_what_is_stale_does_not_go_on_ageing(open_page: Open) -> None:
    """An incident that was open for some seconds at the last update is not shown as open for longer since."""
    opened = open_page("desk-lost")
    opened.page.clock.install()
    page = opened.go("/")
    opened.listener.stall()
    page.wait_for_selector("#banner .stale")
    page.clock.run_for(1000)
    before = page.locator(".card .when").first.inner_text()
    page.clock.run_for(90_000)
    assert page.locator(".card .when").first.inner_text() == before


def test_knowledge_that_was_old_when_the_page_opened_is_stale_at_once(open_page: Open) -> None:
    """The answer's own date betrays a listener whose judging stopped an hour ago."""
    opened = open_page("well")
    opened.listener.stall(
        age_s=3605
    )  # the date has whole seconds (RFC 9110, 5.6.7), so the age may come out a second short
    page = opened.go("/")
    page.wait_for_selector("#banner .stale")
    assert "60 min" in page.locator("#banner .stale").inner_text()


def test_a_dead_listener_turns_the_page_stale_and_a_new_one_turns_it_back(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    opened.context.set_offline(True)
    opened.listener.send("", None)  # ends the stream, as a killed process does
    page.wait_for_selector("#banner .stale")
    page.wait_for_selector("h1 .look >> text=Look at this screen's network")
    assert "If this screen's network is fine, look at the listener, rack-pc." in page.locator("main").inner_text()
    opened.context.set_offline(False)
    page.wait_for_selector("#banner .stale", state="detached")


def test_clocks_that_disagree_are_no_reason_for_stale(open_page: Open) -> None:
    """An hour between the browser's and the listener's clock: times are the listener's, ages are right."""
    opened = open_page("well")
    opened.context.add_init_script("const real = Date.now; Date.now = () => real() + 3600000")
    page = opened.go("/listener")
    page.wait_for_selector("text=3600 s ahead of the listener's")
    assert page.locator("#banner .stale").count() == 0


def test_pause_keeps_the_page_unchanged_and_says_so(open_page: Open) -> None:
    """WCAG 2.2.2: what updates by itself can be paused."""
    opened = open_page("well")
    page = opened.go("/")
    page.click("text=Pause")
    row = opened.listener.situation.universes[3] | {"label": "Renamed"}
    opened.listener.send_rows([row])
    page.wait_for_selector("text=Something has changed since.")
    assert page.locator("td:has-text('Renamed')").count() == 0
    page.click("text=Resume")
    page.wait_for_selector("td:has-text('Renamed')")


def test_a_paused_page_still_finds_and_turns_its_pages_in_what_it_held(open_page: Open) -> None:
    """WCAG 2.2.2 pauses what updates by itself. What a person asks for is no such update."""
    opened = open_page("crowd")
    page = opened.go("/universes")
    page.wait_for_selector("text=1 to 32 of 512")
    page.click("text=Pause")
    page.wait_for_selector("text=Nothing has changed since.")
    late = next(row for row in opened.listener.situation.universes if row["universe"] == "e131/100")
    opened.listener.send_rows([late | {"label": "Renamed"}])
    page.wait_for_selector("text=Something has changed since.")
    page.click("button:has-text('Next')")
    page.wait_for_selector("text=33 to 64 of 512")
    assert page.locator("td:has-text('Renamed')").count() == 0
    page.fill("input[type=search]", "e131/100")
    page.wait_for_selector("text=1 to 1 of 1 found among 512")
    assert page.locator("td:has-text('Renamed')").count() == 0
    page.click("text=Resume")
    page.wait_for_selector("td:has-text('Renamed')")


def test_what_a_paused_page_does_not_have_is_not_asked_for(open_page: Open) -> None:
    """It would be of another moment than the rest."""
    opened = open_page("well")
    page = opened.go("/racks")
    page.click("text=Pause")
    page.click("summary:has-text('The 24 ways of Rack 2')")
    page.wait_for_selector("text=The ways could not be read: the page is paused.")
    assert "/api/v1/racks/Rack 2" not in opened.listener.bytes_sent
    page.click("text=Resume")
    page.wait_for_function("() => document.querySelectorAll('tbody tr').length === 24")


def test_a_pause_does_not_hide_that_the_page_is_stale(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    page.click("text=Pause")
    opened.listener.stall()
    page.wait_for_selector("#banner .stale")


def test_a_phase_of_lower_severity_is_asked_twice(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    page.click("#head .phase")
    page.click("dialog label:has-text('dark')")
    page.click("dialog button:has-text('Change to dark')")
    assert opened.listener.changes == []
    assert "This lowers the severity of losses." in page.locator("dialog").inner_text()
    page.click("dialog button:has-text('Yes, change to dark')")
    page.wait_for_function("() => document.querySelector('#head .phase').textContent.includes('dark')")
    assert opened.listener.changes == [("PUT", "house/phase", {"phase": "dark", "confirm": True})]
    assert page.locator("#polite").inner_text().startswith("Phase is now dark.")


def test_a_phase_that_the_timetable_asks_for_waits_for_a_person(open_page: Open) -> None:
    opened = open_page("well")
    page = opened.go("/")
    opened.listener.send("house", {"at": opened.listener.at(), "phase_pending": "post-show"})
    page.click("#banner button:has-text('Change to post-show')")
    assert opened.listener.changes == []
    page.click("dialog button:has-text('Yes, change to post-show')")
    page.wait_for_function("() => document.querySelector('#head .phase').textContent.includes('post-show')")
    assert opened.listener.changes == [("PUT", "house/phase", {"phase": "post-show", "confirm": True})]


def test_the_token_is_asked_for_and_kept_in_the_tab_only(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.token = "harbour"
    page = opened.go("/")
    page.fill("form input[name=text]", "blink on bridge 1")
    page.click("button:has-text('Mark')")
    page.fill("dialog input[name=token]", "harbour")
    page.click("dialog button:has-text('Use it')")
    page.wait_for_selector("text=Marked: “blink on bridge 1”.")
    assert opened.listener.changes == [("POST", "marks", {"text": "blink on bridge 1"})]
    assert page.evaluate("localStorage.getItem('token')") is None


def test_a_phase_change_that_needs_the_token_goes_through_once_it_is_given(open_page: Open) -> None:
    opened = open_page("well")
    opened.listener.token = "harbour"
    page = opened.go("/")
    page.click("#head .phase")
    page.click("dialog label:has-text('post-show')")
    page.click("dialog button:has-text('Change to post-show')")
    page.click("dialog button:has-text('Yes, change to post-show')")
    page.fill("dialog input[name=token]", "harbour")
    page.click("dialog button:has-text('Use it')")
    page.wait_for_function("() => document.querySelector('#head .phase').textContent.includes('post-show')")
    assert page.locator("dialog").inner_text() == ""


def test_acknowledging_needs_a_name_and_stays_in_view(open_page: Open) -> None:
    opened = open_page("desk-lost")
    page = opened.go("/")
    page.click("summary:has-text('Acknowledge')")
    page.click("button:has-text('I have it')")
    assert opened.listener.changes == []  # the browser itself asks for the name
    page.fill("input[name=by]", "Jo")
    page.fill("input[name=note]", "going to the desk")
    page.click("button:has-text('I have it')")
    page.wait_for_selector("text=Jo has it")
    assert opened.listener.changes == [("POST", "incidents/7/acknowledge", {"by": "Jo", "note": "going to the desk"})]
    assert "are lost" in page.locator(".card.is-critical").first.inner_text()


def test_only_transitions_are_announced(open_page: Open) -> None:
    """WCAG 4.1.3: a new critical incident interrupts; rates and ages never do; closing is announced politely."""
    opened = open_page("well")
    opened.page.clock.install()
    page = opened.go("/")
    page.clock.run_for(1700)  # what is open as the page opens is read on the page, not announced
    page.evaluate("""() => { window.announced = []; for (const id of ['polite', 'urgent']) new MutationObserver(() => {
        const text = document.getElementById(id).textContent; if (text) window.announced.push([id, text]); }).observe(document.getElementById(id), {childList: true}); }""")
    lost = open_page("desk-lost").listener.situation.incidents[1]
    for hz in (40.0, 39.2, 41.0):
        opened.listener.send_rows([row | {"refresh_hz": hz} for row in opened.listener.situation.universes])
    opened.listener.send("incident", lost)
    opened.listener.send("incident", lost | {"revision": 2, "evidence": ["one more"]})
    opened.listener.send("incident", lost | {"revision": 3, "returned_at": lost["opened_at"]})
    page.wait_for_function("() => window.announced.length >= 2")
    opened.listener.send("incident", lost | {"state": "closed", "closed_at": lost["opened_at"]})
    page.wait_for_function("() => window.announced.length >= 3")
    page.clock.run_for(1000)
    assert page.evaluate("window.announced") == [
        ["urgent", f"critical: {lost['summary']}"],
        ["polite", f"Back, and watched: {lost['summary']}"],
        ["polite", f"Over: {lost['summary']}"],
    ]


def test_what_closed_while_the_page_was_away_is_not_shown_as_open(open_page: Open) -> None:
    opened = open_page("desk-lost")
    page = opened.go("/")
    page.wait_for_selector("text=SPARE DESK SILENT")
    opened.listener.situation.incidents.clear()
    opened.listener.situation.universes[:] = [
        row | {"state": "steady", "refresh_hz": 40.0} for row in opened.listener.situation.universes
    ]
    opened.listener.send("", None)
    page.wait_for_selector("text=All is well")


def test_a_clean_clock_is_shown_in_the_houses_own_time_zone(open_page: Open) -> None:
    page = open_page("well", timezone_id="Asia/Tokyo").go("/")
    shown = page.locator("#head .time").inner_text()
    expected = page.evaluate(
        "ms => new Intl.DateTimeFormat('en-GB', {timeZone: 'Europe/London', hour: '2-digit', minute: '2-digit', hourCycle: 'h23'}).format(ms)",
        now_ms(),
    )
    assert shown.startswith(expected)
