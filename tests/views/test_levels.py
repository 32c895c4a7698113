"""Levels over time, against E1.31 packets of another library (sacn); IP and UDP headers by RFC 791, 8200 and 768."""

from __future__ import annotations

import struct
from ipaddress import ip_address

from sacn.messages.data_packet import DataPacket

from slotwatch.views.levels import MOST_SLOTS, STEPS, levels_over_time
from slotwatch.wire.universe import Protocol, UniverseId

CID = bytes(range(16))
SECOND_NS = 1_000_000_000
THREE = UniverseId(Protocol.E131, 3)


def sent(universe: int, levels: bytes, *, v6: bool = False, cid: bytes = CID, start_code: int = 0) -> bytes:
    """One datagram as the recorder keeps it. The library always sends 512 slots."""
    packet = DataPacket(tuple(cid), "desk", universe, tuple(levels.ljust(512, b"\0")))
    packet.dmxStartCode = start_code
    payload = bytes(packet.getBytes())
    udp = struct.pack(">HHHH", 5568, 5568, 8 + len(payload), 0) + payload
    if v6:
        ends = ip_address("fe80::10").packed + ip_address("ff18::83:0:3").packed
        return struct.pack(">IHBB", 6 << 28, len(udp), 17, 20) + ends + udp
    ends = ip_address("10.20.0.10").packed + ip_address("239.255.0.3").packed
    return struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), 0, 0, 20, 17, 0) + ends + udp


def test_a_fade_is_given_step_by_step() -> None:
    packets = [(SECOND_NS + n * SECOND_NS // 44, sent(3, bytes([n % 256, 40, 0, 0]))) for n in range(256)]
    found = levels_over_time(packets, THREE)
    (source,) = found["sources"]
    assert source["source"] == "00010203-0405-0607-0809-0a0b0c0d0e0f"
    assert [row["slot"] for row in source["slots"]] == [1, 2], "what stays at zero is not drawn"
    fade, held = (row["values"] for row in source["slots"])
    assert len(fade) == STEPS
    shown = [level for level in fade if level is not None]
    assert shown == sorted(shown) and shown[0] <= 1 and shown[-1] == 255
    assert {level for level in held if level is not None} == {40}


def test_a_gap_is_a_gap_and_other_traffic_is_left_out() -> None:
    packets = [(n * SECOND_NS // 44 + 1, sent(3, bytes([200]))) for n in range(44)]
    packets += [(5 * SECOND_NS + n, sent(3, bytes([100]))) for n in range(3)]
    packets += [
        (SECOND_NS, sent(4, bytes([9]))),
        (SECOND_NS, b"\x45short"),
        (SECOND_NS, sent(3, bytes([100]), start_code=0xDD)),
    ]
    values = levels_over_time(sorted(packets), THREE)["sources"][0]["slots"][0]["values"]
    assert values[0] == 200 and values[-1] == 100
    assert values[STEPS // 2] is None


def test_sources_are_apart_and_slots_are_bounded() -> None:
    moving = [bytes((n * at) % 256 for at in range(512)) for n in range(50)]
    packets = [(n * SECOND_NS // 44 + 1, sent(3, levels)) for n, levels in enumerate(moving)]
    packets += [(n * SECOND_NS // 44 + 2, sent(3, bytes([5]), cid=bytes(16), v6=True)) for n in range(50)]
    found = levels_over_time(sorted(packets), THREE)
    assert [len(one["slots"]) for one in found["sources"]] == [MOST_SLOTS, 1]


def test_an_empty_capture_has_no_levels() -> None:
    found = levels_over_time([], THREE)
    assert found["sources"] == [] and found["from"] is None
