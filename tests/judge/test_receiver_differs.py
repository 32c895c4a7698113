"""Which poll replies prove that a node is set to another universe, and which do not."""

from __future__ import annotations

import pytest

from slotwatch.house.schema import House, Receiver
from slotwatch.model.occasions import MAX_NODES
from slotwatch.snapshot import Incident, UniverseState
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import FROM_S
from tests.judge.cases_receiver_differs import ADDRESS, UNTIL_S, Listed, of, poll, replies, reply
from tests.judge.stage import Packet, Plain, Stage, house_of

INPUT = 0x40
TAKES_E131 = 0x81
LONG_S = 110.0
"""Long enough for 60 s of polls after something changed within the first 45 s."""
ALL = poll(flags=0)
SOME = poll(flags=0x20)


def found(house: House, listed: Listed, until_s: float = UNTIL_S) -> list[Incident]:
    stage = Stage(house, *replies(listed, until_s=until_s)).run(until_s)
    return [one for one in stage.all if one.rule == "receiver-differs"]


@pytest.mark.parametrize(
    ("house", "listed"),
    [
        pytest.param(of(3), lambda t: [reply(0, 1, 2, 3)], id="more outputs than declared"),
        pytest.param(of(3, 4), lambda t: [reply(3, index=1), reply(4, index=2)], id="on two pages"),
        pytest.param(of(3, 4), lambda t: [reply(3, index=0), reply(4, index=0)], id="two replies of one index"),
        pytest.param(of(3), lambda t: [reply(0), *([reply(3, index=2)] if t % 15 < 5 else [])], id="a page often lost"),
        pytest.param(of(3), lambda t: [reply()], id="no outputs"),
        pytest.param(of(3), lambda t: [reply(5, kind=INPUT)], id="inputs only"),
        pytest.param(of(3), lambda t: [reply(5, good_output=TAKES_E131)], id="takes E1.31"),
        pytest.param(of(3, 4), lambda t: [reply(3), reply(0, index=2, good_output=TAKES_E131)], id="one takes E1.31"),
        pytest.param(of(3), lambda t: [reply(3)] if t > 40 else [reply(5)] if t < 12 else [], id="set right while off"),
        pytest.param(
            of(3),
            lambda t: [] if 20 < t < 40 else [reply(0), *([] if 20 < t < 46 else [reply(3, index=2)])],
            id="a page late after a restart",
        ),
        pytest.param(
            of(3), lambda t: [reply(0), *([reply(3, index=2)] if t < 12 else [])], id="a page is polled no longer"
        ),
        pytest.param(
            of(3), lambda t: [reply(0, 1, 2, 3, sub_net=n, index=0) for n in range(9)], id="36 outputs of one index"
        ),
        pytest.param(
            of(3, 4, 6),
            lambda t: [reply(3), reply(0, 0, index=2, good_output=TAKES_E131)],
            id="two take the same E1.31 universe",
        ),
        pytest.param(
            of(3),
            lambda t: [SOME, reply(5)],
            id="only some universes are polled",
        ),
    ],
)
def test_replies_that_prove_nothing(house: House, listed: Listed) -> None:
    assert not found(house, listed)


def test_a_page_that_leaves_polls_for_every_output_unanswered() -> None:
    """The node was set to fewer outputs: each poll asks for all of its pages (Art-Net 4, ArtPoll, Flags bit 5)."""
    (one,) = found(of(3), lambda t: [ALL, reply(0), *([reply(3, index=2)] if t < 12 else [])], LONG_S)
    assert one.summary.endswith("list artnet/0 instead.")
    assert any(text.startswith("Its replies listed artnet/3 until ") for text in one.evidence)


@pytest.mark.parametrize(
    "listed",
    [
        pytest.param(
            lambda t: [*([ALL] if t < 55 or t > 70 else []), reply(0), *([reply(3, index=2)] if t < 12 else [])],
            id="polls with a pause",
        ),
        pytest.param(
            lambda t: [SOME if 50 < t < 55 else ALL, reply(0), *([reply(3, index=2)] if t < 12 else [])],
            id="one poll for some outputs",
        ),
        pytest.param(
            lambda t: [ALL] if 12 < t < 80 else [ALL, reply(0), *([reply(3, index=2)] if t < 12 else [])],
            id="the node was off",
        ),
        pytest.param(lambda t: [reply(0), reply(2, index=3)], id="a page between others was never heard"),
        pytest.param(lambda t: [reply(2, index=2)], id="its root was never heard"),
        pytest.param(
            lambda t: [reply(0, mac=b"\2\0\0\0\0\1"), *([reply(3, index=2, mac=b"\2\0\0\0\0\2")] if t < 12 else [])],
            id="each page with its own hardware address",
        ),
    ],
)
def test_pages_that_may_still_be_there(listed: Listed) -> None:
    assert not found(of(3), listed, LONG_S)


def test_a_gap_between_pages_that_answer_every_poll() -> None:
    """There is no page between them: polls for all outputs bring none."""
    (one,) = found(of(3), lambda t: [ALL, reply(0), reply(2, index=3)], LONG_S)
    assert one.summary.endswith("list artnet/0 and artnet/2 instead.")


