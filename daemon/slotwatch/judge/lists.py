"""Discovery lists compared with what is declared (ANSI E1.31-2018 4.3): numbers that only one of the two has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import namesakes
from slotwatch.judge.legs import say_networks
from slotwatch.wire.universe import Protocol

MOST_NUMBERS = 6
TOGETHER_NS = NANOSECONDS
"""A source that changes a number may send both for this long; common practice, no source."""


@dataclass(slots=True)
class ByLists:
    """What discovery lists say about one missing universe."""

    evidence: list[str] = field(default_factory=list)
    also_possible: list[str] = field(default_factory=list)
    hint: str = ""
    """Sentence for the summary; empty, or with a space before it."""
    elsewhere: dict[int, list[int]] = field(default_factory=dict)
    """Its sources that other networks alone hear, each with the networks on which it lists it."""
    without_lead: list[int] = field(default_factory=list)
    """Its sources that send it on other networks that it is declared on, and of which nothing is heard on this one."""


def listed_by(ctx: RuleContext, source: int) -> frozenset[int] | None:
    """Numbers that a source lists on any of its networks; None where it sends no list."""
    legs = [source, *ctx.other_legs(source)]
    lists = [ctx.sources[leg].listed for leg in legs]
    known = [numbers for numbers in lists if numbers is not None]
    return frozenset(number for numbers in known for number in numbers) if known else None


def undeclared_numbers(ctx: RuleContext, source: int) -> list[int]:
    """Numbers that a source lists and no declared universe has, on whatever network."""
    universes = ctx.universes
    declared = universes.used & (universes.declared >= 0) & (universes.protocol == Protocol.E131)
    listed = listed_by(ctx, source) or frozenset()
    return sorted(listed - set(universes.number[declared].tolist()))


def say_undeclared(ctx: RuleContext, source: int) -> str:
    """Say which undeclared universes a source lists; empty where there are none."""
    numbers = undeclared_numbers(ctx, source)
    if not numbers:
        return ""
    listed = wording.list_names([f"e131/{number}" for number in numbers[:MOST_NUMBERS]])
    more = f" and {len(numbers) - MOST_NUMBERS} more" if len(numbers) > MOST_NUMBERS else ""
    return f"{ctx.say_source(source)} lists {listed}{more}, which the house file does not declare"


def say_renumbered(ctx: RuleContext, source: int, stopped: NDArray[np.intp]) -> str:
    """Say what may have become of stopped streams if the list names as many new numbers as it lacks; else empty."""
    listed = listed_by(ctx, source) or frozenset()
    lacking = set(ctx.streams.number[stopped].tolist()) - listed
    new = [number for number in undeclared_numbers(ctx, source) if not _was_heard(ctx, source, number, stopped)]
    if not lacking or len(new) != len(lacking) or len(new) > MOST_NUMBERS:
        return ""
    names = wording.list_names(f"e131/{number}" for number in new)
    has, number = ("has", "another number") if len(new) == 1 else ("have", "other numbers")
    of_these = "which is not declared" if len(new) == 1 else "which are not declared"
    return f"switched off or unpatched, or {has} {number}: its list names {names}, {of_these}"


def _was_heard(ctx: RuleContext, source: int, number: int, stopped: NDArray[np.intp]) -> bool:
    """Whether a source sent a number well before these streams stopped: they cannot have become that one."""
    streams = ctx.streams
    legs = [source, *ctx.other_legs(source)]
    rows = streams.used & is_among(streams.source, legs) & (streams.number == number)
    rows &= (streams.protocol == Protocol.E131) & (streams.first_frame_ns > 0)
    ended_ns = int(streams.last_arrival_ns[stopped].min())
    return bool((rows & (streams.first_frame_ns < ended_ns - TOGETHER_NS)).any())


def say_lists(ctx: RuleContext, row: int, senders: Sequence[int]) -> ByLists:
    """Give what the lists of its declared sources say about a missing universe; if it has none, the lists of all."""
    found = ByLists()
    declared = ctx.declared_universe(row)
    hints = []
    for source in senders:
        where = _listed_on(ctx, source, row)
        name, here = ctx.say_source(source), int(ctx.universes.network[row])
        is_heard_here = here in {ctx.sources[leg].network for leg in (source, *ctx.other_legs(source))}
        if not is_heard_here and (sent_on := _sent_on(ctx, source, row)):
            on = say_networks(ctx, list(sent_on))
            hints.append(f"{name} sends it on {on} and is not heard on {say_networks(ctx, [here])}")
            found.without_lead.append(source)
            found.also_possible.append(f"its output to {say_networks(ctx, [here])} is off")
            continue
        if here in where:
            found.evidence.append(f"{name} lists it as sent: the path to this port may have failed.")
            continue
        if where:
            on = say_networks(ctx, list(where))
            found.evidence.append(f"{name} lists it as sent on {on}, and not on {say_networks(ctx, [here])}.")
            if not is_heard_here:
                found.elsewhere[source] = where
                hints.append(f"{name} is heard on {on} alone, and its discovery list there names what is missing here")
                continue
        elif listed_by(ctx, source) is not None and ctx.universes.protocol[row] == Protocol.E131:
            found.evidence.append(f"{name} is heard on other universes, and its discovery list does not name this one.")
        else:
            found.evidence.append(f"{name} is heard on other universes.")
        found.also_possible.append("the source does not send this universe: not patched or its output is off")
        hints.append(say_undeclared(ctx, source))
    if declared is not None and not declared.sources and ctx.universes.protocol[row] == Protocol.E131:
        everyone = ctx.whole_sources(source for source in ctx.sources if ctx.sources[source].listed is not None)
        if everyone and not any(_listed_on(ctx, source, row) for source in everyone):
            found.evidence.append("No discovery list names it.")
            hints += [say_undeclared(ctx, source) for source in everyone[:MOST_NUMBERS]]
    hints = [hint for hint in hints if hint]
    found.evidence += [f"{hint}." for hint in hints]
    found.hint = f" {hints[0]}." if hints else ""
    return found


def _sent_on(ctx: RuleContext, source: int, row: int) -> list[int]:
    """Networks that a universe is declared on and to which a source sends it."""
    legs = {source, *ctx.other_legs(source)}
    return sorted(
        int(ctx.universes.network[one])
        for one in np.flatnonzero(namesakes(ctx, row) & (ctx.universes.declared >= 0)).tolist()
        if any(ctx.live[stream] and ctx.source_of(stream) in legs for stream in ctx.streams_of(one).tolist())
    )


def _listed_on(ctx: RuleContext, source: int, row: int) -> list[int]:
    """Networks on which a source's discovery list names a universe."""
    if ctx.universes.protocol[row] != Protocol.E131:
        return []
    number = int(ctx.universes.number[row])
    legs = {ctx.sources[leg].network: ctx.sources[leg].listed for leg in (source, *ctx.other_legs(source))}
    return sorted(network for network, listed in legs.items() if listed is not None and number in listed)
