"""How cost grows with the size of a house: one chart of seven curves, written to docs/pictures/growth.svg.

Each point is processor time of one thread for a second of show, in one process and without sockets (listeners of events
have real ones). `exponent` is the slope on logarithmic axes over the upper half of the sizes, less what an empty house
costs: 1 is linear, below 1 is better. Run alone: `python -m benchmarks.growth`.
"""

from __future__ import annotations

import asyncio
import math
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count, islice
from pathlib import Path
from typing import Any

import numpy as np
from aiohttp import web

from slotwatch.bridge.routes import Bridge
from slotwatch.edge.front.events import Listeners
from slotwatch.engine import Engine
from slotwatch.house.schema import DeclaredUniverse, Fixture, House, Network, Phase, Profile, Route
from slotwatch.snapshot.encoding import to_parts
from slotwatch.wire.batch import Batch, empty
from slotwatch.wire.compose import e131_data
from slotwatch.wire.universe import Protocol, UniverseId

RATE_HZ = 44
WARM_S, MEASURED_S = 12, 3
SILENT_S = 8
"""Longer than every timeout, so that the loss of all universes is an incident whose cause is known when they return."""
TICK_NS = 50_000_000
BATCH_ROWS = 1024
ROUTED_ROWS = 64
"""Datagrams that are made before they are routed: as in `serve`, they are still in the processor's caches then."""
SEQUENCE, UNIVERSE, FIRST_SLOT = 111, 113, 126
"""Bytes of an E1.31 packet (ANSI E1.31-2018 tables 4-2 and 4-3)."""
SENDER = bytes(10) + b"\xff\xff" + bytes((10, 0, 0, 1))
PICTURE = Path(__file__).parent.parent / "docs" / "pictures" / "growth.svg"
ROLES = ("intensity", "red", "green", "blue", "pan", "tilt")
LINEAR = 1.15
"""Above this exponent a curve counts as worse than linear; below it is what a measurement is off by."""


@dataclass(frozen=True)
class Curve:
    title: str
    unit: str
    sizes: tuple[int, ...]
    seconds: tuple[float, ...]
    """Processor time for a second of show."""

    @property
    def exponent(self) -> float:
        """Slope between the middle size and the largest, without the cost of the smallest house."""
        base = self.seconds[0] if self.sizes[0] == 0 else 0.0
        middle = len(self.sizes) // 2
        low, high = (max(1e-6, self.seconds[place] - base) for place in (middle, -1))
        if high <= low:
            return 0.0  # other work of the computer weighs more than the growth
        return math.log(high / low) / math.log(self.sizes[-1] / self.sizes[middle])


