"""Two listeners name different winning sources of one universe, and one of these reaches only one of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.elsewhere import declared_listener, say_page
from slotwatch.judge.explain import UNIVERSE, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.lost_between import places_of
from slotwatch.judge.shared_path import WAY_BETWEEN
from slotwatch.model.control import in_control
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.observation import StreamElsewhere

Key = tuple[str, int, str]
"""Other listener, row of the universe, and key of the source that wins there."""


@dataclass(frozen=True, slots=True)
class WinnersDifferParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time a hand-over may take, to be seen at both")


@dataclass(frozen=True, slots=True)
class WinnersDifferFacts(Facts):
    first: str
    winner_first: str
    second: str
    winner_second: str
    places: str


def winners_that_differ(ctx: RuleContext) -> dict[Key, None]:
    """Universes with another winner there, of which one is not heard at the other place.

    Where both hear both, each may choose between equal priorities as it likes: that is `source-conflict`, and no fault
    of the path.
    """
    found: dict[Key, None] = {}
    for declared, other in ctx.listener.elsewhere.well(ctx):
        there = other.positions(ctx)
        rows = list(there.winners)
        of_rows = in_control(ctx.model.streams, np.array(rows, np.intp)).tolist()
        for row, stream in zip(rows, of_rows, strict=True):
            winner = there.winners[row]
            if stream < 0 or not there.judged[row]:
                continue
            own = ctx.source_key(ctx.source_of(stream))
            if own == winner.source:
                continue
            if own not in there.live[row] or winner.source not in _live_here(ctx, row):
                found[declared.name, row, winner.source] = None
    return found


def _live_here(ctx: RuleContext, row: int) -> set[str]:
    """Keys of the sources that are live on a universe here."""
    live = (one for one in ctx.streams_of(row).tolist() if ctx.streams.live[one])
    return {ctx.source_key(ctx.source_of(one)) for one in live}


def describe_winners(ctx: RuleContext, key: Key) -> Finding:
    name, row, source = key
    declared = declared_listener(ctx, name)
    other = ctx.listener.elsewhere.get(name)
    here, there = declared.own_name, name
    own = int(in_control(ctx.model.streams, np.array([row]))[0])
    seen = other.positions(ctx) if other else None
    evidence = []
    winner_here, winner_there = "no source", _name_there(seen.winners.get(row) if seen else None, source)
    if own >= 0:
        of_own = ctx.source_of(own)
        winner_here = ctx.source_name(of_own)
        if seen and ctx.source_key(of_own) not in seen.live.get(row, ()):
            evidence.append(f"{ctx.say_source(of_own)} is heard at {here}, not at {there}.")
    known = [one for one in ctx.sources if ctx.source_key(one) == source]
    if known:
        winner_there = ctx.source_name(known[0])
    if source not in _live_here(ctx, row):
        who = ctx.say_source(known[0]) if known else f'"{winner_there}"'
        evidence.append(f"{who} is heard at {there}, not at {here}.")
    (first, winner_first), (second, winner_second) = sorted(((here, winner_here), (there, winner_there)))
    return Finding(
        group=f"between:{name}:winners",
        since_ns=0,
        universes=(row,),
        streams=(own,) if own >= 0 else (),
        networks=(int(ctx.universes.network[row]),),
        facts=WinnersDifferFacts(first, winner_first, second, winner_second, places_of(here, there)),
        evidence=(*evidence, say_page(declared)),
        cause=WAY_BETWEEN,
        confidence=Confidence.HIGH,
        also_possible=("a source that is meant to send to one of the two networks only",),
    )


def _name_there(stream: StreamElsewhere | None, source: str) -> str:
    """Name a source as the other listener does; by its key where that gives no name."""
    return (stream.name if stream else "") or source


def bind(setup: RuleSetup, p: WinnersDifferParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("listeners"):
        return ()
    return (RuleBinding(KEYS, winners_that_differ, describe_winners, EVERY_SECOND_NS, refresh_s=None),)


RULE = Rule(
    name="winners-differ",
    rule_class=RuleClass.CONTROL,
    severity=Severity.WARNING,
    short=ShortWords(
        "{place} winners differ",
        "{n} universes: winners differ",
        look="Look at the switches between",
    ),
    sentence='{universes}: "{winner_first}" is in control at {first}, "{winner_second}" at {second}. '
    "A stream is lost between {places}.",
    judged_by=judged_by(WinnersDifferParameters(), bind),
    facts=WinnersDifferFacts,
    explains=Explains(168, Reach(UNIVERSE, rules=frozenset({"backup-in-control"}))),
    source="ANSI E1.31-2018 6.2.3 (the highest priority wins); the comparison: common practice, no source",
    faults=("F21", "F40"),
    next_checks=(
        "Look at the switches and uplinks between the two listeners: one of the two sources does not pass.",
        "Look at the stage: receivers near each listener follow the source that wins there.",
    ),
)
