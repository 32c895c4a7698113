"""The frames that routes have the edge send: levels, priorities of slots, and the end of a stream."""

from __future__ import annotations

from collections import deque
from enum import IntEnum
from typing import NamedTuple

from slotwatch.bridge.output import Output

CLAIMS_KEEP_ALIVE_NS = 900_000_000
"""Longest time between two packets of start code 0xDD: as the keep-alive of levels."""
TERMINATED_PACKETS = 3
"""ANSI E1.31-2018 6.2.6."""


class What(IntEnum):
    """What an outgoing frame carries."""

    LEVELS = 0
    SLOT_PRIORITY = 1
    TERMINATED = 2


# Reading a member through its class costs a microsecond in Python 3.11, and these are read for every frame.
_LEVELS, _SLOT_PRIORITY, _TERMINATED = What


class Outgoing(NamedTuple):
    """One frame for the edge to send now."""

    output: int
    """Index into `Bridge.outputs`."""
    what: What
    values: bytes
    """512 levels or priorities."""
    priority: int


class OutgoingFrames:
    """Frames that wait for the edge, in the order they are to be sent."""

    def __init__(self) -> None:
        self._waiting: deque[Outgoing] = deque()

    def take(self) -> list[Outgoing]:
        frames = list(self._waiting)
        self._waiting.clear()
        return frames

    def put(self, index: int, output: Output, now_ns: int) -> None:
        """Have an output's levels sent, and its priorities of slots where they are due."""
        if output.sends_slot_priority and output.target.serial is None:
            self._put_claims(index, output, now_ns)
        self._waiting.append(Outgoing(index, _LEVELS, output.levels, output.priority))
        output.pacer.sent(now_ns)
        output.speaking = True
        output.frames += 1
        for lane in output.active:
            lane.sent_frames += 1
        for lane in output.lanes:
            if lane.arrived_ns:
                lane.latency.add(now_ns - lane.arrived_ns)
                lane.arrived_ns = 0

    def _put_claims(self, index: int, output: Output, now_ns: int) -> None:
        fresh = output.claims != output.claims_sent or now_ns - output.claims_ns >= CLAIMS_KEEP_ALIVE_NS
        if fresh:
            # Never the input's own priorities: the bridge must not win over the desk on any slot that both send.
            own = max(output.priority, 1)
            values = bytes(own if claim else 0 for claim in output.claims)
            self._waiting.append(Outgoing(index, _SLOT_PRIORITY, values, output.priority))
            output.claims_sent, output.claims_ns = output.claims, now_ns

    def put_end(self, index: int, output: Output) -> None:
        """End an output's stream, with three packets if it speaks (E1.31 6.2.6)."""
        if output.speaking:
            for _ in range(TERMINATED_PACKETS):
                self._waiting.append(Outgoing(index, _TERMINATED, output.levels, output.priority))
        output.ending, output.speaking = 0, False
        output.pacer.stop()