def test_a_node_that_was_replaced_by_one_with_fewer_pages() -> None:
    """Its replies name another hardware address (Art-Net 4, ArtPollReply, MAC): no page of the old one counts."""

    def listed(t_s: float) -> list[bytes]:
        old, new = b"\2\0\0\0\0\1", b"\2\0\0\0\0\2"
        return [reply(0, mac=old), reply(3, index=2, mac=old)] if t_s < 12 else [reply(0, mac=new)]

    (one,) = found(of(3), listed)
    assert one.summary.endswith("list artnet/0 instead.")


def test_a_node_whose_list_was_cut_once() -> None:
    """40 outputs of one index for a while: once all that it lists is kept again, it is judged."""
    (one,) = found(
        of(3), lambda t: [reply(0, 1, 2, sub_net=n, index=0) for n in range(12)] if t < 12 else [reply(5, index=0)]
    )
    assert one.summary.endswith("list artnet/5 instead.")


def test_a_node_with_a_page_that_made_room_once() -> None:
    """Polls for all outputs then brought what pages it has."""
    others = [
        Packet(
            14.0 + n * 0.001,
            reply(0, address=(10, 1, n >> 8, n & 255)),
            f"10.1.{n >> 8}.{n & 255}",
            "10.0.0.5",
            Protocol.ARTNET,
        )
        for n in range(MAX_NODES)
    ]
    two_pages = replies(lambda t: [ALL, reply(0), *([reply(3, index=2)] if t < 12 else [])], until_s=LONG_S)
    stage = Stage(of(3), *two_pages, Plain(others)).run(LONG_S)
    assert stage.model.occasions.evictions["nodes"]
    assert [one.summary for one in stage.all if one.rule == "receiver-differs"]


def test_a_node_on_another_net_or_sub_net() -> None:
    """Port-address 0x123 is Net 1, Sub-Net 2, Universe 3 (Art-Net 4, Port-Address)."""
    (one,) = found(of(3), lambda t: [reply(3, net=1, sub_net=2)])
    assert one.summary.endswith("should output artnet/3. Its poll replies list artnet/291 instead.")
    assert "artnet/3 is Net 0, Sub-Net 0, Universe 3." in one.evidence
    assert one.universes == ("artnet/3",)


def test_a_node_that_lists_too_few() -> None:
    (one,) = found(of(3, 4), lambda t: [reply(3)])
    assert one.summary.endswith("should output artnet/4. Its poll replies list only artnet/3.")
    assert "artnet/3 on this receiver, as its replies list it" in one.still_working


def test_a_node_that_lists_fewer_others_than_are_missing() -> None:
    """One other output may replace one that is missing, not two."""
    (one,) = found(of(3, 4), lambda t: [reply(5)])
    assert one.summary.endswith("should output artnet/3 and artnet/4. Its poll replies list only artnet/5.")


def test_an_output_that_was_changed_while_only_some_universes_are_polled() -> None:
    """Its own page listed it and does so no longer."""
    (one,) = found(of(3), lambda t: [SOME, reply(3 if t < 12 else 5)])
    assert one.summary.endswith("should output artnet/3. Its poll replies list artnet/5 instead.")


def test_a_node_with_a_page_that_made_room_for_others() -> None:
    """What the page listed is forgotten: the other pages are not all of the node."""
    others = [
        Packet(
            t_s + n * 0.001,
            reply(0, address=(10, 1, n >> 8, n & 255)),
            f"10.1.{n >> 8}.{n & 255}",
            "10.0.0.5",
            Protocol.ARTNET,
        )
        for t_s in (14.0, 26.0)
        for n in range(MAX_NODES)
    ]
    two_pages = replies(lambda t: [reply(0), *([reply(3, index=2)] if t < 12 else [])])
    stage = Stage(of(3), *two_pages, Plain(others)).run(UNTIL_S)
    assert stage.model.occasions.evictions["nodes"]
    assert not [one for one in stage.all if one.rule == "receiver-differs"]


def test_what_it_listed_before_and_what_is_one_apart() -> None:
    (one,) = found(of(3), lambda t: [reply(3 if t < 30 else 4)])
    assert any(text.startswith("Its replies listed artnet/3 until ") for text in one.evidence)
    assert any(text.startswith("The two are one apart") for text in one.evidence)
    assert 'It answers polls as "Tower".' in one.evidence


def test_two_receivers_of_one_node_are_judged_together() -> None:
    """What one lists for the other is not what it outputs instead."""
    receivers = tuple(
        Receiver(name, ADDRESS, (UniverseId(Protocol.ARTNET, number),)) for name, number in (("Left", 3), ("Right", 4))
    )
    house = house_of((), artnet=(3, 4), receivers=receivers, min_refresh_hz=0.1)
    (one,) = found(house, lambda t: [reply(3, 5)])
    assert one.summary.startswith('Receiver "Right"')
    assert one.summary.endswith("list artnet/5 instead.")


def test_the_universe_of_a_node_that_is_set_to_another_one_is_in_order_itself() -> None:
    """Its frames come as they should: what is wrong is behind the network (docs/glossary.md, faulty)."""
    stage = Stage(of(3), *replies(lambda t: [reply(5)])).run(UNTIL_S)
    assert [one.rule for one in stage.open] == ["receiver-differs"]
    row = stage.model.universes.by_place[0, int(Protocol.ARTNET), 3]
    state = UniverseState(int(stage.judge.universe_states(stage.model, stage.now_ns)[row]))
    assert state is UniverseState.AT_REST


def test_a_node_that_answers_no_longer_is_still_set_so() -> None:
    (one,) = found(of(3), lambda t: [reply(5)] if t < FROM_S + 30 else [])
    assert one.closed_ns is None
