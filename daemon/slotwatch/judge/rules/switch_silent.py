"""A switch of the house does not answer: nothing is known of its ports, and no source is accused."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.cabling import SwitchPlace, say_port
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.ways import cabling_of
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class SwitchSilentParameters(RuleParameters):
    polls: int = number(3, "polls in a row without an answer")
    off_delay_s: float = number(3.0, "time it answers again before the incident closes")


@dataclass(frozen=True, slots=True)
class SwitchSilentFacts(Facts):
    switch: str
    reason: str


def silent_switches(ctx: RuleContext, p: SwitchSilentParameters) -> dict[str, None]:
    """Declared switches that were asked and did not answer this often in a row. A replay asks none."""
    found: dict[str, None] = {}
    for declared in ctx.house.switches:
        record = ctx.listener.switches.get(declared.name)
        if record is not None and record.missed >= p.polls:
            found[declared.name] = None
    return found


def describe_silent_switch(ctx: RuleContext, name: str) -> Finding:
    record = ctx.listener.switches.get(name)
    ports = ports_down_to(ctx, name)
    if ports:
        reason = f"{wording.list_names(ports)}, which {'leads' if len(ports) == 1 else 'lead'} to it, " + (
            "is down" if len(ports) == 1 else "are down"
        )
    else:
        reason = record.reason if record else ""
    return Finding(
        group=f"switch:{name}",
        since_ns=(record.first_missed_ns if record else 0) or ctx.now_ns,
        facts=SwitchSilentFacts(name, f": {reason}" if reason else ""),
        evidence=(
            "Without its answers, the show is judged by packets alone.",
            f"The last answer before that came at {ctx.time_of_day(record.answered_ns)}."
            if record and record.answered_ns
            else "It has not answered since this listener started.",
        ),
        cause="not-answered",
        next_checks=tuple(f"Look at {port} and at its other end: lamp, lead, plug." for port in ports),
    )


def ports_down_to(ctx: RuleContext, name: str) -> list[str]:
    """Name the ports of other switches that lead to this one, if they answer and all of these are down; else none."""
    found = []
    for link in cabling_of(ctx).links():
        if link.far != name:
            continue
        near = ctx.listener.switches.get(link.near[0])
        port = near.ports.get(link.near[1]) if near else None
        if near is None or port is None or not near.answers or port.port.up:
            return []
        found.append(say_port(port, SwitchPlace(*link.near, "snmp")))
    return found


def bind(setup: RuleSetup, p: SwitchSilentParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("switches"):
        return ()
    return (RuleBinding(KEYS, partial(silent_switches, p=p), describe_silent_switch, EVERY_SECOND_NS),)


RULE = Rule(
    name="switch-silent",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    sentence="Switch {switch} has not answered since {since}{reason}. The state of its ports is not known.",
    short=ShortWords(
        "a switch does not answer", "{n} switches do not answer", look="Check whether the switch has power"
    ),
    judged_by=judged_by(SwitchSilentParameters(), bind),
    facts=SwitchSilentFacts,
    names_universes=False,
    may_exceed_note=False,
    faults=("F24",),
    next_checks=(
        "Check whether the switch has power, and whether its management address answers from this computer.",
        "Compare the credentials file with what is set on the switch.",
    ),
)
