"""Who sends what nobody invited, and how: strangers, undeclared universes, per-address priority, preview."""

from __future__ import annotations

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import STREAMS, TICK_NS, UNIVERSES, Finding, Mask, NamedBinding, named
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import declared_elsewhere
from slotwatch.judge.invitations import Invitations
from slotwatch.judge.numbering_mistakes import declared_relatives, moved_from
from slotwatch.judge.rivals import SLOT_PRIORITY_NS
from slotwatch.judge.succession import MOST_LOOKED_AT, predecessor
from slotwatch.judge.takeovers import Takeover

NANOSECONDS = 1_000_000_000
FEW_FRAMES = 3
"""Fewer are a slip, not a source."""
STOPPED_SHOWN_NS = 300 * NANOSECONDS


def bindings(house: House) -> tuple[NamedBinding, ...]:
    invited = Invited(house)
    return (
        named("unexpected-source", STREAMS, invited.is_unexpected, invited.describe, refresh_s=5.0),
        named("undeclared-universe", UNIVERSES, is_undeclared, describe_undeclared, refresh_s=2.0),
        named("slot-priority-faulty", STREAMS, has_stopped_priority, describe_stopped_priority, on_delay_s=0.0),
        named("slot-priority-faulty", STREAMS, has_short_priority, describe_short_priority),
        named("slot-priority-faulty", UNIVERSES, has_mixed_priority, describe_mixed_priority, on_delay_s=5.0),
        # A moment before the loss that it explains is found.
        named("preview-only", UNIVERSES, is_preview_only, describe_preview_only, TICK_NS, on_delay_s=2.4),
    )


# --- strangers ----------------------------------------------------------------------------------------


class Invited:
    """Who may send which universe, by the house file."""

    def __init__(self, house: House) -> None:
        self._invitations = Invitations(house)
        self._priorities = np.array(
            [256 if source.priority is None else source.priority for source in house.sources] + [256], np.int64
        )

    def is_unexpected(self, ctx: RuleContext) -> Mask:
        """Live streams of sources that are not declared for their universe, or above their declared priority."""
        streams = ctx.streams
        declared = ctx.stream_declared
        live = ctx.live & (streams.frames >= FEW_FRAMES) & (declared >= 0)
        if not live.any():
            return live
        source = ctx.stream_sources_declared
        stranger = self._invitations.is_stranger(declared, source)
        above = streams.priority > self._priorities[source]
        unexpected: Mask = live & (stranger | above)
        for row in np.flatnonzero(unexpected & ~above & ctx.beside_a_dead_one)[:MOST_LOOKED_AT].tolist():
            unexpected[row] = predecessor(ctx, row, 5.0) < 0
        return unexpected

    def describe(self, ctx: RuleContext, row: int) -> Finding:
        streams = ctx.streams
        source, universe = ctx.source_of(row), ctx.universe_of(row)
        declared = ctx.declared_source(source)
        priority, winner = int(streams.priority[row]), int(ctx.universes.winner[universe])
        above = declared is not None and declared.priority is not None and priority > declared.priority
        if above:
            reason, cause = f"does so at priority {priority}, above its declared {declared.priority}", "priority"  # type: ignore[union-attr]
        elif declared is None:
            reason, cause = "is not declared", "undeclared"
        else:
            reason, cause = "is not declared for it", "not-for-this-universe"
        takeover = Takeover.of(ctx, row)
        if takeover is not None:
            effect = takeover.sentence(ctx)
        elif winner == row:
            effect = "It is in control."
        elif winner >= 0 and streams.priority[winner] > priority:
            effect = f"It has no effect now: {ctx.say_source(ctx.source_of(winner))} sends at a higher priority."
        else:
            effect = "It has an equal say."
        taken = takeover.slots if takeover is not None else 0
        return Finding(
            group=f"source:{ctx.source_name(source)}:{cause}",
            # One that rises above its priority has sent before; a stranger was one from its first frame.
            since_ns=0 if above else int(streams.since_ns[row]),
            universes=(universe,),
            streams=(row,),
            networks=(int(streams.network[row]),),
            facts={"reason": reason, "effect": effect},
            evidence=(
                f"{ctx.say_source(source)} on {ctx.universe_name(universe)}: priority {priority}, "
                f"CID {ctx.sources[source].source_id.hex()}, first seen "
                f"{ctx.time_of_day(int(streams.first_frame_ns[row]))}.",
            ),
            cause=cause,
            # Slots taken by per-address priority are seen by the audience, whatever the packets' own priority.
            lower=-1 if taken else 0,
            weight=float(taken * 1000 + priority),
        )


def is_undeclared(ctx: RuleContext) -> Mask:
    """Data on a universe that the house does not declare. A house without universes declares nothing to miss."""
    universes = ctx.universes
    undeclared: Mask = (
        universes.used & (universes.declared < 0) & (universes.live > 0) & (universes.frames >= FEW_FRAMES)
    )
    return undeclared if ctx.house.universes else np.zeros(universes.count, np.bool_)


