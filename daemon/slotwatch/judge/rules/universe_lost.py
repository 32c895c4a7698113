"""A universe that had data is silent for its loss timeout, or its source sent that it stops."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import TICK_NS, UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import ITS_DATA_ELSEWHERE, NETWORK, SOURCE, UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.homes import went_home
from slotwatch.judge.likeness import LEAD_WORKS
from slotwatch.judge.numbering_mistakes import moved_back
from slotwatch.judge.parameters import RuleParameters, number
from slotwatch.judge.passers_by import only_passed_by
from slotwatch.judge.rule import CLEAR_FIRST, LOOK_AT_STAGE, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.silences import LOSS_TIMEOUTS, counts_from_ns, is_target, seen_by_listener, stopped_by_routes
from slotwatch.judge.storms import Storms
from slotwatch.judge.succession import MOST_LOOKED_AT
from slotwatch.judge.visitors import Visitors
from slotwatch.model.universes import ended_by_leaving
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol


@dataclass(frozen=True, slots=True)
class UniverseLostParameters(RuleParameters):
    start_s: float = number(
        10.0, "time allowed for everything to be heard again after this computer's own link came back"
    )
    forgotten_s: float = number(600.0, "longest silence for which an undeclared universe is reported as lost")
    brief_s: float = number(30.0, "shortest such silence; between the two, as long as the universe was heard")
    lived_s: float = number(2.0, "shortest time for which an undeclared universe must have been heard to be lost")


def is_lost(ctx: RuleContext, p: UniverseLostParameters, storms: Storms) -> Mask:
    """A universe that had data is silent for its loss timeout, or all of its streams were terminated."""
    universes = ctx.universes
    had = universes.used & (universes.last_arrival_ns > 0)
    silent_ns = ctx.now_ns - counts_from_ns(ctx, ns_from_s(p.start_s))
    lost = had & (silent_ns > universes.loss_timeout_ns)
    ended = had & ~lost & (universes.live == 0)
    if np.count_nonzero(ended):
        # The report of why an own route stopped comes after its packets.
        lost |= ended & ctx.terminated & ~is_target(ctx, ended)
    if not np.count_nonzero(lost):
        return lost
    lived_ns = universes.last_arrival_ns - universes.first_frame_ns
    asked_ns = np.minimum(np.maximum(lived_ns, ns_from_s(p.brief_s)), ns_from_s(p.forgotten_s))
    # A line that is listened to is declared by its name.
    declared = (universes.declared >= 0) | (universes.protocol == int(Protocol.LINE))
    lost &= declared | ((silent_ns < asked_ns) & (lived_ns >= ns_from_s(p.lived_s)))
    # What came in by the wrong network or under a wrong number, and is back where it belongs, is not lost.
    has_several, visitors = len(ctx.house.networks) > 1, Visitors(ctx)
    for row in np.flatnonzero(lost & ~declared)[:MOST_LOOKED_AT].tolist():
        lost[row] = not (has_several and (went_home(ctx, row) or visitors.alone_brought(row)))
        lost[row] &= not moved_back(ctx, row)
    # What ends because this computer no longer asks for it is not a loss.
    lost &= ~storms.brought(ctx, lost) & ~ended_by_leaving(universes)
    # What a stranger began and ended is still missing, as before.
    lost &= ~only_passed_by(ctx, lost)
    return _without_own(ctx, seen_by_listener(ctx, lost))


def _without_own(ctx: RuleContext, mask: Mask) -> Mask:
    """Leave out what this computer's own routes have stopped feeding, as declared: their input is the loss."""
    return mask & ~stopped_by_routes(ctx) if np.count_nonzero(mask) else mask


