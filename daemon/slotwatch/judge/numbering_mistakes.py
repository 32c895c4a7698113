"""Which universe a silent or an undeclared one may really be: the usual ways to be off in the numbering."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.before import NOT_HEARD_NS
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import declared_elsewhere
from slotwatch.wire.universe import Protocol

MOVE_NS = 10_000_000_000
"""A universe that began at most this long before another ended may be the other under a new number."""
KEPT_MOVE_NS = 600_000_000_000
"""Where another source carries on, one that begins another number this much later does so for a reason of its own."""
HEARD_AT_START_NS = 5_000_000_000
"""What came this soon after the start may have been sent long before: longer than Art-Net's keep-alive of 4 s."""
MOST_COMPARED = 64
MOST_LOOKED_AT = 1024
"""Streams of one pass that began or stopped. With more, a storm or the loss of a whole desk says it all."""
DISTANCES = (1, -1, 16, -16, 256, -256)
"""Counting from 0 or 1; sub-net and net of Art-Net's address taken for one another."""


def look_alikes(ctx: RuleContext, missing: int) -> list[str]:
    """Say which undeclared universes that are heard may be the missing one, likeliest first."""
    universes = ctx.universes
    number, protocol = int(universes.number[missing]), int(universes.protocol[missing])
    heard = universes.used & (universes.declared < 0) & (universes.live > 0)
    by_distance = []
    for row in np.flatnonzero(heard).tolist():
        distance = int(universes.number[row]) - number
        is_alias = _is_alias(int(universes.protocol[row]), protocol, int(universes.number[row]), number, distance)
        # What is silent on the network where it is declared, under this very number, is that one.
        if is_alias and not declared_elsewhere(ctx, row):
            by_distance.append((abs(distance), f"{_name(ctx, row)} is heard and not declared: {_way(distance)}."))
        # Of a flood of undeclared ones nearly all are further away.
        elif not is_alias and abs(distance) <= MOST_COMPARED and (said := say_run(ctx, row, missing)):
            by_distance.append((abs(distance), said))
    return [sentence for _, sentence in sorted(by_distance)]


def declared_relatives(ctx: RuleContext, undeclared: int) -> list[int]:
    """Give declared universes that are silent and that an undeclared one may be meant for, likeliest first."""
    universes = ctx.universes
    number, protocol = int(universes.number[undeclared]), int(universes.protocol[undeclared])
    silent = universes.used & (universes.declared >= 0) & (universes.live == 0) & universes.expected
    found = []
    for row in np.flatnonzero(silent).tolist():
        distance = number - int(universes.number[row])
        if _is_alias(protocol, int(universes.protocol[row]), number, int(universes.number[row]), distance):
            found.append((abs(distance), row))
    return [row for _, row in sorted(found)]


def say_run(ctx: RuleContext, undeclared: int, silent: int) -> str:
    """Say that all numbers of a source may be one off; empty where nothing shows it.

    It sends the undeclared universe and every one between it and the silent one, which was never heard.
    """
    universes = ctx.universes
    first, last = sorted((int(universes.number[undeclared]), int(universes.number[silent])))
    was_heard = universes.last_arrival_ns[silent] or ctx.heard_before_ns[silent] != NOT_HEARD_NS
    if last - first < 2 or was_heard:
        return ""
    alike = universes.used & (universes.protocol == universes.protocol[silent])
    alike &= universes.network == universes.network[silent]
    between = alike & (universes.declared >= 0) & (universes.number > first) & (universes.number < last)
    rows = between.nonzero()[0].tolist()
    senders = set.intersection(*(_live_sources(ctx, row) for row in (undeclared, *rows)))
    declared = ctx.declared_universe(silent)
    may_send = declared.sources if declared else ()
    named = [one for one in sorted(senders) if not may_send or ctx.sources[one].declared_as in may_send]
    if not alike[undeclared] or len(rows) < last - first - 1 or not named:
        return ""
    way = "high" if universes.number[undeclared] > universes.number[silent] else "low"
    every = ctx.name_universes([*rows, undeclared])
    return f"{ctx.say_source(named[0])} sends {every}: all its numbers may be one too {way}."


