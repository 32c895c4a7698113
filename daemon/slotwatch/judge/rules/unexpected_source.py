"""A source sends a universe that it is not declared for, or above its declared priority."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import STREAM, UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.half_matches import half_match
from slotwatch.judge.homes import is_declared_everywhere
from slotwatch.judge.invitations import Invitations
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import declares_universes
from slotwatch.judge.succession import CHECKS_OF_ITS_RETURN, COMES_BACK, IDENTITY_CHANGED, is_back_as
from slotwatch.judge.takeovers import SEVERAL, STRANGER, Takeover
from slotwatch.judge.without_levels import heard_names
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol

MOST_TAKEN = 8
"""Universes of one source whose takeovers are reported together; beyond that, only the worst."""
PLAN = "Look at the written priority plan."
PRIORITIES = 256
"""More than any priority."""


@dataclass(frozen=True, slots=True)
class UnexpectedSourceParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time it is live before the incident opens")
    frames: int = number(3, "fewest frames that count")


@dataclass(frozen=True, slots=True)
class UnexpectedSourceFacts(Facts):
    reason: str
    effect: str


class UnexpectedSources:
    """Which sources may send which universe, by the house file."""

    def __init__(self, house: House, p: UnexpectedSourceParameters) -> None:
        self._p = p
        self._invitations = Invitations(house)
        priorities = [PRIORITIES if source.priority is None else source.priority for source in house.sources]
        self._priorities = np.array([*priorities, PRIORITIES], np.int64)

    def is_unexpected(self, ctx: RuleContext) -> Mask:
        """Live streams of sources that are not declared for their universe, or above their declared priority."""
        streams = ctx.streams
        declared = ctx.stream_declared
        live = ctx.live & (streams.frames >= self._p.frames) & (declared >= 0)
        if not np.count_nonzero(live):
            return live
        source = ctx.stream_sources_declared
        stranger = self._invitations.is_stranger(declared, source)
        above = streams.priority > self._priorities[source]
        unexpected: Mask = live & (stranger | above)
        return unexpected

    def _came_in_place_of(self, ctx: RuleContext, row: int) -> int:
        """The row of the invited source that this stream's one seems to be, under another identity; -1: none."""
        if not ctx.beside_a_dead_one[row]:
            return -1
        others = ctx.streams_of(ctx.universe_of(row))
        strangers = self._invitations.is_stranger(ctx.stream_declared[others], ctx.stream_sources_declared[others])
        return next((ctx.source_of(one) for one in others[~strangers].tolist() if is_back_as(ctx, row, one)), -1)

    def describe(self, ctx: RuleContext, row: int) -> Finding:
        streams = ctx.streams
        source, universe = ctx.source_of(row), ctx.universe_of(row)
        declared = ctx.declared_source(source)
        priority, winner = int(streams.priority[row]), int(ctx.universes.winner[universe])
        above = declared is not None and declared.priority is not None and priority > declared.priority
        if above:
            reason, cause = f" at priority {priority}, above its declared {declared.priority}", "priority"  # type: ignore[union-attr]
        elif declared is None:
            reason, cause = " and is not declared", "undeclared"
        else:
            reason, cause = ", for which it is not declared", "not-for-this-universe"
        earlier = self._came_in_place_of(ctx, row) if declared is None else -1
        if earlier >= 0:
            reason += f". It seems to be {ctx.say_source(earlier)}, back under another identity or address"
        takeover, controlled_by = Takeover.of(ctx, row), SEVERAL
        if takeover is not None:
            effect = takeover.sentence(ctx, self._elsewhere(ctx, row))
            controlled_by = SEVERAL if takeover.slots or takeover.shared else ""
        elif winner == row:
            effect = "It is in control."
            won = Takeover.of(ctx, row, by_packets=True)
            takes = won is not None and won.slots > 0
            controlled_by = STRANGER
            if declared is not None:  # one above its priority is to send here: it is named if it takes from another
                controlled_by = declared.name if takes or not above else ""
            if won is not None and takes:
                taken = won.say_taken(ctx, self._elsewhere(ctx, row, by_packets=True))
                effect = f"It is in control: {taken}" if above else f"{effect} At priority {priority} {taken}"
        elif winner >= 0 and streams.priority[winner] > priority:
            controlled_by = ""
            effect = f"It has no effect now: {ctx.say_source(ctx.source_of(winner))} sends at a higher priority."
        else:
            effect = "It has as much effect as the other sources."
        before = ctx.before.incident(RULE.name, ctx.universe_name(universe), ctx.source_key(ctx.first_leg(source)))
        first_ns = min(int(streams.first_frame_ns[row]), before.began_ns if before else ctx.now_ns)
        is_e131 = streams.protocol[row] == Protocol.E131  # Art-Net has neither priority nor CID
        slots = takeover.slots if takeover is not None else 0
        resembles, checks = _resemblance(ctx, source) if declared is None and earlier < 0 else ("", ())
        return Finding(
            group=f"source:{ctx.source_name(source)}:{cause}",
            # One that rises above its priority has sent before; a stranger was one from its first frame.
            since_ns=0 if above else int(streams.since_ns[row]),
            universes=(universe,),
            streams=(row,),
            networks=(int(streams.network[row]),),
            facts=UnexpectedSourceFacts(reason, effect),
            evidence=(
                f"{ctx.say_source(source)} on {ctx.universe_name(universe)}: "
                + (f"priority {priority}, CID {ctx.sources[source].source_id.hex()}, " if is_e131 else "")
                + f"first seen {ctx.time_of_day(first_ns)}.",
                *([resembles] if resembles else ()),
            ),
            cause=IDENTITY_CHANGED if earlier >= 0 else cause,
            next_checks=CHECKS_OF_ITS_RETURN if earlier >= 0 else checks or _checks_of(declared, above=above),
            # Slots taken by per-address priority are seen by the audience, whatever the packets' own priority.
            lower=-1 if slots else 0,
            weight=float(slots * PRIORITIES + priority),
            controlled_by=controlled_by,
            on_any_network=declared is None and _is_no_swapped_one(ctx, source, universe),
        )

    def _elsewhere(self, ctx: RuleContext, row: int, *, by_packets: bool = False) -> list[Takeover]:
        """What the same source takes at the same priority where it is as little expected, on any network."""
        streams, source = ctx.streams, ctx.source_of(row)
        legs = [source, *ctx.other_legs(source)]
        rows = np.array([one for leg in legs for one in ctx.streams_from(leg).tolist() if ctx.live[one]], np.intp)
        rows = rows[(streams.priority[rows] == streams.priority[row]) & (streams.frames[rows] >= self._p.frames)]
        unexpected = self._invitations.is_stranger(ctx.stream_declared[rows], ctx.stream_sources_declared[rows])
        unexpected |= streams.priority[rows] > self._priorities[ctx.stream_sources_declared[rows]]
        if np.count_nonzero(unexpected) > MOST_TAKEN:
            return []
        found = [Takeover.of(ctx, one, by_packets=by_packets) for one in rows[unexpected].tolist()]
        return [one for one in found if one is not None]


