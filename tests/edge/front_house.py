"""A front process for tests: made-up snapshots, orders that are only noted, and the real server around them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from aiohttp.test_utils import TestClient, TestServer

from slotwatch.edge.front.events import Listeners
from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Guard
from slotwatch.edge.front.history import History
from slotwatch.edge.front.server import build_app
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.lifeline import HouseFileRead
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, Look, Noted, WatchPage
from slotwatch.house.schema import House
from slotwatch.house.service import Http
from slotwatch.snapshot import Snapshot
from tests.edge.crossing import crossed
from tests.views import fabricate

KEEP_FOR_EVER = 100_000


@dataclass
class MadeUpSnapshots:
    """Holds the snapshot it was given last."""

    snapshot: Snapshot | None = None
    sequence: int = 0

    def show(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        self.sequence += 1

    def read(self) -> Snapshot | None:
        return self.snapshot


@dataclass
class Judging:
    """Notes what it is asked; refuses with a sentence if it has one."""

    asked: list[FrontOrder] = field(default_factory=list)
    refusal: str = ""
    publication: int | None = None
    """Number of the newest snapshot when an order is carried out."""

    async def ask(self, order: FrontOrder) -> Done[FrontResult]:
        if isinstance(order, Look | WatchPage):
            return Done(0, Noted())  # no order of a person's
        self.asked.append(crossed(order))
        if self.refusal:
            raise ValueError(self.refusal)
        return Done(0, Noted(), self.publication)

    async def reload_house(self) -> Done[HouseFileRead]:
        if self.refusal:
            raise ValueError(self.refusal)
        return Done(0, HouseFileRead("Harbour Street Playhouse"), self.publication)


@dataclass
class Packets:
    place: Path

    def path(self, incident: int) -> Path | None:
        found = self.place / f"incident-{incident}.pcapng"
        return found if found.is_file() else None


@dataclass
class Running:
    client: TestClient[Any, Any]
    front: Front
    snapshots: MadeUpSnapshots
    judging: Judging
    history: History

    def show(self, snapshot: Snapshot, now_ns: int = fabricate.NOW_NS) -> None:
        self.snapshots.show(snapshot)
        self.front.look(now_ns)


@asynccontextmanager
async def running(
    place: Path,
    house: House | None = None,
    snapshot: Snapshot | None = None,
    listeners: Listeners | None = None,
    **http: Any,
) -> AsyncIterator[Running]:
    """Serve on a free loopback port; nothing pumps but `show`."""
    house = replace(house or fabricate.house(), file=str(place / "house.toml"), http=Http(**http))
    snapshots, judging = MadeUpSnapshots(), Judging()
    history = History(place / "history.db", KEEP_FOR_EVER)
    front = Front(house, snapshots, judging.ask, Guard(house), judging.reload_house)
    front.listeners = listeners or front.listeners
    front.followers.append(history)
    app = build_app(front, history, Packets(place))
    try:
        async with TestClient(TestServer(app)) as client:
            found = Running(client, front, snapshots, judging, history)
            if snapshot is not None:
                found.show(snapshot)
            yield found
    finally:
        history.close()
