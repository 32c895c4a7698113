"""What it costs to ask two other listeners: CPU of a core to ask and read, and in judging to take the answers.

Each answers with the streams of 64 or 512 universes, new ones with every question, once a second. Answers are served by
a process of its own, whose time does not count; what it costs to make one is measured besides, in both forms.
Run alone: `python -m benchmarks listeners`.
"""

from __future__ import annotations

import asyncio
import gzip
import multiprocessing
import socket
import time
from collections.abc import Callable

import msgspec
from aiohttp import web

from slotwatch.edge.front.elsewhere import EVERY_S, ElsewhereFetcher
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, Noted, TakeListener
from slotwatch.house.schema import House
from slotwatch.house.witnesses import DeclaredListener
from slotwatch.judge.listener import Listener
from slotwatch.views.sheet import Sheet
from slotwatch.views.streams import COMPACT, positions, streams
from slotwatch.wire.observation import StreamElsewhere
from tests.views.fabricate import snapshot

LISTENERS, SECONDS = 2, 10.0
SIZES = (64, 512)
TARGET_PERCENT = 1.0


def _streams(asked: int, universes: int) -> list[StreamElsewhere]:
    return [
        StreamElsewhere(
            f"e131/{number}", "A", "6f1c2a70-0000-4000-8000-000000000001", asked % 256, 44 * asked, 3, 12_000_000,
            "live", True, "desk", 44.0,
        )
        for number in range(1, universes + 1)
    ]  # fmt: skip


def _serve(port: int, universes: int) -> None:
    asked = 0

    async def answer(_request: web.Request) -> web.Response:
        nonlocal asked
        asked += 1
        body = msgspec.msgpack.encode(_streams(asked, universes))
        return web.Response(body=body, headers={"ETag": f"{asked}"}, content_type=COMPACT)

    app = web.Application()
    app.add_routes([web.get("/api/v1/streams", answer)])
    web.run_app(app, host="127.0.0.1", port=port, print=None)


def _made_ms(make: Callable[[], object]) -> float:
    """Give the least milliseconds of processor time that it takes to make an answer."""
    taken = []
    for _ in range(20):
        began_s = time.process_time()
        make()
        taken.append(time.process_time() - began_s)
    return 1000 * min(taken)


class Judging:
    """Takes answers as the judging process does: off the wire, into the listener's state."""

    def __init__(self) -> None:
        self.listener = Listener(0)
        self.answers = 0
        self.heard_all = asyncio.Event()
        self.cost_s = 0.0

    async def ask(self, order: FrontOrder) -> Done[FrontResult]:
        sent = msgspec.msgpack.encode(order)
        began_s = time.process_time()
        taken = msgspec.msgpack.decode(sent, type=TakeListener)
        self.listener.observe(taken.seen)
        self.cost_s += time.process_time() - began_s
        self.answers += taken.seen.reached
        if self.answers >= LISTENERS:
            self.heard_all.set()
        return Done(0, Noted())


async def _ask(ports: list[int]) -> tuple[float, float, int]:
    declared = tuple(DeclaredListener(f"place {port}", f"http://127.0.0.1:{port}") for port in ports)
    judging = Judging()
    task = asyncio.create_task(ElsewhereFetcher(House(listeners=declared), judging.ask, {}).run())
    async with asyncio.timeout(60):
        await judging.heard_all.wait()
    judging.cost_s, judging.answers, began_s = 0.0, 0, time.process_time()
    await asyncio.sleep(SECONDS)
    cost_s = time.process_time() - began_s
    task.cancel()
    await asyncio.wait({task})
    return cost_s - judging.cost_s, judging.cost_s, judging.answers


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def main() -> None:
    for universes in SIZES:
        ports = [_free_port() for _ in range(LISTENERS)]
        servers = [multiprocessing.Process(target=_serve, args=(port, universes), daemon=True) for port in ports]
        for one in servers:
            one.start()
        try:
            asking_s, taking_s, answers = asyncio.run(_ask(ports))
        finally:
            for one in servers:
                one.terminate()
                one.join()
        percent = [100 * cost_s / (answers / LISTENERS * EVERY_S) for cost_s in (asking_s, taking_s)]
        print(
            f"{LISTENERS} listeners with {universes} universes each, asked once a second: {percent[0]:.2f} % of a core "
            f"to ask, {percent[1]:.2f} % to take; the aim with five switches is {TARGET_PERCENT:g} %"
        )
        sheet = Sheet(snapshot(universes))
        compact_ms = _made_ms(lambda sheet=sheet: msgspec.msgpack.encode(positions(sheet)))  # type: ignore[misc]
        json_ms = _made_ms(lambda sheet=sheet: gzip.compress(msgspec.json.encode(streams(sheet)), 6))  # type: ignore[misc]
        print(f"  an answer of it takes {compact_ms:.1f} ms, compact; {json_ms:.1f} ms as compressed JSON")


if __name__ == "__main__":
    main()
