"""One CID from two addresses of one network and family, with numbers or levels that disagree."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import SOURCE, Effect, Explains, Reach
from slotwatch.judge.homes import GONE_E131_NS
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.sequence_unusable import HABITS
from slotwatch.judge.takeovers import SEVERAL
from slotwatch.model.columns import MAX_ADDRESSES
from slotwatch.model.sequence import SEQUENCES
from slotwatch.snapshot import Severity

MOST_ADDRESSES = 32
"""Addresses of one identity that are compared, each with each: the declared ones, and the newest."""
Sources = tuple[int, ...]
"""Rows of the source table that share an identity."""


@dataclass(frozen=True, slots=True)
class DuplicateIdentityParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time that both send before the incident opens")
    overlap_s: float = number(5.0, "time over which frames of both came")
    disagreement: int = number(
        3,
        "difference between their sequence numbers that an echo cannot have; unequal levels under one number count too",
    )
    forget_s: float = number(2.0, "time without a disagreement after which it is forgotten")
    apart_s: float = number(1.0, "time between two packets of one number within which their levels are compared")
    just_met_s: float = number(0.3, "time after both began to send within which a disagreement counts from that start")


@dataclass(frozen=True, slots=True)
class DuplicateIdentityFacts(Facts):
    machines: str
    addresses: str
    send: str
    cid: str


def is_any_at_several(ctx: RuleContext) -> bool:
    """Whether any identity is known at several addresses of one network."""
    return bool(ctx.model.sources.shared)


class Clones:
    """Sources that share an identity. Two series that drift through one another seem to agree for a moment."""

    def __init__(self, p: DuplicateIdentityParameters) -> None:
        self._p = p
        self._forget_ns = ns_from_s(p.forget_s)
        self._apart_ns = ns_from_s(p.apart_s)
        self._disagreed: dict[tuple[int, int], tuple[int, int]] = {}
        """Of two source rows: since when they disagree, and when that was last seen."""

    def find(self, ctx: RuleContext) -> dict[Sources, int]:
        """Source rows that share an identity, and since when both of them have sent."""
        if not is_any_at_several(ctx):
            self._disagreed.clear()
            return {}
        shared = [rows for rows in ctx.model.sources.addresses.values() if len(rows) > 1]
        found: dict[Sources, int] = {}
        for rows in shared:
            clones = self._live_clones(ctx, _declared_first(ctx, rows))
            if clones:
                sends = {row for pair in clones for row in pair}
                found[tuple(_declared_first(ctx, sorted(sends)))] = min(clones.values())
        self._disagreed = {
            pair: known for pair, known in self._disagreed.items() if ctx.now_ns - known[1] < self._forget_ns
        }
        return found

    def is_one_suspected(self, ctx: RuleContext) -> bool:
        """Whether the numbers of two that share an identity have disagreed just now."""
        return bool(self._disagreed)

    def _live_clones(self, ctx: RuleContext, rows: list[int]) -> dict[tuple[int, int], int]:
        sends: dict[int, dict[int, int]] = {}
        """Of each that sends, the live stream of each universe. Of a flood's addresses hardly one still does."""
        for source in rows:
            live = {ctx.universe_of(row): row for row in ctx.streams_from(source).tolist() if ctx.live[row]}
            if live:
                sends[source] = live
        clones: dict[tuple[int, int], int] = {}
        for first, second in combinations(sends, 2):
            ours, theirs = sends[first], sends[second]
            pairs = [(ours[universe], theirs[universe]) for universe in sorted(ours.keys() & theirs.keys())]
            since_ns = self._overlap_since_ns(ctx, (first, second), pairs) if pairs else 0
            if since_ns:
                clones[first, second] = since_ns
        return clones

    def _overlap_since_ns(self, ctx: RuleContext, clones: tuple[int, int], pairs: list[tuple[int, int]]) -> int:
        """Since when both really send and their numbers disagree, if that is long enough; else 0."""
        if not _family(ctx, *clones):
            return 0
        streams = ctx.streams
        both_ns = min(int(streams.since_ns[list(pair)].max()) for pair in pairs)
        self._note(ctx, clones, pairs, both_ns)
        since_ns, seen_ns = self._disagreed.get(clones, (0, -self._forget_ns))
        if ctx.now_ns - seen_ns >= self._forget_ns:
            return 0
        # One that has fallen silent is live until its timeout; what counts is that frames came from both.
        together_ns = max(int(streams.last_arrival_ns[list(pair)].min()) for pair in pairs)
        since_ns = max(since_ns, both_ns)
        return since_ns if together_ns - since_ns >= ns_from_s(self._p.overlap_s) else 0

    def _note(self, ctx: RuleContext, clones: tuple[int, int], pairs: list[tuple[int, int]], both_ns: int) -> None:
        sequence = ctx.streams.sequence
        for ours, theirs in pairs:
            distance = int(sequence[ours]) - int(sequence[theirs])
            is_far = abs((distance + SEQUENCES // 2) % SEQUENCES - SEQUENCES // 2) >= self._p.disagreement
            if is_far or self._differ(ctx, ours, theirs):
                just_met = ctx.now_ns - both_ns < ns_from_s(self._p.just_met_s)
                since_ns, _ = self._disagreed.get(clones, (both_ns if just_met else ctx.now_ns, 0))
                self._disagreed[clones] = since_ns, ctx.now_ns
                return

    def _differ(self, ctx: RuleContext, ours: int, theirs: int) -> bool:
        """Whether the newest packets of two streams have one number and other levels: an echo has the same."""
        streams, both = ctx.streams, [ours, theirs]
        if streams.sequence[ours] != streams.sequence[theirs]:
            return False
        last_ns = streams.last_frame_ns[both]
        # Packets of other start codes are numbered in the same series (ANSI E1.31-2018 6.2.5).
        if (last_ns != streams.last_packet_ns[both]).any() or abs(int(last_ns[0] - last_ns[1])) > self._apart_ns:
            return False
        return not np.array_equal(streams.levels[ours], streams.levels[theirs])


def _declared_first(ctx: RuleContext, rows: list[int]) -> list[int]:
    """Give the declared ones of some sources, and then the newest others."""
    declared = [row for row in rows if ctx.declared_source(row) is not None]
    return [*declared, *[row for row in rows if row not in declared][-MOST_ADDRESSES:]]


def _family(ctx: RuleContext, first: int, second: int) -> bool:
    """Whether both addresses are of one family."""
    return (":" in ctx.sources[first].address) == (":" in ctx.sources[second].address)


def describe_clones(ctx: RuleContext, key: Sources) -> Finding:
    rows = [int(row) for source in key for row in ctx.streams_from(source) if ctx.live[row]]
    universes = [ctx.universe_of(row) for row in rows]
    common = sorted({universe for universe in universes if universes.count(universe) > 1})
    sources = [ctx.sources[source] for source in key]
    known = ctx.model.sources.addresses[sources[0].network, sources[0].protocol, sources[0].source_id]
    is_flood = len(known) >= MAX_ADDRESSES
    two = len(key) == 2 and not is_flood
    own = [row for row in known if ctx.declared_source(row) is not None and ctx.live[ctx.streams_from(row)].any()]
    named = dict.fromkeys([*own, *key, *known]) if is_flood else key
    addresses = wording.list_names(ctx.sources[row].address for row in named)
    cid = sources[0].source_id.hex()
    evidence = [f'{source.address}: named "{source.source_name}", CID {cid}.' for source in sources]
    # The incident gathers the cases of many pairs: none of them knows how many machines there are.
    evidence.append(
        "Their sequence numbers disagree, or their levels under one number, so this is not one sender that comes by "
        "several paths."
    )
    if not any(sources[0].source_id):
        evidence.append("The CID is all zero: a sender that was never given one.")
    return Finding(
        group=f"cid:{cid}",
        since_ns=0,
        universes=tuple(common),
        streams=tuple(row for row in rows if ctx.universe_of(row) in common),
        networks=tuple({source.network for source in sources}),
        facts=DuplicateIdentityFacts(
            f"at least {MAX_ADDRESSES} addresses" if is_flood else "two machines" if two else f"{len(key)} addresses",
            addresses,
            "both send" if two else "send",
            f"{cid[:8]}…",
        ),
        evidence=tuple(evidence),
        controlled_by=SEVERAL,
        also_possible=(
            *(("one machine that invents addresses",) if not two else ()),
            "a copied virtual machine or show computer",
            "a sender with a fixed identity",
        ),
    )


def ended_ns(ctx: RuleContext, key: Sources) -> int:
    """When the one that fell silent sent last, though it is live until its loss timeout; 0 while both send."""
    streams = ctx.streams
    newest_ns = [int(streams.last_arrival_ns[ctx.streams_from(source)].max(initial=0)) for source in key]
    both_ns = sorted(newest_ns)[-2]
    return both_ns if ctx.now_ns - both_ns > GONE_E131_NS else 0


def bind(setup: RuleSetup, p: DuplicateIdentityParameters) -> tuple[RuleBinding, ...]:
    clones = Clones(p)
    return (
        RuleBinding(
            KEYS,
            clones.find,
            describe_clones,
            subject=is_any_at_several,
            timed=True,
            ended_ns=ended_ns,
            is_wary=clones.is_one_suspected,
            remembers=clones.is_one_suspected,
        ),
    )


RULE = Rule(
    name="duplicate-identity",
    rule_class=RuleClass.CONTROL,
    severity=Severity.CRITICAL,
    short=ShortWords("shared identity", "{n} shared identities", look="Look for a copied computer"),
    sentence="One identity from {machines}: {addresses} {send} {universes} with the CID {cid}.",
    judged_by=judged_by(DuplicateIdentityParameters(), bind),
    facts=DuplicateIdentityFacts,
    explains=Explains(
        50,
        # A stranger on the same universe is another fault, and so is an address of others that is taken.
        Reach(
            SOURCE,
            effects=frozenset({Effect.STREAM_TROUBLE}),
            rules=frozenset(
                {
                    "duplicate-address",
                    "echoed-universe",
                    "fast-refresh",
                    "identity-changed",
                    "repeated-packets",
                    "source-conflict",
                    "unexpected-source",
                }
            ),
            # Each address has a series of its own: what is missing of one was lost on its path.
            but=frozenset({"packet-loss"}),
        ),
        # Two senders at one of the addresses are another fault.
        Reach(SOURCE, rules=frozenset({"sequence-unusable"}), only=HABITS),
    ),
    source="ANSI E1.31-2018 5.6 (the CID is unique to a source)",
    faults=("F41", "F42"),
    next_checks=(
        "Look for a copied show computer or virtual machine: both addresses are in the evidence.",
        "Find out which of the two is meant to run tonight.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Give one of them a new identity (CID) in its settings, or stop it.",),
)