def say_of_runs(ctx: RuleContext, undeclared: int) -> str:
    """Say that all numbers of the undeclared universe's source may be one off; empty where nothing shows it."""
    universes = ctx.universes
    declared = universes.used & (universes.declared >= 0)
    apart = abs(universes.number.astype(np.int64) - int(universes.number[undeclared]))
    if not (declared & (universes.live > 0) & (apart == 1)).any():
        return ""  # of a flood of undeclared ones nearly all end here
    silent = declared & (universes.live == 0) & universes.expected & (apart <= MOST_COMPARED)
    found = (say_run(ctx, undeclared, row) for row in silent.nonzero()[0].tolist())
    return next((said for said in found if said), "")


def moved_to(ctx: RuleContext, lost: int) -> list[tuple[int, int]]:
    """Give undeclared universes that a source of a declared one began as it stopped that, or later, and when."""
    found: dict[int, int] = {}
    protocols = ctx.universes.protocol
    for name, began in ctx.once(_begun).items():
        stop = ctx.once(_stops)[name].get(lost)
        for row, since_ns in began:
            if stop is not None and protocols[row] == protocols[lost] and stop.precedes(since_ns):
                found[row] = min(since_ns, found.get(row, since_ns))
    return sorted(found.items())


def moved_from(ctx: RuleContext, undeclared: int) -> list[tuple[int, int]]:
    """Give declared universes that the source of an undeclared one stopped as it began that, or before, and when."""
    found: dict[int, int] = {}
    protocols = ctx.universes.protocol
    for name, began in ctx.once(_begun).items():
        for since_ns in (since_ns for row, since_ns in began if row == undeclared):
            for lost, stop in ctx.once(_stops)[name].items():
                if protocols[lost] == protocols[undeclared] and stop.precedes(since_ns):
                    found[lost] = max(stop.last_ns, found.get(lost, 0))
    return sorted(found.items())


def moved_back(ctx: RuleContext, ended: int) -> bool:
    """Whether a source that ended an undeclared universe began as many declared ones in that moment.

    A desk that restarts begins what it sent before too: more than it ended for good.
    """
    streams, universes = ctx.streams, ctx.universes
    last_ns, first_ns = int(universes.last_arrival_ns[ended]), int(universes.first_frame_ns[ended])
    by_name = ctx.once(_sources_by_name)
    mine = is_among(streams.source, {source for name in _senders(ctx, ended) for source in by_name.get(name, ())})
    mine &= streams.protocol == universes.protocol[ended]
    declared = ctx.stream_declared >= 0
    begun = ctx.live & (streams.since_ns > max(first_ns, last_ns - MOVE_NS)) & (streams.since_ns < last_ns + MOVE_NS)
    over = streams.used & ~ctx.live & (abs(streams.last_arrival_ns - last_ns) < MOVE_NS)
    arrived = np.unique(streams.universe[mine & declared & begun])
    return 0 < len(arrived) <= len(np.unique(streams.universe[mine & ~declared & over]))


def _sources_by_name(ctx: RuleContext) -> dict[str, list[int]]:
    """Rows of the sources that have streams, by name."""
    found: dict[str, list[int]] = {}
    for source in np.unique(ctx.streams.source[ctx.streams.used]).tolist():
        found.setdefault(ctx.source_name(source), []).append(source)
    return found


def say_where_heard(ctx: RuleContext, rows: list[int]) -> str:
    """Say under which number universes that are lost or missing are heard now; empty if under none."""
    arrived: dict[int, int] = {}
    for row in rows[:MOST_COMPARED]:
        for new, since_ns in moved_to(ctx, row):
            arrived[new] = min(since_ns, arrived.get(new, since_ns))
    if not arrived:
        return ""
    legs = ctx.by_source(source for row in arrived for source in _live_sources(ctx, row))
    senders = wording.list_names(sorted(ctx.say_legs(of_one) for of_one in legs))
    since = ctx.time_of_day(min(arrived.values()))
    verb = "has" if len(legs) == 1 else "have"
    where = ctx.name_universes(sorted(arrived))
    return f"Since {since} {senders} {verb} sent {where}, which the house file does not declare."


