"""The life of an incident: opened, widened, returned within a minute, flapping, merged, acknowledged, resumed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.judge.drafts import IncidentDraft
from slotwatch.judge.events import Event
from slotwatch.judge.incidents import IncidentBook
from slotwatch.snapshot import Confidence, Severity
from slotwatch.views.incidents import lasted_s
from slotwatch.views.records import incident_of, record
from tests.views.fabricate import incident

S = 1_000_000_000
ONE = IncidentDraft(
    rule="packet-loss",
    group="source:Desk A",
    severity=Severity.WARNING,
    cause="",
    confidence=Confidence.HIGH,
    began_ns=9 * S,
    universes=("e131/1",),
    sources=("Desk A",),
    fixtures=(),
    summary="Universe e131/1 loses frames.",
    evidence=("5 of 400",),
    explains=(),
    also_possible=(),
    still_working=(),
    next_checks=("Look.",),
)
LOST = replace(ONE, rule="universe-lost", group="loss:1", cause="source-lost", severity=Severity.CRITICAL)


def whats(book: IncidentBook) -> list[str]:
    return [event.what for event in book.take_events()]


def test_opened_revised_quietly_and_closed() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    (incident,) = book.open_incidents()
    assert (incident.id, incident.began_ns, incident.opened_ns, incident.revision) == (1, 9 * S, 10 * S, 1)
    book.update([replace(ONE, evidence=("6 of 400",))], 11 * S)
    assert (incident.revision, incident.evidence) == (2, ("6 of 400",))
    book.update([replace(ONE, evidence=("6 of 400",))], 12 * S)
    assert incident.revision == 2
    book.update([], 20 * S)
    assert whats(book) == ["opened", "closed"]
    assert book.open_incidents() == []
    assert book.closed_incidents()[0].closed_ns == 20 * S
    assert [entry.what for entry in incident.timeline] == ["began", "opened", "closed"]


def test_what_is_over_keeps_what_there_was_to_look_at() -> None:
    """Common practice, no source: who is called in the morning looks for what was wrong in the night."""
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.update([replace(ONE, returned_ns=11 * S, summary="Over since 11 s.", next_checks=())], 12 * S)
    assert book.open_incidents()[0].next_checks == (), "what is back and watched needs nobody now"
    book.update([], 22 * S)
    assert book.closed_incidents()[0].next_checks == ONE.next_checks


@pytest.mark.parametrize(("returns_s", "same"), [(79.9, True), (80.1, False)])
def test_what_returns_within_a_minute_is_the_same_incident(returns_s: float, same: bool) -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.update([], 20 * S)
    book.update([replace(ONE, group="source:Desk A again")], round(returns_s * S))
    (incident,) = book.open_incidents()
    assert (incident.id == 1) is same
    assert (incident.flaps == 1) is same


@pytest.mark.parametrize(("cause", "same"), [("source-lost", True), ("unknown", True), ("wrong-network", False)])
def test_what_returns_by_another_cause_is_another_incident(cause: str, same: bool) -> None:
    """The new cause is not acknowledged."""
    book = IncidentBook(0)
    book.update([LOST], 10 * S)
    book.acknowledge(1, "Robin", "", 11 * S)
    book.update([], 20 * S)
    book.update([replace(LOST, group="loss:2", cause=cause, began_ns=40 * S)], 42 * S)
    (incident,) = book.open_incidents()
    assert (incident.id == 1) is same
    assert (incident.acknowledged is not None) is same


def test_what_is_over_is_not_said_to_have_ended_earlier_once_its_last_part_is_closed() -> None:
    """Of two parts one ends at 58 s and closes first; the other ended at 26 s and is watched longer, for it flapped."""
    book = IncidentBook(0)
    both = replace(ONE, universes=("e131/1", "e131/2"))
    book.update([both], 10 * S)
    book.update([replace(both, returned_ns=58 * S, summary="Over since 00:00:58.")], 62 * S)
    book.update([replace(ONE, returned_ns=26 * S, summary="Over since 00:00:26.")], 71 * S)
    (incident,) = book.open_incidents()
    assert (incident.returned_ns, incident.summary) == (58 * S, "Over since 00:00:58.")
    book.update([ONE], 72 * S)
    assert (incident.returned_ns, incident.summary) == (None, ONE.summary)


@pytest.mark.parametrize("universes", [("e131/1",), ("e131/1", "e131/9")])
def test_what_returns_is_told_by_itself(universes: tuple[str, ...]) -> None:
    """It was over: when it began, and what it takes, is worked out again. Causes that it went through are its own."""
    book = IncidentBook(0)
    wide = replace(LOST, universes=("e131/1", "e131/2"), sources=("Desk A", "Desk B"), cause="path-or-sender")
    book.update([wide], 10 * S)
    book.update([replace(wide, cause="source-lost")], 12 * S)
    book.update([replace(wide, cause="source-lost", returned_ns=13 * S)], 13 * S)
    book.update([], 23 * S)
    again = replace(LOST, group="loss:2", cause="path-or-sender", began_ns=40 * S, universes=universes)
    for at_s in (42, 43):
        book.update([again], at_s * S)
    (incident,) = book.open_incidents()
    assert (incident.id, incident.began_ns, incident.flaps) == (1, 40 * S, 1)
    assert (incident.universes, incident.sources) == (universes, ("Desk A",))
    book.update([replace(again, returned_ns=46 * S, summary_of_it="Lost.")], 46 * S)
    book.update([], 56 * S)
    (incident,) = book.closed_incidents()
    assert incident.summary.endswith("It lasted 6.0 s the last time. It came and went 2 times.")
    assert [entry.what for entry in incident.timeline][:5] == ["began", "opened", "revised", "closed", "returned"]
    assert "widened" not in [entry.what for entry in incident.timeline]
    (returned,) = (event for event in book.take_events() if event.what == "returned")
    assert returned.incident is not None and returned.incident.universes == universes


def test_what_flickers_in_a_part_while_the_rest_lasts_does_not_shorten_the_incident() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.update([replace(ONE, returns=1)], 20 * S)
    book.update([replace(ONE, returns=1, returned_ns=69 * S, summary_of_it="Frames were lost.")], 70 * S)
    book.update([], 80 * S)
    (incident,) = book.closed_incidents()
    assert (incident.flaps, incident.began_ns, incident.summary) == (1, 9 * S, "Frames were lost. It lasted 60 s.")


def test_a_loss_that_is_found_universe_by_universe_began_with_the_newest_frame_of_any() -> None:
    """At rest keep-alives of two universes are up to a second apart, and both sources lived until the later one."""
    book = IncidentBook(0)
    book.update([LOST], 12 * S)
    book.update([replace(LOST, universes=("e131/1", "e131/2"), began_ns=9_900_000_000)], 13 * S)
    assert book.open_incidents()[0].began_ns == 9_900_000_000


@pytest.mark.parametrize(
    ("group", "began_s", "back_s", "length"),
    [
        ("loss:2", 10, 3, "17.0 s in all; it was back for 3.0 s in between"),
        # An incident that continues as the same group begins again.
        ("loss:1", 23, 0, "7.0 s"),
    ],
)
def test_time_in_which_it_was_back_is_no_part_of_its_length(group: str, began_s: int, back_s: int, length: str) -> None:
    """Lost for 10 s, back for 3 s while it is watched, lost again for 7 s: its length is what was lost."""
    book = IncidentBook(0)
    lost = replace(LOST, began_ns=10 * S, summary_of_it="Lost.")
    again = replace(lost, group=group, began_ns=23 * S)
    book.update([lost], 12 * S)
    book.update([replace(lost, returned_ns=20 * S)], 20 * S)
    for at_s in (26, 27):
        book.update([again], at_s * S)
    book.update([replace(again, returned_ns=30 * S)], 30 * S)
    book.update([], 40 * S)
    (incident,) = book.closed_incidents()
    assert (incident.began_ns, incident.back_ns) == (began_s * S, back_s * S)
    assert incident.summary == f"Lost. It lasted {length}."
    assert incident.timeline[-1].text == f"lost for {length.partition(' in all')[0]}"
    assert lasted_s(incident) == (30 - began_s - back_s)


def test_a_loss_that_it_explains_widens_it() -> None:
    """Else nobody reads when it took that universe too. Troubles of its streams are no wider fault."""
    book = IncidentBook(0)
    book.update([LOST], 10 * S)
    noisy = replace(LOST, explains=(("uneven-refresh", ("e131/3",)),))
    book.update([noisy], 11 * S)
    wider = replace(LOST, explains=(("universe-missing", ("e131/1", "e131/2")), ("uneven-refresh", ("e131/3",))))
    for at_s in (12, 13):
        book.update([wider], at_s * S)
    events = book.take_events()
    assert [event.what for event in events] == ["opened", "widened"]
    assert events[-1].text.endswith(" Universe e131/2 is part of it too.")


def test_the_record_of_a_loss_that_did_not_come_back_says_so_and_nothing_of_what_works_now() -> None:
    """What "is sending" was true only then. Part of a wider fault, it is not given up."""
    lost = replace(LOST, summary="Lost. Still working: B.", summary_of_it="Lost.", still_working=("B",))
    book = IncidentBook(0)
    book.update([lost], 12 * S)
    book.update([], 60 * S)
    (incident,) = book.closed_incidents()
    assert incident.summary == "Lost. It did not come back. slotwatch no longer waits for it."
    assert (incident.still_working, incident.next_checks) == ((), ())
    book = IncidentBook(0)
    other = replace(lost, group="loss:2", universes=("e131/5",))
    book.update([lost, other], 12 * S)
    book.update([replace(lost, group="loss:9", absorbs=tuple((one.rule, one.group) for one in (lost, other)))], 13 * S)
    (part,) = book.closed_incidents()
    assert part.part_of and "did not come back" not in part.summary


def test_widened_and_the_record_keeps_what_came_back() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.update([replace(ONE, universes=("e131/1", "e131/2"))], 11 * S)
    book.update([replace(ONE, universes=("e131/2",))], 12 * S)
    assert whats(book) == ["opened", "widened"]
    assert book.open_incidents()[0].universes == ("e131/1", "e131/2")


def test_a_wider_fault_takes_the_narrow_incident_over() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.update([replace(LOST, absorbs=((ONE.rule, ONE.group),))], 12 * S)
    (incident,) = book.open_incidents()
    assert (incident.id, incident.rule, incident.cause) == (1, "universe-lost", "source-lost")
    assert whats(book) == ["opened", "revised"]
    assert book.closed_incidents() == []


def test_an_incident_of_before_a_loss_is_another_fault_and_stays_on_the_record() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    loss = replace(LOST, began_ns=11 * S, absorbs=((ONE.rule, ONE.group),))
    book.update([loss], 13 * S)
    (incident,) = book.open_incidents()
    assert (incident.id, incident.began_ns, incident.opened_ns) == (2, 11 * S, 13 * S)
    assert [(one.id, one.rule) for one in book.closed_incidents()] == [(1, "packet-loss")]


def test_a_narrow_incident_that_a_loss_made_takes_on_the_losss_beginning() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.update([replace(LOST, began_ns=9_900_000_000, absorbs=((ONE.rule, ONE.group),))], 12 * S)
    (incident,) = book.open_incidents()
    assert (incident.id, incident.began_ns, incident.opened_ns) == (1, 9_900_000_000, 10 * S)


def test_what_a_loss_took_over_began_no_later_than_it_was_opened() -> None:
    """docs/api.md: only what returned may have begun later. At rest the last frame of the whole may come after that."""
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    whole = replace(LOST, since_ns=9_500_000_000, began_ns=10_100_000_000, absorbs=((ONE.rule, ONE.group),))
    for at_s in (12, 13):
        book.update([whole], at_s * S)
        (incident,) = book.open_incidents()
        assert (incident.id, incident.rule, incident.began_ns, incident.opened_ns) == (
            1, "universe-lost", 10 * S, 10 * S,
        )  # fmt: skip


@pytest.mark.parametrize(("every_s", "openings"), [(39, 4), (41, 1)])
def test_what_opens_four_times_in_two_minutes_stays_open_until_a_minute_of_quiet(every_s: int, openings: int) -> None:
    """39 s apart four openings lie within 120 s, 41 s apart they do not."""
    book = IncidentBook(0)
    for turn in range(4):
        at = (10 + turn * every_s) * S
        book.update([replace(LOST, group=f"loss:{turn}")], at)
        last_true = at + 2 * S
        book.update([replace(LOST, group=f"loss:{turn}", held_ns=last_true)], at + 11 * S)
        book.update([], at + 12 * S)
    if openings == 1:
        assert book.open_incidents() == []
        return
    (incident,) = book.open_incidents()
    assert (incident.id, incident.flaps) == (1, 3)
    assert "comes and goes" in incident.summary
    assert book.due_ns == last_true + 60 * S
    book.update([], last_true + 60 * S - 1)
    assert len(book.open_incidents()) == 1
    book.update([], last_true + 60 * S)
    assert book.open_incidents() == []


def test_of_two_narrow_ones_the_first_is_widened_and_the_other_is_merged() -> None:
    book = IncidentBook(0)
    other = replace(ONE, group="source:Desk B", sources=("Desk B",), universes=("e131/7",))
    book.update([ONE, other], 10 * S)
    book.update([replace(LOST, absorbs=((ONE.rule, ONE.group), (other.rule, other.group)))], 12 * S)
    assert [incident.id for incident in book.open_incidents()] == [1]
    assert [(one.id, one.part_of) for one in book.closed_incidents()] == [(2, 1)], "it goes on in the one that took it"
    assert whats(book)[-1] == "closed"


def test_what_is_back_and_watched_is_no_part_of_a_fault_that_took_other_cases_of_its_group() -> None:
    """Two desks stutter as one; then one of them loses its lead, and the other's frames come evenly again."""
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    back = replace(ONE, returned_ns=11 * S, summary="Over since 11 s, being watched.")
    absent = replace(LOST, rule="source-absent", began_ns=11 * S, absorbs=((ONE.rule, ONE.group),))
    for second in range(12, 20):
        book.update([absent, back], second * S)
    assert [(one.id, one.rule) for one in book.open_incidents()] == [(1, "packet-loss"), (2, "source-absent")]
    assert whats(book) == ["opened", "opened"]


