"""The asking side of a channel in an asyncio process: a request out, its answer awaited."""

from __future__ import annotations

import asyncio
import itertools
import os
import sys
from collections.abc import Callable
from typing import Any

from slotwatch.edge.shared.channel import Channel, Message
from slotwatch.errors import FormatError

ANSWER_WITHIN_S = 20.0
"""Longer than a reload may take; an answer is usually there in milliseconds."""


class Asker:
    """The asking side in an asyncio process: `ask` sends a request and waits for its answer."""

    def __init__(self, channel: Channel, on_other: Callable[[Message], None] | None = None) -> None:
        self.channel = channel
        self._on_other = on_other
        self._ids = itertools.count(int.from_bytes(os.urandom(5), "little"))
        self._open: dict[int, asyncio.Future[Message]] = {}
        asyncio.get_running_loop().add_reader(channel.fileno(), self._readable)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self.channel.fileno())

    async def ask(self, name: str, arguments: dict[str, Any]) -> dict[str, Any]:
        """Order something and return what was answered. ValueError with the sentence if it was refused."""
        number = next(self._ids)
        future = self._open[number] = asyncio.get_running_loop().create_future()
        try:
            self.channel.send({"id": number, "do": name, **({"with": arguments} if arguments else {})})
            answer = await asyncio.wait_for(future, ANSWER_WITHIN_S)
        except TimeoutError:
            raise ValueError("the judging process does not answer; it is being restarted, try again") from None
        finally:
            self._open.pop(number, None)
        if "error" in answer:
            raise ValueError(str(answer["error"]))
        ok = answer.get("ok")
        return ok if isinstance(ok, dict) else {}

    def _readable(self) -> None:
        try:
            messages = self.channel.receive()
        except FormatError as error:
            # A process of another version: end, and be restarted as the version that is installed now.
            print(*error.lines, sep="\n", file=sys.stderr)
            messages, self.channel.closed = [], True
        for message in messages:
            future = self._open.get(message.get("id", -1))
            if future is not None and not future.done():
                future.set_result(message)
            elif "do" in message and self._on_other is not None:
                self._on_other(message)
        if self.channel.closed:
            asyncio.get_running_loop().remove_reader(self.channel.fileno())
            if self._on_other is not None:
                self._on_other({"do": "closed"})
