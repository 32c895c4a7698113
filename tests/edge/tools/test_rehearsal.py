"""A rehearsal on loopback: what is sent, at what time, and how it ends."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

from slotwatch.edge.tools import rehearsal
from slotwatch.edge.tools.rehearsal import Player, loopback_address
from slotwatch.errors import EdgeError
from slotwatch.rehearse.desk import ArtDesk, Desk, SentUniverse
from slotwatch.rehearse.looks import moving
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import ClockStepSeen
from tests.patience import PATIENCE_S


@contextmanager
def listener() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind(("127.0.0.1", 0))
        made.settimeout(PATIENCE_S)
        yield made


def received(listening: socket.socket) -> list[tuple[bytes, tuple[str, int]]]:
    listening.setblocking(False)
    packets = []
    while True:
        try:
            packets.append(listening.recvfrom(2048))
        except BlockingIOError:
            return packets


def test_senders_get_loopback_addresses_of_their_own() -> None:
    assert loopback_address("192.0.2.10") == "127.0.2.10"
    assert loopback_address("127.0.0.30") == "127.0.0.30"
    assert loopback_address("fe80::7") == "127.6.6.7"


def test_player_sends_every_packet_from_its_senders_address_to_the_rehearsal_ports() -> None:
    desk = Desk("a", "192.0.2.10", (SentUniverse(1, moving()),))
    media = ArtDesk("m", "192.0.2.30", (SentUniverse(0, moving()),))
    items = list(mixed(desk.sends(0.5), media.sends(0.5), [ClockStepSeen(1000, 1)]))
    with listener() as e131, listener() as artnet:
        player = Player(e131.getsockname()[1], artnet.getsockname()[1])
        played = player.play(iter(items))
        heard, art = received(e131), received(artnet)
    assert played.packets == len(items) - 1 and played.not_played == 1
    assert {address for _, (address, _) in heard} == {"127.0.2.10"}
    assert {address for _, (address, _) in art} == {"127.0.2.30"}
    assert [payload for payload, _ in heard] == [
        item.payload for item in items if not isinstance(item, ClockStepSeen) and item.dst_port == 5568
    ]
    assert len(art) == 20


@dataclass
class OwnTime:
    """The player's clock. It continues only while the player sleeps, and each sleep takes 2 ms too long."""

    now_ns: int = 1_000_000_000

    def monotonic_ns(self) -> int:
        return self.now_ns

    def sleep(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9) + 2_000_000


@pytest.fixture
def own_time(monkeypatch: pytest.MonkeyPatch) -> OwnTime:
    made = OwnTime()
    monkeypatch.setattr(rehearsal, "clock", made)
    monkeypatch.setattr(rehearsal, "time", made)
    return made


def test_player_keeps_the_scenarios_time(own_time: OwnTime) -> None:
    """Half a second of frames takes half a second: the mean rate is held by deadlines, not by sleeps."""
    desk = Desk("a", "192.0.2.10", (SentUniverse(1, moving()),), discovery=False)
    with listener() as e131:
        began_ns = own_time.now_ns
        played = Player(e131.getsockname()[1], 9).play(desk.sends(0.5))
        took_s = (own_time.now_ns - began_ns) / 1e9
    assert 0.55 <= took_s < 0.62
    assert played.latest_ns <= 2_000_000


@pytest.mark.usefixtures("own_time")
def test_stopped_player_closes_its_streams_with_three_terminated_packets() -> None:
    """E1.31-2018 6.2.6: three packets with the stream-terminated bit, on each universe, in sequence."""
    desk = Desk("a", "192.0.2.10", (SentUniverse(1, moving()), SentUniverse(2, moving())), discovery=False)
    with listener() as e131:
        player = Player(e131.getsockname()[1], 9)

        def stop_later(items: Iterator[Item]) -> Iterator[Item]:
            for count, item in enumerate(items):
                if count == 20:
                    player.stopped = True
                yield item

        player.play(stop_later(desk.sends()))
        heard = [payload for payload, _ in received(e131)]
    for universe in (1, 2):
        own = [payload for payload in heard if payload[114] == universe]
        assert [bool(payload[112] & 0x40) for payload in own[-4:]] == [False, True, True, True]
        assert [payload[111] for payload in own] == list(range(len(own)))


def test_player_stops_from_another_thread_within_a_moment() -> None:
    desk = Desk("a", "192.0.2.10", (SentUniverse(1, moving()),))
    with listener() as e131:
        player = Player(e131.getsockname()[1], 9)
        thread = threading.Thread(target=player.play, args=(desk.sends(),))
        thread.start()
        e131.recvfrom(2048)
        player.stopped = True
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def test_address_that_loopback_lacks_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slotwatch.edge.tools.rehearsal.loopback_address", lambda address: "203.0.113.1")
    desk = Desk("a", "192.0.2.10", (SentUniverse(1, moving()),))
    with pytest.raises(EdgeError, match=r"cannot send from 203\.0\.113\.1 on loopback"):
        Player(9, 9).play(desk.sends(0.1))
