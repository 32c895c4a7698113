"""A switch of the house restarted or was exchanged: what is connected to it was cut off meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.switches import Restart, RestartKind
from slotwatch.judge.ways import ports_in_use
from slotwatch.snapshot import Severity

Key = tuple[str, int]
"""Switch, and how often it has restarted since this listener asks it."""


@dataclass(frozen=True, slots=True)
class SwitchRestartedParameters(RuleParameters):
    shown_s: float = number(60.0, "time after it was noticed for which it is shown")


@dataclass(frozen=True, slots=True)
class SwitchRestartedFacts(Facts):
    what: str
    verdict: str


def restarted_switches(ctx: RuleContext, p: SwitchRestartedParameters) -> dict[Key, None]:
    found: dict[Key, None] = {}
    for declared in ctx.house.switches:
        record = ctx.listener.switches.get(declared.name)
        if record is not None and record.restart and ctx.now_ns - record.restart.seen_ns < ns_from_s(p.shown_s):
            found[declared.name, record.restarts] = None
    return found


def describe_restarted_switch(ctx: RuleContext, key: Key) -> Finding:
    name, _ = key
    record = ctx.listener.switches.get(name)
    restart = record.restart if record else None
    kind = restart.kind if restart else RestartKind.WHOLE
    hanging = sorted({one for (switch, _), names in ctx.once(ports_in_use).items() if switch == name for one in names})
    what, verdict = _WORDS[kind]
    began = f"Its up time begins at {ctx.time_of_day(restart.began_ns)}." if restart else ""
    before = ""
    if restart and kind is RestartKind.EXCHANGED:
        before = f"Until {ctx.time_of_day(restart.before_ns)} the device before it answered."
    return Finding(
        group=f"switch:{name}",
        since_ns=_since_ns(restart) if restart else ctx.now_ns,
        facts=SwitchRestartedFacts(what.format(switch=name), verdict),
        evidence=tuple(
            text
            for text in (
                before,
                began,
                f"On its ports: {wording.list_names(hanging)}." if hanging else "",
            )
            if text
        ),
        cause=str(kind),
    )


_WORDS = {
    RestartKind.WHOLE: (
        "Switch {switch} restarted",
        "While a switch starts, what is connected to it is cut off.",
    ),
    RestartKind.MANAGEMENT: (
        "The management of switch {switch} restarted",
        "The switch itself did not restart, as its own clock shows: frames should not have stopped.",
    ),
    RestartKind.EXCHANGED: (
        "Another device than before answered as switch {switch}",
        "What is connected to the switch was cut off while it was exchanged.",
    ),
}


def _since_ns(restart: Restart) -> int:
    """When it began; of another device, when it first answered."""
    return restart.seen_ns if restart.kind is RestartKind.EXCHANGED else restart.moment.middle_ns


def bind(setup: RuleSetup, p: SwitchRestartedParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("switches"):
        return ()
    return (RuleBinding(KEYS, partial(restarted_switches, p=p), describe_restarted_switch, EVERY_SECOND_NS),)


RULE = Rule(
    name="switch-restarted",
    rule_class=RuleClass.LOSS,
    severity=Severity.WARNING,
    sentence="{what} at {since}. {verdict}",
    short=ShortWords("a switch restarted", "{n} switches restarted", look="Look at the supply of the switch"),
    judged_by=judged_by(SwitchRestartedParameters(), bind),
    facts=SwitchRestartedFacts,
    names_universes=False,
    tells_a_moment=True,
    source="RFC 3418 (sysUpTime), RFC 2790 (hrSystemUptime)",
    faults=("F24",),
    next_checks=(
        "Ask whether somebody restarted, updated or exchanged it.",
        "Look at its supply and at its log: a switch that restarts by itself may do it again.",
    ),
)