class Show:
    """Every stream in turn, slot 1 moving."""

    def __init__(self, universes: int, sources: int = 1) -> None:
        self.streams = universes * sources
        self._frames = empty(self.streams)
        for row in range(self.streams):
            universe, source = row % universes + 1, row // universes
            sender = source if sources > 1 else universe // 100
            packet = e131_data((sender + 1).to_bytes(16, "big"), f"desk {sender}", universe, 0, bytes(512))
            self._frames.data[row, : len(packet)] = np.frombuffer(packet, np.uint8)
            self._frames.length[row] = len(packet)
            self._frames.dst[row, 10:] = (255, 255, 239, 255, *divmod(universe, 256))
            self._frames.src[row, 10:] = (255, 255, 10, 0, *divmod(sender + 1, 256))
        self._frames.protocol[:] = Protocol.E131
        self._at = 0
        self._begins_ns = self.now_ns = 1_000_000_000

    def pause(self, span_ns: int) -> None:
        """Send nothing for so long; what was not sent is not made up for."""
        self._begins_ns += span_ns
        self.now_ns += span_ns

    def next(self) -> Batch:
        """The frames of the next 50 ms at most, and no more than BATCH_ROWS."""
        rows = min(BATCH_ROWS, max(1, self.streams * RATE_HZ // 20))
        number = self._at + np.arange(rows)
        which, frame = number % self.streams, number // self.streams
        batch = empty(rows)
        for name in ("data", "length", "protocol", "src", "dst"):
            getattr(batch, name)[:] = getattr(self._frames, name)[which]
        batch.data[:, SEQUENCE] = frame % 256
        batch.data[:, FIRST_SLOT] = frame * 5 % 256
        each_ns = 1_000_000_000 // (RATE_HZ * self.streams)
        batch.t_ns[:] = self._begins_ns + number * each_ns
        self._at += rows
        self.now_ns = self._begins_ns + self._at * each_ns
        return batch


def house_of(universes: int, fixtures: int = 0) -> House:
    per = -(-fixtures // universes)
    patch = tuple(
        Fixture(str(n), UniverseId(Protocol.E131, n // per + 1), 1 + n % per * len(ROLES), ROLES, "wash")
        for n in range(fixtures)
    )
    return House(
        networks=(Network("lights", "eth1"),),
        phase=Phase.SHOW,
        universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, n + 1)) for n in range(universes)),
        profiles=(Profile("wash", ROLES),),
        fixtures=patch,
    )


class Judged:
    """An engine that judges a show, and the processor time that it takes."""

    def __init__(self, house: House, show: Show) -> None:
        self.show, self.used_s = show, 0.0
        self.engine = Engine(house, now_ns=show.now_ns, wall_offset_ns=0)
        self._due_ns, self._shown_ns = show.now_ns + TICK_NS, show.now_ns

    @property
    def open_incidents(self) -> int:
        return sum(one.closed_ns is None for one in self.engine.judge.incidents(self.show.now_ns))

    def play(self, seconds: float) -> float:
        """Judge so much of the show; returns processor time for a second of it, one snapshot a second included."""
        ends_ns, before_s = self.show.now_ns + round(seconds * 1e9), self.used_s
        while self.show.now_ns < ends_ns:
            batch = self.show.next()
            started = time.thread_time()
            self.engine.ingest(batch)
            self._let_pass(self.show.now_ns)
            self.used_s += time.thread_time() - started
        return (self.used_s - before_s) / seconds

    def hear_nothing(self, seconds: float) -> None:
        """Let so much time pass without a packet."""
        for _ in range(round(seconds * 1e9 / TICK_NS)):
            self.show.pause(TICK_NS)
            self._let_pass(self.show.now_ns)

    def _let_pass(self, now_ns: int) -> None:
        if now_ns >= self._due_ns:
            self._due_ns += TICK_NS
            self.engine.tick(now_ns)
            self.engine.take_events()
        if now_ns >= self._shown_ns:
            self._shown_ns += 1_000_000_000
            to_parts(self.engine.snapshot(now_ns))


def judged(house: House, show: Show) -> tuple[float, int]:
    """Processor time of judging a second of a show that has run for a while; incidents that are open."""
    judging = Judged(house, show)
    judging.play(WARM_S)
    return judging.play(MEASURED_S), judging.open_incidents


def all_return(universes: int) -> float:
    """Processor time of judging a second while all universes return that were lost together."""
    judging = Judged(house_of(universes), Show(universes))
    judging.play(WARM_S)
    judging.hear_nothing(SILENT_S)
    if not judging.open_incidents:
        raise SystemExit("the loss of all universes was no incident: nothing returns")
    return judging.play(MEASURED_S)


def bridged(routes: int) -> float:
    """Processor time of forwarding a second of this many universes to as many others, each frame as it comes."""
    house = House(
        networks=(Network("lights", "eth1"),),
        routes=tuple(
            Route(
                f"r{n}",
                UniverseId(Protocol.E131, n + 1),
                target=UniverseId(Protocol.E131, 10_001 + n),
                to_address="10.9.9.9",
                to_network=0,
            )
            for n in range(routes)
        ),
    )
    now_ns = 1_000_000_000
    bridge = Bridge(house, bytes(16), now_ns)
    begins_ns, used, number = now_ns + 3_000_000_000, 0.0, 0
    while now_ns < begins_ns + MEASURED_S * 1_000_000_000:
        datagrams = list(islice(_routed(max(1, routes), number, now_ns), ROUTED_ROWS))
        number, now_ns = number + ROUTED_ROWS, datagrams[-1][0]
        started = time.thread_time()
        for t_ns, raw in datagrams:
            key = (0, int(Protocol.E131), raw[UNIVERSE] << 8 | raw[UNIVERSE + 1])
            if key in bridge.inputs and not bridge.ingest_datagram(key, t_ns, SENDER, raw):
                raise SystemExit("a routed frame is not plain")
            bridge.tick(t_ns)
            bridge.take_output(t_ns)
        if now_ns >= begins_ns:
            used += time.thread_time() - started
    return used / MEASURED_S


def _routed(universes: int, first: int, now_ns: int) -> Iterator[tuple[int, bytes]]:
    """Datagrams of these universes in turn, and when they come, from this one on; `now_ns`: when the one before came.

    One packet is written over and over: kept ones of 512 universes would push the routes out of the caches.
    """
    packet = bytearray(e131_data(bytes(15) + b"\1", "desk", 1, 0, bytes(512)))
    for number in count(first):
        now_ns += 1_000_000_000 // (RATE_HZ * universes)
        frame, universe = divmod(number, universes)
        packet[SEQUENCE], packet[FIRST_SLOT] = frame % 256, frame * 5 % 256
        packet[UNIVERSE : UNIVERSE + 2] = (universe + 1).to_bytes(2, "big")
        yield now_ns, bytes(packet)


READERS = """
import socket, select, sys
socks = [socket.create_connection(("127.0.0.1", int(sys.argv[1]))) for _ in range(int(sys.argv[2]))]
for one in socks:
    one.sendall(b"GET /events HTTP/1.1\\r\\nHost: 127.0.0.1\\r\\n\\r\\n")
poll = select.epoll()
for one in socks:
    poll.register(one.fileno(), select.EPOLLIN)
by = {one.fileno(): one for one in socks}
print("ready", flush=True)
while True:
    for fd, _ in poll.poll():
        if not by[fd].recv(1 << 16):
            sys.exit()
"""


async def rate_of_listeners(listeners: int) -> float:
    """Processor time of sending this many listeners four batches a second."""
    all_of_them = Listeners(1024, 1024)

    async def serve(request: web.Request) -> web.StreamResponse:
        return await all_of_them.serve(request, "", lambda: b"")

    app = web.Application()
    app.router.add_get("/events", serve)
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    port = runner.addresses[0][1]
    readers = await asyncio.create_subprocess_exec(
        sys.executable, "-c", READERS, str(port), str(listeners), stdout=subprocess.PIPE
    )
    assert readers.stdout is not None
    await readers.stdout.readline()
    deadline_s = time.monotonic() + 20
    while all_of_them.count < listeners and time.monotonic() < deadline_s:  # noqa: ASYNC110
        await asyncio.sleep(0.01)
    event = ("universes", {f"e131/{n}": {"state": "steady", "refresh_hz": 44.0} for n in range(64)})
    started = time.thread_time()
    for _ in range(4 * MEASURED_S):
        all_of_them.publish([event])
        await asyncio.sleep(0.05)
    used = time.thread_time() - started
    readers.kill()
    await readers.wait()
    all_of_them.close()
    await runner.cleanup()
    return used / MEASURED_S


def curve(title: str, unit: str, sizes: Sequence[int], cost: Callable[[int], float]) -> Curve:
    seconds = tuple(cost(size) for size in sizes)
    made = Curve(title, unit, tuple(sizes), seconds)
    listed = ", ".join(f"{size:,}: {1000 * each:.1f}" for size, each in zip(sizes, seconds, strict=True))
    verdict = "worse than linear" if made.exponent > LINEAR else "no worse than linear"
    print(f"  {title}, ms a second at {unit}: {listed}; exponent {made.exponent:.2f}, {verdict}", flush=True)
    return made


def with_faults(universes: int) -> float:
    """4,034 universes; so many have a patch that does not use slot 1: a fault of each.

    Judging draws them together: thousands of faults of one kind are cases of one incident.
    """
    house = house_of(4034, 4034)
    moved = [replace(one, address=101) if place < universes else one for place, one in enumerate(house.fixtures)]
    cost, opened = judged(replace(house, fixtures=tuple(moved)), Show(4034))
    print(f"    {universes:,} universes with a fault: {opened:,} open incidents", flush=True)
    return cost


def measured() -> list[Curve]:
    return [
        curve("Universes", "universes", (16, 64, 256, 1024, 4034), lambda n: judged(house_of(n), Show(n))[0]),
        curve("All universes return, the first 3 s", "universes", (16, 64, 256, 1024, 4034), all_return),
        curve(
            "Sources on each of 64 universes",
            "sources",
            (1, 2, 4, 8, 16),
            lambda n: judged(house_of(64), Show(64, n))[0],
        ),
        curve("Universes at fault, of 4,034", "at fault", (0, 500, 1000, 2000, 4000), with_faults),
        curve(
            "Fixtures on 512 universes",
            "fixtures",
            (0, 2500, 5000, 10_000, 20_000),
            lambda n: judged(house_of(512, n), Show(512))[0],
        ),
        curve("Listeners of events", "listeners", (0, 25, 50, 100, 200), lambda n: asyncio.run(rate_of_listeners(n))),
        curve("Routes", "routes", (0, 64, 128, 256, 512), bridged),
    ]


def drawn(curves: Sequence[Curve]) -> str:
    """The chart: one panel for each curve, its points, and the straight line from nothing to the largest."""
    parts: list[Any] = []
    wide, high, across = 300, 200, 3
    for index, one in enumerate(curves):
        left, top = index % across * wide + 50, index // across * high + 30
        right, bottom = left + wide - 80, top + high - 80
        most = max(one.seconds) * 1000 or 1.0
        places = [
            (left + size / one.sizes[-1] * (right - left), bottom - each * 1000 / most * (bottom - top))
            for size, each in zip(one.sizes, one.seconds, strict=True)
        ]
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
        parts += [
            f'<text x="{left}" y="{top - 12}" font-weight="bold">{one.title}</text>',
            f'<path d="M{left},{top} V{bottom} H{right}" fill="none" stroke="#888"/>',
            f'<line x1="{left}" y1="{places[0][1]:.1f}" x2="{right}" y2="{places[-1][1]:.1f}" stroke="#bbb" '
            f'stroke-dasharray="4 4"/>',
            f'<polyline points="{line}" fill="none" stroke="#1664a5" stroke-width="2"/>',
            *(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="#1664a5"/>' for x, y in places),
            f'<text x="{left - 4}" y="{top + 8}" text-anchor="end">{most:.0f}</text>',
            f'<text x="{left - 4}" y="{bottom}" text-anchor="end">0</text>',
            f'<text x="{right}" y="{bottom + 16}" text-anchor="end">{one.sizes[-1]:,} {one.unit}</text>',
        ]
    height = -(-len(curves) // across) * high + 20
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide * across} {height}" '
        'font-family="sans-serif" font-size="11" fill="#222" role="img">\n'
        "<title>Processor time in milliseconds for a second of show, by size; dashed: linear</title>\n"
        f'<rect width="{wide * across}" height="{height}" fill="#fff"/>\n' + "\n".join(parts) + "\n</svg>\n"
    )


def main() -> None:
    curves = measured()
    PICTURE.write_text(drawn(curves))
    print(f"  chart: {PICTURE.relative_to(PICTURE.parents[2])}")


if __name__ == "__main__":
    main()
