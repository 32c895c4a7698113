"""The ordering side of a channel in an asyncio process: an order out, its answer awaited."""

from __future__ import annotations

import asyncio
import itertools
import os
import sys
from collections.abc import Callable
from typing import Generic, TypeVar

from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.messages import Done, OrderT, ProcessMessage, Refusal, Request, ResultT
from slotwatch.errors import FormatError

ANSWER_WITHIN_S = 20.0
"""Longer than a reload may take; an answer is usually there in milliseconds."""

OtherT = TypeVar("OtherT", bound=ProcessMessage)


class Asker(Generic[OrderT, ResultT, OtherT]):
    """Sends orders and awaits their answers. What else the other end sends goes to `on_other`."""

    def __init__(
        self,
        channel: Channel[Request[OrderT], Done[ResultT] | Refusal | OtherT],
        on_other: Callable[[OtherT], None] | None = None,
        on_closed: Callable[[], None] | None = None,
    ) -> None:
        """on_closed: called once when the other end is gone, or of another version of the program."""
        self.channel = channel
        self._on_other, self._on_closed = on_other, on_closed
        self._ids = itertools.count(int.from_bytes(os.urandom(5), "little"))
        self._open: dict[int, asyncio.Future[Done[ResultT] | Refusal]] = {}
        asyncio.get_running_loop().add_reader(channel.fileno(), self._readable)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self.channel.fileno())

    async def ask(self, order: OrderT) -> Done[ResultT]:
        """Send an order and return its answer. ValueError with the sentence if it was refused."""
        number = next(self._ids)
        future = self._open[number] = asyncio.get_running_loop().create_future()
        try:
            self.channel.send(Request(number, order))
            async with asyncio.timeout(ANSWER_WITHIN_S):  # not wait_for, which may keep a cancel (ended_tasks.py)
                answer: Done[ResultT] | Refusal = await future
        except TimeoutError:
            raise ValueError("the judging process does not answer; it is being restarted, try again") from None
        finally:
            self._open.pop(number, None)
        if isinstance(answer, Refusal):
            raise ValueError(answer.reason)
        return answer

    def _readable(self) -> None:
        try:
            messages = self.channel.receive()
        except FormatError as error:
            # A process of another version: end, and be restarted as the version that is installed now.
            print(*error.lines, sep="\n", file=sys.stderr)
            messages, self.channel.closed = [], True
        for message in messages:
            if isinstance(message, Done | Refusal):
                future = self._open.get(message.number)
                if future is not None and not future.done():
                    future.set_result(message)
            elif self._on_other is not None:
                self._on_other(message)
        if self.channel.closed:
            asyncio.get_running_loop().remove_reader(self.channel.fileno())
            if self._on_closed is not None:
                self._on_closed()
