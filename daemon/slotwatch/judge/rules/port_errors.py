"""A switch port that the show depends on counts errors or discarded frames."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.cabling import PortKey
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.switches import PortRecord
from slotwatch.judge.ways import ports_in_use
from slotwatch.snapshot import Confidence, Severity


@dataclass(frozen=True, slots=True)
class PortErrorsParameters(RuleParameters):
    errors: int = number(10, "errors and discarded frames in one window that are still accepted")
    window_s: float = number(60.0, "time in which they are counted")
    windows: int = number(2, "windows in a row with more than that")
    stale_s: float = number(120.0, "age of the newest count beyond the time between two polls")


@dataclass(frozen=True, slots=True)
class PortErrorsFacts(Facts):
    port: str
    counted: int
    hangs: str


def ports_with_errors(ctx: RuleContext, p: PortErrorsParameters) -> dict[PortKey, None]:
    found: dict[PortKey, None] = {}
    for declared in ctx.house.switches:
        record = ctx.listener.switches.get(declared.name)
        if record is None:
            continue
        stale_ns = ns_from_s(p.stale_s + declared.poll_s)
        for switch, index in ctx.once(ports_in_use):
            port = record.ports.get(index) if switch == declared.name else None
            if port is None or not port.counts or ctx.now_ns - port.counts[-1][0] > stale_ns:
                continue
            if all(count > p.errors for count in counts_by_window(port, p)):
                found[switch, index] = None
    return found


def counts_by_window(port: PortRecord, p: PortErrorsParameters) -> list[float]:
    """Errors of the last windows, the newest first, each as if its polls lay exactly a window apart; 0: not known."""
    window_ns, last_ns = ns_from_s(p.window_s), port.counts[-1][0]
    found = []
    for back in range(int(p.windows)):
        counted = port.counted_in(last_ns - (back + 1) * window_ns, last_ns - back * window_ns)
        found.append(0.0 if counted is None else counted[0] * window_ns / max(window_ns, counted[1]))
    return found


def describe_errors(ctx: RuleContext, key: PortKey, p: PortErrorsParameters) -> Finding:
    switch, index = key
    record = ctx.listener.switches.get(switch)
    port = record.ports.get(index) if record else None
    names = ctx.once(ports_in_use).get(key, [])
    counts = counts_by_window(port, p) if port and port.counts else [0.0]
    errors, discards = port.raw if port else (None, None)
    sources = [row for row in ctx.sources if ctx.source_name(row) in names]
    half = port is not None and port.port.half_duplex
    return Finding(
        group=f"port:{switch}:{index}",
        since_ns=port.counts[-1][0] - ns_from_s(p.window_s * p.windows) if port and port.counts else 0,
        sources=tuple(sources),
        facts=PortErrorsFacts(
            f"Port {port.port.name if port else index} of switch {switch}",
            round(counts[0]),
            f"On it: {wording.list_names(names)}." if names else "",
        ),
        evidence=(
            f"In spans of {p.window_s:g} s, the newest first: {wording.list_names(str(round(one)) for one in counts)}.",
            f"Counted by the switch so far: {wording.count(errors or 0, 'error')}, "
            f"{wording.count(discards or 0, 'discarded frame')}.",
            *(("The port runs at half duplex: only one end can send at a time.",) if half else ()),
        ),
        cause="port",
        confidence=Confidence.HIGH,
        also_possible=(
            "the socket or the lead at the other end",
            "more traffic than the port can carry, if frames are discarded",
        ),
        weight=counts[0],
    )


def bind(setup: RuleSetup, p: PortErrorsParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("switches"):
        return ()
    condition, describe = partial(ports_with_errors, p=p), partial(describe_errors, p=p)
    return (RuleBinding(KEYS, condition, describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="port-errors",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    sentence="{port} counts errors or discards frames: {counted} in the last {window_s:g} s. {hangs}",
    short=ShortWords(
        "a switch port counts errors",
        "{n} switch ports count errors",
        look="Look at the port's speed and lead",
        audience=2,
    ),
    found_after=("window_s", "stale_s"),
    judged_by=judged_by(PortErrorsParameters(), bind),
    facts=PortErrorsFacts,
    names_universes=False,
    source="RFC 2863 (ifInErrors, ifOutErrors, ifInDiscards, ifOutDiscards); the limit: common practice, no source",
    faults=("F27",),
    next_checks=(
        "Look at the port: does its speed agree with the other end's, at full duplex?",
        "Check whether video or audio shares it.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Change the lead of this port, then use another port.",),
)
