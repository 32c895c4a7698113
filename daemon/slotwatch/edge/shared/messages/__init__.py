"""Messages between this program's own processes. Each pair of processes has one module, which both import.

A message is a frozen value of typed fields. It crosses as MessagePack and is read strictly: an unknown kind, an unknown
or missing field and a field of another type are refused with the reason (`edge.shared.channel`). Times are monotonic
nanoseconds of this computer, which all its processes share.
"""

from __future__ import annotations

from typing import Generic, TypeVar

import msgspec

FORMAT = 21
"""Raised with every change of what messages hold (a test compares their fields). Another number is refused."""

OrderT = TypeVar("OrderT")
ResultT = TypeVar("ResultT")


class ProcessMessage(msgspec.Struct, frozen=True, tag=True, tag_field="kind", forbid_unknown_fields=True):
    """Base of all messages. Its class name is its kind."""


class Request(ProcessMessage, Generic[OrderT], frozen=True, tag=True):
    """An order that wants an answer with the same number."""

    number: int
    order: OrderT


class Done(ProcessMessage, Generic[ResultT], frozen=True, tag=True):
    """The order of this number was carried out."""

    number: int
    result: ResultT
    publication: int | None = None
    """Number of the newest snapshot when it was carried out: later ones show it. None: no snapshot does."""


class Refusal(ProcessMessage, frozen=True):
    """The order of this number was not carried out."""

    number: int
    reason: str
    """A sentence for the person who ordered it."""