@dataclass(frozen=True, slots=True)
class _Stop:
    """The end of a source on a declared universe."""

    last_ns: int
    is_kept: bool
    """Another source sends the universe."""

    def precedes(self, since_ns: int) -> bool:
        """Whether what the source began then may be the same universe under another number."""
        after_ns = since_ns - self.last_ns
        return after_ns > -MOVE_NS and (after_ns < KEPT_MOVE_NS or not self.is_kept)


def _stops(ctx: RuleContext) -> dict[str, dict[int, _Stop]]:
    """Say where sources no longer send what is declared and expected, by name and universe row."""
    universes, streams = ctx.universes, ctx.streams
    due = universes.used & (universes.declared >= 0) & universes.expected & (universes.last_arrival_ns > 0)
    found: dict[str, dict[int, _Stop]] = {}
    for row in (due & (universes.live == 0)).nonzero()[0].tolist():
        for name in _senders(ctx, row):
            found.setdefault(name, {})[row] = _Stop(int(universes.last_arrival_ns[row]), is_kept=False)
    kept = streams.used & ~streams.live & (streams.last_arrival_ns > 0) & (ctx.stream_sources_declared >= 0)
    kept &= (due & (universes.live > 0))[streams.universe]
    for stream in kept.nonzero()[0][:MOST_LOOKED_AT].tolist():
        row, name = ctx.universe_of(stream), ctx.source_name(ctx.source_of(stream))
        if name not in {ctx.source_name(source) for source in _live_sources(ctx, row)}:
            found.setdefault(name, {})[row] = _Stop(int(streams.last_arrival_ns[stream]), is_kept=True)
    return found


def _begun(ctx: RuleContext) -> dict[str, list[tuple[int, int]]]:
    """Undeclared universes that sources which stopped a declared one began to send, and when, by the source's name."""
    streams = ctx.streams
    began = ctx.live & (ctx.stream_declared < 0) & (streams.since_ns > ctx.started_ns + HEARD_AT_START_NS)
    if not np.count_nonzero(began) or not (stops := ctx.once(_stops)):
        return {}
    names: dict[int, str] = {}
    found: dict[str, list[tuple[int, int]]] = {}
    for stream in began.nonzero()[0][:MOST_LOOKED_AT].tolist():
        source = ctx.source_of(stream)
        if source not in names:
            names[source] = ctx.source_name(source)
        listed = found.setdefault(names[source], []) if names[source] in stops else None
        if listed is not None and len(listed) < MOST_COMPARED:
            listed.append((ctx.universe_of(stream), int(streams.since_ns[stream])))
    return found


def _senders(ctx: RuleContext, row: int) -> set[str]:
    """Names of the sources whose frames came last on a universe."""
    streams, last_ns = ctx.streams, int(ctx.universes.last_arrival_ns[row])
    timeout_ns = int(ctx.universes.loss_timeout_ns[row])
    newest = [
        stream for stream in ctx.streams_of(row).tolist() if streams.last_arrival_ns[stream] > last_ns - timeout_ns
    ]
    return {ctx.source_name(ctx.source_of(stream)) for stream in newest}


def _live_sources(ctx: RuleContext, row: int) -> set[int]:
    return {ctx.source_of(stream) for stream in ctx.streams_of(row).tolist() if ctx.live[stream]}


def _is_alias(heard_protocol: int, protocol: int, heard: int, number: int, distance: int) -> bool:
    if heard_protocol != protocol:
        return distance in (0, 1, -1)
    if distance in DISTANCES:
        return True
    return protocol == Protocol.ARTNET and heard == number % 16


def _way(distance: int) -> str:
    if distance == 0:
        return "the same number in the other protocol"
    if abs(distance) == 1:
        return "numbered one off, as when one end counts from 0 and the other from 1"
    if abs(distance) in (16, 256):
        return f"{abs(distance)} apart, as when sub-net or net of the address is split wrong"
    return "the same last digit of the split address"


def _name(ctx: RuleContext, row: int) -> str:
    return ctx.universe_name(row)
