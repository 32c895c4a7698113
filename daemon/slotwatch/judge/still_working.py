"""What still works beside a loss: other universes of the same sources, backups, other sources, receivers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.discards import say_discards
from slotwatch.judge.fed_routes import is_own_output
from slotwatch.judge.scene import Scene
from slotwatch.judge.verdict import Verdict
from slotwatch.judge.visitors import Visitors

MOST_NAMED = 24
"""Sources of each kind that are named among what still works."""
HELD = "should hold the last look"
"""Ends the line of receivers that are set to hold. Nobody has seen that they do."""


def say_what_works(scene: Scene, verdict: Verdict) -> None:
    """Add to a verdict what still works: other universes of the same sources, backups, other sources, receivers."""
    stopped_universes = set(scene.ctx.streams.universe[scene.stopped].tolist())
    if scene.is_any_alive:
        _say_who_continues(scene, verdict, stopped_universes)
    receivers = _receivers(scene, {row for row in stopped_universes if not scene.ctx.universes.live[row]})
    if receivers:
        verdict.still_working.append(receivers)


def _say_who_continues(scene: Scene, verdict: Verdict, stopped_universes: set[int]) -> None:
    ctx, streams = scene.ctx, scene.ctx.streams
    # What came back under another name or address is the source itself: the verdict says that it sends.
    said = {ctx.source_of(row) for row in verdict.returned_as}
    for legs in ctx.by_source(scene.sources)[:MOST_NAMED]:
        rows = [row for row in scene.alive_of(*legs).tolist() if ctx.universe_of(row) not in stopped_universes]
        if rows:
            of = sorted(ctx.sources_of(rows))
            said.update(of)
            others = sorted({ctx.universe_of(row) for row in rows})
            verdict.still_working.append(f"{ctx.name_universes(others)} of {ctx.say_legs(of)}{say_discards(ctx, rows)}")
    keepers, visitors = dict[int, list[int]](), Visitors(ctx)
    for row in (scene.alive & is_among(streams.universe, stopped_universes)).nonzero()[0].tolist():
        if (source := ctx.source_of(row)) not in said and not _is_elsewhere(ctx, visitors, row):
            keepers.setdefault(source, []).append(row)
    # Declared ones come first: a flood may have invented thousands of others. Then those that keep most alive.
    kept = sorted(
        ctx.by_source(keepers),
        key=lambda legs: (
            ctx.declared_source(legs[0]) is None,
            -len({ctx.universe_of(row) for leg in legs for row in keepers[leg]}),
        ),
    )
    for legs in kept[:MOST_NAMED]:
        rows = [row for leg in legs for row in keepers[leg]]
        senders = f"{_what_it_is(ctx, legs[0])}{ctx.say_legs(legs)}"
        verdict.still_working.append(f"{senders} is sending {_say_sent(ctx, rows)}")
    others_alive = [source for source in scene.others_alive() if source not in keepers and source not in said]
    others_alive = [
        source
        for source in others_alive
        if not _is_intruder(scene, source)
        and not all(_is_elsewhere(ctx, visitors, row) for row in scene.alive_of(source).tolist())
    ]
    whole = sorted(ctx.by_source(others_alive), key=lambda legs: ctx.declared_source(legs[0]) is None)
    for legs in whole[:MOST_NAMED]:
        senders = f"{_stranger(ctx, legs[0])}{ctx.say_legs(legs)}"
        verdict.still_working.append(f"{senders} is sending {_say_sent(ctx, scene.alive_of(*legs).tolist())}")
    if len(whole) > MOST_NAMED:
        verdict.still_working.append(f"{len(whole) - MOST_NAMED} more sources still send")


def _is_elsewhere(ctx: RuleContext, visitors: Visitors, stream: int) -> bool:
    """Whether a stream shows nothing of its network: it came by the lead of another one, or has gone to another one."""
    return visitors.visit(stream) is not None or _has_left(ctx, stream)


def _has_left(ctx: RuleContext, stream: int) -> bool:
    """Whether the same sender came to another network with this universe since it was heard here last."""
    source, universe = ctx.source_of(stream), ctx.universe_of(stream)
    same = [leg for leg in ctx.other_legs(source) if ctx.sources[leg].address == ctx.sources[source].address]
    return any(
        ctx.live[row]
        and ctx.streams.since_ns[row] > ctx.streams.last_arrival_ns[stream]
        and ctx.universe_id(ctx.universe_of(row)) == ctx.universe_id(universe)
        for leg in same
        for row in ctx.streams_from(leg).tolist()
    )


def _say_sent(ctx: RuleContext, streams: Sequence[int]) -> str:
    """Say what universes these streams are on, and whether receivers may use them."""
    return f"{ctx.name_universes(sorted({ctx.universe_of(row) for row in streams}))}{say_discards(ctx, streams)}"


def _what_it_is(ctx: RuleContext, source: int) -> str:
    declared = ctx.declared_source(source)
    if declared is None or declared.role != "backup":
        return _stranger(ctx, source)
    return "" if "backup" in declared.name.casefold() else "backup "


def _stranger(ctx: RuleContext, source: int) -> str:
    """Give `undeclared ` for a source that the house file does not name, if it names any: it may be a stranger."""
    is_stranger = ctx.house.sources and ctx.declared_source(source) is None and not is_own_output(ctx, source)
    return "undeclared " if is_stranger else ""


def _is_intruder(scene: Scene, source: int) -> bool:
    """Whether an undeclared source sends only what declared ones send as well: nothing works because of it."""
    ctx, streams = scene.ctx, scene.ctx.streams
    if not _stranger(ctx, source):
        return False
    mine = set(streams.universe[scene.alive & (streams.source == source)].tolist())
    rows = np.flatnonzero(scene.alive & is_among(streams.universe, mine)).tolist()
    return mine <= {ctx.universe_of(row) for row in rows if ctx.declared_source(ctx.source_of(row)) is not None}


def _receivers(scene: Scene, universes: set[int]) -> str:
    if not any(receiver.on_loss == "hold" for receiver in scene.ctx.house.receivers):
        return ""
    names = {str(scene.ctx.universe_id(row)) for row in universes}
    holding = [
        receiver.name
        for receiver in scene.ctx.house.receivers
        if receiver.on_loss == "hold" and names & {str(universe) for universe in receiver.universes}
    ]
    return f"{wording.list_names(holding)} {HELD}" if holding else ""
