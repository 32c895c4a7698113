"""Universes and sources that stopped, or never came."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, UNIVERSES, Finding, Mask, NamedBinding, named
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import elsewhere
from slotwatch.judge.lists import say_lists
from slotwatch.judge.numbering_mistakes import look_alikes
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
START_NS = 10 * NANOSECONDS
FORGOTTEN_NS = 600 * NANOSECONDS
"""An undeclared universe that ended is no open question for longer than this."""
LIVED_NS = 2 * NANOSECONDS
"""A few stray packets on an undeclared universe are no universe that could be lost."""
HEARD_LATELY_NS = 24 * 3600 * NANOSECONDS
LOUD_PHASES = ("pre-show", "show")


def bindings(house: House) -> tuple[NamedBinding, ...]:
    roster = Roster(house)
    return (
        named("universe-lost", UNIVERSES, is_lost, describe_lost, TICK_NS, refresh_s=None),
        named(
            "universe-missing",
            UNIVERSES,
            is_missing,
            describe_missing,
            on_delay_s=0.0,
            refresh_s=5.0,
            is_wary=lambda ctx: abs(ctx.now_ns - ctx.started_ns - START_NS) < NANOSECONDS,
        ),
        named("source-absent", KEYS, roster.absent_mains, describe_absent_main, TICK_NS, refresh_s=None),
        named("backup-absent", KEYS, roster.absent_backups, describe_absent_backup, TICK_NS, refresh_s=None),
    )


# --- universes ----------------------------------------------------------------------------------------


def counts_from_ns(ctx: RuleContext) -> NDArray[np.int64]:
    """(U,) the last frame, or the later moment since when silence says something of the show."""
    universes = ctx.universes
    base_ns = universes.last_arrival_ns.copy()
    for network in ctx.listener.links:
        settle_ns = ctx.listener.silence_counts_from_ns(network)
        if settle_ns:
            here = (universes.network == network) & (base_ns < settle_ns - START_NS)
            base_ns[here] = np.maximum(base_ns[here], settle_ns)
    return base_ns


def is_lost(ctx: RuleContext) -> Mask:
    """A universe that had data is silent for its loss timeout, or all of its streams were terminated."""
    universes = ctx.universes
    had = universes.used & (universes.last_arrival_ns > 0)
    silent_ns = ctx.now_ns - counts_from_ns(ctx)
    lost = had & (silent_ns > universes.loss_timeout_ns)
    ended = had & ~lost & (universes.live == 0)
    if ended.any():
        lost |= ended & ctx.ended_by_word
    lived_ns = universes.last_arrival_ns - universes.first_frame_ns
    lost &= (universes.declared >= 0) | ((silent_ns < FORGOTTEN_NS) & (lived_ns >= LIVED_NS))
    return _without_own(ctx, _without_blind(ctx, lost))


def _without_own(ctx: RuleContext, mask: Mask) -> Mask:
    """Leave out what this computer's own routes have stopped feeding, as declared: their input is the loss."""
    return mask & ~stopped_by_routes(ctx) if mask.any() else mask


def stopped_by_routes(ctx: RuleContext) -> Mask:
    """(U,) universes with data once that own routes feed, and now say that they do not."""
    stopped = np.zeros(ctx.universes.count, np.bool_)
    if ctx.listener.routes is None:
        return stopped
    feeding: dict[str, bool] = {}
    for _, state, target, _ in ctx.listener.routes.routes:
        universe = target.split(" ")[0]
        feeding[universe] = feeding.get(universe, False) or state not in ("stopped", "undecided", "loop")
    universes = ctx.universes
    for row in np.flatnonzero(universes.used & (universes.live == 0) & (universes.last_arrival_ns > 0)).tolist():
        stopped[row] = not feeding.get(str(ctx.universe_id(row)), True)
    return stopped


SENDING = frozenset({"running", "holding", "zero"})
"""States of an own route in which it sends (`bridge.output.RouteState`)."""


