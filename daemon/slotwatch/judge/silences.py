"""Which silences say something of the show: what this vantage can see, and what this computer feeds itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.house.schema import Limits
from slotwatch.judge.binding import Mask
from slotwatch.judge.context import RuleContext
from slotwatch.judge.own_routes import SENDING
from slotwatch.judge.parameters import Threshold
from slotwatch.wire.universe import Protocol

EVERY = slice(None)
HEARD_LATELY_S = 24 * 3600.0
"""What was heard within this time is visible from this port, whatever the vantage."""
HEARD_LATELY_NS = ns_from_s(HEARD_LATELY_S)
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
    return base_ns


def stopped_by_routes(ctx: RuleContext) -> Mask:
    """(U,) universes with data once that own routes feed, and now say that they do not."""
    stopped = np.zeros(ctx.universes.count, np.bool_)
    if not ctx.listener.routes.routes:
        return stopped
    feeding: dict[str, bool] = {}
    for route in ctx.listener.routes.routes:
        universe = route.target.split(" ")[0]
        feeding[universe] = feeding.get(universe, False) or route.state not in ("stopped", "undecided", "loop")
    universes = ctx.universes
    for row in np.flatnonzero(universes.used & (universes.live == 0) & (universes.last_arrival_ns > 0)).tolist():
        stopped[row] = not feeding.get(str(ctx.universe_id(row)), True)
    return stopped


def fed_by_routes(ctx: RuleContext, *, now: bool = True) -> Mask:
    """(U,) silent universes that own routes say they send now, or (`now` False) that they do not send."""
    fed = np.zeros(ctx.universes.count, np.bool_)
    if not ctx.listener.routes.routes:
        return fed
    universes = ctx.universes
    networks = {route.name: route.to_network or 0 for route in ctx.house.routes}
    sending = {
        (route.target.split(" ")[0], networks.get(route.name, 0))
        for route in ctx.listener.routes.routes
        if (route.state in SENDING) is now
    }
    if sending:
        for row in np.flatnonzero(universes.used & (universes.live == 0)).tolist():
            fed[row] = (str(ctx.universe_id(row)), int(universes.network[row])) in sending
    return fed


def seen_by_listener(ctx: RuleContext, mask: Mask) -> Mask:
    """Leave out universes of networks that this listener cannot hear or judge now."""
    if np.count_nonzero(mask):
        for network in {*ctx.listener.links, *ctx.listener.unread_ns}:
            if ctx.listener.is_blind(network, ctx.now_ns):
                mask = mask & (ctx.universes.network != network)
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
