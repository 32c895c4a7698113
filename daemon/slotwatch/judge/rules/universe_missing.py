"""A declared universe was not heard at all, or did not come back where it is needed."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.before import NOT_HEARD_NS
from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import ITS_DATA_ELSEWHERE, UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.homes import elsewhere, may_be_swapped
from slotwatch.judge.leg_causes import checks_of_wrong_network
from slotwatch.judge.legs import plain_names, say_networks
from slotwatch.judge.likeness import may_still_be
from slotwatch.judge.lists import say_lists
from slotwatch.judge.numbering_mistakes import look_alikes
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.passers_by import CARRIED_S, is_only_passed_by, only_passed_by
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.silences import HEARD_LATELY_S, awaited_ns, is_visible, say_awaited, seen_by_listener
from slotwatch.judge.subjects import declares_universes
from slotwatch.judge.without_levels import comes_without_levels, live_names
from slotwatch.snapshot import Confidence, Incident, Severity

_NEVER_HEARD = "not heard at all: declared and expected"
_HEARD_BEFORE = "still not heard after the restart of this listener"
_HEARD_UNTIL = "heard before the restart of this listener"
_HEARD_STRANGERS = "heard from undeclared sources only, and for a short while"
_THEN = "the restart at "
"""The frame that came last may have come before it: nobody knows when."""
ALARM_PHASES = ("pre-show", "show")
REFRESH_S = 5.0
CHECKS_OF_AN_EMPTY_NETWORK = (
    "Look at the sources of this network: is any of them on and sending?",
    "Run `slotwatch host`: it checks this computer's interfaces and ports. A firewall here may drop the packets too.",
)


@dataclass(frozen=True, slots=True)
class UniverseMissingParameters(RuleParameters):
    start_s: float = number(
        10.0, "time allowed before everything declared must be heard, at the start or once a phase needs it"
    )


@dataclass(frozen=True, slots=True)
class UniverseMissingFacts(Facts):
    heard: str
    then: str
    looks_like: str


def is_missing(ctx: RuleContext, p: UniverseMissingParameters) -> Mask:
    """Declared, expected, visible, and no frame for the rule's time since the start, or since it began to matter."""
    universes, start_ns = ctx.universes, ns_from_s(p.start_s)
    wanted: Mask = universes.used & (universes.declared >= 0) & universes.expected & (universes.live == 0)
    if not np.count_nonzero(wanted):
        return wanted
    since_ns = awaited_ns(ctx)
    for network in ctx.listener.links:
        here = universes.network == network
        since_ns[here] = np.maximum(since_ns[here], ctx.listener.silence_counts_from_ns(network))
    unheard = universes.last_arrival_ns == 0
    unheard |= only_passed_by(ctx, wanted & ~unheard)
    missing = wanted & unheard & (ctx.now_ns - since_ns >= start_ns)
    if ctx.phase in ALARM_PHASES and ctx.now_ns - ctx.phase_since_ns >= start_ns:
        # Closed in a phase with lower severities, which is in order, and not back where it is needed.
        missing |= wanted & ctx.terminated & (universes.last_arrival_ns < ctx.phase_since_ns)
    return seen_by_listener(ctx, missing & is_visible(ctx))


def is_just_due(ctx: RuleContext, p: UniverseMissingParameters) -> bool:
    """Whether the time given to a house ends within a second, or ended within the last."""
    expected = ((ctx.universes.declared >= 0) & ctx.universes.expected).nonzero()[0]
    if not len(expected):
        return False
    past_start_ns = ctx.now_ns - awaited_ns(ctx, expected) - ns_from_s(p.start_s)
    return bool(np.count_nonzero((past_start_ns > -NANOSECONDS) & (past_start_ns < NANOSECONDS)))


@dataclass(frozen=True, slots=True)
class _PastOfUniverse:
    """What is known of a missing universe's past."""

    since_ns: int
    earlier: Incident | None
    """Its loss from before a restart, which lasts."""
    heard: str
    then: str
    evidence: tuple[str, ...]

    def facts(self, looks_like: str) -> UniverseMissingFacts:
        return UniverseMissingFacts(self.heard, self.then, looks_like)

    @property
    def suffix(self) -> str:
        """What tells its group from that of a universe that was never heard."""
        if self.earlier:
            return f" of {self.earlier.id}"
        return {_HEARD_UNTIL: " heard before", _HEARD_STRANGERS: " from strangers"}.get(self.heard, "")


