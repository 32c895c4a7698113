"""The plain page: a headline that is a sentence, headings in order, tables with heads, and nothing that runs."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from slotwatch.snapshot import Severity, UniverseState
from slotwatch.views.house import counts
from slotwatch.views.plain import headline, plain_page
from slotwatch.views.sheet import Sheet
from tests.views.fabricate import NOW_NS, SECOND_NS, incident, snapshot


def test_when_all_is_well_it_says_how_much_that_is() -> None:
    calm = snapshot(3, incidents=())
    calm.universes["state"][1] = 1
    words = "No fault seen: 2 of 3 universes arrive, 1 not visible from this port."
    assert headline(Sheet(calm)) == words
    calm.universes["state"][2] = UniverseState.STEADY
    assert headline(Sheet(calm)) == "All is well: 3 of 3 universes arrive."
    calm.universes["state"][1:] = UniverseState.NOT_SENT
    assert headline(Sheet(calm)) == "All is well: 1 of 1 universe arrives."


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (UniverseState.NOT_VISIBLE, "Blind: 0 of 3 universes seen from this port."),
        (UniverseState.NOT_SENT, "Nothing is sent, and nothing is due."),
        (UniverseState.LOST, "No alarm, but not all is well: 3 lost of 3 universes."),
        (UniverseState.NOT_JUDGED, "No alarm, but not all is well: 3 not judged of 3 universes."),
    ],
)
def test_a_house_of_which_nothing_arrives_is_not_called_well(state: UniverseState, words: str) -> None:
    """No incident is open: as in phase dark, or at a port that sees nothing."""
    calm = snapshot(3, incidents=())
    calm.universes["state"][:] = state
    assert headline(Sheet(calm)) == words


def test_what_may_still_come_after_the_start_is_not_called_well() -> None:
    """Judging gives what is expected 10 s after the start (docs/rules.md, universe-missing)."""
    young = snapshot(3, incidents=())
    young.started_ns = young.now_ns - 10_000_000_000
    young.universes["state"][:] = UniverseState.STEADY
    young.universes["expected"][:] = True
    young.universes["state"][2] = UniverseState.NOT_SENT
    young.universes["last_frame_ns"][2] = 0
    assert headline(Sheet(young)) == "Just started: 2 of 3 universes arrive, 1 not heard yet."
    young.universes["expected"][2] = False
    assert headline(Sheet(young)) == "All is well: 2 of 2 universes arrive."
    young.universes["expected"][2] = True
    young.started_ns -= 1
    assert headline(Sheet(young)) == "All is well: 2 of 2 universes arrive."


def test_the_most_severe_open_incident_is_the_headline() -> None:
    some = (
        incident(1, severity=Severity.NOTE, summary="A note."),
        incident(2, severity=Severity.WARNING, summary="Slow."),
    )
    assert headline(Sheet(snapshot(incidents=some))) == "Slow."
    more = (*some, incident(3, summary="Lost."))
    assert headline(Sheet(snapshot(incidents=more))) == "Lost. And 1 more."
    known = (incident(3, summary="Lost.", accepted="by design"),)
    lost = "No alarm, but not all is well: 1 lost of 3 universes. Besides: 1 accepted."
    assert headline(Sheet(snapshot(incidents=known))) == lost


def test_what_is_wrong_with_this_listener_follows_the_loss_beside_it() -> None:
    """Swapped leads may be why a loss is seen. What an audience may see comes first all the same: common practice."""
    lost = incident(1, summary="Lost.", began_ns=1_000)
    swapped = incident(2, rule="networks-swapped", severity=Severity.WARNING, summary="Swapped.", began_ns=2_000)
    slow = incident(3, rule="slow-refresh", severity=Severity.WARNING, summary="Slow.")
    assert headline(Sheet(snapshot(incidents=(slow, swapped, lost)))) == "Lost. Swapped. And 1 more."
    over = incident(2, rule="networks-swapped", severity=Severity.WARNING, summary="Over.", returned_ns=3_000)
    assert headline(Sheet(snapshot(incidents=(over, lost)))) == "Lost. And 1 more."


def test_what_calls_for_nobody_is_counted_beside_the_headline() -> None:
    """As the page does, below its verdict (web/verdict.js)."""
    some = tuple(incident(number, severity=Severity.NOTE) for number in (1, 2))
    calm = snapshot(3, incidents=(*some, incident(3, accepted="by design")))
    calm.universes["state"][:] = UniverseState.STEADY
    words = "All is well: 3 of 3 universes arrive. Besides: 2 notes to read in the morning, 1 accepted."
    assert headline(Sheet(calm)) == words


def test_what_a_stranger_controls_is_not_called_well() -> None:
    """As the page's second line says it (web/verdict.js). A quiet window makes such an incident a note."""
    by = (("e131/1", "a stranger"), ("e131/2", "a stranger"))
    note = incident(rule="unexpected-source", severity=Severity.NOTE, controlled_by=by)
    calm = snapshot(3, incidents=(note,))
    calm.universes["state"][:] = UniverseState.STEADY
    beside = "Besides: 1 note to read in the morning."
    assert headline(Sheet(calm)) == f"No alarm: 3 of 3 universes arrive, 2 from a stranger. {beside}"
    calm.universes["state"][1] = UniverseState.NOT_SENT  # a stranger that is gone decides nothing
    assert headline(Sheet(calm)) == f"No alarm: 2 of 2 universes arrive, 1 from a stranger. {beside}"
    assert counts(Sheet(calm))["controlled_by_others"] == 1
    calm.universes["state"][1] = UniverseState.NOT_VISIBLE
    unseen = "2 of 3 universes arrive, 1 from a stranger, 1 not visible from this port"
    assert headline(Sheet(calm)) == f"No alarm: {unseen}. {beside}"
    calm.universes["state"][1] = UniverseState.ON_BACKUP
    backup = "1 on backup of 3 universes; 2 from a stranger"
    assert headline(Sheet(calm)) == f"No alarm, but not all is well: {backup}. {beside}"
    calm.universes["state"][1] = UniverseState.NOT_SENT
    also = incident(8, rule="source-conflict", severity=Severity.NOTE, controlled_by=(("artnet/0", "several sources"),))
    calm.incidents = (note, also)
    assert headline(Sheet(calm)).startswith("No alarm: 2 of 2 universes arrive, 2 from other sources.")
    for over in ({"accepted": "by design"}, {"returned_ns": NOW_NS}, {"closed_ns": NOW_NS}):
        calm.incidents = (replace(note, **over),)
        assert headline(Sheet(calm)).startswith("All is well: 2 of 2 universes arrive.")


