"""Packets arrive damaged: the kernel drops them for their wrong checksum, and this computer is not at fault."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import ANYWHERE, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.windows import LOST
from slotwatch.snapshot import Confidence, Severity

MOST_NAMED = 4
ALL_OF_THEM, SOME_OF_THEM = "damaged", "damaged-beside"
"""Causes: as many came damaged as are missing, or more are missing than came damaged."""


@dataclass(frozen=True, slots=True)
class DamagedPacketsParameters(RuleParameters):
    window_s: float = number(10.0, "time in which damaged packets are counted")
    packets: int = number(5, "fewest damaged packets that count")
    missing_ratio: float = number(0.5, "damaged packets over missing frames from which the damage explains them")


@dataclass(frozen=True, slots=True)
class DamagedPacketsFacts(Facts):
    count: int
    missing_frames: str


def is_any_known(ctx: RuleContext) -> bool:
    """Whether any packet ever came damaged."""
    return ctx.listener.damage.last_ns > 0


def is_damaged(ctx: RuleContext, p: DamagedPacketsParameters) -> dict[str, None]:
    """Enough packets came with a wrong checksum in the window."""
    damage = ctx.listener.damage
    if damage.since(ctx.now_ns - ns_from_s(p.window_s)) < p.packets:
        return {}
    return {"damaged": None}


def describe_damage(ctx: RuleContext, key: str, p: DamagedPacketsParameters) -> Finding:
    damage = ctx.listener.damage
    count = damage.since(ctx.now_ns - ns_from_s(p.window_s))
    # A window that runs out on one side of the comparison and not on the other makes no difference to a ratio of half.
    lost = np.where(ctx.live, ctx.counted((LOST,), p.window_s), 0)
    missing = int(lost.sum())
    evidence = [
        f"{count:,} packets in {p.window_s:g} s had a wrong UDP checksum, {damage.total:,} since the start. "
        "This computer's receive buffers were not full.",
    ]
    if missing:
        evidence.append(f"{missing} frames of {_say_whose(ctx, lost)} are missing by sequence number in the same time.")
    return Finding(
        group="damage",
        since_ns=damage.since_ns,
        facts=DamagedPacketsFacts(
            count, f" Frames of {_say_whose(ctx, lost)} are missing at the same time." if missing else ""
        ),
        evidence=tuple(evidence),
        cause=ALL_OF_THEM if count >= p.missing_ratio * missing else SOME_OF_THEM,
        confidence=Confidence.HIGH,
        also_possible=("a sender that computes wrong checksums", "this computer's network card, which damages them"),
        weight=float(count),
    )


def _say_whose(ctx: RuleContext, lost: NDArray[np.int64]) -> str:
    """Say whose frames are missing, and on which network. The kernel does not say whose were damaged."""
    rows = np.flatnonzero(lost).tolist()
    names = ctx.say_sources(ctx.sources_of(rows))
    more = len(names) - MOST_NAMED
    named = wording.list_names(names[:MOST_NAMED] + ([f"{more} more"] if more > 0 else []))
    networks = sorted({int(ctx.streams.network[row]) for row in rows})
    where = ""
    if len(ctx.house.networks) > 1:
        plural = "networks" if len(networks) > 1 else "network"
        where = f" on {plural} {wording.list_names(ctx.network_name(network) for network in networks)}"
    return named + where


def bind(setup: RuleSetup, p: DamagedPacketsParameters) -> tuple[RuleBinding, ...]:
    # The kernel counts them whether this program reads or not: a moment that is not judged leaves them as they are.
    return (RuleBinding(KEYS, partial(is_damaged, p=p), partial(describe_damage, p=p), TICK_NS, is_any_known),)


RULE = Rule(
    name="damaged-packets",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("packets arrive damaged", "packets arrive damaged", look="Look at leads and switch ports"),
    sentence="Packets have arrived damaged since {since}: {count} in {window_s:g} s have a wrong checksum. "
    "Something on the path damages them; this computer's receive buffers were not full.{missing_frames}",
    judged_by=judged_by(DamagedPacketsParameters(), bind),
    facts=DamagedPacketsFacts,
    explains=Explains(
        186,
        Reach(ANYWHERE, rules=frozenset({"packet-loss", "uneven-refresh"}), causes=frozenset({ALL_OF_THEM})),
        begins_at_a_moment=True,
    ),
    names_universes=False,
    source="RFC 768 (checksum), RFC 1122 4.1.3.4 (a datagram with a wrong one is dropped)",
    faults=("F27",),
    next_checks=(
        "Look at the switches for ports that count errors, from the sources to this computer.",
        "Check whether other listeners of the house count damaged packets too.",
        "Run `slotwatch host`: it shows what the network card does with checksums.",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Change the lead with the most errors, then try another switch port.",),
)