@pytest.mark.parametrize(("group", "same"), [("10.0.0.7", True), ("10.0.0.9", False)])
def test_what_returns_without_universe_or_source_is_the_same_by_what_it_is_about(group: str, same: bool) -> None:
    claimed = replace(ONE, rule="duplicate-address", group="10.0.0.7", universes=(), sources=())
    book = IncidentBook(0)
    book.update([claimed], 10 * S)
    book.update([], 20 * S)
    book.update([replace(claimed, group=group)], 30 * S)
    assert [one.id for one in book.open_incidents()] == ([1] if same else [2])


@pytest.mark.parametrize(("group", "same"), [("10.0.0.7", True), ("10.0.0.9", False)])
def test_after_a_restart_a_fault_without_universe_or_source_is_the_same_by_what_it_is_about(
    group: str, same: bool
) -> None:
    """Two devices claim 10.0.0.7; while nobody listens that is fixed, and two others claim 10.0.0.9."""
    claimed = replace(ONE, rule="duplicate-address", group="10.0.0.7", universes=(), sources=())
    before = IncidentBook(5 * S)
    before.update([claimed], 10 * S)
    book = IncidentBook(2 * S)
    book.resume(2, [incident_of(record(one), 2 * S) for one in before.open_incidents()], 3 * S)
    book.update([replace(claimed, group=group, began_ns=4 * S)], 5 * S)
    assert [one.id for one in book.open_incidents()] == ([1] if same else [1, 2])
    assert book.resumed == (set() if same else {1})


