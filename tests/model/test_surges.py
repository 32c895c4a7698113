"""Packets without levels by whole second: what counts in which second does not hang on how they came in batches."""

from __future__ import annotations

import pytest

from slotwatch.wire.universe import Protocol
from tests.model.packets import MS, SECOND, START, Bench, Sent, artnet_poll_reply


@pytest.mark.parametrize("sizes", [(4000,), (1,), (7, 300, 1)])
def test_each_packet_counts_in_its_own_second(sizes: tuple[int, ...]) -> None:
    """400 poll replies in each of four seconds (Art-Net 4: 239 octets), which one batch may span."""
    packet = artnet_poll_reply("10.0.0.9")
    sent = [
        Sent(START + second * SECOND + place * 2 * MS, packet, protocol=Protocol.ARTNET)
        for second in range(4)
        for place in range(400)
    ]
    bench = Bench()
    bench.feed_split(sent, sizes)
    ((kind, surge),) = ((key[0], one) for key, one in bench.model.occasions.surges.known.items())
    assert kind == "replies"
    assert surge.lately(START + 4 * SECOND, 4) == [400, 400, 400, 400]
    # They are named from the batch on that makes 200 in a second.
    assert 400 - 199 <= sum(surge.senders.values()) <= 400