def fed_by_routes(ctx: RuleContext, *, now: bool = True) -> Mask:
    """(U,) universes that nobody is heard on, and that own routes say they send now, or (`now` False) do not."""
    fed = np.zeros(ctx.universes.count, np.bool_)
    if ctx.listener.routes is None:
        return fed
    universes = ctx.universes
    networks = {route.name: route.to_network or 0 for route in ctx.house.routes}
    sending = {
        (target.split(" ")[0], networks.get(name, 0))
        for name, state, target, _ in ctx.listener.routes.routes
        if (state in SENDING) is now
    }
    if sending:
        for row in np.flatnonzero(universes.used & (universes.live == 0)).tolist():
            fed[row] = (str(ctx.universe_id(row)), int(universes.network[row])) in sending
    return fed


def _without_blind(ctx: RuleContext, mask: Mask) -> Mask:
    if mask.any():
        for network in {*ctx.listener.links, *ctx.listener.unread_ns}:
            if ctx.listener.is_blind(network, ctx.now_ns):
                mask = mask & (ctx.universes.network != network)
    return mask


def describe_lost(ctx: RuleContext, row: int) -> Finding:
    rows = ctx.streams_of(row)
    last_ns = ctx.streams.last_arrival_ns[rows]
    newest_ns = int(last_ns.max()) if len(rows) else 0
    # Those that had gone long before were not what kept it alive.
    kept = rows[(last_ns > 0) & (last_ns >= newest_ns - int(ctx.universes.loss_timeout_ns[row]))]
    stopped_on_purpose = bool(ctx.ended_by_word[row])
    declared = ctx.declared_universe(row)
    return Finding(
        group="",
        since_ns=newest_ns,
        universes=(row,),
        streams=tuple(kept.tolist()),
        networks=(int(ctx.universes.network[row]),),
        lower=int(declared is None or not declared.expected) + int(stopped_on_purpose),
        # A desk that closes may be back in a moment: until silence itself would count, it is only noted.
        quiet_until_ns=newest_ns + int(ctx.universes.loss_timeout_ns[row]) if stopped_on_purpose else 0,
        weight=float(ctx.now_ns - newest_ns),
    )


def is_visible(ctx: RuleContext) -> Mask:
    """(U,) whether this vantage can see the universe, so that its absence says something."""
    universes, listen = ctx.universes, ctx.house.listen
    heard = (universes.last_arrival_ns > 0) & (ctx.now_ns - universes.last_arrival_ns < HEARD_LATELY_NS)
    mirror = listen.vantage == "mirror"
    e131 = (universes.protocol == Protocol.E131) & ((universes.joined == 1) | mirror)
    artnet = (universes.protocol == Protocol.ARTNET) & (listen.artnet_subscribe or mirror)
    visible: Mask = universes.used & (e131 | artnet | heard | (universes.protocol == Protocol.LINE))
    return visible


def is_missing(ctx: RuleContext) -> Mask:
    """Declared, expected, visible, and no frame 10 s after the start or after it began to matter."""
    universes = ctx.universes
    wanted: Mask = universes.used & (universes.declared >= 0) & universes.expected & (universes.live == 0)
    if not wanted.any():
        return wanted
    since_ns = np.full(universes.count, ctx.started_ns, np.int64)
    for network in ctx.listener.links:
        here = universes.network == network
        since_ns[here] = np.maximum(since_ns[here], ctx.listener.silence_counts_from_ns(network))
    missing = wanted & (universes.last_arrival_ns == 0) & (ctx.now_ns - since_ns >= START_NS)
    if ctx.phase in LOUD_PHASES and ctx.now_ns - ctx.phase_since_ns >= START_NS:
        # Closed in a quieter phase, as it may be, and not back where it is needed.
        missing |= wanted & ctx.ended_by_word & (universes.last_arrival_ns < ctx.phase_since_ns)
    return _without_blind(ctx, missing & is_visible(ctx))


