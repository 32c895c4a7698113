"""Orders of the front process, carried out by judging."""

from __future__ import annotations

from collections.abc import Callable

from slotwatch import clock
from slotwatch.bridge.ask import may_ask_fixtures
from slotwatch.edge.judging.publications import Publications
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.messages import Done, Refusal, Request
from slotwatch.edge.shared.messages.orders import (
    AskFixtures,
    AskingBegun,
    AskingEnded,
    FrontOrder,
    FrontResult,
    Look,
    Noted,
    StopAsking,
    TakeListener,
    TakeSwitch,
    TakeUsual,
    WatchPage,
)
from slotwatch.edge.shared.messages.routes import EndAsking, RouteReport, StartAsking, ToRoutes
from slotwatch.edge.shared.pace import Pace
from slotwatch.edge.shared.snapshot_buffer import SnapshotWriter
from slotwatch.engine import Engine
from slotwatch.judge.orders import Restore, Resume
from slotwatch.wire.observation import Observation


class FrontOrders:
    """Carries out one order at a time."""

    def __init__(
        self,
        engine: Engine,
        pace: Pace,
        publications: Publications,
        routes: Channel[ToRoutes, RouteReport],
        observe: Callable[[Observation], None],
        snapshots: SnapshotWriter,
    ) -> None:
        self._engine, self._pace, self._publications = engine, pace, publications
        self._routes, self._observe, self._snapshots = routes, observe, snapshots

    def answer(self, request: Request[FrontOrder]) -> Done[FrontResult] | Refusal:
        """Carry out an order, and name the publication after which it shows. A ValueError's sentence is the refusal."""
        try:
            result, is_shown = self._carry_out(request.order)
        except ValueError as error:
            return Refusal(request.number, str(error))
        return Done(request.number, result, self._snapshots.sequence if is_shown else None)

    def _carry_out(self, order: FrontOrder) -> tuple[FrontResult, bool]:
        """Return the result, and whether a snapshot will show it."""
        match order:
            case WatchPage():
                self._pace.watch(clock.monotonic_ns())
                return Noted(), False
            case TakeListener() | TakeSwitch() | TakeUsual():
                self._observe(order.seen)
                return Noted(), False
            case Look():
                self._publications.is_wanted = True
                return Noted(), True
            case AskFixtures():
                house, phase = self._engine.house, self._engine.judge.phase
                may_ask_fixtures(house, phase, order.seconds, confirm=order.confirm)
                self._routes.send(StartAsking(order.seconds))
                result: FrontResult = AskingBegun()
            case StopAsking():
                self._routes.send(EndAsking())
                result = AskingEnded()
            case Resume() | Restore():
                result = self._take_up(order)
            case _:
                result = self._engine.command(order)
        self._publications.order()
        return result, True

    def _take_up(self, order: Resume | Restore) -> FrontResult:
        """Take up what the history knows. Judging continues whatever it holds: ValueError says what could not be taken
        up."""
        try:
            return self._engine.command(order)
        except Exception as error:
            raise ValueError(f"{type(order).__name__.lower()} was refused: {error!r}") from error