def describe_undeclared(ctx: RuleContext, row: int) -> Finding:
    winner = int(ctx.universes.winner[row])
    relatives = declared_relatives(ctx, row)
    moved = moved_from(ctx, row)
    looks_like = f" It may be meant for {ctx.universe_name(relatives[0])}, which is silent." if relatives else ""
    if moved:
        last_ns = int(ctx.universes.last_arrival_ns[moved].max())
        looks_like = (
            f" Its source stopped {ctx.name_universes(moved)} at {ctx.time_of_day(last_ns)}: it may have moved."
        )
        relatives = relatives or moved
    belongs = declared_elsewhere(ctx, row)
    if belongs:
        home = ctx.network_name(int(ctx.universes.network[belongs[0]]))
        looks_like = f" The house file has it on {home}, where it is not heard: it may be in the wrong network."
    name = ctx.source_name(ctx.source_of(winner)) if winner >= 0 else ""
    return Finding(
        group=f"source:{name}" + (f":{row}" if relatives and not belongs else "") + (" elsewhere" if belongs else ""),
        since_ns=int(ctx.universes.first_frame_ns[row]),
        universes=(row,),
        streams=(winner,) if winner >= 0 else (),
        networks=(int(ctx.universes.network[row]),),
        facts={"looks_like": looks_like},
        evidence=(f"{ctx.universe_name(row)}: data since {ctx.time_of_day(int(ctx.universes.first_frame_ns[row]))}.",),
        cause="wrong-network" if belongs else "numbered-off" if relatives else "",
        weight=float(bool(relatives)),
    )


# --- per-address priority -----------------------------------------------------------------------------


def _gives(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    gives: Mask = (streams.last_slot_priority_ns > 0) & (ctx.now_ns - streams.last_slot_priority_ns <= SLOT_PRIORITY_NS)
    return gives


def has_stopped_priority(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    silent_ns = ctx.now_ns - streams.last_slot_priority_ns
    sent = ctx.live & (streams.last_slot_priority_ns > streams.since_ns)
    # Levels that came after it was due show that the stream lives and 0xDD alone has ended.
    sent &= streams.last_arrival_ns - streams.last_slot_priority_ns > SLOT_PRIORITY_NS
    stopped: Mask = sent & (silent_ns > SLOT_PRIORITY_NS) & (silent_ns < STOPPED_SHOWN_NS)
    return stopped


def has_short_priority(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    short: Mask = ctx.live & _gives(ctx) & (streams.slot_priority_slots < streams.slots)
    return short


def has_mixed_priority(ctx: RuleContext) -> Mask:
    streams, universes = ctx.streams, ctx.universes
    mixed = np.zeros(universes.count, np.bool_)
    gives = ctx.live & _gives(ctx)
    if gives.any():
        # One that has stopped is accused by itself.
        gives_or_gave = gives | has_stopped_priority(ctx)
        giving = np.bincount(streams.universe[gives], minlength=universes.count)
        accounted = np.bincount(streams.universe[gives_or_gave], minlength=universes.count)
        mixed = (giving > 0) & (accounted < universes.live)
    return mixed


def _priority_finding(ctx: RuleContext, row: int, habit: str, cause: str) -> Finding:
    universe = ctx.universe_of(row)
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(row))}",
        since_ns=0,
        universes=(universe,),
        streams=(row,),
        networks=(int(ctx.streams.network[row]),),
        facts={"habit": habit},
        evidence=(f"{ctx.universe_name(universe)}: {ctx.say_source(ctx.source_of(row))}'s {habit}.",),
        cause=cause,
    )


def describe_stopped_priority(ctx: RuleContext, row: int) -> Finding:
    last_ns = int(ctx.streams.last_slot_priority_ns[row])
    finding = _priority_finding(ctx, row, f"stopped at {ctx.time_of_day(last_ns)}", "stopped")
    finding.since_ns = last_ns
    finding.evidence = (
        f"{ctx.say_source(ctx.source_of(row))}: last start code 0xDD at {ctx.time_of_day(last_ns)}; "
        "receivers fall back to the packet's priority after 2.5 s.",
    )
    return finding


def describe_short_priority(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    given, sent = int(streams.slot_priority_slots[row]), int(streams.slots[row])
    return _priority_finding(ctx, row, f"covers only {given} of {sent} slots", "short")


def describe_mixed_priority(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    rows = [stream for stream in ctx.streams_of(row).tolist() if streams.live[stream]]
    with_it = [stream for stream in rows if ctx.now_ns - streams.last_slot_priority_ns[stream] <= SLOT_PRIORITY_NS]
    without = [stream for stream in rows if stream not in with_it]
    names = [wording.list_names(ctx.say_source(ctx.source_of(s)) for s in some) for some in (with_it, without)]
    return Finding(
        group=f"mixed:{names[0]}:{names[1]}",
        since_ns=0,
        universes=(row,),
        streams=tuple(rows),
        networks=(int(ctx.universes.network[row]),),
        facts={"habit": f"comes from {names[0]} and not from {names[1]}"},
        evidence=(f"{ctx.universe_name(row)}: 0xDD from {names[0]}; none from {names[1]}.",),
        cause="mixed",
    )


# --- preview ------------------------------------------------------------------------------------------


def is_preview_only(ctx: RuleContext) -> Mask:
    universes = ctx.universes
    recent = (universes.last_preview_ns > 0) & (ctx.now_ns - universes.last_preview_ns < 2_500_000_000)
    silent = universes.last_preview_ns > universes.last_arrival_ns
    preview: Mask = universes.used & (universes.declared >= 0) & universes.expected & recent & silent
    return preview


def describe_preview_only(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    rows = ctx.streams_of(row)
    rows = rows[ctx.now_ns - streams.last_preview_ns[rows] < 2_500_000_000]
    last_ns = int(ctx.universes.last_arrival_ns[row])
    live = f"The last live frame came at {ctx.time_of_day(last_ns)}." if last_ns else "No live frame ever came."
    return Finding(
        group="sources:" + ",".join(sorted({ctx.source_name(ctx.source_of(int(one))) for one in rows})),
        since_ns=last_ns,
        universes=(row,),
        streams=tuple(rows.tolist()),
        networks=(int(ctx.universes.network[row]),),
        evidence=(f"{ctx.universe_name(row)}: every packet has the preview bit set. {live}",),
    )
