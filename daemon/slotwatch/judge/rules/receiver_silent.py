"""A declared receiver answered once, and no longer does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from ipaddress import ip_address, ip_network

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.house.schema import House, Receiver
from slotwatch.judge import ways
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import declares_receivers
from slotwatch.snapshot import Confidence, Severity
from slotwatch.snapshot.stage import ReceiverRow

MOST_REMEMBERED = 1024
"""Addresses of which it is remembered whether they are outside."""


@dataclass(frozen=True, slots=True)
class ReceiverSilentParameters(RuleParameters):
    silence_s: float = number(20.0, "time without a poll reply, or with a failed neighbour entry")
    polled_s: float = number(10.0, "time since the last poll within which silence counts")


@dataclass(frozen=True, slots=True)
class ReceiverSilentFacts(Facts):
    receiver: str
    address: str
    since: str
    feeds: str


@lru_cache(MOST_REMEMBERED)
def _is_outside(address: str, subnets: tuple[str, ...]) -> bool:
    """Whether an address is in none of some subnets; False where none of its kind is known."""
    one = ip_address(address)
    alike = [subnet for subnet in map(ip_network, subnets) if subnet.version == one.version]
    return bool(alike) and not any(one in subnet for subnet in alike)


class ReceiverAnswers:
    """Declared receivers that answered once, by poll replies or in the neighbour table, and no longer do."""

    def __init__(self, house: House, p: ReceiverSilentParameters) -> None:
        self._receivers = house.receivers
        self._by_name = {receiver.name: receiver for receiver in house.receivers}
        self._silence_ns = ns_from_s(p.silence_s)
        self._polled_ns = ns_from_s(p.polled_s)

    def silent(self, ctx: RuleContext) -> dict[str, None]:
        return {receiver.name: None for receiver in self._receivers if self._is_silent(ctx, receiver)}

    def _is_silent(self, ctx: RuleContext, receiver: Receiver) -> bool:
        answered_ns, failed_ns = self._last_answer(ctx, receiver)
        if not answered_ns or ctx.now_ns - answered_ns < self._silence_ns:
            return False
        if failed_ns > answered_ns:
            return ctx.now_ns - failed_ns >= self._silence_ns
        # It is not asked, so it does not answer: silence then means nothing.
        replied_ns, asked_ns = self._replies(ctx, receiver)
        return bool(replied_ns) and ctx.now_ns - asked_ns < self._polled_ns

    def rows(self, ctx: RuleContext) -> tuple[ReceiverRow, ...]:
        """Return each declared receiver with its state, in the order of the file."""
        return tuple(self._row(ctx, receiver) for receiver in self._receivers)

    def _row(self, ctx: RuleContext, receiver: Receiver) -> ReceiverRow:
        answered_ns, _ = self._last_answer(ctx, receiver)
        is_fresh = answered_ns and ctx.now_ns - answered_ns < self._silence_ns
        state = "silent" if self._is_silent(ctx, receiver) else "answers" if is_fresh else "not-known"
        text = ""
        if state == "not-known":
            text = "not known: nobody asks it now" if answered_ns else "not heard yet"
        elif state == "answers" and self._is_outside(ctx, receiver):
            text = "answers, from an address outside the network of this listener's interface"
        networks = range(max(1, len(ctx.house.networks)))
        return ReceiverRow(
            name=receiver.name,
            address=receiver.address,
            universes=tuple(str(universe) for universe in receiver.universes),
            on_loss=str(receiver.on_loss),
            state=state,
            last_seen_ns=answered_ns or None,
            text=text,
            place=next((place for one in networks if (place := ways.place_row(ctx, one, receiver.address))), None),
        )

    @staticmethod
    def _is_outside(ctx: RuleContext, receiver: Receiver) -> bool:
        """Whether it answered only on networks of whose interfaces no subnet has its address."""
        links = ctx.listener.links
        answered = [one for one in links if ctx.model.occasions.node_seen_ns(one, receiver.address)]
        return bool(answered) and all(_is_outside(receiver.address, links[one].seen.subnets) for one in answered)

    @staticmethod
    def _last_answer(ctx: RuleContext, receiver: Receiver) -> tuple[int, int]:
        answered_ns = failed_ns = 0
        for network in range(max(1, len(ctx.house.networks))):
            neighbour = ctx.listener.neighbours.get(network, receiver.address)
            if neighbour is not None:
                answered_ns = max(answered_ns, neighbour.answered_ns)
                failed_ns = max(failed_ns, 0 if neighbour.reachable else neighbour.failed_ns)
            answered_ns = max(answered_ns, ctx.model.occasions.node_seen_ns(network, receiver.address))
        return answered_ns, failed_ns

    @staticmethod
    def _replies(ctx: RuleContext, receiver: Receiver) -> tuple[int, int]:
        occasions = ctx.model.occasions
        networks = range(max(1, len(ctx.house.networks)))
        replied_ns = max(occasions.node_seen_ns(network, receiver.address) for network in networks)
        asked_ns = max((poller.last_ns for poller in occasions.pollers.values()), default=0)
        return replied_ns, asked_ns

    def describe(self, ctx: RuleContext, name: str) -> Finding:
        receiver = self._by_name[name]
        answered_ns, failed_ns = self._last_answer(ctx, receiver)
        universes = ctx.universes
        fed = {(int(universe.protocol), universe.number) for universe in receiver.universes}
        rows = [
            row
            for row in np.flatnonzero(universes.used & (universes.declared >= 0)).tolist()
            if (int(universes.protocol[row]), int(universes.number[row])) in fed
        ]
        how = "it answers no ARP or NDP now" if failed_ns > answered_ns else "it answers no polls now"
        return Finding(
            group=f"receiver:{name}",
            since_ns=answered_ns,
            universes=tuple(rows),
            networks=tuple({int(universes.network[row]) for row in rows}),
            facts=ReceiverSilentFacts(
                receiver=f'"{name}"',
                address=receiver.address,
                since=ctx.time_of_day(answered_ns),
                feeds=f"It outputs {ctx.name_universes(rows)}." if rows else "",
            ),
            evidence=(f"Last answer at {ctx.time_of_day(answered_ns)}; {how}.",),
            confidence=Confidence.HIGH,
            also_possible=("its network lead or port, while it runs on",),
        )


def bind(setup: RuleSetup, p: ReceiverSilentParameters) -> tuple[RuleBinding, ...]:
    receivers = ReceiverAnswers(setup.house, p)
    return (RuleBinding(KEYS, receivers.silent, receivers.describe, EVERY_SECOND_NS, declares_receivers),)


RULE = Rule(
    name="receiver-silent",
    rule_class=RuleClass.LOSS,
    severity=Severity.WARNING,
    short=ShortWords("receiver silent", "{n} receivers silent", look="Look at the receiver's link lamp"),
    sentence="Receiver {receiver} ({address}) has not answered since {since}. {feeds}",
    judged_by=judged_by(ReceiverSilentParameters(), bind),
    facts=ReceiverSilentFacts,
    effects=frozenset({Effect.SILENCE}),
    faults=("F09", "F10"),
    next_checks=(
        "Look at the receiver's front panel and link lamp.",
        "Look at the stage: are the fixtures behind it still following?",
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Check the receiver's supply, lead and switch port; read its address on its panel.",
    ),
)
