"""The network that this listener hangs on: queriers, flooding, addresses, receivers that answer."""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.house.schema import House, Receiver
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, STREAMS, Finding, Mask, NamedBinding, named
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
SECOND_NS = NANOSECONDS
FALLBACK_PREFIX = "169.254."
"""RFC 3927."""
ANSWER_NS = 20 * NANOSECONDS
POLLED_NS = 10 * NANOSECONDS
CHANGE_SHOWN_NS = 60 * NANOSECONDS


def bindings(house: House) -> tuple[NamedBinding, ...]:
    fallback = FallbackAddresses()
    receivers = Receivers(house)
    return (
        named("querier-absent", KEYS, silent_queriers, describe_silent_querier, is_wary=is_querier_due),
        named("querier-changed", KEYS, changed_queriers, describe_changed_querier, SECOND_NS, refresh_s=None),
        named("flooded-groups", STREAMS, is_flooded, describe_flooded, SECOND_NS, refresh_s=10.0),
        named("fallback-address", KEYS, fallback.find, describe_fallback, SECOND_NS, refresh_s=None),
        named("duplicate-address", KEYS, contested_addresses, describe_contested, SECOND_NS),
        named("receiver-silent", KEYS, receivers.silent, receivers.describe, SECOND_NS, on_delay_s=0.0),
    )


# --- queriers -----------------------------------------------------------------------------------------


def silent_queriers(ctx: RuleContext) -> dict[Any, None]:
    """(network, family, ever heard) of queriers that are silent for longer than memberships last."""
    return _silent_for(ctx, int(CATALOG["querier-absent"].threshold("silence_s") * NANOSECONDS))


def is_querier_due(ctx: RuleContext) -> bool:
    """Whether a querier's time is over within the next second."""
    limit_ns = int(CATALOG["querier-absent"].threshold("silence_s") * NANOSECONDS)
    return len(_silent_for(ctx, limit_ns - SECOND_NS)) > len(_silent_for(ctx, limit_ns))


def _silent_for(ctx: RuleContext, limit_ns: int) -> dict[Any, None]:
    listener = ctx.listener
    found: dict[Any, None] = {}
    for network, known in listener.queriers.items():
        link = listener.links.get(network)
        up_ns = link.since_ns if link and link.was_down else 0
        for family in {querier.version[:3] for querier in known.values()}:
            last_ns = max(querier.last_ns for querier in known.values() if querier.version[:3] == family)
            if ctx.now_ns - max(last_ns, up_ns) > limit_ns and not listener.is_down(network):
                found[network, family, True] = None
    if not _uses_multicast(ctx.house):
        return found
    for network, watch in listener.watched.items():
        since_ns = listener.watched_since_ns.get(network, watch.t_ns)
        if watch.watched and network not in listener.queriers and ctx.now_ns - since_ns > limit_ns:
            found[network, "igmp"[:3], False] = None
    return found


def _uses_multicast(house: House) -> bool:
    return any(universe.id.protocol is Protocol.E131 for universe in house.universes)


def describe_silent_querier(ctx: RuleContext, key: Any) -> Finding:
    network, family, heard = key
    name = ctx.network_name(network)
    word = "IGMP" if family == "igm" else "MLD"
    if not heard:
        return Finding(
            group=f"network:{network}:{family}",
            since_ns=ctx.listener.watched_since_ns.get(network, 0),
            networks=(network,),
            facts={
                "network": name,
                "habit": "no multicast querier was ever heard. If a switch here snoops, groups will die about "
                "260 s after each receiver's last join; if none snoops, all is well.",
            },
            evidence=(f"{word} queries are watched on {name}, and none came in over 260 s.",),
            lower=1,
            cause="never-heard",
            confidence=Confidence.MEDIUM,
        )
    querier = max(
        (one for one in ctx.listener.queriers[network].values() if one.version[:3] == family),
        key=lambda one: one.last_ns,
    )
    silent = wording.seconds(ctx.now_ns - querier.last_ns)
    return Finding(
        group=f"network:{network}:{family}",
        since_ns=querier.last_ns,
        networks=(network,),
        facts={
            "network": name,
            "habit": f"the multicast querier {querier.address} has been silent for {silent}. Where a switch snoops, "
            "groups die about 260 s after its last query.",
        },
        evidence=(
            f"Last {word} query from {querier.address} ({querier.version}) at {ctx.time_of_day(querier.last_ns)}.",
        ),
        cause="silent",
    )


