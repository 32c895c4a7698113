"""A switch port that the show depends on runs slowly, or at half duplex."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.house.schema import Phase
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.cabling import PortKey
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule import CLEAR_FIRST, Facts, Rule, RuleClass, RuleParameters, ShortWords, judged_by, number
from slotwatch.judge.switches import PortRecord
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class PortSlowParameters(RuleParameters):
    slow_mbps: int = number(10, "speed in Mbit/s that is slow whatever it was before")
    on_delay_s: float = number(5.0, "time it runs so")


@dataclass(frozen=True, slots=True)
class PortSlowFacts(Facts):
    port: str
    runs: str
    hangs: str


class SlowPorts:
    """Ports in use that run slowly; the speed of the last show is kept with each port."""

    def __init__(self, p: PortSlowParameters) -> None:
        self._p = p
        self._show_ns = 0

    def slow(self, ctx: RuleContext) -> dict[PortKey, None]:
        """Give the ports that are up and slow, of half duplex, or slower than at the last show."""
        is_new = ctx.phase is Phase.SHOW and ctx.phase_since_ns != self._show_ns
        if is_new:
            self._show_ns = ctx.phase_since_ns
        found: dict[PortKey, None] = {}
        for key in ctx.ports_in_use:
            record = ctx.listener.switches.get(key[0])
            port = record.ports.get(key[1]) if record and record.answers else None
            if port is not None and is_new:
                port.show_counted = port.counted
            if port is None or not port.port.up:
                continue
            if self.said_of(port):
                found[key] = None
            if ctx.phase is Phase.SHOW and port.port.speed_mbps:
                port.show_mbps = max(port.port.speed_mbps, 0 if is_new else port.show_mbps or 0)
        return found

    def said_of(self, port: PortRecord) -> str:
        """Say what is slow about a port; empty: nothing is."""
        speed, own = port.port.speed_mbps, port.port
        said = []
        if speed is not None and speed <= self._p.slow_mbps:
            said.append(f"at {speed} Mbit/s")
        elif speed is not None and port.show_mbps is not None and speed < port.show_mbps:
            said.append(f"at {speed} Mbit/s, where it ran at {port.show_mbps} Mbit/s at the last show")
        if own.half_duplex:
            said.append("at half duplex")
        return " and ".join(said)

    def describe(self, ctx: RuleContext, key: PortKey) -> Finding:
        record = ctx.listener.switches.get(key[0])
        port = record.ports.get(key[1]) if record else None
        names = ctx.ports_in_use.get(key, [])
        return Finding(
            group=f"port:{key[0]}:{key[1]}",
            since_ns=0,
            sources=tuple(row for row in ctx.sources if ctx.source_name(row) in names),
            facts=PortSlowFacts(
                f"Port {port.port.name if port else key[1]} of switch {key[0]}",
                self.said_of(port) if port else "",
                f"On it: {wording.list_names(names)}." if names else "",
            ),
            evidence=("As the switch says.",),
            cause="port",
            also_possible=("the other end is made for no more",),
        )


def bind(setup: RuleSetup, p: PortSlowParameters) -> tuple[RuleBinding, ...]:
    if not setup.house.switches:
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
    next_checks=("Look whether both ends of this lead are set to negotiate their speed.",),
    next_checks_quiet=(f"{CLEAR_FIRST} Change the lead: one broken pair leaves 10 or 100 Mbit/s.",),
)
