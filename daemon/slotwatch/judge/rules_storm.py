"""Too much of something: copies, packets that no protocol accepts, more sources than can be kept."""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge.binding import KEYS, STREAMS, Finding, Mask, RuleBinding, finding_of
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.fault_onset import counted_in
from slotwatch.model.windows import COPIES
from slotwatch.wire.names import address_text
from slotwatch.wire.reject import Reject
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
LOOP_RATIO = 0.6
"""More copies than a doubled packet makes: something goes round."""


def bindings(house: House) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding("malformed-packets", KEYS, offenders, describe_offender),
        RuleBinding("too-many-sources", KEYS, overflow, describe_overflow, began_ns=overflow_since_ns),
        RuleBinding("repeated-packets", STREAMS, is_repeated, describe_repeated, began_ns=counted_in(COPIES, 5.0)),
    )


def offenders(ctx: RuleContext) -> dict[Any, None]:
    counters = ctx.model.counters
    if not counters.offenders:
        return {}
    least = int(CATALOG["malformed-packets"].threshold("packets"))
    return {(one.network, one.address): None for one in counters.rejected_recently(ctx.now_ns, least)}


def describe_offender(ctx: RuleContext, key: Any) -> Finding:
    one = ctx.model.counters.offenders.get(key)
    address = address_text(key[1])
    count = one.recent(ctx.now_ns) if one else 0
    reason = Reject(one.last_reason).word if one else "no reason kept"
    protocol = Protocol(one.protocol).word if one else ""
    return Finding(
        group=f"address:{key[0]}:{address}",
        since_ns=one.first_ns if one else 0,
        networks=(key[0],),
        facts={"address": address, "count": str(count), "reasons": reason},
        evidence=(f"{address} on the {protocol} port: {count} packets rejected in 10 s, the last as {reason}.",),
        weight=float(count),
    )


def overflow(ctx: RuleContext) -> dict[str, None]:
    last_ns = ctx.model.streams.last_unkept_ns
    return {"all": None} if last_ns and ctx.now_ns - last_ns < 10 * NANOSECONDS else {}


def overflow_since_ns(ctx: RuleContext, key: str) -> int:
    return int(ctx.model.streams.last_unkept_ns)


def describe_overflow(ctx: RuleContext, key: str) -> Finding:
    unkept = ctx.model.streams.unkept
    universes = ctx.universes
    recent = universes.used & (universes.last_unkept_ns > 0)
    recent &= ctx.now_ns - universes.last_unkept_ns < 10 * NANOSECONDS
    count = sum(unkept.values())
    tables = ", ".join(f"{number} by the bound of {table}" for table, number in sorted(unkept.items()))
    return Finding(
        group="tables",
        since_ns=0,
        universes=tuple(np.flatnonzero(recent).tolist()[:64]),
        facts={"count": str(count), "table": tables},
        evidence=(f"Not kept so far: {tables}.",),
    )


def is_repeated(ctx: RuleContext) -> Mask:
    rule, streams = CATALOG["repeated-packets"], ctx.streams
    copies = streams.copies_5s
    repeated: Mask = streams.used & (copies >= rule.threshold("copies"))
    return repeated & (copies > rule.threshold("copies_ratio") * streams.packets_5s) if repeated.any() else repeated


def describe_repeated(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    ratio = int(streams.copies_5s[row]) / max(1, int(streams.packets_5s[row]))
    name = ctx.universe_name(ctx.universe_of(row))
    if ratio > LOOP_RATIO:
        cause, verdict = "loop", "So many copies go round in a loop."
        also = ("a device that answers every packet with copies",)
    else:
        cause, verdict = "doubled", "Each packet comes twice: a mirror of both directions, a bonded port, or a loop."
        also = ("a loop between two switches",)
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"percent": f"{100 * ratio:.0f}", "verdict": verdict},
        evidence=(f"{name}: {100 * ratio:.0f} % of its packets in 5 s are copies (same number, same octets).",),
        cause=cause,
        also_possible=also,
        weight=ratio,
    )
