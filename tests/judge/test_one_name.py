"""Two senders with one identity, one name and one address: what is known is said once, and no frame is called lost.

The series of a universe is one (ANSI E1.31-2018 6.2.5), and numbers behind the last by up to 19 are discarded (6.7.2).
That two senders have one address is a forgery, or a computer that was copied: common practice, no source.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from itertools import groupby
from types import SimpleNamespace

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.model.announced_ends import EndColumns, announced_ends
from slotwatch.model.model import Model
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.decode import decode
from tests.judge.stage import (
    START_NS,
    Desk,
    Packet,
    Plain,
    S,
    Stage,
    e131,
    group_of,
    house_of,
    make_batch,
    moving,
    still,
)

UNIVERSES = (1, 2)
HOUSE = house_of(
    UNIVERSES, sources=(DeclaredSource("Desk A", cid=bytes([1]) * 16, address="10.0.0.1"),), by=("Desk A",)
)
FROM_S, TO_S = 8.0, 16.0
CLOSED_S = TO_S + 10.0 + 10.5
"""The window of the numbers, and the off-delay."""
OTHERS = {
    "as fast": lambda index: index + 100,
    "opposite": lambda index: index + 200,
    "standing": lambda index: 77,
    "by eight": lambda index: 8 * index,
    "in no order": lambda index: random.Random(index).randrange(256),
}


def beside(hz: float, number_of: Callable[[int], int], **more: object) -> Stage:
    second = Desk(
        "Desk A",
        UNIVERSES,
        from_s=FROM_S,
        to_s=TO_S,
        hz=hz,
        phase_s=0.007,
        sequence_of=lambda universe, index: number_of(index),
        **{"levels": still(30), **more},  # type: ignore[arg-type]
    )
    return Stage(HOUSE, Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0)), second)


@pytest.mark.parametrize("numbers", OTHERS)
@pytest.mark.parametrize("priority", [100, 180])
def test_two_senders_of_one_name_are_one_incident(numbers: str, priority: int) -> None:
    stage = beside(30.0 if numbers != "in no order" else 12.0, OTHERS[numbers], priority=priority).run(CLOSED_S)
    (alarm,) = stage.alarms()
    assert (alarm.rule, alarm.cause) == ("sequence-unusable", "two-senders")
    assert set(alarm.universes) == {"e131/1", "e131/2"}
    assert (
        'from "Desk A" (10.0.0.1): sequence numbers belong to two series at once, as if two senders used this '
        "identity and address." in alarm.summary
    )
    assert FROM_S <= (alarm.opened_ns - START_NS) / S < FROM_S + 3.5
    # No usual rate was learned from the frames of both: the desk alone is not slow afterwards.
    assert [one.rule for one in stage.run(60.0).open] == []


def test_a_second_sender_of_one_frame_a_second_is_found() -> None:
    (alarm,) = beside(1.0, lambda index: index).run(TO_S).alarms()
    assert alarm.cause == "two-senders"
    assert alarm.next_checks[0].startswith("Look for a second program on the source's computer")


def test_a_second_sender_that_counts_by_thirty_and_sends_more_is_found() -> None:
    """As one whose thirty universes share a count: each of its packets steps beyond the window."""
    alarms = beside(120.0, lambda index: 30 * index).run(TO_S).alarms()
    assert "two-senders" in {one.cause for one in alarms}


def test_numbers_close_to_those_of_the_sender_are_not_called_late() -> None:
    (one,) = beside(30.0, lambda index: index + 245).run(TO_S).all
    assert (one.rule, one.severity) == ("out-of-order", Severity.NOTE)
    assert "have numbers behind the newest" in one.summary
    assert "two programs that send with one identity and address" in str(one.also_possible)


@pytest.mark.parametrize("options", [0x40, 0x80, 0xC0])
def test_ends_and_previews_in_its_name_are_no_loss(options: int) -> None:
    """Table 4-2: bits 7 (preview) and 6 (terminated). Their numbers lie up to 19 ahead."""
    stage = beside(3.0, lambda index: 10 * index + 245 + index % 15, options=options).run(60.0)
    assert {one.rule for one in stage.all} <= {"false-end", "sequence-unusable", "out-of-order", "uneven-refresh"}
    # Receivers discard frames of the desk after such a packet: it neither paused, nor were they lost on the way.
    assert {one.cause for one in stage.all if one.rule == "uneven-refresh"} <= {""}


def test_where_a_second_sender_goes_on_in_its_name_the_source_is_not_said_to_run() -> None:
    second = Desk("Desk A", (1,), hz=30.0, phase_s=0.007, from_s=8.0, sequence_of=lambda universe, index: index + 100)
    first = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0), to_s=14.0)
    loss = Stage(HOUSE, first, second).run(18.0).rule("universe-lost")
    assert (loss.universes, loss.cause) == (("e131/2",), "unknown")
    assert 'Two senders used the identity and address of "Desk A" (10.0.0.1). One of them still sends' in loss.summary
    assert "is running" not in loss.summary
    # What is sent by unicast has no group (ANSI E1.31-2018 9.3).
    assert "this universe no longer reaches this port" in loss.also_possible


ENDS = {"each alone, with the next number": (0,), "two in a row": (0, 1), "with a number that does not fit": (100,)}
"""What is added to the number of its next frame."""


@pytest.mark.parametrize("ends", ENDS)
@pytest.mark.parametrize("universe", UNIVERSES)
def test_a_source_that_went_on_after_ends_in_its_name_did_not_announce_the_next(ends: str, universe: int) -> None:
    """Somebody else ends it again as it loses power: the ends of before were of one universe, the last are of both."""
    hz, dies_s = 30.0, 20.0
    desk = Desk("Desk A", UNIVERSES, hz=hz, levels=moving(hz=hz), to_s=dies_s)

    def end(t_s: float, number: int, sequence: int) -> Packet:
        data = e131(number, sequence, bytes(512), cid=desk.cid, name=desk.name, options=0x40)
        return Packet(t_s, data, desk.address, group_of(number))

    made = [
        end(at_s + 0.01 + place * 0.001, universe, round(at_s * hz) + 1 + more)
        for at_s in (8.0, 12.0)
        for place, more in enumerate(ENDS[ends])
    ]
    made += [
        end(dies_s + 0.01 + place * 0.001, number, round(dies_s * hz) + place)
        for number in UNIVERSES
        for place in range(3)
    ]
    stage = Stage(HOUSE, desk, Plain(made)).run(30.0)
    (loss,) = (one for one in stage.all if one.opened_ns > START_NS + dies_s * S)
    assert (loss.rule, loss.cause) == ("universe-lost", "source-lost")
    assert set(loss.universes) == {"e131/1", "e131/2"} and loss.severity == Severity.CRITICAL
    assert "announced" not in loss.summary
    said = " ".join(loss.evidence)
    assert "so these are not believed" in said and "without the stream-terminated bit" not in said
    assert "somebody else sent those packets" in str(loss.also_possible)


@pytest.mark.parametrize("dies_s", [19.0, 19.03, 19.05, 19.08])
def test_a_source_in_whose_name_somebody_sent_is_lost_as_soon_as_any_other(dies_s: float) -> None:
    """ANSI E1.31-2018 6.7.1: 2.5 s after its last packet. A pass comes every 400 ms at most."""
    desk = Desk("Desk A", UNIVERSES, hz=20.0, levels=moving(hz=20.0), to_s=dies_s)
    second = Desk("Desk A", UNIVERSES, hz=25.0, from_s=8.0, to_s=14.0, sequence_of=lambda universe, index: index)
    loss = Stage(house_of(UNIVERSES, min_refresh_hz=5.0), desk, second).run(dies_s + 4.0).rule("universe-lost")
    assert dies_s + 2.4 < (loss.opened_ns - START_NS) / S < dies_s + 2.9


def test_numbers_of_two_senders_say_of_a_slow_one_not_that_its_frames_are_lost() -> None:
    """The desk alone is slow after 14 s. 256 numbers are no 10,000 missing frames: nobody had time to send them."""
    desk = Desk("Desk A", UNIVERSES, hz=15.0, levels=moving(hz=15.0))
    second = Desk("Desk A", UNIVERSES, hz=30.0, from_s=8.0, to_s=14.0, sequence_of=lambda universe, index: index + 100)
    slow = Stage(HOUSE, desk, second).run(21.0).rule("slow-refresh")
    assert not any("lost on the path" in one for one in slow.evidence), slow.evidence


def ends(desk: Desk, moments_s: list[float], number_of: Callable[[int], int]) -> Plain:
    return Plain(
        [
            Packet(
                t_s,
                e131(number, number_of(place), bytes(512), cid=desk.cid, name=desk.name, options=0x40),
                desk.address,
                group_of(number),
            )
            for place, t_s in enumerate(moments_s)
            for number in UNIVERSES
        ]
    )


def test_ends_with_any_number_are_ends_that_the_source_belies() -> None:
    """A receiver that checks numbers by 6.7.2 obeys all but those up to 19 behind: it loses the desk each time."""
    desk = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0))
    chance = random.Random(5)
    forged = ends(desk, [8.01 + 0.1 * place for place in range(40)], lambda place: chance.randrange(256))
    alarm = Stage(HOUSE, desk, forged).run(10.0).rule("false-end")
    assert set(alarm.universes) == {"e131/1", "e131/2"} and alarm.opened_ns < START_NS + 9.5 * S
    assert "somebody else sends these packets with the source's identity and address" in alarm.also_possible


@pytest.mark.parametrize("closes", [False, True])
def test_ends_that_go_on_for_long_do_not_become_the_sources_own(closes: bool) -> None:
    """Before an output of the desk fails and for 11 minutes after that. Those that begin 11 minutes after it was
    switched off say nothing of that."""
    output = Desk("Desk A", (1,), hz=30.0, levels=moving(hz=30.0), to_s=20.0, terminate=closes)
    from_s, chance = 700.0 if closes else 15.0, random.Random(7)
    forged = ends(output, [from_s + place for place in range(670)], lambda place: chance.randrange(256))
    other = Desk("Desk A", (2,), hz=2.0, levels=moving(hz=2.0))
    until_s = 710.0 if closes else 690.0
    sent = sorted((one for desk in (output, other, forged) for one in desk.packets(until_s)), key=lambda one: one.t_s)
    model = Model(HOUSE, START_NS)
    for second, packets in groupby(sent, key=lambda one: int(one.t_s)):
        batch = make_batch(list(packets))
        model.ingest(batch, decode(batch))
        model.advance(START_NS + (second + 1) * S)
    columns = {name: getattr(model.streams, name)[: model.streams.top] for name in EndColumns.__annotations__}
    assert announced_ends(SimpleNamespace(**columns)).tolist() == [closes, False]


@pytest.mark.parametrize("from_s", [8.0, 14.0, 18.0], ids=["beside it", "as it stops", "when it has stopped"])
@pytest.mark.parametrize("universes", [(1, 2), (1,)], ids=["all", "one"])
@pytest.mark.parametrize("kind", [{"options": 0x80}, {"start_code": 0xDD}], ids=["preview", "priorities"])
def test_what_somebody_sends_in_the_name_of_a_dead_source_is_not_put_down_to_it(
    from_s: float, universes: tuple[int, ...], kind: dict[str, int]
) -> None:
    """A source numbers all its packets of a universe in one series (ANSI E1.31-2018 6.2.5)."""
    desk = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0), to_s=14.0)
    stranger = Desk(
        "Desk A", universes, hz=25.0, phase_s=0.007, from_s=from_s, sequence_of=lambda u, i: i + 100, **kind
    )  # type: ignore[arg-type]
    stage = Stage(HOUSE, desk, stranger).run(24.0)
    loss = stage.rule("universe-lost")
    assert set(loss.universes) == {"e131/1", "e131/2"} and loss.severity == Severity.CRITICAL
    assert (loss.cause, loss.confidence) == ("unknown", Confidence.LOW)
    assert "So it is not known whether Desk A itself runs." in loss.summary
    assert {one.rule for one in stage.all} <= {"universe-lost", "sequence-unusable"}
    assert loss.next_checks[0] == "Look at the screen of Desk A: is it running?"


@pytest.mark.parametrize("kind", [{"options": 0x80}, {"start_code": 0xDD}], ids=["preview", "priorities"])
def test_a_network_that_is_lost_is_not_put_down_to_what_came_last_in_the_name_of_a_source(kind: dict[str, int]) -> None:
    """All end within 10 ms, and the last packet is the stranger's: nothing came since then."""
    desk = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0), to_s=14.01)
    other = Desk("Desk B", (3,), "10.0.0.2", 2, hz=30.0, levels=moving(hz=30.0), to_s=14.01)
    stranger = Desk(
        "Desk A", UNIVERSES, hz=25.0, phase_s=0.007, from_s=8.0, to_s=14.01, sequence_of=lambda u, i: i + 100, **kind
    )  # type: ignore[arg-type]
    loss = Stage(HOUSE, desk, other, stranger).run(24.0).rule("universe-lost")
    assert loss.cause == "network-lost" and "Since then" not in loss.summary