def describe_missing(ctx: RuleContext, row: int) -> Finding:
    declared = ctx.declared_universe(row)
    sources = declared.sources if declared else ()
    last_ns = int(ctx.universes.last_arrival_ns[row])
    strays = elsewhere(ctx, row)
    alike = [] if strays else look_alikes(ctx, row)
    looks_like = f" {alike[0]}" if alike else ""
    evidence = [f"{ctx.universe_name(row)}: no frame since {ctx.time_of_day(last_ns or ctx.started_ns)}."]
    preview_ns = int(ctx.universes.last_preview_ns[row])
    if preview_ns:
        evidence.append("Only preview data came on it, which no receiver shows.")
    heard = ctx.whole_sources(s for s in ctx.sources if ctx.sources[s].declared_as in sources)
    also = []
    if strays:
        senders = {ctx.source_of(one) for stray in strays for one in ctx.streams_of(stray).tolist() if ctx.live[one]}
        arrives = wording.list_names(ctx.network_name(int(ctx.universes.network[stray])) for stray in strays)
        said = wording.list_names(ctx.say_sources(senders))
        looks_like = f" It arrives on {arrives} instead, from {said}."
        evidence.append(f"{said} sends it on {arrives}, where it is not declared: a lead or VLAN in the wrong network.")
    if sources and not heard:
        also.append("its source is off: nothing of it is heard at all")
    by_lists = say_lists(ctx, row, () if strays else heard)
    evidence += by_lists.evidence
    also += by_lists.also_possible
    looks_like += "" if alike else by_lists.hint
    return Finding(
        group="missing:" + ",".join(sources) + (" elsewhere" if strays or by_lists.is_elsewhere else ""),
        since_ns=last_ns or ctx.started_ns,
        universes=(row,),
        source_names=sources,
        networks=(int(ctx.universes.network[row]),),
        facts={"looks_like": looks_like},
        evidence=(*evidence, *alike),
        cause="wrong-network" if strays or by_lists.is_elsewhere else "",
        also_possible=(*also, "it is sent unicast to its receivers only, and cannot be seen from here"),
    )


# --- sources ------------------------------------------------------------------------------------------


