"""Streams that took over from others of the same sender: it was restarted, or given another address."""

from __future__ import annotations

from slotwatch.durations import ns_from_s
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import RETURNED, Reach
from slotwatch.judge.parameters import Threshold
from slotwatch.wire.universe import Protocol

IDENTITY_CHANGED = "identity-changed"
"""Cause of an absence where the source seems to be back as one that is not declared, and of that one's incident."""
ITS_RETURN = Reach(RETURNED, rules=frozenset({"identity-changed", "unexpected-source"}))
"""What such an absence explains: where the source is now is the same fault."""
BOTH_SENT_S = 5.0
COMES_BACK = (
    Threshold(
        "both_sent_s", BOTH_SENT_S, "longest time that a source and the one that it came back as may both have sent"
    ),
)
CHECKS_OF_ITS_RETURN = (
    "Look at the source's network page: address, and whether it restarted.",
    "Compare its identity and address with what the house file declares.",
)
MOST_LOOKED_AT = 64
"""Streams that are compared separately in a pass: forged ones must not cost more."""


def predecessor(ctx: RuleContext, row: int, overlap_s: float) -> int:
    """Find the stream that this one took over from, the newest of several; -1 if none.

    overlap_s: longest time that both may have sent.
    """
    others = map(int, ctx.streams_of(ctx.universe_of(row)))
    earlier = (other for other in others if _came_before(ctx, row, other, overlap_s))
    # The newest may not count as silent yet: until then it is not known whether it was this one's.
    newest = max(earlier, key=lambda other: int(ctx.streams.last_arrival_ns[other]), default=-1)
    return newest if newest >= 0 and not ctx.streams.live[newest] else -1


def took_over_by_name(ctx: RuleContext, row: int, other: int, overlap_s: float) -> bool:
    """Whether a stream of this universe began where the other one, of the same name and another identity, ended."""
    return not ctx.streams.live[other] and _came_before(ctx, row, other, overlap_s)


def _came_before(ctx: RuleContext, row: int, other: int, overlap_s: float) -> bool:
    """Whether the last frame of the other one, of the same name, came before a stream began, or soon after."""
    streams = ctx.streams
    own, earlier = ctx.sources[ctx.source_of(row)], ctx.sources[ctx.source_of(other)]
    # A stream that sent only preview data had no levels that another could continue.
    gone = 0 < streams.last_arrival_ns[other] < streams.since_ns[row] + ns_from_s(overlap_s)
    return bool(other != row and gone and own.source_name and earlier.source_name == own.source_name)


def is_back_as(ctx: RuleContext, row: int, earlier: int) -> bool:
    """Whether the source of a stream seems to be that of the earlier one, by its name or its CID.

    An invented sender takes nobody's place.
    """
    if ctx.crowd.has_any(ctx, (row, earlier)):
        return False
    return took_over_by_name(ctx, row, earlier, BOTH_SENT_S) or moved(ctx, row, earlier)


def moved(ctx: RuleContext, row: int, other: int) -> bool:
    """Whether a stream has the CID of the other one, which is silent, and comes from another address.

    One that both addresses have sent for longer, as by IPv4 and IPv6, has not moved when one of them ends.
    """
    streams = ctx.streams
    own, earlier = ctx.sources[ctx.source_of(row)], ctx.sources[ctx.source_of(other)]
    if streams.protocol[row] != Protocol.E131 or other == row or streams.live[other]:
        return False
    is_older = 0 < streams.first_frame_ns[other] <= streams.first_frame_ns[row]
    is_after = streams.last_arrival_ns[other] < streams.since_ns[row] + ns_from_s(BOTH_SENT_S)
    return bool(is_older and is_after and earlier.source_id == own.source_id)


def changes(ctx: RuleContext, row: int, other: int) -> list[str]:
    """What the source of a stream has of its own that the source of the other one had not: `under a new address`."""
    identity, address = _differ(ctx, row, other)
    new = "on another physical port" if ctx.streams.protocol[row] == Protocol.ARTNET else "with a new identity (CID)"
    return [*([new] if identity else []), *(["under a new address"] if address else [])]


def prove_changes(ctx: RuleContext, row: int, other: int) -> list[str]:
    """Give the evidence of these changes, and say how the earlier stream ended."""
    streams = ctx.streams
    own, earlier = ctx.sources[ctx.source_of(row)], ctx.sources[ctx.source_of(other)]
    identity, address = _differ(ctx, row, other)
    evidence, since = list[str](), ctx.time_of_day(int(streams.first_frame_ns[row]))
    if identity and streams.protocol[row] == Protocol.ARTNET:
        evidence.append(f"Physical port {earlier.source_id[-1]} before, {own.source_id[-1]} since {since}.")
    elif identity:
        evidence.append(f"CID {earlier.source_id.hex()} before, {own.source_id.hex()} since {since}.")
    if address:
        evidence.append(f"{earlier.address} before, {own.address} since {since}.")
    how = "cleanly" if ctx.announced[other] else "without notice"
    return [*evidence, f"The earlier one ended {how}."]


def _differ(ctx: RuleContext, row: int, other: int) -> tuple[bool, bool]:
    """Whether two streams differ in the identity of their sources, and in their addresses."""
    own, earlier = ctx.sources[ctx.source_of(row)], ctx.sources[ctx.source_of(other)]
    return earlier.source_id != own.source_id, earlier.address != own.address