def changed_queriers(ctx: RuleContext) -> dict[Any, None]:
    return {
        (network, change[1], change[2]): None
        for network, change in ctx.listener.querier_change.items()
        if ctx.now_ns - change[0] < CHANGE_SHOWN_NS
    }


def describe_changed_querier(ctx: RuleContext, key: Any) -> Finding:
    network, before, after = key
    window_ns = int(CATALOG["querier-changed"].threshold("duel_s") * NANOSECONDS)
    known = ctx.listener.queriers.get(network, {})
    recent = [one.address for one in known.values() if ctx.now_ns - one.last_ns < window_ns]
    duels = ctx.listener.querier_changes.get(network, 0) >= 2 and len(recent) > 1
    return Finding(
        group=f"network:{network}",
        since_ns=ctx.listener.querier_change[network][0],
        networks=(network,),
        facts={
            "network": ctx.network_name(network),
            "before": before,
            "after": after,
            "duel": ", and both are heard in turn" if duels else "",
        },
        evidence=(f"Queries came from {wording.list_names(sorted({before, after, *recent}))}.",),
        cause="duel" if duels else "changed",
    )


def is_flooded(ctx: RuleContext) -> Mask:
    """E1.31 groups that arrive although this listener did not ask for them."""
    streams, listen = ctx.streams, ctx.house.listen
    asked = bool(ctx.listener.joins) or listen.join == "none"
    if not asked or listen.vantage == "mirror":
        return np.zeros(streams.count, np.bool_)
    own_group = ctx.live & (streams.protocol == Protocol.E131) & (streams.destination_kind == 1)
    flooded: Mask = own_group & (ctx.universes.joined[streams.universe] == 0)
    return flooded


def describe_flooded(ctx: RuleContext, row: int) -> Finding:
    network = int(ctx.streams.network[row])
    return Finding(
        group=f"network:{network}",
        since_ns=int(ctx.streams.first_frame_ns[row]),
        universes=(ctx.universe_of(row),),
        networks=(network,),
        facts={"network": ctx.network_name(network)},
        evidence=(f"{ctx.universe_name(ctx.universe_of(row))} arrives in its own group, and was not joined here.",),
        also_possible=("another program on this computer joined these groups",),
        confidence=Confidence.MEDIUM,
    )


# --- addresses ----------------------------------------------------------------------------------------


class FallbackAddresses:
    """Sources, neighbours and this listener itself under an address that no server gave."""

    def find(self, ctx: RuleContext) -> dict[Any, None]:
        found: dict[Any, None] = {}
        for row in ctx.sources:
            source = ctx.sources[row]
            fresh = ctx.now_ns - source.last_seen_ns < 30 * NANOSECONDS
            if fresh and source.address.startswith(FALLBACK_PREFIX):
                found[source.network, source.address, row] = None
        for network, link in ctx.listener.links.items():
            if link.seen.addresses and all(one.startswith((FALLBACK_PREFIX, "fe80:")) for one in link.seen.addresses):
                own = next((one for one in link.seen.addresses if one.startswith(FALLBACK_PREFIX)), "")
                if own:
                    found[network, own, -1] = None
        for (network, address), neighbour in ctx.listener.neighbours.items():
            fallback = neighbour.reachable and address.startswith(FALLBACK_PREFIX)
            if fallback and not any(key[:2] == (network, address) for key in found):
                found[network, address, -2] = None
        return found


def describe_fallback(ctx: RuleContext, key: Any) -> Finding:
    network, address, row = key
    if row == -1:
        who = "This listener itself"
    elif row == -2:
        who = "A device"
    else:
        who = ctx.say_source(row)
    return Finding(
        group=f"address:{network}:{address}",
        since_ns=0,
        sources=(row,) if row >= 0 else (),
        networks=(network,),
        facts={"who": who, "address": address},
        evidence=(f"{address} lies in 169.254/16, which devices give themselves.",),
    )


def contested_addresses(ctx: RuleContext) -> dict[Any, None]:
    window_ns = int(CATALOG["duplicate-address"].threshold("window_s") * NANOSECONDS)
    return {key: None for key, seen_ns in ctx.listener.contested.items() if ctx.now_ns - seen_ns < window_ns}


def describe_contested(ctx: RuleContext, key: Any) -> Finding:
    network, address = key
    macs = sorted(ctx.listener.neighbours[key].macs) if key in ctx.listener.neighbours else []
    sources = tuple(row for row in ctx.sources if ctx.sources[row].address == address)
    return Finding(
        group=f"address:{network}:{address}",
        since_ns=0,
        sources=sources,
        networks=(network,),
        facts={"address": address, "macs": wording.list_names(macs)},
        evidence=(f"{address} was claimed in turn by {wording.list_names(macs)}.",),
    )