def test_notes_and_what_is_accepted_have_lists_of_their_own() -> None:
    """As on the page: an incident that calls for somebody is not counted with them (web/now.js)."""
    quiet = (
        incident(1, severity=Severity.NOTE),
        incident(2, severity=Severity.NOTE),
        incident(3, accepted="by design"),
    )
    found = [re.findall("<h2>(.*?)</h2>", plain_page(Sheet(snapshot(incidents=some))))[:3] for some in (quiet, ())]
    assert found[0] == ["No open incident", "Accepted: 1", "Notes for the morning: 2"]
    assert found[1][:2] == ["No open incident", "Readiness"]
    page = plain_page(Sheet(snapshot(incidents=(*quiet, incident(4)))))
    assert re.findall("<h2>(.*?)</h2>", page)[0] == "Open incidents: 1"
    assert page.count("<section>") == 4


def test_a_house_that_declares_nothing_is_not_called_well() -> None:
    calm = snapshot(3, incidents=())
    calm.universes["state"][:] = UniverseState.STEADY
    calm.universes["declared"][:] = False
    assert headline(Sheet(calm)) == "Nothing declared: 3 universes heard."


def test_incidents_are_in_the_order_of_the_headline() -> None:
    """The worst first, of equals the newest; one without a cause has no empty place for it."""
    some = (
        incident(1, severity=Severity.WARNING, summary="Slow.", cause=""),
        incident(2, summary="Lost first.", began_ns=1_000),
        incident(3, summary="Lost second.", began_ns=2_000),
    )
    sheet = Sheet(snapshot(incidents=some))
    page = plain_page(sheet)
    assert headline(sheet).startswith("Lost second.")
    listed = page[page.index("<h2>Open incidents") :]
    assert listed.index("Lost second.") < listed.index("Lost first.") < listed.index("Slow.")
    assert "cause ," not in page


def test_when_an_incident_began_first_is_not_taken_for_when_it_began_last() -> None:
    """Its sentence has the moment of its last outage, as the verdict of the page does (web/verdict.js, beganMs)."""
    page = plain_page(Sheet(snapshot(incidents=(incident(1, flaps=3), incident(2)))))
    first, second = sorted(re.findall(r"<p>([^<;]*began [^<;]*|Began [^<;]*); rule", page))
    assert first.startswith("Began ")
    assert second.startswith("First began ") and second.endswith(", 4 times in all")


class Shape(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.levels: list[int] = []
        self.tags: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))
        assert not any(name.startswith("on") or name == "style" for name, _ in attrs), "nothing that the policy refuses"
        if tag not in ("meta", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_headings_are_in_order_and_everything_is_closed() -> None:
    """WCAG 2.2, 1.3.1: programs can determine the structure; no level is left out."""
    shape = Shape()
    shape.feed(plain_page(Sheet(snapshot(12)), ["A fault of its own."]))
    assert not shape.open and "script" not in shape.tags and shape.tags.count("table") == 2
    assert shape.levels[0] == 1 and shape.levels.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(shape.levels, shape.levels[1:], strict=False))


def test_every_time_is_on_the_houses_clock() -> None:
    """As the sentences are, which come from judging. What is not of today has its day.

    The snapshot is of 2026-01-01T00:00:00Z (tests/views/fabricate.py). Sydney is 11 hours ahead of UTC in January
    (IANA time zone database, Australia/Sydney, AEDT).
    """
    one = incident(began_ns=NOW_NS - 12 * 3_600 * SECOND_NS)
    page = plain_page(Sheet(snapshot(incidents=(one,))), time_zone="Australia/Sydney")
    assert "as of Thursday 1 January 2026, 11:00:00 (Australia/Sydney)." in page
    assert "Began Wed 31 Dec 2025, 23:00:00; rule" in page
    assert re.findall(r"\d{4}-\d\d-\d\dT", page) == []
    last = re.findall("<td>([^<]+)</td></tr>", page)
    assert last == ["10:59:59", "10:59:50", "never", "10:59:59"], "of universes and sources"


def test_mistakes_of_a_house_file_are_said_to_be_of_one_that_was_refused() -> None:
    """The line alone does not say whether the house that is shown is the old or the new one."""
    mistake = "house.toml:10: universe: [[universe]] - not a known section or key; the nearest is universes"
    refused = snapshot(3, incidents=())
    refused.house.house_problems = (mistake,)
    page = plain_page(Sheet(refused))
    assert page.index("The house file on disk was refused; the one read before still runs.") < page.index(mistake)
    assert "was refused" not in plain_page(Sheet(snapshot(3, incidents=())))
