"""After a restart of the daemon: what was open is looked at again by what is heard now, and nothing of it is lost."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Limits
from slotwatch.judge.earlier import record_of
from slotwatch.judge.orders import Resume
from slotwatch.snapshot import Incident, TimelineEntry
from slotwatch.views.alerts import alerts
from slotwatch.views.records import incident_of, record
from slotwatch.wire.observation import NeighbourSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge import test_died_beside_a_lead as beside_a_lead
from tests.judge.stage import START_NS, WALL_OFFSET_NS, Desk, Node, S, Stage, house_of, moving, opened_after_s
from tests.views.fabricate import house, snapshot

Heard = tuple[tuple[str, int], ...]
MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
SPARE = Desk("Spare desk", (1, 2), "10.0.0.2", 2, priority=90)
OTHER = Desk("Tower", (3,), "10.0.0.3", 3)
SOURCES = (
    DeclaredSource("main desk", cid=MAIN.cid),
    DeclaredSource("spare desk", cid=SPARE.cid, role="backup", priority=90),
)


def two_desks() -> House:
    return house_of((1, 2), sources=SOURCES, by=("main desk", "spare desk"))


def restarted(
    house: House,
    left: Iterable[Incident],
    stopped_s: float,
    away_s: float,
    *senders: object,
    heard: Heard = (),
    known_s: float = 0.3,
) -> Stage:
    """A new judgement that knows what the history kept: `stopped_s` of the old one's time was its end.

    known_s: when it is told, of its own time.
    """
    offset_ns = WALL_OFFSET_NS + round((stopped_s + away_s) * S)
    after = Stage(house, *senders, wall_offset_ns=offset_ns).run(known_s)
    kept = tuple(incident_of(record(one), offset_ns) for one in left)
    after.judge.command(Resume(next_id=1 + max(one.id for one in kept), incidents=kept, heard=heard))
    return after


def began_s(incident: Incident) -> float:
    return (incident.began_ns - START_NS) / S


def test_a_desk_that_comes_back_some_time_after_the_restart_is_named_as_back() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE).run(30.0)
    after = restarted(two_desks(), before.open, 30.0, 2.0, replace(MAIN, from_s=16.0), SPARE)
    assert after.run(12.0).rule("source-absent").returned_ns is None
    found = after.run(20.0).rule("source-absent")
    assert found.returned_ns is not None
    assert found.summary.startswith('"main desk"') and "back on universes e131/1 and e131/2 since" in found.summary


def test_a_desk_that_sends_preview_data_alone_is_still_said_to_run_after_the_restart() -> None:
    """ANSI E1.31-2018 6.2.6: preview data (bit 7) is not for live output."""
    blind = replace(MAIN, options=0x80)
    before = Stage(
        two_desks(),
        replace(MAIN, to_s=20.0),
        replace(blind, from_s=20.0, sequence_of=lambda universe, index: 800 + index),
        SPARE,
    ).run(30.0)
    (left,) = [one for one in before.open if one.rule == "source-absent"]
    found = restarted(two_desks(), before.open, 30.0, 2.0, blind, SPARE).run(14.0).rule("source-absent")
    assert (found.id, found.cause) == (left.id, left.cause) == (left.id, "universe-withdrawn")
    assert "It is running, and its packets come there with preview data" in found.summary
    assert "not been heard" not in found.summary
    assert f"Before this listener restarted: {left.summary}" in found.evidence


def test_a_universe_that_is_heard_again_since_the_restart_is_not_called_lost_with_the_others() -> None:
    """ANSI E1.31-2018 6.7.1: a universe is lost when nothing comes on it."""
    alone = house_of((1, 2, 3))
    before = Stage(alone, replace(MAIN, to_s=20.0), OTHER).run(30.0)
    (left,) = [one for one in before.open if one.rule == "universe-lost"]
    after = restarted(alone, before.open, 30.0, 2.0, replace(MAIN, universes=(1,)), OTHER).run(4.0)
    (found,) = [one for one in after.open if one.id == left.id]
    back = "Heard again since this listener restarted: universe e131/1, but not the others. "
    assert found.summary.startswith(back + "Before that: Universes e131/")
    again = restarted(alone, after.open, 4.0, 2.0, replace(MAIN, universes=(1,)), OTHER).run(4.0)
    assert next(one.summary for one in again.open if one.id == left.id) == found.summary
    (found,) = [one for one in after.run(14.0).open if "e131/2" in one.universes and one.returned_ns is None]
    assert found.summary.startswith("Universe e131/2 ") and "Heard again" not in " ".join(found.evidence)


def test_a_desk_that_is_back_on_one_network_since_the_restart_is_not_asked_whether_it_runs() -> None:
    """Its loss was that of a dead desk. What is missing on the other network is its lead there."""
    lights, main = beside_a_lead.LIGHTS, beside_a_lead.legs(beside_a_lead.MAIN)
    dead = beside_a_lead.legs(lights, to_s={0: 20.0, 1: 20.0})
    before = Stage(beside_a_lead.house(), *main, *dead).run(30.0)
    checks = [one.next_checks for one in before.open if any("e131/9" in name for name in one.universes)]
    assert any("is it running?" in check for each in checks for check in each)
    after = restarted(beside_a_lead.house(), before.open, 30.0, 2.0, *main, beside_a_lead.legs(lights)[0]).run(20.0)
    missing = after.rule("universe-missing")
    assert "sends it on network A and is not heard on network B" in missing.summary
    assert missing.next_checks[0] == 'Look at the lead of "lights" on network B: link lamp at both ends.'


@pytest.mark.parametrize("answers", [False, True])
def test_the_last_source_that_stops_after_a_restart_is_not_said_to_be_cut_off_where_it_answers(answers: bool) -> None:
    """Universes 1 and 2 were heard before the restart alone, and now the tower stops as well (RFC 826: an answer)."""
    heard = (("e131/1", WALL_OFFSET_NS + 60 * S), ("e131/2", WALL_OFFSET_NS + 60 * S))
    after = Stage(house_of((1, 2, 3)), replace(OTHER, to_s=20.0)).run(0.3)
    after.judge.command(Resume(next_id=1, incidents=(), heard=heard))
    for t in range(22, 60, 5) if answers else ():
        after.see(t, NeighbourSeen(START_NS + t * S, 0, OTHER.address, "02:00:00:00:00:03", True))
    lost = after.run(40.0).rule("universe-lost")
    assert lost.cause == ("source-lost" if answers else "network-lost")
    assert ("Nothing reaches this port any more" in lost.summary) is not answers


def test_a_desk_that_is_back_after_the_restart_is_watched_and_closes_as_back() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE).run(30.0)
    assert before.rule("source-absent").closed_ns is None
    after = restarted(two_desks(), before.open, 30.0, 2.0, MAIN, SPARE)
    found = after.run(4.0).rule("source-absent")
    assert found.returned_ns is not None
    assert "back on universes e131/1 and e131/2 since" in found.summary and "at the latest" in found.summary
    assert found.next_checks == () and found.still_working == ()
    found = after.run(14.0).rule("source-absent")
    assert found.closed_ns is not None, "ten seconds after it was heard again, as always"
    assert "not found again" not in found.timeline[-1].text
    assert "It lasted" in found.summary
    assert [one.rule for one in after.all] == ["source-absent"]


def test_a_desk_that_comes_back_later_is_back_since_then() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE).run(30.0)
    after = restarted(two_desks(), before.open, 30.0, 2.0, replace(MAIN, from_s=7.0), SPARE)
    found = after.run(9.0).rule("source-absent")
    assert found.returned_ns is not None and abs((found.returned_ns - START_NS) / S - 7.0) < 0.1
    assert "at the latest" not in found.summary


@pytest.mark.parametrize("restarts", [1, 2])
def test_a_loss_is_the_same_alert_after_a_restart_and_says_what_is_known_now(restarts: int) -> None:
    """Alertmanager tells alerts apart by their labels alone ("Clients" of its documentation): another rule would be
    one that ended and another that began."""
    before = Stage(house_of((1, 2)), replace(MAIN, to_s=20.0)).run(30.0)
    ((sent, _),) = alerts(snapshot(incidents=before.open), house()).items()
    for _ in range(restarts):
        before = restarted(house_of((1, 2)), before.open, 30.0, 2.0).run(30.0)
    found = before.only()
    assert (found.rule, found.closed_ns) == ("universe-missing", None)
    assert list(alerts(snapshot(incidents=(found,)), house())) == [sent]


def test_universes_that_were_never_heard_are_the_same_alert_after_a_restart() -> None:
    before = Stage(house_of((1, 2))).run(30.0)
    after = restarted(house_of((1, 2)), before.open, 30.0, 2.0).run(30.0)
    for found in (before.only(), after.only()):
        ((sent, _),) = alerts(snapshot(incidents=(found,)), house()).items()
        assert dict(sent)["alertname"] == "UniverseMissing"


def test_a_backup_in_control_is_explained_as_before_the_restart() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE).run(30.0)
    assert [one.rule for one in before.all] == ["source-absent"]
    after = restarted(two_desks(), before.open, 30.0, 2.0, SPARE).run(60.0)
    assert [(one.rule, one.closed_ns) for one in after.all] == [("source-absent", None)]
    found = after.only()
    assert abs(began_s(found) - (20.0 - 32.0)) < 0.1
    assert found.id == before.only().id


def test_an_absence_that_once_took_its_backup_in_is_not_over_because_the_backup_sends() -> None:
    """The backup restarts while the main is gone, so that for a moment both were one loss: the main is still absent."""
    back = replace(SPARE, from_s=27.0)
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), replace(SPARE, to_s=23.5), back).run(34.0)
    (absent,) = [one for one in before.open if one.rule == "source-absent"]
    both = replace(absent, sources=("main desk", "spare desk"), source_keys=(*absent.source_keys, str(SPARE.cid)))
    after = restarted(two_desks(), [both], 34.0, 2.0, SPARE).run(40.0)
    found = after.only()
    assert (found.id, found.rule, found.closed_ns, found.returned_ns) == (absent.id, "source-absent", None, None)
    assert (found.cause, found.confidence) == (absent.cause, absent.confidence)
    assert "It has not been heard there since this listener restarted." in found.summary
    assert any(line.startswith("Before this listener restarted: ") for line in found.evidence)


def test_a_loss_that_lasts_says_its_own_beginning_and_what_was_known_of_it() -> None:
    house = house_of((1, 2, 3), sources=SOURCES)
    before = Stage(house, replace(MAIN, to_s=20.0), OTHER).run(30.0)
    lost = before.only()
    assert lost.rule == "universe-lost"
    after = restarted(house, before.open, 30.0, 2.0, OTHER)
    waiting = after.run(5.0).only()
    assert "Still working" not in waiting.summary and waiting.still_working == ()
    found = after.run(40.0).only()
    assert (found.id, found.rule, found.closed_ns) == (lost.id, "universe-missing", None)
    assert abs(began_s(found) - (20.0 - 32.0)) < 0.1
    since = lost.summary.split(" since ")[1][:8]
    assert f"no frame since {since}" in found.summary
    assert any(f"no frame since {since}" in line for line in found.evidence)
    assert (found.cause, found.confidence) == (lost.cause, lost.confidence)
    assert any(line.startswith("Before this listener restarted: ") and "lost" in line for line in found.evidence)


def test_what_was_known_of_a_loss_is_known_again_when_the_memory_comes_late() -> None:
    """On a slow computer it may come after the universe is missing: its cause was lost, and this judgement's own
    sentence was quoted as one of before the restart."""
    house = house_of((1, 2, 3), sources=SOURCES)
    lost = Stage(house, replace(MAIN, to_s=20.0), OTHER).run(30.0).only()
    after = restarted(house, (lost,), 30.0, 2.0, OTHER, known_s=14.0)
    found = after.run(20.0).only()
    assert (found.id, found.rule, found.cause) == (lost.id, "universe-missing", lost.cause)
    assert f"Before this listener restarted: {lost.summary.partition(' Still working')[0]}" in found.evidence


def test_what_closed_within_the_last_minute_returns_as_the_same_incident() -> None:
    house = house_of((1, 3))
    gone = replace(MAIN, universes=(1,), to_s=20.0)
    back = replace(MAIN, universes=(1,), from_s=24.0)
    before = Stage(house, gone, back, OTHER).run(40.0)
    lost = before.only()
    assert lost.closed_ns is not None
    after = restarted(house, before.all, 40.0, 2.0, replace(gone, to_s=8.0), OTHER).run(15.0)
    found = after.only()
    assert (found.id, found.closed_ns, found.flaps) == (lost.id, None, 1)


def test_what_was_back_before_the_restart_stays_back_and_keeps_its_length() -> None:
    house = house_of((1, 3))
    gone, back = replace(MAIN, universes=(1,), to_s=20.0), replace(MAIN, universes=(1,), from_s=26.0)
    before = Stage(house, gone, back, OTHER).run(30.0)
    assert before.only().returned_ns is not None and before.only().closed_ns is None
    after = restarted(house, before.open, 30.0, 1.0, replace(MAIN, universes=(1,)), OTHER)
    found = after.run(2.0).only()
    assert found.returned_ns is not None and found.next_checks == ()
    assert "lost for 6.0 s" in found.summary
    found = after.run(14.0).only()
    assert found.closed_ns is not None and "It lasted 6.0 s." in found.summary


def test_what_the_house_does_not_ask_for_is_let_go_after_a_while() -> None:
    before = Stage(house_of((1, 3)), replace(MAIN, universes=(1,), to_s=20.0), OTHER).run(30.0)
    after = restarted(house_of((3,)), before.open, 30.0, 1.0, OTHER).run(40.0)
    found = after.only()
    assert found.closed_ns is not None and opened_after_s(found) < 0
    assert "not found again" in found.timeline[-1].text


def test_trouble_that_is_not_found_again_is_let_go_after_a_while() -> None:
    lossy = replace(MAIN, drop=lambda universe, index, t: index % 10 == 0)
    before = Stage(house_of((1, 2)), lossy).run(20.0)
    kept = before.rule("packet-loss")
    after = restarted(house_of((1, 2)), before.open, 20.0, 1.0, MAIN)
    assert [one.id for one in after.run(20.0).open] == [kept.id]
    assert after.run(40.0).open == []
    assert after.only().timeline[-1].text == "It was not found again after the restart."


@pytest.mark.slow
def test_an_absent_main_stays_open_as_long_as_it_is_silent() -> None:
    """Of several mains one may be silent all night; one that was missed before the restart is missed after it."""
    third = DeclaredSource("tower", cid=OTHER.cid)
    house = house_of((1, 2), sources=(*SOURCES, third))
    other = replace(OTHER, universes=(1, 2))
    before = Stage(
        replace(house, universes=tuple(replace(one, shared=True) for one in house.universes)),
        replace(MAIN, to_s=20.0),
        other,
    ).run(30.0)
    absent = before.rule("source-absent")
    after = restarted(before.house, before.open, 30.0, 2.0, other).run(60.0)
    assert after.rule("source-absent").closed_ns is None
    assert after.rule("source-absent").id == absent.id
    after.senders.append(replace(MAIN, from_s=61.0))
    assert after.run(64.0).rule("source-absent").returned_ns is not None
    assert after.run(75.0).rule("source-absent").closed_ns is not None


def test_an_absence_becomes_part_of_the_loss_of_its_universe() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE, OTHER).run(30.0)
    after = restarted(two_desks(), before.open, 30.0, 2.0, replace(SPARE, to_s=5.0), OTHER).run(45.0)
    losses = [one for one in after.all if one.rule in ("universe-lost", "source-absent")]
    assert [(one.rule, one.closed_ns is None) for one in losses] == [("universe-lost", True), ("source-absent", False)]
    assert losses[1].timeline[-1].text.startswith(f"It is part of incident {losses[0].id}: ")


def test_what_is_found_again_says_its_beginning_before_the_restart() -> None:
    fast = replace(MAIN, universes=(1,), levels=moving(hz=60.0), hz=60.0)
    before = Stage(house_of((1,)), fast).run(20.0)
    found = restarted(house_of((1,)), before.open, 20.0, 1.0, fast).run(20.0).only()
    assert (found.rule, found.id) == ("fast-refresh", before.only().id)
    assert abs(began_s(found) - (before.only().began_ns - START_NS) / S + 21.0) < 0.1


def test_a_partly_returned_loss_stays_one_incident() -> None:
    house = house_of((1, 2, 3), sources=SOURCES[:1], by=("main desk",))
    gone = replace(MAIN, universes=(1, 2, 3), to_s=20.0)
    before = Stage(house, gone).run(25.0)
    after = restarted(house, before.open, 25.0, 2.0, replace(MAIN, from_s=6.0)).run(50.0)
    found = [one for one in after.all if one.rule in ("universe-lost", "universe-missing")]
    assert [(one.id, one.closed_ns, one.cause) for one in found] == [(before.only().id, None, "")]
    assert "Universe e131/3" in found[0].summary


MEDIA = UniverseId(Protocol.ARTNET, 0)


def with_art_net() -> House:
    house = house_of((3,))
    return replace(house, universes=(*house.universes, DeclaredUniverse(MEDIA, Limits(loss_timeout_s=10.0))))


def test_art_net_that_was_lost_before_a_restart_stays_open_after_it() -> None:
    """The judgement that is restarted never heard it: that it is visible from this port is known from its incident."""
    before = Stage(with_art_net(), Node((0,), to_s=15.0), OTHER).run(30.0)
    lost = before.only()
    assert (lost.rule, lost.universes) == ("universe-lost", ("artnet/0",))
    found = restarted(with_art_net(), before.open, 30.0, 2.0, OTHER).run(60.0).only()
    assert (found.id, found.closed_ns) == (lost.id, None)
    assert "not found again" not in " ".join(entry.text for entry in found.timeline)


def test_art_net_that_the_history_heard_is_missing_after_a_restart_and_else_not_judged() -> None:
    heard = (("artnet/0", WALL_OFFSET_NS + START_NS + 20 * S),)
    left = Stage(house_of((1, 2)), replace(MAIN, to_s=20.0), OTHER).run(30.0).open
    for known, expected in (((), False), (heard, True)):
        after = restarted(with_art_net(), left, 30.0, 2.0, OTHER, heard=known).run(15.0)
        missing = [one for one in after.all if "artnet/0" in one.universes]
        assert [one.rule for one in missing] == ["universe-missing"] * expected
    assert "heard before the restart of this listener, no frame since the restart at " in missing[0].summary
    assert any(line.startswith("Before this listener restarted it was heard") for line in missing[0].evidence)


@pytest.mark.parametrize("restarts", [False, True])
def test_a_missing_universe_says_that_another_start_code_comes(restarts: bool) -> None:
    """Only start code 0x00 is levels (ANSI E1.11 8.5.1); the desk sends text packets (0x17) there instead."""
    text = replace(MAIN, universes=(1,), start_code=0x17)
    house = house_of((1, 3))
    if restarts:
        before = Stage(house, replace(MAIN, universes=(1,), to_s=20.0), replace(text, from_s=20.0), OTHER).run(30.0)
        stage = restarted(house, before.open, 30.0, 2.0, text, OTHER).run(20.0)
    else:
        stage = Stage(house, text, OTHER).run(20.0)
    found = stage.only()
    assert (found.rule, found.cause) == ("universe-missing", "universe-withdrawn")
    assert found.summary.endswith(
        'Packets come there from "Main desk" (10.0.0.1) with another start code than that of levels: '
        "they hold no levels that receivers may use."
    )
    assert not any("path to this port" in line for line in found.evidence)


def test_a_stranger_was_first_seen_before_the_restart() -> None:
    house = house_of((1, 2), sources=SOURCES[:1], by=("main desk",))
    stranger = Desk("Laptop", (1,), "10.0.0.66", 9, from_s=5.0)
    before = Stage(house, MAIN, stranger).run(30.0)
    first = next(line for line in before.rule("unexpected-source").evidence if "first seen" in line)
    after = restarted(house, before.open, 30.0, 2.0, MAIN, replace(stranger, from_s=0.0)).run(10.0)
    found = after.rule("unexpected-source")
    assert (found.id, found.closed_ns) == (before.rule("unexpected-source").id, None)
    assert [line for line in found.evidence if "first seen" in line] == [first]


def test_a_short_loss_after_the_restart_is_as_long_as_it_was() -> None:
    """A desk is away over a restart, comes back, and is away again: the second time is not counted from the first."""
    house = house_of((1, 3))
    mine = replace(MAIN, universes=(1,))
    before = Stage(house, replace(mine, to_s=20.0), OTHER).run(25.0)
    again = (replace(mine, from_s=2.0, to_s=8.0), replace(mine, from_s=12.0))
    found = restarted(house, before.open, 25.0, 2.0, *again, OTHER).run(14.0).only()
    assert found.id == before.only().id and found.returned_ns is not None
    assert "lost for 4.0 s" in found.summary


@pytest.mark.parametrize("again", ["", "It returned: "])
def test_what_was_back_before_the_restart_is_recorded_in_the_words_of_the_fault(again: str) -> None:
    """Not in those of its return, and without the timeline's own beginning of the sentence."""
    told = (
        TimelineEntry(START_NS, "The fault began.", "began"),
        TimelineEntry(START_NS + 3 * S, f"{again}Universe e131/1 lost.", "returned" if again else "opened"),
        TimelineEntry(
            START_NS + 9 * S, "Universe e131/1 back since 12:00:09, being watched: lost for 9.0 s.", "revised"
        ),
    )
    before = Stage(house_of((1, 3)), replace(MAIN, universes=(1,), to_s=20.0), OTHER).run(24.0).only()
    entry = record_of(replace(before, timeline=told, returned_ns=START_NS + 9 * S, began_ns=START_NS))
    entry.end(flapped=False)
    assert entry.incident.summary == "Universe e131/1 lost. It lasted 9.0 s."


@pytest.mark.parametrize("apart_s", [6.0, 8.0])
def test_an_absent_main_that_is_back_last_is_what_is_told_of_it(apart_s: float) -> None:
    """Both desks end at 20 s; the spare is back 4 s later, and the main so long after it."""
    spares = replace(SPARE, to_s=20.0), replace(SPARE, from_s=24.0)
    stage = Stage(two_desks(), replace(MAIN, to_s=20.0), replace(MAIN, from_s=24.0 + apart_s), *spares)
    stage.run(24.0 + apart_s + 1.0)
    absent = [one for one in stage.open if "main desk" in one.sources]
    assert all(one.rule == "source-absent" and "back on" in one.summary for one in absent), absent


def test_what_opened_since_the_start_is_nothing_from_before_when_the_memory_comes_late() -> None:
    """On a slow computer the memory may come after the ten seconds that a universe is given, and it may be empty."""
    stage = Stage(house_of((1,)), OTHER, every_tick=True).run(12.0)
    before = stage.rule("universe-missing").summary
    stage.judge.command(Resume(next_id=1))
    stage.run(16.0)
    assert stage.rule("universe-missing").summary == before
    assert "restart" not in before
