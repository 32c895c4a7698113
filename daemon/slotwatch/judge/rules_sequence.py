"""Numbers, sync and groups: what the packets say of their own order, timing and destination."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge.binding import KEYS, STREAMS, Finding, Mask, NamedBinding, finding_of, named
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.fault_onset import counted_in, window_of
from slotwatch.model.windows import DISCARDED
from slotwatch.wire.fields import OPTION_FORCE_SYNC
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
DISCARD_STEPS = 236
"""Steps of -20 to -1 (as octets): every frame falls into the discard window of E1.31 6.7.2."""

LATE_SYNC_NS = NANOSECONDS
"""So long without a sync packet is looked at closely: at rest one comes each second with its frames."""


def bindings(house: House) -> tuple[NamedBinding, ...]:
    syncs = Syncs()
    return (
        named("out-of-order", STREAMS, is_out_of_order, describe_out_of_order, began_ns=counted_in(DISCARDED, 10.0)),
        named("sequence-unusable", STREAMS, is_unusable, describe_unusable, began_ns=unusable_since_ns),
        named(
            "sync-missing",
            KEYS,
            syncs.missing,
            describe_sync,
            on_delay_s=0.0,
            timed=True,
            is_wary=syncs.is_one_late,
        ),
        named("wrong-group", STREAMS, is_wrong_group, describe_wrong_group),
    )


# --- sequence -----------------------------------------------------------------------------------------


def is_out_of_order(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    late = ctx.live & (streams.discarded_10s >= CATALOG["out-of-order"].threshold("discarded"))
    late &= streams.protocol == Protocol.E131
    return late & ~is_unusable(ctx) if late.any() else late


def describe_out_of_order(ctx: RuleContext, row: int) -> Finding:
    count = int(ctx.streams.discarded_10s[row])
    name = ctx.universe_name(ctx.universe_of(row))
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"count": str(count)},
        evidence=(f"{name}: {count} frames in 10 s lie behind the last accepted number by less than 20.",),
        weight=float(count),
    )


def is_unusable(ctx: RuleContext) -> Mask:
    """E1.31 numbers that stand still, run backwards, or step by more than one each time."""
    streams = ctx.streams
    step = streams.sequence_step
    odd: Mask = ctx.live & (streams.protocol == Protocol.E131)
    odd = odd & (streams.sequence_stuck | (step >= 2) | (streams.discarded_10s > streams.frames_10s + 20))
    for row in np.flatnonzero(odd & ~streams.sequence_stuck & (step >= 2)).tolist():
        odd[row] = _is_odd_step(ctx, row)
    return odd


def unusable_since_ns(ctx: RuleContext, row: int) -> int:
    """Ten packets ago where numbers stand still; a step is the commonest of 10 s after half of them."""
    streams = ctx.streams
    if streams.sequence_stuck[row]:
        packets = CATALOG["sequence-unusable"].threshold("packets")
        back_ns = int(packets * int(streams.median_interval_ns[row]))
        return max(ctx.now_ns - back_ns, int(streams.since_ns[row]))
    if streams.sequence_step[row] >= 2:
        return window_of(5.0)(ctx, row)
    return counted_in(DISCARDED, 10.0)(ctx, row)


def _is_odd_step(ctx: RuleContext, row: int) -> bool:
    # A step of two can also be every second frame lost: only a count of universes or more speaks for the sender.
    step = int(ctx.streams.sequence_step[row])
    return step >= 3 or step == _universes_sent(ctx, row)


def _universes_sent(ctx: RuleContext, row: int) -> int:
    return int(np.count_nonzero(ctx.live[ctx.streams_from(ctx.source_of(row))]))


def describe_unusable(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    step, sent = int(streams.sequence_step[row]), _universes_sent(ctx, row)
    name = ctx.universe_name(ctx.universe_of(row))
    if streams.sequence_stuck[row]:
        habit, cause = f"stand still at {int(streams.sequence[row])}", "stuck"
    elif step >= DISCARD_STEPS:
        habit, cause = f"run backwards by {256 - step}", "backwards"
    elif step >= 2 and step == sent:
        habit, cause = f"step by {step}, the number of universes it sends: one count shared by all", "shared"
    elif step >= 2:
        habit, cause = f"step by {step}", "stepped"
    else:
        habit, cause = "jump back so often that most frames are discarded", "erratic"
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"habit": habit},
        evidence=(f"{name}: numbers {habit}. Loss cannot be measured on it.",),
        cause=cause,
    )


# --- sync and groups ----------------------------------------------------------------------------------


class Syncs:
    """Remembers since when frames have named each sync address: a stream may begin to long after its first frame."""

    def __init__(self) -> None:
        self._named_ns: dict[int, int] = {}
        """Of network << 16 | address, those that live streams name now."""
        self._looked_ns = 0
        self._longest_ns = 0
        """The longest time for which an address is without its sync packet."""

    def is_one_late(self, ctx: RuleContext) -> bool:
        """Whether a sync packet has been waited for so long that it may be missing."""
        return self._longest_ns > LATE_SYNC_NS

    def missing(self, ctx: RuleContext) -> dict[Any, int]:
        """Sync addresses that frames name and no sync packet serves: (network, address, ever came), and since when."""
        streams = ctx.streams
        named = ctx.live & (streams.sync_address > 0) & (streams.protocol == Protocol.E131)
        before_ns, self._named_ns = self._named_ns, {}
        looked_ns, self._looked_ns = self._looked_ns, ctx.now_ns
        found: dict[Any, int] = {}
        self._longest_ns = 0
        if not named.any():
            return found
        loss_ns = int(CATALOG["sync-missing"].threshold("sync_loss_s") * NANOSECONDS)
        pairs = streams.network[named].astype(np.int64) << 16 | streams.sync_address[named]
        for pair in np.unique(pairs).tolist():
            network, address = pair >> 16, pair & 0xFFFF
            last_ns = ctx.model.occasions.last_sync_ns(network, int(Protocol.E131), address)
            first_ns = int(streams.since_ns[_waiting(ctx, network, address)].min())
            named_ns = self._named_ns[pair] = before_ns.get(pair) or max(first_ns, looked_ns)
            since_ns = max(last_ns, named_ns)
            self._longest_ns = max(self._longest_ns, ctx.now_ns - since_ns)
            if ctx.now_ns - since_ns > loss_ns:
                found[network, address, last_ns > 0] = since_ns
        return found


def _waiting(ctx: RuleContext, network: int, address: int) -> NDArray[np.intp]:
    streams = ctx.streams
    return np.flatnonzero(ctx.live & (streams.network == network) & (streams.sync_address == address))


def describe_sync(ctx: RuleContext, key: Any) -> Finding:
    network, address, came = key
    rows = _waiting(ctx, network, address)
    streams = ctx.streams
    last_ns = ctx.model.occasions.last_sync_ns(network, int(Protocol.E131), address)
    falls_back = bool(len(rows)) and bool((streams.options[rows] & OPTION_FORCE_SYNC).all())
    if not came:
        habit = "none ever came there, so receivers act at once or ignore it."
    elif falls_back:
        habit = "it stopped; force-sync lets receivers go on without it."
    else:
        habit = "it stopped, and receivers that synchronise hold their last look."
    return Finding(
        group=f"sync:{network}:{address}",
        since_ns=last_ns,
        universes=tuple(sorted(set(streams.universe[rows].tolist()))),
        streams=tuple(rows.tolist()),
        networks=(network,),
        facts={"sync": f"on address {address}", "habit": habit},
        evidence=(
            f"Last sync packet for address {address} at {ctx.time_of_day(last_ns)}."
            if came
            else f"{len(rows)} stream(s) name sync address {address}; no sync packet for it was seen.",
        ),
        lower=0 if came and not falls_back else 2,
        cause="stopped" if came else "never-came",
    )


def is_wrong_group(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    recent = (streams.last_wrong_group_ns > 0) & (ctx.now_ns - streams.last_wrong_group_ns < 2 * NANOSECONDS)
    wrong: Mask = streams.used & (streams.protocol == Protocol.E131) & (streams.destination_kind == 2) & recent
    return wrong


def describe_wrong_group(ctx: RuleContext, row: int) -> Finding:
    group = int(ctx.streams.destination_universe[row])
    name = ctx.universe_name(ctx.universe_of(row))
    to = f"239.255.{group >> 8}.{group & 255}" if group else "a group that is no universe's"
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts={"group": str(group or "none")},
        evidence=(f"{name} by its packets, sent to {to}.",),
    )