def _past_of(ctx: RuleContext, row: int) -> _PastOfUniverse:
    last_ns = int(ctx.universes.last_arrival_ns[row])
    earlier = None if last_ns else ctx.earlier_loss(row)
    awaited = int(awaited_ns(ctx, [row])[0])
    since_ns = earlier.began_ns if earlier else last_ns or awaited
    at_start = say_awaited(ctx, row) if since_ns == awaited else ""
    evidence = [f"{ctx.universe_name(row)}: no frame since {ctx.time_of_day(since_ns)}{at_start}."]
    if int(ctx.universes.last_preview_ns[row]):
        evidence.append("Only preview data came on it, which no receiver shows.")
    before_ns = int(ctx.heard_before_ns[row])
    heard, then = _NEVER_HEARD, ""
    if last_ns and is_only_passed_by(ctx, row):
        declared = ctx.declared_universe(row)
        names = wording.list_names(declared.sources if declared else ())
        heard = _HEARD_STRANGERS
        evidence.append(f"{ctx.universe_name(row)}: not heard from {names} since this listener started.")
    elif earlier:
        heard = _HEARD_BEFORE
        evidence.append(f"Before this listener restarted: {earlier.summary}")
    elif before_ns != NOT_HEARD_NS and not last_ns:
        heard, then = _HEARD_UNTIL, _THEN if since_ns == ctx.started_ns else ""
        evidence.append(
            f"Before this listener restarted it was heard, in the minute from {ctx.time_of_day(before_ns)}."
        )
    return _PastOfUniverse(since_ns, earlier, heard, then, tuple(evidence))


@dataclass(slots=True)
class _Clues:
    """What is found about where the data of a missing universe are."""

    evidence: list[str]
    checks: tuple[str, ...]
    """What to look at next; the first that gives any is followed."""
    hint: str = ""
    """The end of the sentence."""
    also_possible: list[str] = field(default_factory=list)
    movers: Collection[int] = ()
    """Rows of sources that may be on the wrong network."""
    wrong: Collection[int] = ()
    """Indices of the networks that they are heard on."""


def describe_missing(ctx: RuleContext, row: int) -> Finding:
    declared = ctx.declared_universe(row)
    sources = declared.sources if declared else ()
    past = _past_of(ctx, row)
    silent_senders, what = comes_without_levels(ctx, row)
    if silent_senders:
        return _describe_without_levels(ctx, row, sources, past, silent_senders, what)
    earlier = past.earlier
    # While its source sends anything, it is not dead; and once it sends nothing, more than one lead is out.
    is_alive = not ctx.once(live_names).isdisjoint(sources)
    known = earlier if earlier and may_still_be(earlier.cause, is_alive=is_alive) else None
    # What another network hears is the other lead of a source that lost this one.
    strays = [] if known and known.cause == "leg-lost" else elsewhere(ctx, row)
    alike = [] if strays else look_alikes(ctx, row)
    clues = _Clues(list(past.evidence), known.next_checks if known else (), f" {alike[0]}" if alike else "")
    if strays:
        _follow_strays(ctx, row, strays, clues)
    heard = ctx.whole_sources(s for s in ctx.sources if ctx.sources[s].declared_as in sources)
    if sources and not heard:
        clues.also_possible.append("its source is off: nothing of it is heard at all")
    by_lists = say_lists(ctx, row, () if strays else heard)
    clues.evidence += by_lists.evidence
    clues.also_possible += by_lists.also_possible
    clues.hint += "" if alike else by_lists.hint
    if by_lists.elsewhere and known is None:
        # A source that one network alone hears may be on the wrong one, unless it is known to have lost the other.
        clues.movers = by_lists.elsewhere
        clues.wrong = {network for on in by_lists.elsewhere.values() for network in on}
    _say_what_to_check(ctx, row, clues, by_lists.without_lead)
    is_elsewhere = bool(clues.movers)
    return Finding(
        group=_group(sources, past, is_elsewhere=is_elsewhere, is_known=known is not None),
        since_ns=past.since_ns,
        universes=(row,),
        source_names=sources,
        networks=(int(ctx.universes.network[row]),),
        facts=past.facts(clues.hint),
        evidence=(*clues.evidence, *alike),
        cause="wrong-network" if is_elsewhere else known.cause if known else "",
        confidence=known.confidence if known else Confidence.CERTAIN,
        next_checks=clues.checks,
        also_possible=tuple(clues.also_possible),
    )


def _follow_strays(ctx: RuleContext, row: int, strays: Sequence[int], clues: _Clues) -> None:
    """Say that its data arrive on another network. strays: rows of the universe there."""
    senders = {ctx.source_of(one) for stray in strays for one in ctx.streams_of(stray).tolist() if ctx.live[one]}
    clues.movers, clues.wrong = sorted(senders), {int(ctx.universes.network[stray]) for stray in strays}
    arrives = say_networks(ctx, sorted(clues.wrong))
    named = wording.list_names(ctx.say_sources(senders))
    clues.hint = f" The data arrives on {arrives} instead, from {named}."
    send = "sends" if len(ctx.whole_sources(senders)) == 1 else "send"
    clues.evidence.append(f"{named} {send} it on {arrives}, where it is not declared: a lead or a VLAN may be wrong.")
    home = int(ctx.universes.network[row])
    if len(clues.wrong) == 1 and may_be_swapped(ctx, (home, min(clues.wrong))):
        clues.also_possible.append(
            f"this listener's {say_networks(ctx, [home, *clues.wrong])} are swapped: nothing that is declared"
            " on only one of them is heard on it"
        )