def test_what_was_open_before_a_restart_becomes_part_of_what_was_opened_since_and_turns_out_to_be_it() -> None:
    """One cause is one incident (docs/incidents.md); a source was found on another universe first."""
    before = IncidentBook(5 * S)
    before.update([ONE], 10 * S)
    book = IncidentBook(2 * S)
    book.resume(2, before.open_incidents(), 3 * S)
    other = replace(ONE, universes=("e131/2",), began_ns=4 * S)
    book.update([other], 5 * S)
    assert sorted(one.id for one in book.open_incidents()) == [1, 2]
    book.update([replace(other, universes=("e131/1", "e131/2"))], 6 * S)
    assert [one.id for one in book.open_incidents()] == [2]
    (part,) = book.closed_incidents()
    assert (part.id, part.part_of) == (1, 2)
    assert book.resumed == set()


def test_what_comes_and_goes_while_open_stays_one() -> None:
    book = IncidentBook(0)
    book.update([LOST], 10 * S)
    book.update([replace(LOST, group="loss:2", began_ns=14 * S)], 17 * S)
    (incident,) = book.open_incidents()
    assert (incident.id, incident.began_ns) == (1, 9 * S)


def test_a_change_of_severity_is_in_the_timeline() -> None:
    book = IncidentBook(0)
    book.update([replace(LOST, severity=Severity.NOTE)], 10 * S)
    book.update([LOST], 11 * S)
    book.update([replace(LOST, severity=Severity.WARNING)], 12 * S)
    assert whats(book) == ["opened", "worsened", "eased"]


