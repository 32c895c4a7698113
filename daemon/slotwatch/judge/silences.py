"""Which silences say something of the show: what this vantage can see, and what this computer feeds itself."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.house.schema import Limits
from slotwatch.judge.among import is_among
from slotwatch.judge.binding import Mask
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import line_rows
from slotwatch.judge.own_routes import SENDING
from slotwatch.judge.parameters import Threshold
from slotwatch.judge.stops import SLACK_NS
from slotwatch.wire.universe import Protocol

EVERY = slice(None)
HEARD_LATELY_S = 24 * 3600.0
"""What was heard within this time is visible from this port, whatever the vantage."""
HEARD_LATELY_NS = ns_from_s(HEARD_LATELY_S)
NOT_FEEDING = frozenset({"stopped", "undecided", "loop"})
"""States of a route in which its output has ended (`bridge.output.RouteState`)."""
LOSS_TIMEOUTS = (
    Threshold(
        "loss_timeout_s",
        Limits().loss_timeout_s,
        "silence of an E1.31 universe that counts as loss, unless the house file says another",
        "ANSI E1.31-2018 6.7.1, appendix A",
    ),
    Threshold(
        "loss_timeout_artnet_s",
        Protocol.ARTNET.facts.loss_timeout_s,
        "silence of an Art-Net universe that counts as loss, unless the house file says another",
    ),
)


def counts_from_ns(ctx: RuleContext, start_ns: int) -> NDArray[np.int64]:
    """(U,) the last frame, or the later moment since when silence says something of the show.

    start_ns: time that a house is given to appear.
    """
    universes = ctx.universes
    base_ns = universes.last_arrival_ns.copy()
    for network in ctx.listener.links:
        settle_ns = ctx.listener.silence_counts_from_ns(network)
        if settle_ns:
            here = (universes.network == network) & (base_ns < settle_ns - start_ns)
            base_ns[here] = np.maximum(base_ns[here], settle_ns)
    for number, line in ctx.listener.lines.items():
        for row in line_rows(ctx, number):
            base_ns[row] = max(int(base_ns[row]), line.opened_ns)
    return base_ns


def is_target(ctx: RuleContext, mask: Mask, routes: Collection[str] | None = None) -> Mask:
    """Which of these universes are the target of a route of this computer.

    mask: (U,).  routes: the names of those that count; None: all.
    """
    found: Mask = np.zeros_like(mask)
    targets = {
        (route.target, route.to_network or 0)
        for route in ctx.house.routes
        if route.target is not None and (routes is None or route.name in routes)
    }
    for row in np.flatnonzero(mask).tolist() if targets else ():
        found[row] = (ctx.universe_id(row), int(ctx.universes.network[row])) in targets
    return found


def stopped_by_routes(ctx: RuleContext) -> Mask:
    """(U,) universes with data once that own routes feed, and now say that they do not."""
    seen, universes = ctx.listener.routes.routes, ctx.universes
    if not seen:
        return np.zeros(universes.count, np.bool_)
    silent = universes.used & (universes.live == 0) & (universes.last_arrival_ns > 0)
    stopped = is_target(ctx, silent, {route.name for route in seen if route.state in NOT_FEEDING})
    return stopped & ~is_target(ctx, stopped, {route.name for route in seen if route.state not in NOT_FEEDING})


def fed_by_routes(ctx: RuleContext, *, now: bool = True) -> Mask:
    """(U,) silent universes that own routes say they send now, or (`now` False) that they do not send."""
    seen, universes = ctx.listener.routes.routes, ctx.universes
    if not seen:
        return np.zeros(universes.count, np.bool_)
    silent = universes.used & (universes.live == 0)
    return is_target(ctx, silent, {route.name for route in seen if (route.state in SENDING) is now})


def seen_by_listener(ctx: RuleContext, mask: Mask) -> Mask:
    """Leave out universes of networks that this listener cannot hear or judge now, and lines that it cannot read."""
    if np.count_nonzero(mask):
        for network in {*ctx.listener.links, *ctx.listener.unread_ns}:
            if ctx.listener.is_blind(network, ctx.now_ns):
                mask = mask & (ctx.universes.network != network)
        unread = [
            row
            for number, line in ctx.listener.lines.items()
            for row in line_rows(ctx, number)
            if not line.was_read_at(int(ctx.universes.last_arrival_ns[row]) + SLACK_NS)
        ]
        if unread:
            mask = mask & ~is_among(np.arange(len(mask)), unread)
    return mask


def awaited_ns(ctx: RuleContext, rows: slice | list[int] | NDArray[np.intp] = EVERY) -> NDArray[np.int64]:
    """Since when each universe could be heard: since the start, or since a reload declared it."""
    since_ns: NDArray[np.int64] = np.maximum(ctx.universes.declared_ns[rows], ctx.started_ns)
    return since_ns


def say_awaited(ctx: RuleContext, row: int) -> str:
    """Say when that was, as the end of a sentence."""
    is_start = int(awaited_ns(ctx, [row])[0]) == ctx.started_ns
    return f", when {'this listener started' if is_start else 'the house file declared it'}"


def is_visible(ctx: RuleContext) -> Mask:
    """(U,) whether this vantage can see the universe, so that its absence says something."""
    universes, listen = ctx.universes, ctx.house.listen
    last_ns = np.where(universes.last_arrival_ns > 0, universes.last_arrival_ns, ctx.heard_before_ns)
    heard = ctx.now_ns - last_ns < HEARD_LATELY_NS
    mirror = listen.vantage == "mirror"
    e131 = (universes.protocol == int(Protocol.E131)) & ((universes.joined == 1) | mirror)
    artnet = (universes.protocol == int(Protocol.ARTNET)) & (listen.artnet_subscribe or mirror)
    visible: Mask = universes.used & (e131 | artnet | heard | (universes.protocol == int(Protocol.LINE)))
    return visible
