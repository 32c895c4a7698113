"""One stream misses more frames at one listener than at another: the path between them loses frames."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.elsewhere import declared_listener, say_page
from slotwatch.judge.explain import SOURCE, Effect, Explains, Reach
from slotwatch.judge.missing_shares import MissingShares, ShareKey, Shares
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.lost_between import places_of
from slotwatch.judge.shared_path import WAY_BETWEEN
from slotwatch.snapshot import Confidence, Severity


@dataclass(frozen=True, slots=True)
class LossBetweenParameters(RuleParameters):
    difference_ratio: float = number(0.01, "difference of the missing shares of one stream over which it is reported")
    window_s: float = number(10.0, "time over which both count")
    frames: int = number(100, "frames that must have been due in it at each listener")
    unknown_s: float = number(30.0, "time that it stays open while the other listener is blind or does not answer")


@dataclass(frozen=True, slots=True)
class LossBetweenFacts(Facts):
    places: str
    worse: str
    worse_percent: str
    better: str
    better_percent: str


class LossBetween:
    """Streams of which one listener misses more. What nobody can know for a while is no good end."""

    def __init__(self) -> None:
        self._shares = MissingShares()
        self._known: dict[ShareKey, Shares] = {}

    def find(self, ctx: RuleContext, p: LossBetweenParameters) -> dict[ShareKey, None]:
        self._shares.take(ctx)
        measured = self._shares.over(ctx, ns_from_s(p.window_s), p.frames)
        kept = {key: one for key, one in self._known.items() if key not in measured and _is_kept(ctx, key, one, p)}
        differ = {key: one for key, one in measured.items() if abs(one.here - one.there) > p.difference_ratio}
        self._known = {**differ, **kept}
        return dict.fromkeys(self._known)

    def holds(self, ctx: RuleContext) -> bool:
        """Whether a case may stay open because of what was known of it before."""
        return bool(self._known)

    def describe(self, ctx: RuleContext, key: ShareKey, p: LossBetweenParameters) -> Finding:
        name, row, _ = key
        declared, one = declared_listener(ctx, name), self._known[key]
        universe, sender = ctx.universe_name(ctx.universe_of(row)), ctx.say_source(ctx.source_of(row))
        sides = sorted(((one.here, declared.own_name), (one.there, name)))
        (less, better), (more, worse) = sides
        return Finding(
            group=f"between:{name}:{worse}",
            since_ns=one.since_ns,
            universes=(ctx.universe_of(row),),
            streams=(row,),
            networks=(int(ctx.streams.network[row]),),
            facts=LossBetweenFacts(places_of(better, worse), worse, f"{100 * more:.1f}", better, f"{100 * less:.1f}"),
            evidence=(
                f"{universe} from {sender}, missing by sequence number over {p.window_s:g} s: "
                f"{100 * more:.1f} % at {worse}, {100 * less:.1f} % at {better}.",
                say_page(declared),
            ),
            cause=WAY_BETWEEN,
            confidence=Confidence.HIGH,
            also_possible=(f"the computer or the switch port of {worse} alone",),
            weight=more - less,
            last_ns=one.last_ns,
        )


def _is_kept(ctx: RuleContext, key: ShareKey, one: Shares, p: LossBetweenParameters) -> bool:
    """Whether the other listener is still declared and this is still the stream of which nothing newer is known."""
    name, row, generation = key
    return (
        ctx.now_ns - one.to_ns <= ns_from_s(p.unknown_s)
        and bool(ctx.live[row])
        and int(ctx.streams.generation[row]) == generation
        and any(declared.name == name for declared in ctx.house.listeners)
    )


def bind(setup: RuleSetup, p: LossBetweenParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("listeners"):
        return ()
    between = setup.lasting(LossBetween)
    condition, describe = partial(between.find, p=p), partial(between.describe, p=p)
    return (
        RuleBinding(KEYS, condition, describe, EVERY_SECOND_NS, blind_window_s=p.window_s, remembers=between.holds),
    )


RULE = Rule(
    name="loss-between",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} loses on the way", "{n} lose frames on the way", look="Look at the switches between"),
    sentence="{universes}{from_sender}: {worse} misses {worse_percent} % of the frames, {better} {better_percent} %. "
    "They are lost between {places}.",
    judged_by=judged_by(LossBetweenParameters(), bind),
    facts=LossBetweenFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    # Of two that lose at random, one may be over its limit before the other.
    explains=Explains(
        185,
        Reach(
            SOURCE, rules=frozenset({"out-of-order", "packet-loss", "slow-refresh", "uneven-refresh", "unlike-usual"})
        ),
    ),
    source="ANSI E1.31-2018 6.7.2 (sequence numbers); the comparison: common practice, no source",
    faults=("F21",),
    next_checks=(
        "Look at the error and discard counters of the switch ports between the two listeners.",
        "Look at the uplinks between them: a bad lead, a half-duplex port, a full link.",
    ),
)
