"""A switch port that the show depends on runs slowly, or at half duplex."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.cabling import PortKey
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.switches import PortRecord
from slotwatch.judge.ways import last_show, ports_in_use
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class PortSlowParameters(RuleParameters):
    slow_mbps: int = number(10, "speed in Mbit/s that is slow whatever it was before")
    on_delay_s: float = number(5.0, "time that it runs like this before the incident opens")


@dataclass(frozen=True, slots=True)
class PortSlowFacts(Facts):
    port: str
    runs: str
    hangs: str


class SlowPorts:
    """Ports in use that run slowly."""

    def __init__(self, p: PortSlowParameters) -> None:
        self._p = p

    def slow(self, ctx: RuleContext) -> dict[PortKey, None]:
        """Give the ports that are up and slow, of half duplex, or slower than at the last show."""
        found: dict[PortKey, None] = {}
        for key in ctx.once(ports_in_use):
            record = ctx.listener.switches.get(key[0])
            port = record.ports.get(key[1]) if record and record.answers else None
            if port is not None and port.port.up and self.slowness(ctx, key[0], port):
                found[key] = None
        last_show(ctx)  # keeps what this pass sees, also where nothing is compared
        return found

    def slowness(self, ctx: RuleContext, switch: str, port: PortRecord) -> str:
        """Say what is slow about a port; empty: nothing is."""
        speed, own = port.port.speed_mbps, port.port
        before = ctx.listener.last_show.speed_mbps(switch, own.name)
        words = ["at half duplex"] if own.half_duplex else []
        if speed is not None and speed <= self._p.slow_mbps:
            words.append(f"at {speed} Mbit/s")
        elif speed is not None and before is not None and speed < before:
            # While a show runs, that may be the last one or this one.
            words.append(f"at {speed} Mbit/s, where it ran at {before} Mbit/s in a show")
        return " and ".join(words)

    def describe(self, ctx: RuleContext, key: PortKey) -> Finding:
        record = ctx.listener.switches.get(key[0])
        port = record.ports.get(key[1]) if record else None
        names = ctx.once(ports_in_use).get(key, [])
        return Finding(
            group=f"port:{key[0]}:{key[1]}",
            since_ns=0,
            sources=tuple(row for row in ctx.sources if ctx.source_name(row) in names),
            facts=PortSlowFacts(
                f"Port {port.port.name if port else key[1]} of switch {key[0]}",
                self.slowness(ctx, key[0], port) if port else "",
                f"On it: {wording.list_names(names)}." if names else "",
            ),
            evidence=("The switch reports this speed.",),
            cause="port",
            also_possible=("the other end supports no more",),
        )


def bind(setup: RuleSetup, p: PortSlowParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("switches"):
        return ()
    ports = SlowPorts(p)
    return (RuleBinding(KEYS, ports.slow, ports.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="port-slow",
    rule_class=RuleClass.FLOW,
    severity=Severity.NOTE,
    sentence="{port} runs {runs}. {hangs}",
    short=ShortWords("a switch port is slow", "{n} switch ports are slow"),
    judged_by=judged_by(PortSlowParameters(), bind),
    facts=PortSlowFacts,
    names_universes=False,
    may_exceed_note=False,
    source="RFC 2863 (ifHighSpeed), RFC 3635 (dot3StatsDuplexStatus); the limit: common practice, no source",
    faults=("F27",),
    next_checks=("Check whether both ends of this lead are set to negotiate their speed.",),
    next_checks_quiet=(f"{CLEAR_FIRST} Change the lead: one broken pair leaves 10 or 100 Mbit/s.",),
)