def test_acknowledging_says_who_and_hides_nothing() -> None:
    book = IncidentBook(0)
    book.update([ONE], 10 * S)
    book.acknowledge(1, "chief LX", "on my way", 11 * S)
    (incident,) = book.open_incidents()
    assert incident.acknowledged is not None
    assert (incident.acknowledged.by, incident.acknowledged.note) == ("chief LX", "on my way")
    book.update([replace(ONE, universes=("e131/1", "e131/2"))], 12 * S)
    assert book.open_incidents()[0].acknowledged is not None
    book.unacknowledge(1, 13 * S)
    assert book.open_incidents()[0].acknowledged is None
    with pytest.raises(ValueError, match="no incident 7"):
        book.acknowledge(7, "chief LX", "", 14 * S)


def test_after_a_restart_numbers_go_on_and_the_same_fault_is_the_same_incident() -> None:
    before = IncidentBook(5 * S)
    before.update([ONE, LOST], 10 * S)
    kept = [replace(incident) for incident in before.open_incidents()]
    book = IncidentBook(2 * S)
    book.update([replace(LOST, began_ns=1 * S)], 2 * S)  # found before the records came
    book.resume(3, kept, 3 * S)
    by_rule = {incident.rule: incident for incident in book.open_incidents()}
    assert {rule: incident.id for rule, incident in by_rule.items()} == {"packet-loss": 1, "universe-lost": 2}
    assert by_rule["packet-loss"].began_ns == 12 * S, "moved onto the new clock"
    assert by_rule["universe-lost"].opened_ns == 13 * S
    book.update([replace(LOST, began_ns=1 * S), replace(ONE, group="source:again")], 4 * S)
    assert sorted(incident.id for incident in book.open_incidents()) == [1, 2]
    book.update([replace(LOST, began_ns=1 * S), ONE, replace(ONE, rule="slow-refresh")], 5 * S)
    assert sorted(incident.id for incident in book.open_incidents()) == [1, 2, 3]
    book.resume(3, kept, 6 * S)
    assert sorted(incident.id for incident in book.open_incidents()) == [1, 2, 3]


