"""What was back and is gone again by another cause, or of other sources, is another incident: its acknowledgement does
not cover it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.judge.incidents import IncidentBook
from slotwatch.snapshot import Incident
from tests.judge.stage import START_NS, Desk, Stage, house_of
from tests.judge.test_incidents import LOST as ONE_LOST
from tests.judge.test_incidents import S

LOST = replace(
    ONE_LOST,
    began_ns=10 * S,
    universes=("e131/1", "e131/2"),
    summary="Lost by a crash.",
    evidence=("All ended.",),
    summary_of_it="Lost by a crash.",
)
BACK = replace(LOST, returned_ns=13 * S, summary="Back.", next_checks=())
CUT = replace(LOST, began_ns=16 * S, cause="network-lost", summary="Lost by a cut.", summary_of_it="Lost by a cut.")


def a_book_with_what_is_back() -> IncidentBook:
    book = IncidentBook(0)
    book.update([LOST], 12 * S)
    book.acknowledge(1, "Robin", "rebooting it", 12 * S)
    book.update([BACK], 14 * S)
    return book


def by_number(book: IncidentBook) -> dict[int, Incident]:
    return {one.id: one for one in (*book.open_incidents(), *book.closed_incidents())}


@pytest.mark.parametrize("group", ["loss:1", "loss:2"])
@pytest.mark.parametrize("universes", [("e131/1",), ("e131/1", "e131/2"), ("e131/2", "e131/3")])
@pytest.mark.parametrize("absorbs", [(), (("universe-lost", "loss:1"),)])
def test_another_cause_is_another_incident_and_the_first_keeps_its_words(
    group: str, universes: tuple[str, ...], absorbs: tuple[tuple[str, str], ...]
) -> None:
    book = a_book_with_what_is_back()
    for at_s in (18, 19):
        book.update([replace(CUT, group=group, universes=universes, absorbs=absorbs)], at_s * S)
    (now,) = book.open_incidents()
    assert (now.id, now.cause, now.universes, now.began_ns, now.opened_ns) == (
        2, "network-lost", universes, 16 * S, 18 * S,
    )  # fmt: skip
    assert now.acknowledged is None and now.flaps == 0
    first = by_number(book)[1]
    assert (first.cause, first.closed_ns, first.part_of) == ("source-lost", 18 * S, 0)
    assert first.summary == "Lost by a crash. It lasted 3.0 s." and first.acknowledged is not None
    assert first.timeline[-1].text == "lost for 3.0 s. Another fault followed: #2."
    assert [(one.what, one.incident and one.incident.id) for one in book.take_events()] == [
        ("opened", 1), ("acknowledged", 1), ("opened", 2), ("closed", 1),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("sources", "keys", "same"),
    [
        (("Desk A",), ("cid:a",), True),
        (("Desk A",), ("cid:b",), True),  # it came back with another identity
        (("10.0.0.1",), ("cid:a",), True),  # it has not said its name yet
        (("Desk A", "Desk B"), ("cid:a", "cid:b"), True),
        (("Desk B",), ("cid:b",), False),
    ],
)
def test_the_same_cause_of_other_sources_is_another_incident(
    sources: tuple[str, ...], keys: tuple[str, ...], same: bool
) -> None:
    book = IncidentBook(0)
    book.update([replace(LOST, source_keys=("cid:a",))], 12 * S)
    book.update([replace(BACK, source_keys=("cid:a",))], 14 * S)
    book.update([replace(CUT, cause="source-lost", group="loss:2", sources=sources, source_keys=keys)], 18 * S)
    assert [one.id for one in book.open_incidents()] == ([1] if same else [2])


@pytest.mark.parametrize("doubted", ["unknown", "source-lost"])
@pytest.mark.parametrize("doubts", [1, 3])
def test_a_cause_that_turns_out_to_be_another_after_all_is_another_incident(doubted: str, doubts: int) -> None:
    """At first nothing distinguishes it from the fault that somebody took on; a moment later something does."""
    book = a_book_with_what_is_back()
    for turn in range(doubts):
        book.update([replace(CUT, cause=doubted, group="loss:2")], (18 + turn) * S)
        assert [one.id for one in book.open_incidents()] == [1]
    for at_s in (21, 22):
        book.update([replace(CUT, group="loss:2")], at_s * S)
    (now,) = book.open_incidents()
    assert (now.id, now.acknowledged, now.began_ns) == (2, None, 16 * S)
    first = by_number(book)[1]
    assert first.summary == "Lost by a crash. It lasted 3.0 s." and first.flaps == 0
    assert first.acknowledged is not None and first.evidence == LOST.evidence
    assert [entry.what for entry in first.timeline].count("closed") == 1


def test_who_takes_on_what_returned_has_taken_on_what_it_turns_out_to_be() -> None:
    book = a_book_with_what_is_back()
    book.update([replace(CUT, cause="unknown", group="loss:2")], 18 * S)
    book.acknowledge(1, "Kim", "", 19 * S)
    book.update([replace(CUT, group="loss:2")], 20 * S)
    taken = {number: one.acknowledged and one.acknowledged.by for number, one in by_number(book).items()}
    assert taken == {1: "Robin", 2: "Kim"}


@pytest.mark.parametrize("gone_s", [24.0, 26.5])
@pytest.mark.parametrize("rests", [False, True])
def test_a_desk_that_restarted_and_then_is_cut_off_with_all_others(gone_s: float, rests: bool) -> None:
    """Real packets: a crash of three universes, back; within its watch everything ends (a path that was cut)."""
    main = Desk("Main desk", (1, 2, 3), "10.0.0.1", 1, rests=rests)
    others = [Desk(name, (n,), f"10.0.0.{n}", n, rests=rests, to_s=gone_s) for name, n in (("Tower", 4), ("Pit", 5))]
    stage = Stage(
        house_of((1, 2, 3, 4, 5)), replace(main, to_s=18.0), replace(main, from_s=22.0, to_s=gone_s), *others
    ).run(21.5)
    stage.run(gone_s + 5.0)
    first, second = sorted((one for one in stage.all if one.rule == "universe-lost"), key=lambda one: one.id)
    assert (first.cause, first.universes) == ("source-lost", ("e131/1", "e131/2", "e131/3"))
    assert first.closed_ns is not None and "It went completely silent" in first.summary
    assert (second.cause, len(second.universes)) == ("network-lost", 5)
    assert second.closed_ns is None and second.flaps == 0


def test_a_cause_that_its_repetition_shows_was_that_of_the_first_time_too() -> None:
    """A gateway that sends a static look every 4 s reads as a crash at its first pause."""
    book = a_book_with_what_is_back()
    book.update([replace(CUT, cause="path-or-sender", group="loss:2", repeats=True)], 18 * S)
    assert [one.id for one in book.open_incidents()] == [1]


def test_what_is_back_is_back_since_the_same_moment_while_it_is_watched() -> None:
    """A pause shorter than its timeout is not a second return."""
    book = a_book_with_what_is_back()
    book.update([replace(BACK, returned_ns=16 * S)], 17 * S)
    assert book.open_incidents()[0].returned_ns == 13 * S
    book.update([replace(BACK, returned_ns=16 * S, universes=("e131/1", "e131/2", "e131/3"))], 17 * S)
    assert book.open_incidents()[0].returned_ns == 16 * S, "one more that was away, and came back later"


def test_what_is_back_in_the_very_pass_in_which_another_fault_is_found_is_followed_by_it() -> None:
    book = IncidentBook(0)
    book.update([LOST], 12 * S)
    other = replace(CUT, group="loss:2", sources=("Desk B",), cause="path-or-sender")
    for at_s in (18, 19):
        book.update([other, BACK], at_s * S)
    assert {one.id: (one.cause, one.returned_ns) for one in book.open_incidents()} == {
        1: ("source-lost", 13 * S),
        2: ("path-or-sender", None),
    }


@pytest.mark.parametrize("first", [1, 3])
@pytest.mark.parametrize("stagger_s", [0.4, 0.7])
def test_a_desk_that_comes_back_universe_by_universe_did_not_go_on_meanwhile(first: int, stagger_s: float) -> None:
    """One of its universes had stopped earlier, so that its return is reported by another incident."""
    early = Desk("Main desk", (first,), "10.0.0.1", 1, to_s=17.0)
    rest = [n for n in (1, 2, 3) if n != first]
    dead = Desk("Main desk", tuple(rest), "10.0.0.1", 1, to_s=20.0)
    back = [replace(early, from_s=26.0, to_s=1e9)]
    back += [Desk("Main desk", (n,), "10.0.0.1", 1, from_s=26.0 + k * stagger_s) for k, n in enumerate(rest, 2)]
    tower = Desk("Tower", (9,), "10.0.0.9", 9)
    stage = Stage(house_of((1, 2, 3, 9)), early, dead, *back, tower).run(25.5)
    (crash,) = [one for one in stage.open if one.cause == "source-lost"]
    stage.run(34.0)
    crash = next(one for one in stage.all if one.id == crash.id)
    assert crash.cause == "source-lost", crash.timeline
    assert "running and still sends" not in " ".join(
        entry.text for entry in crash.timeline if entry.t_ns > START_NS + 23 * S
    )


def test_a_stranger_that_takes_a_universe_during_a_cut_and_leaves_it_is_not_named_as_cut() -> None:
    """The cut lasts from 20 to 26 s; a test source sends one of its universes from 22.8 to 23.2 s."""
    main = [Desk("Main desk", (n,), "10.0.0.1", 1, to_s=20.0) for n in (1, 2, 3)]
    back = [replace(one, from_s=26.0, to_s=1e9) for one in main]
    test = Desk("Test", (3,), "10.0.0.9", 9, from_s=22.8, to_s=23.2)
    tower = Desk("Tower", (9,), "10.0.0.8", 8)
    stage = Stage(house_of((1, 2, 3, 9)), *main, *back, test, tower).run(42.0)
    losses = [one for one in stage.all if one.rule == "universe-lost"]
    cut = losses[0]
    assert cut.sources == ("Main desk",) and cut.universes == ("e131/1", "e131/2", "e131/3")
    assert "Test" not in cut.summary and "It went completely silent" in cut.summary
