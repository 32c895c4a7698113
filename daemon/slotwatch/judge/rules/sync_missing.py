"""Frames wait for sync packets that do not come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity
from slotwatch.wire.fields import OPTION_FORCE_SYNC
from slotwatch.wire.universe import Protocol

LATE_SYNC_NS = ns_from_s(1)
"""So long without a sync packet is looked at closely: at rest one comes each second with its frames. Where no frame
came for longer after the last one, its source ended with it, and nothing waits."""
LOWER_WHERE_NOBODY_WAITS = 2
"""Critical where receivers hold their last look; a note where they continue without it."""


@dataclass(frozen=True, slots=True)
class SyncMissingParameters(RuleParameters):
    sync_loss_s: float = number(2.5, "time without a sync packet, E1.31", "ANSI E1.31-2018 11.1.2")
    artnet_sync_loss_s: float = number(
        4.0, "time without ArtSync after which nodes act at once again", "Art-Net 4, ArtSync"
    )
    artnet_syncs: int = number(10, "ArtSync packets that must have come before, to show that its sender synchronises")
    artnet_shown_s: float = number(60.0, "time for which it is shown that ArtSync ended")


@dataclass(frozen=True, slots=True)
class SyncMissingFacts(Facts):
    sync: str
    habit: str


@dataclass(frozen=True, slots=True)
class AwaitedSync:
    """What sync packets are waited for: an address of E1.31, or the sender of ArtSync."""

    network: int
    address: int
    """0: Art-Net."""
    sender: str
    """Of ArtSync: its sender."""
    came: bool
    """Whether one ever came."""


class Syncs:
    """Remembers since when frames have named each sync address: a stream may begin to long after its first frame."""

    def __init__(self, p: SyncMissingParameters) -> None:
        self._p = p
        self._named_ns: dict[int, int] = {}
        """Of network << 16 | address, those that live streams name now."""
        self._without_since_ns = 0
        """Since when an address is without its sync packet, the longest; 0: none is."""

    def is_one_late(self, ctx: RuleContext) -> bool:
        """Whether frames have waited for a sync packet long enough that it may be missing."""
        return self._without_since_ns > 0 and ctx.now_ns - self._without_since_ns > LATE_SYNC_NS

    def may_be(self, ctx: RuleContext) -> bool:
        """Whether frames name a sync packet, or did at the last look, or any came."""
        return bool(self._named_ns or ctx.model.occasions.syncs or np.count_nonzero(ctx.streams.sync_address))

    def missing(self, ctx: RuleContext) -> dict[AwaitedSync, int]:
        """Sync packets that frames wait for and that do not come, and since when."""
        self._without_since_ns = 0
        return {**self._missing_e131(ctx), **self._missing_artnet(ctx)}

    def _missing_e131(self, ctx: RuleContext) -> dict[AwaitedSync, int]:
        """Sync addresses that frames name and no sync packet serves."""
        streams = ctx.streams
        if not ctx.live_count:
            self._named_ns.clear()
            return {}
        named = ctx.live_e131 & (streams.sync_address > 0)
        before_ns, self._named_ns = self._named_ns, {}
        found: dict[AwaitedSync, int] = {}
        if not np.count_nonzero(named):
            return found
        loss_ns = ns_from_s(self._p.sync_loss_s)
        pairs = streams.network[named].astype(np.int64) << 16 | streams.sync_address[named]
        for pair in np.unique(pairs).tolist():
            network, address = pair >> 16, pair & 0xFFFF
            last_ns = ctx.model.occasions.last_sync_ns(network, int(Protocol.E131), address)
            waiting = _waiting(ctx, network, address)
            first_ns, newest_ns = int(streams.since_ns[waiting].min()), int(streams.last_arrival_ns[waiting].max())
            named_ns = self._named_ns[pair] = before_ns.get(pair) or max(first_ns, ctx.looked_ns)
            since_ns = max(last_ns, named_ns)
            self._note_without(since_ns)
            if ctx.now_ns - since_ns > loss_ns and newest_ns - since_ns > LATE_SYNC_NS:
                found[AwaitedSync(network, address, "", last_ns > 0)] = since_ns
        return found

    def _note_without(self, since_ns: int) -> None:
        self._without_since_ns = min(self._without_since_ns or since_ns, since_ns)

    def _missing_artnet(self, ctx: RuleContext) -> dict[AwaitedSync, int]:
        """Senders whose ArtSync ended while their frames continue."""
        p, found = self._p, {}
        for sync in ctx.model.occasions.syncs.values():
            if sync.protocol != Protocol.ARTNET or sync.packets < p.artnet_syncs:
                continue
            silent_ns = ctx.now_ns - sync.last_ns
            if silent_ns > ns_from_s(p.artnet_sync_loss_s + p.artnet_shown_s):
                continue
            rows = _sent_by(ctx, sync.network, sync.sender)
            if not len(rows) or int(ctx.streams.last_arrival_ns[rows].max()) <= sync.last_ns:
                continue
            self._note_without(sync.last_ns)
            if silent_ns > ns_from_s(p.artnet_sync_loss_s):
                found[AwaitedSync(sync.network, 0, sync.sender, True)] = sync.last_ns
        return found

    def describe(self, ctx: RuleContext, key: AwaitedSync) -> Finding:
        return self._describe_artnet(ctx, key) if key.sender else _describe_e131(ctx, key)

    def _describe_artnet(self, ctx: RuleContext, key: AwaitedSync) -> Finding:
        rows = _sent_by(ctx, key.network, key.sender)
        last_ns = max(
            (one.last_ns for one in ctx.model.occasions.syncs.values() if one.sender == key.sender), default=ctx.now_ns
        )
        wait_s = self._p.artnet_sync_loss_s
        return Finding(
            group=f"sync:{ctx.network_name(key.network)}:{key.sender}",
            since_ns=last_ns,
            universes=tuple(sorted(set(ctx.streams.universe[rows].tolist()))),
            streams=tuple(rows.tolist()),
            networks=(key.network,),
            facts=SyncMissingFacts(
                "by ArtSync", f"ended; {wait_s:g} s later nodes show each frame at once, universes out of step."
            ),
            evidence=(f"Last ArtSync of {key.sender} at {ctx.time_of_day(last_ns)}; its frames continue.",),
            lower=LOWER_WHERE_NOBODY_WAITS,
            cause="stopped",
            next_checks=(
                "Look at the source's screen: does it still send ArtSync?",
                "Look at the stage: do lights of different universes change out of step?",
            ),
        )


def _waiting(ctx: RuleContext, network: int, address: int) -> NDArray[np.intp]:
    streams = ctx.streams
    return np.flatnonzero(ctx.live & (streams.network == network) & (streams.sync_address == address))


def _sent_by(ctx: RuleContext, network: int, address: str) -> NDArray[np.intp]:
    """Live Art-Net streams of an address."""
    streams = ctx.streams
    rows = np.flatnonzero(ctx.live & (streams.network == network) & (streams.protocol == Protocol.ARTNET))
    return np.array([row for row in rows.tolist() if ctx.sources[ctx.source_of(row)].address == address], np.intp)


def _stopped_before_ns(ctx: RuleContext, universes: list[int]) -> int:
    """When sync packets for these universes stopped, if that was before a restart of this listener; else 0."""
    known = (ctx.before.incident(RULE.name, ctx.universe_name(row)) for row in universes)
    return next((one.began_ns for one in known if one is not None and one.cause == "stopped"), 0)


def _describe_e131(ctx: RuleContext, key: AwaitedSync) -> Finding:
    network, address, came = key.network, key.address, key.came
    rows = _waiting(ctx, network, address)
    streams = ctx.streams
    last_ns = ctx.model.occasions.last_sync_ns(network, int(Protocol.E131), address)
    if not came:
        before_ns = _stopped_before_ns(ctx, sorted(set(streams.universe[rows].tolist())))
        last_ns, came = before_ns or last_ns, before_ns != 0
    falls_back = bool(len(rows)) and bool((streams.options[rows] & OPTION_FORCE_SYNC).all())
    if not came:
        habit = "never came, so receivers act at once or ignore it."
    elif falls_back:
        habit = "stopped; force-sync lets receivers continue without it."
    else:
        habit = "stopped, and receivers that synchronise hold their last look."
    return Finding(
        group=f"sync:{ctx.network_name(network)}:{address}",
        since_ns=last_ns,
        universes=tuple(sorted(set(streams.universe[rows].tolist()))),
        streams=tuple(rows.tolist()),
        networks=(network,),
        facts=SyncMissingFacts(f"on address {address}", habit),
        evidence=(
            f"Last sync packet for address {address} at {ctx.time_of_day(last_ns)}."
            if came
            else f"{wording.count(len(rows), 'stream')} for sync address {address}; no sync packet for it was seen.",
        ),
        lower=0 if came and not falls_back else LOWER_WHERE_NOBODY_WAITS,
        cause="stopped" if came else "never-came",
    )


def bind(setup: RuleSetup, p: SyncMissingParameters) -> tuple[RuleBinding, ...]:
    syncs = Syncs(p)
    return (
        RuleBinding(KEYS, syncs.missing, syncs.describe, subject=syncs.may_be, timed=True, is_wary=syncs.is_one_late),
    )


RULE = Rule(
    name="sync-missing",
    rule_class=RuleClass.FLOW,
    severity=Severity.CRITICAL,
    short=ShortWords("{place} sync missing", "{n} syncs missing", audience=5),
    sentence="{universes}{from_sender}: sync {sync} {habit}",
    judged_by=judged_by(SyncMissingParameters(), bind),
    facts=SyncMissingFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    source="ANSI E1.31-2018 6.2.6, 11.1; Art-Net 4, ArtSync",
    faults=("F63", "F64"),
    next_checks=(
        "Look at the source's sync address; 0 means that receivers act at once.",
        "Check whether the machine that sends the sync is running.",
        "Look at the stage: are receivers holding one look while the levels here move?",
    ),
)