def test_the_timeline_is_bounded() -> None:
    book = IncidentBook(0)
    for turn in range(200):
        book.update([replace(LOST, severity=Severity(turn % 2 + 2))], (10 + turn) * S)
    (incident,) = book.open_incidents()
    assert len(incident.timeline) <= 64
    assert [entry.what for entry in incident.timeline[:2]] == ["began", "opened"]


def test_the_log_says_at_the_end_how_long_it_lasted_and_its_label() -> None:
    book = IncidentBook(0)
    lost = replace(LOST, began_ns=10 * S, universes=("e131/3",), labels=(("e131/3", "LED"),))
    book.update([lost], 12 * S)
    book.update([replace(lost, returned_ns=14 * S + 600_000_000)], 15 * S)
    book.update([], 24 * S)
    lines = [event.line for event in book.take_events()]
    assert lines[0].startswith("opened #1 (critical) LED (e131/3): ")
    assert lines[-1] == "closed #1 LED (e131/3): lost for 4.6 s"


def test_each_line_of_the_log_names_its_incident() -> None:
    many = tuple(f"e131/{number}" for number in range(1, 8))
    one = incident(12, universes=("e131/3",))
    assert Event(0, "closed", "lost for 4.6 s", one).line == "closed #12 e131/3: lost for 4.6 s"
    named = replace(one, labels=(("e131/3", "LED"),))
    assert Event(0, "closed", "lost for 4.6 s", named).line == "closed #12 LED (e131/3): lost for 4.6 s"
    seven = replace(one, universes=many)
    assert Event(0, "opened", "x", seven).line == "opened #12 (critical) e131/1, e131/2, e131/3 and 4 more: x"
    assert Event(0, "opened", "x", replace(one, universes=())).line == "opened #12 (critical) universe-lost: x"
    itself = replace(named, universes=("e131/3", "e131/4"))
    assert Event(0, "opened", "LED (e131/3) lost", itself).line == "opened #12 (critical): LED (e131/3) lost"
    assert Event(0, "opened", "like e131/30", named).line == "opened #12 (critical) LED (e131/3): like e131/30"
    assert Event(0, "phase", "phase show").line == "phase: phase show"


