"""What one receiver is sent, decided from made-up moments: what is expected is written in docs/alerts.md."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from slotwatch.house.outgoing import NoticeTerms
from slotwatch.house.schema import Quiet
from slotwatch.snapshot import Acknowledgement, Incident, Severity, TimelineEntry
from slotwatch.views.notice import Notice, notice_of, summed_up
from slotwatch.views.notice_plan import BURST, VANISHED_NS, NoticePlan, scene_of
from tests.views.fabricate import NOW_NS, SECOND_NS, WALL_OFFSET_NS, house, incident, snapshot

PAGE = "http://lights.example:8580"
HOUSE = house()


class Night:
    """One receiver through a night: `at` moves time on and gives what is sent."""

    def __init__(self, terms: NoticeTerms | None = None, house: Any = HOUSE) -> None:
        self.plan = NoticePlan("duty", terms or NoticeTerms())
        self.house = house
        self.sent: list[Notice] = []

    def at(self, seconds: float, *incidents: Incident, phase: str = "show") -> list[str]:
        now_ns = NOW_NS + int(seconds * SECOND_NS)
        base = snapshot()
        seen = replace(base, now_ns=now_ns, incidents=incidents, house=replace(base.house, phase=phase))
        notices = self.plan.decide(scene_of(seen, self.house, PAGE), now_ns)
        self.sent += notices
        return [one.kind for one in notices]

    def restart(self) -> None:
        self.plan = NoticePlan("duty", self.plan.terms, self.plan.kept())


def lost(number: int = 7, **changes: Any) -> Incident:
    return incident(number, **{"opened_ns": NOW_NS, **changes})


def over(one: Incident, seconds: float, text: str = "It is over.") -> Incident:
    closed_ns = NOW_NS + int(seconds * SECOND_NS)
    return replace(one, closed_ns=closed_ns, timeline=(*one.timeline, TimelineEntry(closed_ns, text, "closed")))


def test_one_message_when_it_opens_and_one_when_it_is_over() -> None:
    night = Night()
    kinds_sent = [night.at(second, lost()) for second in range(60)]
    assert [kinds for kinds in kinds_sent if kinds] == [["opened"]]
    assert night.at(60, over(lost(), 60)) == ["resolved"] and night.at(61, over(lost(), 60)) == []
    opened, resolved = night.sent
    assert opened.title == 'Critical: Harbour Street Playhouse: Universe e131/2 ("Label 2") is lost'
    assert "What to look at:\n- Look at the desk." in opened.text and f"{PAGE}/incident/7" in opened.text
    assert "23:59:50 on 31 December (Europe/London)" in opened.text, "in the house's own time"
    assert resolved.title.startswith("Over: ") and "ended at 00:01:00 on 1 January" in resolved.text
    assert opened.id != resolved.id and f"Message {opened.id}." in opened.text


def test_an_end_is_when_the_fault_was_over_and_not_when_its_incident_closed() -> None:
    """Its summary says how long the fault lasted, and the two agree."""
    night = Night()
    assert night.at(5, lost()) == ["opened"]
    assert night.at(70, replace(over(lost(), 70), returned_ns=NOW_NS + 60 * SECOND_NS)) == ["resolved"]
    assert "ended at 00:01:00 on 1 January" in night.sent[1].text


def test_universes_that_a_summary_names_are_not_named_again() -> None:
    night = Night()
    both = ("e131/2", "e131/3")
    assert night.at(
        5, lost(universes=both, summary="Lost on universes e131/2 and e131/3."), lost(8, universes=both)
    ) == ["opened", "opened"]
    assert sorted(one.text.lower().count("universes e131/2 and e131/3") for one in night.sent) == [1, 1]


def test_a_title_says_what_it_was_that_is_over_and_watched() -> None:
    """A phone shows the title alone: common practice, no source."""
    night = Night()
    said = "Over since 00:00:01, being watched. Until then: Universe 2 stutters. No frame is missing."
    assert night.at(5, lost(summary=said)) == ["opened"]
    assert night.sent[0].title == (
        "Critical: Harbour Street Playhouse: Over since 00:00:01, being watched: Universe 2 stutters"
    )


def test_what_opens_is_waited_for_a_moment_so_that_its_cause_is_settled() -> None:
    night = Night()
    assert night.at(1, lost()) == [] and night.at(2, lost()) == ["opened"]


def test_another_fault_right_after_one_that_somebody_knows_of_is_sent_by_itself() -> None:
    """The words with which judging closes the first one (docs/decisions/0029)."""
    night = Night()
    assert night.at(5, lost(1)) == ["opened"]
    known = lost(1, acknowledged=Acknowledgement("Robin", NOW_NS))
    closed = over(known, 9, "lost for 3.0 s. Another fault followed: #2.")
    cut = lost(2, cause="network-lost", opened_ns=NOW_NS + 9 * SECOND_NS)
    kinds = [kind for second in range(9, 20) for kind in night.at(second, closed, cut)]
    assert kinds == ["resolved", "opened"]


@pytest.mark.parametrize(
    ("severity", "least", "sent"), [("note", "critical", 0), ("warning", "warning", 1), ("critical", "note", 1)]
)
def test_from_a_severity_on(severity: str, least: str, sent: int) -> None:
    night = Night(NoticeTerms(severity=least))
    assert len(night.at(5, lost(severity=Severity[severity.upper()]))) == sent


def test_what_grows_worse_is_sent_once_more_and_what_eases_is_not() -> None:
    night = Night(NoticeTerms(severity="warning"))
    assert night.at(5, lost(severity=Severity.WARNING)) == ["opened"]
    assert night.at(6, lost()) == ["worsened"] and night.at(7, lost(severity=Severity.WARNING)) == []
    assert night.at(8, lost()) == [] and night.sent[-1].title.startswith("Now critical: ")


def test_only_in_the_phases_asked_for_and_the_end_always() -> None:
    night = Night(NoticeTerms(phases=("pre-show", "show")))
    assert night.at(5, lost(), phase="dark") == [] and night.at(6, lost(), phase="pre-show") == ["opened"]
    assert night.at(9, over(lost(), 9), phase="dark") == ["resolved"]


def test_it_must_have_lasted_and_what_ended_sooner_is_never_sent() -> None:
    night = Night(NoticeTerms(after_s=30))
    assert [night.at(second, lost()) for second in (2, 15, 29.9)] == [[], [], []]
    assert night.at(30, lost()) == ["opened"]
    brief = Night(NoticeTerms(after_s=30))
    assert brief.at(20, lost()) == [] and brief.at(31, over(lost(), 21)) == []


def test_repeated_until_somebody_acknowledges_it() -> None:
    night, seen = Night(NoticeTerms(repeat_min=10)), Acknowledgement("Ann", NOW_NS)
    kinds = [night.at(minute * 60, lost()) for minute in range(1, 32)]
    assert [kind for some in kinds for kind in some] == ["opened", "repeated", "repeated", "repeated"]
    assert len({one.id for one in night.sent}) == 4
    assert all(night.at(minute * 60, lost(acknowledged=seen)) == [] for minute in range(32, 120))
    assert night.at(7300, over(lost(acknowledged=seen), 7300)) == ["resolved"]


def test_what_is_acknowledged_or_accepted_before_it_is_due_is_not_sent() -> None:
    night = Night(NoticeTerms(after_s=30))
    assert night.at(60, lost(acknowledged=Acknowledgement("Ann", NOW_NS)), lost(8, accepted="by design")) == []
    assert night.at(61, lost()) == ["opened"], "the acknowledgement was taken back"


def test_no_end_where_none_is_wanted() -> None:
    night = Night(NoticeTerms(resolved=False))
    assert night.at(5, lost()) == ["opened"] and night.at(9, over(lost(), 9)) == []
    assert night.at(12, lost(flaps=1)) == ["opened"], "it returned, and that is sent"
    assert night.sent[0].id != night.sent[1].id


def test_a_quiet_window_holds_and_what_is_open_after_it_is_sent() -> None:
    start = datetime.fromtimestamp((NOW_NS + WALL_OFFSET_NS) / 1e9).astimezone()
    held = replace(HOUSE, quiet=(Quiet(start, start + timedelta(minutes=5), ("universe-lost",)),))
    night = Night(house=held)
    assert night.at(60, lost(), lost(8, rule="link-down")) == ["opened"]
    assert "incident/8" in night.sent[0].text
    assert night.at(299, lost(), lost(8, rule="link-down")) == []
    assert night.at(301, lost(), lost(8, rule="link-down")) == ["opened"]


def test_a_wide_incident_is_one_message() -> None:
    night = Night()
    wide = lost(universes=tuple(f"e131/{n}" for n in range(1, 41)))
    assert night.at(5, wide) == ["opened"] and "e131/1 to e131/40" in night.sent[0].text.replace("–", " to ")


def test_a_part_that_goes_on_in_a_wider_incident_is_not_called_over() -> None:
    night = Night()
    part, whole = lost(7), replace(lost(9, summary="Main desk is lost."), opened_ns=NOW_NS + 20 * SECOND_NS)
    assert night.at(5, part) == ["opened"]
    folded = over(part, 20, "It is part of incident 9: Main desk is lost.")
    assert night.at(21, folded, whole) == []
    assert night.at(23, folded, whole) == ["opened"]
    assert "It includes incident 7, which was sent before." in night.sent[-1].text
    assert night.at(90, folded, over(whole, 90)) == ["resolved"]
    lesser = Night()
    assert lesser.at(5, part) == ["opened"]
    assert lesser.at(21, folded, replace(whole, severity=Severity.NOTE)) == ["resolved"]
    assert "is now part of incident 9" in lesser.sent[-1].text


def test_one_incident_among_many_is_counted_as_one() -> None:
    scene = scene_of(snapshot(), HOUSE, PAGE)
    words = summed_up(scene, "duty", [incident(1)], [incident(2)], 3, "storm").text.partition("\n")[0]
    assert words == "1 incident is open, 1 is over, 3 opened and ended meanwhile."


def test_a_storm_is_summed_up() -> None:
    night = Night()
    many = tuple(lost(number, summary=f"Fault {number}.") for number in range(1, 51))
    assert night.at(2, *many) == ["summary"]
    (notice,) = night.sent
    assert notice.count == 50 and "50 incidents are open" in notice.title and "and 40 more" in notice.text
    assert len(notice.incidents) == 20
    assert [night.at(second, *many) for second in range(3, 300, 7)] == [[]] * len(range(3, 300, 7))
    assert night.at(400, *(over(one, 400) for one in many)) == ["summary"]
    assert "50 are over" in night.sent[-1].title and night.sent[-1].title.startswith("Over: ")


def test_a_storm_that_drips_is_summed_up_once_a_minute_and_misses_nothing() -> None:
    """One fault a second for 10 minutes, each 30 s long."""
    night, messages = Night(), 0
    for second in range(640):
        seen = []
        for number in range(max(0, second - 100), min(second + 1, 600)):
            one = replace(lost(number), opened_ns=NOW_NS + number * SECOND_NS)
            seen.append(over(one, number + 30) if second >= number + 30 else one)
        messages += len(night.at(second, *seen))
    night.at(720)
    counted = sum(one.kind == "opened" for one in night.sent)
    for one in night.sent:
        if one.kind == "summary":
            words = one.title.replace(",", "").split()
            counted += sum(int(words[at - 1]) for at, word in enumerate(words) if word in ("incident", "incidents"))
            counted += int(words[words.index("opened") - 1]) if "opened" in words else 0
    assert messages <= BURST * 11 + 12 and counted == 600


def test_a_restart_sends_nothing_twice() -> None:
    night = Night(NoticeTerms(repeat_min=10))
    assert night.at(5, lost()) == ["opened"]
    night.restart()
    assert night.at(6, lost()) == [] and night.at(605, lost()) == []
    assert night.at(607, lost()) == ["repeated"]
    night.restart()
    assert night.at(610, over(lost(), 609)) == ["resolved"]
    assert len({one.id for one in night.sent}) == 3


def test_what_judging_does_not_know_any_more_is_not_called_over() -> None:
    """Its history was lost or replaced: the fault may last, and be known by another number."""
    night = Night()
    assert night.at(5, lost()) == ["opened"]
    assert night.at(6) == [] and night.at(60, lost()) == [], "judging was restarted and has its memory back"
    assert night.at(100) == [] and night.at(101 + VANISHED_NS // SECOND_NS) == ["resolved"]
    assert night.sent[-1].title.startswith("No longer known: ")
    assert "Whether it is over is not known" in night.sent[-1].text


def test_memory_of_what_was_sent_is_bounded() -> None:
    night = Night(NoticeTerms(resolved=True))
    for batch in range(12):
        base = batch * 1000
        many = tuple(lost(base + number, opened_ns=NOW_NS + base) for number in range(1000))
        night.at(2 + batch * 61, *many)
    assert len(night.plan.kept()["told"]) <= 4096


def test_a_message_is_the_same_after_the_disk() -> None:
    night = Night()
    night.at(5, lost())
    assert notice_of(night.sent[0].as_object()) == night.sent[0]
