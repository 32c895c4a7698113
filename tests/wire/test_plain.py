"""The reader of single plain packets says what the array decoder says, or nothing."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire import batch as batches
from slotwatch.wire import compose
from slotwatch.wire.decode import decode
from slotwatch.wire.plain import Plain, read_artnet, read_e131
from slotwatch.wire.universe import Protocol

CID = bytes(range(1, 17))


def by_arrays(raw: bytes, protocol: Protocol) -> Plain | None:
    one = batches.empty(1)
    one.data[0, : len(raw)] = np.frombuffer(raw, np.uint8)
    one.length[0], one.protocol[0] = len(raw), protocol
    fields = decode(one)
    if fields.kind[0] not in (1, 2):
        return None
    start = int(fields.first_slot[0])
    return Plain(
        int(fields.kind[0]),
        int(fields.universe[0]),
        int(fields.sequence[0]),
        int(fields.priority[0]),
        int(fields.options[0]),
        fields.source_id[0].tobytes(),
        raw[start : start + int(fields.slots[0])],
    )


def check(raw: bytes, protocol: Protocol) -> Plain | None:
    read = read_e131(raw) if protocol is Protocol.E131 else read_artnet(raw)
    if read is not None:
        assert read == by_arrays(raw, protocol)
    return read


def test_ordinary_packets_are_read() -> None:
    levels = bytes(range(256)) * 2
    for code in (0, 0xDD):
        packet = compose.e131_data(CID, "desk", 7, 42, levels, start_code=code)
        assert check(packet, Protocol.E131) is not None
    assert check(compose.e131_data(CID, "desk", 7, 42, b"\1\2\3"), Protocol.E131) is not None
    assert check(compose.art_dmx(0x123, 9, levels), Protocol.ARTNET) is not None


@given(st.binary(max_size=700), st.lists(st.tuples(st.integers(0, 637), st.integers(0, 255)), max_size=6))
def test_whatever_is_damaged_both_agree_or_the_reader_is_silent(tail: bytes, hits: list[tuple[int, int]]) -> None:
    for packet, protocol in (
        (compose.e131_data(CID, "desk", 7, 42, bytes(512)), Protocol.E131),
        (compose.art_dmx(3, 9, bytes(512)), Protocol.ARTNET),
    ):
        damaged = bytearray(packet)
        for at, value in hits:
            if at < len(damaged):
                damaged[at] = value
        check(bytes(damaged), protocol)
        check(bytes(damaged[: len(tail)]), protocol)
        check(tail, protocol)