def test_incidents_are_dated_by_the_clock_as_it_is_when_they_open() -> None:
    """A computer without a clock battery starts in the past and is corrected once it reaches a time server."""
    hour = 3600 * S - 231  # as it is measured
    book = IncidentBook(1000 * S)
    book.update([ONE], 10 * S)
    book.take_clock(1000 * S + hour, 20 * S)
    book.take_clock(1000 * S + hour + S // 2, 21 * S)  # a correction that nobody reads
    book.update([ONE, LOST], 30 * S)
    before, after = sorted(book.open_incidents(), key=lambda one: one.id)
    assert (before.wall_offset_ns, after.wall_offset_ns) == (1000 * S, 1000 * S + hour + S // 2)
    assert [entry.text for entry in before.timeline if entry.what == "clock"] == [
        "The clock of this computer was set forward by 60 min. Times of this incident are by the clock as it was."
    ]
    assert not any(entry.what == "clock" for entry in after.timeline)
    assert [event.line for event in book.take_events() if event.incident is None] == [
        "clock: The clock of this computer was set forward by 60 min."
    ]
    book.take_clock(1000 * S, 40 * S)
    texts = [entry.text for entry in after.timeline if entry.what == "clock"]
    assert len(texts) == 1 and texts[0].startswith("The clock of this computer was set back by 60 min.")


def test_the_universes_of_an_incident_have_one_order_however_they_came() -> None:
    """An incident lists them by protocol and number, also after a restart, when rows are in another order."""
    names = ("artnet/3", "e131/2", "e131/2@B", "e131/10", "line/a", "line/b")
    for first in (names, names[::-1], names[2:] + names[:2]):
        book = IncidentBook(0)
        book.update([replace(LOST, universes=first[:3])], 10 * S)
        book.update([replace(LOST, universes=first)], 11 * S)
        assert book.open_incidents()[0].universes == names