# --- receivers ----------------------------------------------------------------------------------------


class Receivers:
    """Declared receivers that answered once, by poll replies or in the neighbour table, and no longer do."""

    def __init__(self, house: House) -> None:
        self._receivers = house.receivers
        self._by_name = {receiver.name: receiver for receiver in house.receivers}

    def silent(self, ctx: RuleContext) -> dict[str, None]:
        return {receiver.name: None for receiver in self._receivers if self._is_silent(ctx, receiver)}

    def _is_silent(self, ctx: RuleContext, receiver: Receiver) -> bool:
        answered_ns, failed_ns = self._last_answer(ctx, receiver)
        if not answered_ns or ctx.now_ns - answered_ns < ANSWER_NS:
            return False
        if failed_ns > answered_ns:
            return ctx.now_ns - failed_ns >= ANSWER_NS
        # Nobody asks, so nobody answers: silence then says nothing.
        replied_ns, asked_ns = self._replies(ctx, receiver)
        return bool(replied_ns) and ctx.now_ns - asked_ns < POLLED_NS

    def rows(self, ctx: RuleContext) -> tuple[dict[str, Any], ...]:
        """Plain values of each, in the order of the file. state: answers | silent | not-known."""
        return tuple(self._row(ctx, receiver) for receiver in self._receivers)

    def _row(self, ctx: RuleContext, receiver: Receiver) -> dict[str, Any]:
        answered_ns, _ = self._last_answer(ctx, receiver)
        is_fresh = answered_ns and ctx.now_ns - answered_ns < ANSWER_NS
        row: dict[str, Any] = {
            "name": receiver.name,
            "address": receiver.address,
            "universes": [str(universe) for universe in receiver.universes],
            "on_loss": receiver.on_loss,
            "state": "silent" if self._is_silent(ctx, receiver) else "answers" if is_fresh else "not-known",
            "last_seen_ns": answered_ns or None,
        }
        if row["state"] == "not-known":
            row["text"] = "not known: nobody asks it now" if answered_ns else "not heard yet"
        return row

    @staticmethod
    def _last_answer(ctx: RuleContext, receiver: Receiver) -> tuple[int, int]:
        answered_ns = failed_ns = 0
        for network in range(max(1, len(ctx.house.networks))):
            neighbour = ctx.listener.neighbour(network, receiver.address)
            if neighbour is not None:
                answered_ns = max(answered_ns, neighbour.answered_ns)
                failed_ns = max(failed_ns, 0 if neighbour.reachable else neighbour.failed_ns)
            answered_ns = max(answered_ns, ctx.model.occasions.node_seen_ns(network, receiver.address))
        return answered_ns, failed_ns

    @staticmethod
    def _replies(ctx: RuleContext, receiver: Receiver) -> tuple[int, int]:
        occasions = ctx.model.occasions
        networks = range(max(1, len(ctx.house.networks)))
        replied_ns = max(occasions.node_seen_ns(network, receiver.address) for network in networks)
        asked_ns = max((poller.last_ns for poller in occasions.pollers.values()), default=0)
        return replied_ns, asked_ns

    def describe(self, ctx: RuleContext, name: str) -> Finding:
        receiver = self._by_name[name]
        answered_ns, failed_ns = self._last_answer(ctx, receiver)
        universes = ctx.universes
        fed = {(int(universe.protocol), universe.number) for universe in receiver.universes}
        rows = [
            row
            for row in np.flatnonzero(universes.used & (universes.declared >= 0)).tolist()
            if (int(universes.protocol[row]), int(universes.number[row])) in fed
        ]
        how = "its entry in the neighbour table failed" if failed_ns > answered_ns else "polls go unanswered"
        return Finding(
            group=f"receiver:{name}",
            since_ns=answered_ns,
            universes=tuple(rows),
            networks=tuple({int(universes.network[row]) for row in rows}),
            facts={
                "receiver": f'"{name}"',
                "address": receiver.address,
                "since": ctx.time_of_day(answered_ns),
                "feeds": f"It feeds {ctx.name_universes(rows)}." if rows else "",
            },
            evidence=(f"Last answer at {ctx.time_of_day(answered_ns)}; {how}.",),
            confidence=Confidence.HIGH,
            also_possible=("its network lead or port, while it runs on",),
        )