def _resemblance(ctx: RuleContext, source: int) -> tuple[str, tuple[str, ...]]:
    """Say which declared source an undeclared one may be, set up anew; and the checks, unless that one sends too."""
    found = half_match(ctx, source)
    if found is None:
        return "", ()
    one, same, other = found
    said = f'It has the {same} of "{one.name}" in the house file, and another {other}.'
    if one.name in ctx.once(heard_names):
        return said, ()
    ask = f"Look at {one.name}: was it set up anew, with another {other}? Then correct the house file."
    return f'{said} "{one.name}" itself is not heard.', (ask,)


def _checks_of(declared: DeclaredSource | None, *, above: bool) -> tuple[str, ...]:
    """Give the checks of a source that the house file names: nobody has to find out who it is."""
    if declared is None:
        return ()
    where = "its priority setting" if above else "its list of outputs"
    return f"Look at {declared.name}: {where}.", PLAN


def _is_no_swapped_one(ctx: RuleContext, source: int, universe: int) -> bool:
    """Whether a stranger is one also where networks are swapped: it came by no other one, or both carry this."""
    own = ctx.sources[source]
    others = [ctx.sources[leg] for leg in ctx.other_legs(source)]
    came_before = any(one.address == own.address and one.first_seen_ns < own.first_seen_ns for one in others)
    return not came_before or is_declared_everywhere(ctx, universe)


def bind(setup: RuleSetup, p: UnexpectedSourceParameters) -> tuple[RuleBinding, ...]:
    sources = UnexpectedSources(setup.house, p)
    return (RuleBinding(STREAMS, sources.is_unexpected, sources.describe, subject=declares_universes),)


RULE = Rule(
    name="unexpected-source",
    rule_class=RuleClass.CONTROL,
    severity=Severity.WARNING,
    short=ShortWords("unexpected source", "{n} unexpected sources", look="Look at its name and address", audience=3),
    sentence="{sources} sends {universes}{reason}. {effect}",
    judged_by=judged_by(UnexpectedSourceParameters(), bind),
    facts=UnexpectedSourceFacts,
    effects=frozenset({Effect.RIVALRY}),
    explains=Explains(
        160,
        # A stranger's per-address priority, or that it has none, makes the universe's mixed.
        Reach(UNIVERSE, rules=frozenset({"slot-priority-faulty"}), only=frozenset({"mixed"})),
        # That it came back as another one is why it is a stranger.
        Reach(STREAM, rules=frozenset({"identity-changed"}), causes=frozenset({IDENTITY_CHANGED})),
    ),
    measured=COMES_BACK,
    faults=("F12", "F38", "F39"),
    next_checks=(
        "Find out who it is: name and address are in the evidence.",
        PLAN,
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Declare it in the house file if it belongs here, else take it off the network.",
    ),
)
