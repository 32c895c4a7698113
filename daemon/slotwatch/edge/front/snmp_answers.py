"""What comes in at the socket to an agent: only answers that were asked for reach the library, each once.

The library decodes whatever arrives, from any address, at a millisecond for each value. So a stranger that sends to
the port would hold the whole process, and so would an agent whose answers are long.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import partial
from typing import Protocol

from slotwatch.wire.snmp import message_number

LONGEST_BYTES = 16_384
"""An answer of as many values as are asked for at once, each with a text of 255 letters, is shorter."""
MOST_ASKED = 4
"""Requests whose answer may still come: one, its repetition, and what version 3 asks before."""


class LibrarySocket(Protocol):
    """The library's own socket: it calls `datagram_received`, and is sent by with `send_message`."""

    send_message: Callable[[bytes, object], None]
    datagram_received: Callable[[bytes, object], None]


class AgentAnswers:
    """Stands before the library's socket, in both directions."""

    def __init__(self, socket: LibrarySocket, decode: Callable[[Callable[[], None]], None]) -> None:
        """decode: has an answer handed to the library when its turn has come."""
        self._send, self._take = socket.send_message, socket.datagram_received
        self._decode = decode
        self._is_open = True
        self._asked: deque[int | None] = deque(maxlen=MOST_ASKED)
        self.is_answered = False
        """Whether an answer came to what was sent last, understood or not. Version 3 asks twice: an answer to its first
        question says nothing of the second."""
        self.too_long = 0
        socket.send_message, socket.datagram_received = self._note_asked, self._let_in

    def _note_asked(self, message: bytes, address: object) -> None:
        self._asked.append(message_number(message))
        self.is_answered = False
        self._send(message, address)

    def _let_in(self, datagram: bytes, address: object) -> None:
        number = message_number(datagram)
        if number is None or number not in self._asked:
            return
        self.is_answered |= number == self._asked[-1]
        self._asked.remove(number)
        if len(datagram) > LONGEST_BYTES:
            self.too_long += 1
            return
        self._decode(partial(self._hand_over, datagram, address))

    def close(self) -> None:
        """Hand over no more: the library's socket is being closed."""
        self._is_open = False

    def _hand_over(self, datagram: bytes, address: object) -> None:
        if self._is_open:
            self._take(datagram, address)
