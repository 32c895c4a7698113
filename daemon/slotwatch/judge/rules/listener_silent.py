"""Another listener of the house is not reached: nothing is compared with it, and no source is at fault."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class ListenerSilentParameters(RuleParameters):
    silence_s: float = number(30.0, "time without an answer")
    off_delay_s: float = number(3.0, "time it answers again before the incident closes")


@dataclass(frozen=True, slots=True)
class ListenerSilentFacts(Facts):
    listener: str
    reason: str


def silent_listeners(ctx: RuleContext, p: ListenerSilentParameters) -> dict[str, None]:
    """Declared listeners that were asked and did not answer for this long. A replay asks none."""
    found: dict[str, None] = {}
    for declared in ctx.house.listeners:
        other = ctx.listener.elsewhere.get(declared.name)
        if other is None or other.reached_ns >= other.asked_ns:
            continue
        if ctx.now_ns - max(other.reached_ns, ctx.started_ns) >= ns_from_s(p.silence_s):
            found[declared.name] = None
    return found


def describe_silent_listener(ctx: RuleContext, name: str) -> Finding:
    other = ctx.listener.elsewhere.get(name)
    reason = other.reason if other else ""
    return Finding(
        group=f"listener:{name}",
        since_ns=max(other.reached_ns if other else 0, ctx.started_ns),
        facts=ListenerSilentFacts(name, f": {reason}" if reason else ""),
        evidence=("Without its answers, the show is judged by what is heard here.",),
        cause="not-reached",
    )


def bind(setup: RuleSetup, p: ListenerSilentParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("listeners"):
        return ()
    return (RuleBinding(KEYS, partial(silent_listeners, p=p), describe_silent_listener, EVERY_SECOND_NS),)


RULE = Rule(
    name="listener-silent",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    short=ShortWords("other listener silent", "{n} listeners silent", look="Look at the other listener"),
    sentence="The listener {listener} has not been reached since {since}{reason}. Nothing is compared with it.",
    found_after=("silence_s",),
    judged_by=judged_by(ListenerSilentParameters(), bind),
    facts=ListenerSilentFacts,
    names_universes=False,
    faults=(),
    may_exceed_note=False,
    next_checks=("Look at the other computer: has it power and a network, and does its own page open?",),
)
