"""Two devices claim one address in turn."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.neighbours import CONTEST_NS
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity

Contested = tuple[int, str]
"""Network and address."""


@dataclass(frozen=True, slots=True)
class DuplicateAddressParameters(RuleParameters):
    off_delay_s: float = number(60.0, "time without a change of device before the incident closes")
    window_s: float = number(60.0, "time for which a change of device counts", "RFC 5227")


@dataclass(frozen=True, slots=True)
class DuplicateAddressFacts(Facts):
    address: str
    macs: str


def is_any_contested(ctx: RuleContext) -> bool:
    """Whether two devices ever claimed one address."""
    return bool(ctx.listener.neighbours.contested)


def contested_addresses(ctx: RuleContext, p: DuplicateAddressParameters) -> dict[Contested, None]:
    window_ns = ns_from_s(p.window_s)
    return {key: None for key, seen_ns in ctx.listener.neighbours.contested.items() if ctx.now_ns - seen_ns < window_ns}


def describe_contested(ctx: RuleContext, key: Contested) -> Finding:
    network, address = key
    macs = ctx.listener.neighbours.rivals(network, address)
    sources = tuple(row for row in ctx.sources if ctx.sources[row].address == address)
    return Finding(
        group=f"address:{ctx.network_name(network)}:{address}",
        since_ns=0,
        sources=sources,
        networks=(network,),
        facts=DuplicateAddressFacts(address, wording.list_names(macs)),
        evidence=(f"{wording.list_names(macs)} claimed {address} in turn.",),
    )


def bind(setup: RuleSetup, p: DuplicateAddressParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(KEYS, partial(contested_addresses, p=p), describe_contested, EVERY_SECOND_NS, is_any_contested),
    )


RULE = Rule(
    name="duplicate-address",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    short=ShortWords("one address, two devices", "{n} addresses used twice", look="Find out which device has it"),
    sentence="Several devices use the address {address} in turn: {macs}.",
    found_after=("window_s",),
    judged_by=judged_by(DuplicateAddressParameters(), bind),
    facts=DuplicateAddressFacts,
    names_universes=False,
    measured=(
        Threshold(
            "contest_s",
            CONTEST_NS / NANOSECONDS,
            "time within which the address moves to another device and back",
            "RFC 5227",
        ),
    ),
    source="RFC 5227",
    faults=("F34",),
    may_exceed_note=False,
    next_checks=("Find out which device has this address on its panel; the evidence has the hardware addresses.",),
)
