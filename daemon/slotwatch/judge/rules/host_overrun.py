"""This computer lost packets before they were read, or did not get to judging."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import ANYWHERE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class HostOverrunParameters(RuleParameters):
    stall_s: float = number(1.0, "lateness of the judging loop that raises the rule")
    recent_s: float = number(1.0, "time for which a lost packet or a late judging loop counts")


@dataclass(frozen=True, slots=True)
class HostOverrunFacts(Facts):
    habit: str


def has_missed_any(ctx: RuleContext) -> bool:
    """Whether this computer ever lost packets or did not listen."""
    return bool(ctx.listener.lost_last_ns or ctx.listener.stalled_last_ns)


def overruns(ctx: RuleContext, p: HostOverrunParameters) -> dict[str, None]:
    listener, now_ns = ctx.listener, ctx.now_ns
    recent_ns = ns_from_s(p.recent_s)
    found: dict[str, None] = {}
    if listener.lost_last_ns and now_ns - listener.lost_last_ns < recent_ns:
        found["lost"] = None
    if listener.stalled_for_ns >= ns_from_s(p.stall_s) and now_ns - listener.stalled_last_ns < recent_ns:
        found["stall"] = None
    return found


def describe_overrun(ctx: RuleContext, key: str) -> Finding:
    listener = ctx.listener
    if key == "stall":
        late = wording.seconds(listener.stalled_for_ns)
        habit, evidence = f"had no time to judge for {late}", f"The judging loop was {late} late; packets waited."
        if listener.stalled_unheard:
            habit = f"did not listen for {late}"
            evidence = f"No process held the sockets for {late}: packets of that time are gone."
        return Finding(
            group="host",
            since_ns=listener.stalled_last_ns - listener.stalled_for_ns,
            facts=HostOverrunFacts(habit),
            evidence=(evidence,),
            cause="stall",
        )
    return Finding(
        group="host",
        since_ns=next(
            (interval.start_ns for interval in reversed(listener.not_judged) if interval.reason == "host-overrun"),
            listener.lost_last_ns,
        ),
        facts=HostOverrunFacts(f"lost {listener.lost_count} packets before they were read"),
        evidence=(
            f"{listener.kernel_drops} dropped by the kernel and {listener.ring_drops} overwritten in memory "
            "since the start; the network did not lose them.",
        ),
        cause="overflow",
        weight=1.0,
    )


def bind(setup: RuleSetup, p: HostOverrunParameters) -> tuple[RuleBinding, ...]:
    # Once more within the time in which lost packets count: the finding then names all of them.
    refresh_s = p.recent_s / 2
    return (RuleBinding(KEYS, partial(overruns, p=p), describe_overrun, TICK_NS, has_missed_any, refresh_s=refresh_s),)


RULE = Rule(
    name="host-overrun",
    rule_class=RuleClass.SELF,
    severity=Severity.WARNING,
    short=ShortWords("listener overrun", "listener overrun", look="Look at this computer's load"),
    sentence="This computer {habit}: data missing in that time is not judged and raises no fault against any source.",
    judged_by=judged_by(HostOverrunParameters(), bind),
    facts=HostOverrunFacts,
    explains=Explains(
        30,
        Reach(
            ANYWHERE,
            effects=frozenset({Effect.STREAM_TROUBLE, Effect.ABSENCE}),
            rules=frozenset({"backup-in-control", "preview-only"}),
        ),
        begins_at_a_moment=True,
    ),
    names_universes=False,
    faults=("F101", "F109"),
    next_checks=(
        "Check what else runs on this computer.",
        "Run `slotwatch host`: it names the command that makes the receive buffer larger.",
    ),
)
