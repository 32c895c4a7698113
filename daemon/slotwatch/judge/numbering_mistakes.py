"""Which universe a silent or an undeclared one may really be: the usual ways to be off in the numbering."""

from __future__ import annotations

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.context import RuleContext
from slotwatch.wire.universe import Protocol

MOVE_NS = 10_000_000_000
"""A universe that began at most this long before another ended may be the other under a new number."""
HEARD_AT_START_NS = 5_000_000_000
"""What came this soon after the start may have been sent long before: longer than Art-Net's keep-alive of 4 s."""
MOST_COMPARED = 64
DISTANCES = (1, -1, 16, -16, 256, -256)
"""Counting from 0 or 1; sub-net and net of Art-Net's address taken for one another."""


def look_alikes(ctx: RuleContext, missing: int) -> list[str]:
    """Say which undeclared universes that are heard may be the missing one, likeliest first."""
    universes = ctx.universes
    number, protocol = int(universes.number[missing]), int(universes.protocol[missing])
    heard = universes.used & (universes.declared < 0) & (universes.live > 0)
    by_distance = []
    for row in np.flatnonzero(heard).tolist():
        distance = int(universes.number[row]) - number
        if _is_alias(int(universes.protocol[row]), protocol, int(universes.number[row]), number, distance):
            by_distance.append((abs(distance), f"{_name(ctx, row)} is heard and not declared: {_way(distance)}."))
    return [sentence for _, sentence in sorted(by_distance)]


def declared_relatives(ctx: RuleContext, undeclared: int) -> list[int]:
    """Give declared universes that are silent and that an undeclared one may be meant for, likeliest first."""
    universes = ctx.universes
    number, protocol = int(universes.number[undeclared]), int(universes.protocol[undeclared])
    silent = universes.used & (universes.declared >= 0) & (universes.live == 0) & universes.expected
    found = []
    for row in np.flatnonzero(silent).tolist():
        distance = number - int(universes.number[row])
        if _is_alias(protocol, int(universes.protocol[row]), number, int(universes.number[row]), distance):
            found.append((abs(distance), row))
    return [row for _, row in sorted(found)]


def moved_to(ctx: RuleContext, lost: int) -> list[int]:
    """Give undeclared universes that a lost one's source began to send as it ended, or later."""
    universes = ctx.universes
    last_ns = int(universes.last_arrival_ns[lost])
    arrived = universes.used & (universes.declared < 0) & (universes.live > 0)
    arrived &= universes.first_frame_ns > max(last_ns - MOVE_NS, ctx.started_ns + HEARD_AT_START_NS)
    if not last_ns or not np.count_nonzero(arrived):
        return []
    names = _senders(ctx, lost)
    arrived &= universes.protocol == universes.protocol[lost]
    return [row for row in np.flatnonzero(arrived)[:MOST_COMPARED].tolist() if names & _senders(ctx, row)]


def moved_from(ctx: RuleContext, undeclared: int) -> list[int]:
    """Give declared universes that are silent since the source of an undeclared one began to send that, or before."""
    universes = ctx.universes
    silent = universes.used & (universes.declared >= 0) & universes.expected & (universes.live == 0)
    return [row for row in silent.nonzero()[0].tolist() if undeclared in moved_to(ctx, row)]


def say_where_heard(ctx: RuleContext, rows: list[int]) -> str:
    """Say under which number universes that are lost or missing are heard now; empty if under none."""
    found = {row: moved_to(ctx, row) for row in rows[:MOST_COMPARED]}
    arrived = sorted({new for several in found.values() for new in several})
    if not arrived:
        return ""
    legs = ctx.by_source(source for row in arrived for source in _live_sources(ctx, row))
    senders = wording.list_names(sorted(ctx.say_legs(of_one) for of_one in legs))
    since = ctx.time_of_day(min(int(ctx.universes.first_frame_ns[row]) for row in arrived))
    verb = "has" if len(legs) == 1 else "have"
    return f"Since {since} {senders} {verb} sent {ctx.name_universes(arrived)}, which the house file does not declare."


def _senders(ctx: RuleContext, row: int) -> set[str]:
    """Names of the sources whose frames came last on a universe."""
    streams, last_ns = ctx.streams, int(ctx.universes.last_arrival_ns[row])
    timeout_ns = int(ctx.universes.loss_timeout_ns[row])
    newest = [
        stream for stream in ctx.streams_of(row).tolist() if streams.last_arrival_ns[stream] > last_ns - timeout_ns
    ]
    return {ctx.source_name(ctx.source_of(stream)) for stream in newest}


def _live_sources(ctx: RuleContext, row: int) -> set[int]:
    return {ctx.source_of(stream) for stream in ctx.streams_of(row).tolist() if ctx.live[stream]}


def _is_alias(heard_protocol: int, protocol: int, heard: int, number: int, distance: int) -> bool:
    if heard_protocol != protocol:
        return distance in (0, 1, -1)
    if distance in DISTANCES:
        return True
    return protocol == Protocol.ARTNET and heard == number % 16


def _way(distance: int) -> str:
    if distance == 0:
        return "the same number in the other protocol"
    if abs(distance) == 1:
        return "numbered one off, as when one end counts from 0 and the other from 1"
    if abs(distance) in (16, 256):
        return f"{abs(distance)} apart, as when sub-net or net of the address is split wrong"
    return "the same last digit of the split address"


def _name(ctx: RuleContext, row: int) -> str:
    return ctx.universe_name(row)
