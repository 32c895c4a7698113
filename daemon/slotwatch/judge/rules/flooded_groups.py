"""Multicast groups arrive that this listener did not ask for: a switch floods them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge.binding import EVERY_SECOND_NS, STREAMS, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import UNIVERSE, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_live
from slotwatch.model.destinations import Destination
from slotwatch.snapshot import Confidence, Severity

REFRESH_S = 10.0


@dataclass(frozen=True, slots=True)
class FloodedGroupsParameters(RuleParameters):
    on_delay_s: float = number(10.0, "time that it arrives before the incident opens")


@dataclass(frozen=True, slots=True)
class FloodedGroupsFacts(Facts):
    network: str
    why: str


def is_known_what_was_asked(ctx: RuleContext) -> bool:
    """Whether any stream is live, and it is known which groups this listener asks for."""
    listen = ctx.house.listen
    is_known = bool(ctx.listener.joins) or listen.join == "none"
    return is_known and listen.vantage != "mirror" and is_any_live(ctx)


def is_flooded(ctx: RuleContext) -> Mask:
    """E1.31 groups that arrive although this listener did not ask for them."""
    streams = ctx.streams
    if not is_known_what_was_asked(ctx):
        return np.zeros(streams.count, np.bool_)
    own_group = ctx.live_e131 & (streams.destination_kind == Destination.OWN_GROUP)
    flooded: Mask = own_group & (ctx.universes.joined[streams.universe] == 0)
    return flooded


def describe_flooded(ctx: RuleContext, row: int) -> Finding:
    network = int(ctx.streams.network[row])
    why, whose = "this computer did not join: a switch floods multicast", "which this computer did not join"
    also = "another program on this computer joined these groups"
    if ctx.listener.is_recording:
        whose = "which the recording computer may have joined"
        also = "the recording computer joined these groups"
        why = "the house file does not join: unless the recording computer joined them, a switch floods multicast"
        if ctx.house.listen.join != "none":
            why = (
                "the house file does not declare: unless the recording computer joined them, a switch floods multicast"
            )
    return Finding(
        group=f"network:{ctx.network_name(network)}",
        since_ns=int(ctx.streams.first_frame_ns[row]),
        universes=(ctx.universe_of(row),),
        networks=(network,),
        facts=FloodedGroupsFacts(ctx.network_name(network), why),
        evidence=(f"{ctx.universe_name(ctx.universe_of(row))} arrives in its own group, {whose}.",),
        also_possible=(also,),
        confidence=Confidence.MEDIUM,
    )


def bind(setup: RuleSetup, p: FloodedGroupsParameters) -> tuple[RuleBinding, ...]:
    subject = is_known_what_was_asked
    return (RuleBinding(STREAMS, is_flooded, describe_flooded, EVERY_SECOND_NS, subject, refresh_s=REFRESH_S),)


RULE = Rule(
    name="flooded-groups",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    short=ShortWords("groups flooded", "{n} groups flooded", look="Look at the switch's settings"),
    sentence="Network {network} carries {universes}, which {why}.",
    judged_by=judged_by(FloodedGroupsParameters(), bind),
    facts=FloodedGroupsFacts,
    explains=Explains(
        130,
        # What came only because a switch flooded it ends with the flood: no loss.
        Reach(UNIVERSE, rules=frozenset({"universe-lost"})),
        by_its_end=True,
    ),
    source="RFC 4541 2.1 (what a snooping switch forwards)",
    faults=("F19", "F20", "F23"),
    may_exceed_note=False,
    next_checks=("Look at the switch: is snooping on, with a querier, and is its group table full?",),
)