def test_ends_that_go_on_are_no_sign_that_a_dead_source_runs() -> None:
    desk = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0), to_s=14.0)
    forged = ends(desk, [8.0 + place for place in range(30)], lambda place: 37 * place)
    loss = Stage(HOUSE, desk, forged).run(30.0).rule("universe-lost")
    assert loss.cause == "source-lost" and "running" not in loss.summary


def test_priorities_in_the_name_of_a_source_are_not_missed_when_they_stop() -> None:
    """A source that sends start code 0xDD numbers it in the series of its levels (ANSI E1.31-2018 6.2.5)."""
    desk = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0))
    own = {"hz": 2.0, "start_code": 0xDD, "levels": still(100), "to_s": 16.0}
    stranger = Desk("Desk A", UNIVERSES, from_s=8.0, sequence_of=lambda universe, index: index + 100, **own)  # type: ignore[arg-type]
    stage = Stage(HOUSE, desk, stranger).run(70.0)
    assert not stage.open and {one.rule for one in stage.all} <= {"sequence-unusable", "out-of-order"}


@pytest.mark.parametrize("is_beside", [True, False])
def test_a_loss_after_two_senders_says_that_either_may_have_gone_on(is_beside: bool) -> None:
    """The desk loses power at 14 s, and the other goes on until 24 s: nothing in packets says which of them it was."""
    desk = Desk("Desk A", UNIVERSES, hz=30.0, levels=moving(hz=30.0), to_s=14.0)
    second = Desk("Desk A", UNIVERSES, hz=30.0, phase_s=0.007, from_s=8.0, sequence_of=lambda u, index: index + 100)
    loss = Stage(HOUSE, desk, *([replace(second, to_s=24.0)] if is_beside else [])).run(28.0).rule("universe-lost")
    assert any("It is not known which of them sent after that" in one for one in loss.evidence) is is_beside
