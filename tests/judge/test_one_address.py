"""Two senders of Art-Net with one address, where their numbers show it.

ArtDmx has its number at octet 12: 1 to 255 and on to 1, 0 where none is used, and the physical input at octet 13; a
receiver tells sources apart by address and physical input (Kaitai descriptions of Art-Net, and the dissector of
Wireshark). That a sender counts apart for each address that it sends to is common practice, no source.
"""

from __future__ import annotations

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol
from tests.judge.stage import START_NS, Levels, Node, Packet, Plain, S, Stage, artdmx, house_of, moving, still
from tests.wire import tshark

ADDRESS, ONE, OTHER, ALL = "10.0.0.50", "10.0.0.200", "10.0.0.201", "255.255.255.255"
HOUSE = house_of((), artnet=(1, 2), sources=(DeclaredSource("Server", address=ADDRESS),), by=("Server",))
FROM_S, TO_S, END_S = 8.0, 16.0, 60.0
LIBRARY = tshark.CAPTURES / "sender-npm-dmxnet-0.9.0.pcapng"
NUMBER, PHYSICAL = 12, 13


def series(
    first: int,
    *,
    hz: float = 20.0,
    to: str = ALL,
    from_s: float = 0.0,
    to_s: float = END_S,
    universes: tuple[int, ...] = (1, 2),
    is_numbered: bool = True,
    physical: int = 0,
    levels: Levels | None = None,
) -> Plain:
    """A series of numbers for each universe, from this one on."""
    made = []
    for index in range(round((to_s - from_s) * hz)):
        t_s = from_s + index / hz
        for universe in universes:
            number = (first - 1 + index) % 255 + 1 if is_numbered else 0
            data = bytearray(artdmx(universe, number, (levels or moving(hz=hz))(t_s)))
            data[PHYSICAL] = physical
            made.append(Packet(t_s + 0.0002 * universe, bytes(data), ADDRESS, to, Protocol.ARTNET))
    return Plain(made)


def second(first: int = 100, **more: object) -> Plain:
    return series(first, **{"hz": 15.0, "from_s": FROM_S + 0.007, "to_s": TO_S, "levels": still(30), **more})  # type: ignore[arg-type]


@pytest.mark.parametrize("to", [ALL, ONE])
@pytest.mark.parametrize("first", [30, 100, 230])
def test_two_series_of_numbers_from_one_address_are_one_incident(to: str, first: int) -> None:
    stage = Stage(HOUSE, series(1, to=to), second(first, to=to)).run(TO_S)
    (alarm,) = stage.alarms()
    assert (alarm.rule, alarm.cause, alarm.severity) == ("sequence-unusable", "two-senders", Severity.WARNING)
    assert set(alarm.universes) == {"artnet/1", "artnet/2"}
    said = 'from "Server" (10.0.0.50): sequence numbers belong to two series at once, as if two senders used this '
    assert said + "address." in alarm.summary
    assert FROM_S <= (alarm.opened_ns - START_NS) / S < FROM_S + 3.5
    assert alarm.next_checks[0].startswith("Look for a second program on the source's computer")
    assert [one.rule for one in stage.run(60.0).all] == ["sequence-unusable"] and not stage.open


def test_a_second_process_of_a_library_is_found() -> None:
    """Octets of an independent library; of its second process only the number is another."""
    sent = tshark.rows(LIBRARY, "artnet.output.sequence", "udp.payload")
    octets = [bytearray.fromhex(payload) for (payload,) in sent]
    assert [one[NUMBER] for one in octets] == list(range(1, len(octets) + 1))

    def process(first: int, hz: float, from_s: float) -> list[Packet]:
        made = []
        for index in range(round((END_S - from_s) * hz)):
            data = octets[index % len(octets)]
            data[NUMBER] = (first - 1 + index) % 255 + 1
            made.append(Packet(from_s + index / hz, bytes(data), ADDRESS, ALL, Protocol.ARTNET))
        return made

    alone = Stage(HOUSE, Plain(process(1, 20.0, 0.0))).run(END_S)
    assert "sequence-unusable" not in {one.rule for one in alone.all}
    both = Stage(HOUSE, Plain(process(1, 20.0, 0.0) + process(100, 18.0, FROM_S))).run(END_S)
    alarm = both.rule("sequence-unusable")
    assert (alarm.universes, alarm.cause) == (("artnet/1",), "two-senders")


APART = {
    "one series for each address": [series(1, to=ONE), series(100, to=OTHER, hz=15.0)],
    "one series for each input": [series(1), series(100, physical=1, hz=15.0)],
    "no numbers in both": [series(1, is_numbered=False), second(is_numbered=False)],
    "no numbers in one": [series(1), second(is_numbered=False)],
    "numbers within the window": [series(1, hz=15.0), series(12, hz=15.0)],
    "one series, also to everybody": [Node((1, 2), ADDRESS), Node((1, 2), ADDRESS, dst=ONE)],
    "over the wrap with losses": [Node((1, 2), ADDRESS, levels=moving(), drop=lambda number, index, t: index % 9 == 0)],
}


@pytest.mark.parametrize("senders", APART.values(), ids=list(APART))
def test_what_one_sender_may_send_too_is_not_put_down_to_two(senders: list[object]) -> None:
    stage = Stage(HOUSE, *senders).run(END_S)
    assert "sequence-unusable" not in {one.rule for one in stage.all}


def test_where_a_second_sender_goes_on_at_its_address_the_source_is_not_said_to_run() -> None:
    stage = Stage(HOUSE, series(1, to_s=14.0), second(to_s=END_S, universes=(1,))).run(END_S)
    loss = stage.rule("universe-lost")
    assert (loss.universes, loss.cause) == (("artnet/2",), "unknown")
    assert (
        'Two senders used the address of "Server" (10.0.0.50). One of them still sends universe artnet/1,'
        in loss.summary
    )
    assert "is running" not in loss.summary


@pytest.mark.parametrize("is_numbered", [True, False])
@pytest.mark.parametrize("hz", [40.0, 60.0])
def test_a_rate_is_that_at_one_address(hz: float, is_numbered: bool) -> None:
    """A line of 512 slots carries 44 Hz (ANSI E1.11); a mirrored port shows what goes to each of two nodes."""
    every = [series(first, to=to, hz=hz, is_numbered=is_numbered, to_s=20.0) for first, to in ((1, ONE), (100, OTHER))]
    found = [one for one in Stage(HOUSE, *every).run(20.0).all if one.rule == "fast-refresh"]
    assert len(found) == (hz > 44)
    assert all("frames arrive at 60" in one.summary for one in found)