class Roster:
    """Who should send what: the declared sources of each declared universe, and which of them never came."""

    def __init__(self, house: House) -> None:
        self._index = {source.name: index for index, source in enumerate(house.sources)}
        self._roles = np.array([source.role == "backup" for source in house.sources], np.bool_)
        self._silent = np.array([source.standby == "silent" for source in house.sources], np.bool_)
        self._never: dict[tuple[int, int], str] = {}
        for number, universe in enumerate(house.universes):
            for name in universe.sources:
                index = self._index.get(name)
                if index is None or not universe.expected:
                    continue
                if house.sources[index].role == "backup" and house.sources[index].standby == "silent":
                    continue
                self._never[number, index] = name
        self._checked_ns = 0

    def absent_mains(self, ctx: RuleContext) -> dict[Any, None]:
        """Declared main sources that are silent on a universe that another keeps alive."""
        return self._absent(ctx, backups=False)

    def absent_backups(self, ctx: RuleContext) -> dict[Any, None]:
        """Backups that were heard and fell silent, or should be sending and never came."""
        return self._absent(ctx, backups=True)

    def _absent(self, ctx: RuleContext, *, backups: bool) -> dict[Any, None]:
        if not len(self._roles):
            return {}
        self._strike_out(ctx)
        found: dict[Any, None] = dict.fromkeys(self._fell_silent(ctx, backups))
        if self._never and ctx.now_ns - ctx.started_ns >= START_NS:
            found.update(dict.fromkeys(self._never_came(ctx, backups)))
        return found

    def _fell_silent(self, ctx: RuleContext, backups: bool) -> Iterable[Any]:
        streams, universes = ctx.streams, ctx.universes
        if not streams.count:
            return
        role = ctx.stream_sources_declared
        wanted = streams.used & (role >= 0) & (streams.last_arrival_ns > 0)
        silent_ns = ctx.now_ns - streams.last_arrival_ns
        gone = wanted & (silent_ns > universes.loss_timeout_ns[streams.universe])
        gone |= wanted & (streams.last_terminated_ns >= streams.last_arrival_ns) & (streams.lost_ns > 0)
        if not gone.any():
            return
        gone &= self._roles[role] == backups
        if backups:
            gone &= ~self._silent[role]
        gone &= (universes.live[streams.universe] > 0) & (universes.declared[streams.universe] >= 0)
        for row in np.flatnonzero(gone).tolist():
            if self._may_be_said(ctx, row):
                yield ("stream", row, int(streams.generation[row]))

    def _may_be_said(self, ctx: RuleContext, row: int) -> bool:
        streams = ctx.streams
        universe, network = int(streams.universe[row]), int(streams.network[row])
        declared = ctx.declared_universe(universe)
        name = ctx.sources[int(streams.source[row])].declared_as
        if declared is None or (declared.sources and name not in declared.sources):
            return False
        if ctx.listener.is_blind(network, ctx.now_ns):
            return False
        settle_ns = ctx.listener.silence_counts_from_ns(network)
        if streams.last_arrival_ns[row] < settle_ns - START_NS and ctx.now_ns < settle_ns:
            return False
        # The same source under a new address or identity has not gone.
        return not any(
            ctx.sources[ctx.source_of(other)].declared_as == name
            for other in ctx.streams_of(universe).tolist()
            if other != row and streams.last_arrival_ns[other] > streams.last_arrival_ns[row]
        )

    def _never_came(self, ctx: RuleContext, backups: bool) -> Iterable[Any]:
        universes = ctx.universes
        alive = {
            int(universes.declared[row]): row
            for row in np.flatnonzero(universes.used & (universes.declared >= 0) & (universes.live > 0)).tolist()
        }
        for (number, index), name in self._never.items():
            if bool(self._roles[index]) == backups and number in alive:
                row = alive[number]
                network = int(universes.network[row])
                counts_ns = ctx.listener.silence_counts_from_ns(network)
                due = not ctx.listener.is_blind(network, ctx.now_ns) and ctx.now_ns - counts_ns >= START_NS
                if due and (backups or self._only_backups(ctx, row)):
                    yield ("never", row, name)

    @staticmethod
    def _only_backups(ctx: RuleContext, row: int) -> bool:
        """Whether backups alone keep a universe alive. Of several mains one may well be silent all night."""
        senders = [ctx.declared_source(ctx.source_of(one)) for one in ctx.streams_of(row) if ctx.live[one]]
        return all(sender is not None and sender.role == "backup" for sender in senders)

    def _strike_out(self, ctx: RuleContext) -> None:
        """Forget those that came. Costs nothing once all did."""
        if not self._never or ctx.now_ns - self._checked_ns < 2 * TICK_NS:
            return
        self._checked_ns = ctx.now_ns
        streams = ctx.streams
        heard = streams.used & (streams.last_arrival_ns > 0)
        pairs = ctx.stream_declared[heard].astype(np.int64) << 20 | ctx.stream_sources_declared[heard]
        for pair in np.unique(pairs[pairs >= 0]).tolist():
            self._never.pop((pair >> 20, pair & 0xFFFFF), None)


def describe_absent_main(ctx: RuleContext, key: Any) -> Finding:
    finding = _describe_absent(ctx, key)
    keepers = [
        ctx.say_source(ctx.source_of(row)) for row in ctx.streams_of(finding.universes[0]).tolist() if ctx.live[row]
    ]
    kept_by = f"{keepers[0]} keeps it alive" if keepers else "another source keeps it alive"
    finding.facts = {"kept_by": kept_by}
    return finding


def describe_absent_backup(ctx: RuleContext, key: Any) -> Finding:
    finding = _describe_absent(ctx, key)
    since = ctx.time_of_day(finding.since_ns)
    finding.facts = {"absence": "never came" if key[0] == "never" else f"has been silent since {since}"}
    return finding


def _describe_absent(ctx: RuleContext, key: Any) -> Finding:
    if key[0] == "never":
        _, universe, name = key
        return Finding(
            group="never:" + name,
            since_ns=ctx.started_ns,
            universes=(universe,),
            source_names=(name,),
            networks=(int(ctx.universes.network[universe]),),
        )
    stream = key[1]
    streams = ctx.streams
    terminated = bool(streams.last_terminated_ns[stream] >= streams.last_arrival_ns[stream])
    return Finding(
        group="",
        since_ns=int(streams.last_arrival_ns[stream]),
        universes=(ctx.universe_of(stream),),
        streams=(stream,),
        networks=(int(streams.network[stream]),),
        lower=int(terminated),
    )