def _say_what_to_check(ctx: RuleContext, row: int, clues: _Clues, without_lead: Collection[int]) -> None:
    """Choose what to look at next. without_lead: rows of sources that are heard on other networks than this one."""
    network = int(ctx.universes.network[row])
    if clues.movers:
        wrong = say_networks(ctx, sorted(clues.wrong))
        clues.checks = clues.checks or checks_of_wrong_network(plain_names(ctx, clues.movers), wrong)
    else:
        clues.also_possible.append("it is sent unicast to its receivers only, and is not visible from this port")
    is_heard = any(ctx.sources[source].network == network for source in ctx.sources)
    if not ctx.universes.last_arrival_ns[row] and not is_heard:
        clues.evidence.append(f"No source at all has been heard on network {ctx.network_name(network)}.")
        # A recording may be read on another computer than the one that made it.
        clues.checks = clues.checks or CHECKS_OF_AN_EMPTY_NETWORK[: 1 if ctx.listener.is_recording else None]
    if without_lead and not clues.movers:
        there = say_networks(ctx, [network])
        ports = "its switch port" if len(ctx.whole_sources(without_lead)) == 1 else "their switch ports"
        clues.checks = clues.checks or (
            f"Look at the lead of {plain_names(ctx, without_lead)} on {there}: link lamp at both ends.",
            f"Look at {ports} on {there}.",
        )


def _describe_without_levels(
    ctx: RuleContext, row: int, sources: tuple[str, ...], past: _PastOfUniverse, senders: tuple[int, ...], what: str
) -> Finding:
    """What comes on it never held levels there. senders: rows of sources."""
    named = wording.list_names(ctx.say_sources(senders))
    return Finding(
        group=f"{_group(sources, past)} without levels: {what} from {plain_names(ctx, senders)}",
        since_ns=past.since_ns,
        universes=(row,),
        source_names=sources,
        networks=(int(ctx.universes.network[row]),),
        facts=past.facts(f" Packets come there from {named} with {what}: they hold no levels that receivers may use."),
        evidence=past.evidence,
        cause="universe-withdrawn",
        confidence=Confidence.HIGH,
        next_checks=(
            f"Look at the output settings of {plain_names(ctx, senders)}: blind or preview mode, start code.",
            "Look at the stage: do the lights on these universes follow?",
        ),
    )


def _group(
    sources: tuple[str, ...], past: _PastOfUniverse, *, is_elsewhere: bool = False, is_known: bool = False
) -> str:
    """What is missing together: of one source, in one way; and lost before a restart as one incident of one cause."""
    if past.earlier is not None and is_known:
        return f"missing: of {past.earlier.id}"
    return "missing:" + ",".join(sources) + (" elsewhere" if is_elsewhere else "") + past.suffix


def bind(setup: RuleSetup, p: UniverseMissingParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            UNIVERSES,
            partial(is_missing, p=p),
            describe_missing,
            subject=declares_universes,
            refresh_s=REFRESH_S,
            is_wary=partial(is_just_due, p=p),
        ),
    )


RULE = Rule(
    name="universe-missing",
    rule_class=RuleClass.LOSS,
    severity=Severity.CRITICAL,
    short=ShortWords("{place} missing", "{n} universes missing", audience=6),
    sentence="{universes} {heard}, no frame since {then}{since}.{looks_like}",
    judged_by=judged_by(UniverseMissingParameters(), bind),
    facts=UniverseMissingFacts,
    effects=frozenset({Effect.ABSENCE, Effect.SILENCE}),
    explains=Explains(
        90,
        Reach(
            UNIVERSE,
            rules=frozenset(
                {
                    "backup-absent",
                    "receiver-differs",
                    "receiver-silent",
                    "short-frame",
                    "source-absent",
                    "universe-lost",
                }
            ),
        ),
        *ITS_DATA_ELSEWHERE,
    ),
    measured=(
        Threshold(
            "carried_s",
            CARRIED_S,
            "time that an undeclared source must send a universe, instead of declared ones, for its end to be a loss",
        ),
        Threshold(
            "heard_lately_s",
            HEARD_LATELY_S,
            "time for which a universe counts as visible from this port after it was heard",
        ),
    ),
    faults=("F10", "F11", "F49"),
    next_checks=(
        "Look at the source's output list: is this universe patched, switched on, and under this number?",
        "Compare how sender and receiver number universes: one may count from 0, the other from 1.",
        "Check whether the source sends unicast to its receivers only: then it is not visible from this port.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Start the devices in order: switches, then sources, then receivers.",),
)