def describe_lost(ctx: RuleContext, row: int) -> Finding:
    # One by one: nearly every universe has one stream, and a whole house is lost in one pass.
    last_ns, timeout_ns = ctx.streams.last_arrival_ns, int(ctx.universes.loss_timeout_ns[row])
    heard = [(stream, int(last_ns[stream])) for stream in ctx.streams_of(row).tolist()]
    newest_ns = max((at_ns for _, at_ns in heard), default=0)
    # Those that had gone long before were not what kept it alive.
    kept = [stream for stream, at_ns in heard if at_ns > 0 and at_ns >= newest_ns - timeout_ns]
    if ctx.crowd.since_ns:
        kept = _without_crowd(ctx, [(stream, at_ns) for stream, at_ns in heard if at_ns > 0], timeout_ns) or kept
    stopped_on_purpose = bool(ctx.terminated[row])
    declared, is_line = ctx.declared_universe(row), ctx.universes.protocol[row] == int(Protocol.LINE)
    return Finding(
        group="",
        since_ns=newest_ns,
        universes=(row,),
        streams=tuple(kept),
        networks=(int(ctx.universes.network[row]),),
        lower=int(not is_line and (declared is None or not declared.expected)) + int(stopped_on_purpose),
        # A desk that closes may be back in a moment: until silence itself would count, it is only noted.
        quiet_until_ns=newest_ns + timeout_ns if stopped_on_purpose else 0,
        weight=float(ctx.now_ns - newest_ns),
    )


def _without_crowd(ctx: RuleContext, heard: list[tuple[int, int]], timeout_ns: int) -> list[int]:
    """Give the streams that kept a universe alive last, those of invented senders left out."""
    rows = np.array([stream for stream, _ in heard], np.intp)
    strange = ctx.crowd.has_streams(ctx, rows, spares_declared=False).tolist()
    own = [one for one, is_strange in zip(heard, strange, strict=True) if not is_strange]
    last_ns = max((at_ns for _, at_ns in own), default=0)
    # What had ended before the crowd came is not what was lost now.
    if last_ns < ctx.crowd.since_ns - timeout_ns:
        return []
    return [stream for stream, at_ns in own if at_ns >= last_ns - timeout_ns]


def may_be_lost_soon(ctx: RuleContext, row: int) -> bool:
    """Whether a universe is silent for half of its loss timeout, which may be longer than the off-delay."""
    universes = ctx.universes
    timeout_ns, silent_ns = int(universes.loss_timeout_ns[row]), ctx.now_ns - int(universes.last_arrival_ns[row])
    return bool(universes.used[row]) and timeout_ns // 2 < silent_ns < timeout_ns + TICK_NS


def bind(setup: RuleSetup, p: UniverseLostParameters) -> tuple[RuleBinding, ...]:
    lost = partial(is_lost, p=p, storms=setup.lasting(Storms))
    return (RuleBinding(UNIVERSES, lost, describe_lost, TICK_NS, refresh_s=None, may_return_soon=may_be_lost_soon),)


RULE = Rule(
    name="universe-lost",
    rule_class=RuleClass.LOSS,
    severity=Severity.CRITICAL,
    short=ShortWords("{place} lost", "{n} universes lost", audience=6, on_its_screen=True),
    sentence="{universes} lost{from_sender} since {since}. {verdict} {works}",
    judged_by=judged_by(UniverseLostParameters(), bind),
    effects=frozenset({Effect.ABSENCE, Effect.SILENCE}),
    explains=Explains(
        100,
        Reach(
            UNIVERSE,
            effects=frozenset({Effect.SILENCE, Effect.STREAM_TROUBLE}),
            rules=frozenset({"sequence-unusable", "wrong-group", "line-faulty"}),
            but=frozenset({"universe-missing"}),
        ),
        Reach(
            SOURCE,
            effects=frozenset({Effect.STREAM_TROUBLE, Effect.SILENCE}),
            causes=frozenset({"multicast-lost", "network-lost", "source-lost", "stream-terminated"}),
        ),
        Reach(NETWORK, rules=frozenset({"querier-absent"}), causes=frozenset({"multicast-lost"})),
        *ITS_DATA_ELSEWHERE,
        begins_at_a_moment=True,
    ),
    measured=LOSS_TIMEOUTS,
    source="ANSI E1.31-2018 6.7.1 (loss and termination); Art-Net: common practice, no source",
    faults=(
        *("F01", "F02", "F03", "F04", "F05", "F06", "F07", "F08", "F09", "F10"),
        *(f"F{n}" for n in range(16, 32)),
    ),
    next_checks=(
        "Look at the screen of the source: is it running, and does it list this universe as sent?",
        "Look at the link lamps of the source's network socket and of its switch port.",
        LOOK_AT_STAGE,
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Reseat the source's network lead at both ends, then try another lead and another switch port.",
        "Read the switch's group table and log for this port.",
    ),
    touch_nothing_for=LEAD_WORKS,
)
