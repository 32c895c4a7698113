"""An Art-Net node's outputs are set to other universes than the house declares for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.house.schema import House, Receiver
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.nodes import GONE_NS, LISTED_NS, PAUSE_NS, NodeOutputs, outputs_of
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import Protocol, UniverseId

MOST_EXPLAINED = 4
"""Universes whose parts on a node's menu are written out."""


@dataclass(frozen=True, slots=True)
class ReceiverDiffersParameters(RuleParameters):
    hold_s: float = number(
        20.0, "time for which a node must have answered: one that has just started may not list all of its outputs"
    )


@dataclass(frozen=True, slots=True)
class ReceiverDiffersFacts(Facts):
    receiver: str
    address: str
    wanted: str
    reported: str


class DeclaredOutputs:
    """Declared receivers, and the Art-Net universes that each should output."""

    def __init__(self, house: House, p: ReceiverDiffersParameters) -> None:
        self._hold_ns = ns_from_s(p.hold_s)
        self._receivers: dict[str, Receiver] = {}
        self._wanted: dict[str, frozenset[int]] = {}
        """By name of the receiver."""
        self._at: dict[str, frozenset[int]] = {}
        """By address: several receivers may be parts of one node."""
        self._outputs: dict[str, NodeOutputs] = {}
        """Of the nodes at these addresses, as of the last look."""
        for receiver in house.receivers:
            wanted = frozenset(one.number for one in receiver.universes if one.protocol is Protocol.ARTNET)
            if wanted:
                self._receivers[receiver.name], self._wanted[receiver.name] = receiver, wanted
                self._at[receiver.address] = self._at.get(receiver.address, frozenset()) | wanted

    def differing(self, ctx: RuleContext) -> dict[str, None]:
        """Receivers whose replies do not list a universe that they should output.

        A node that answers no longer is taken to be set as it said last.
        """
        nodes = ctx.model.occasions.nodes.values()
        if not nodes:
            return {}
        pollers = ctx.model.occasions.pollers.values()
        found = {address: outputs_of(address, nodes, pollers) for address in self._at}
        self._outputs = {address: outputs for address, outputs in found.items() if outputs and self._is_told(outputs)}
        return {name: None for name, receiver in self._receivers.items() if self._missing(ctx, receiver)}

    def _is_told(self, outputs: NodeOutputs) -> bool:
        """Whether its replies say what each of its outputs is set to."""
        if outputs.is_cut or outputs.takes_e131 or not outputs.artnet:
            return False
        return outputs.last_ns - outputs.since_ns >= self._hold_ns

    def _missing(self, ctx: RuleContext, receiver: Receiver) -> frozenset[int]:
        outputs = self._outputs.get(receiver.address)
        if outputs is None:
            return frozenset()
        missing = self._wanted[receiver.name] - outputs.artnet
        polls = ctx.model.occasions.pollers.values()
        if any(poll.is_targeted and outputs.last_ns - poll.last_ns <= LISTED_NS for poll in polls):
            # A page that lists the others may never have been polled.
            return missing & outputs.left_ns.keys()
        return missing

    def describe(self, ctx: RuleContext, name: str) -> Finding:
        receiver, wanted = self._receivers[name], self._wanted[name]
        outputs = self._outputs[receiver.address]
        listed = outputs.artnet
        missing = sorted(self._missing(ctx, receiver))
        left = {one: outputs.left_ns[one] for one in missing if one in outputs.left_ns}
        others = sorted(listed - self._at[receiver.address])
        right = sorted(wanted & listed)
        rows = _rows_of(ctx, missing)
        reported = f"{_names(others)} instead" if len(others) >= len(missing) else f"only {_names(sorted(listed))}"
        evidence = [f'It answers polls as "{outputs.name}".'] if outputs.name else []
        for one in missing[:MOST_EXPLAINED]:
            evidence.append(f"{_name(one)} is Net {one >> 8}, Sub-Net {one >> 4 & 15}, Universe {one & 15}.")
            if one in left:
                evidence.append(f"Its replies listed {_name(one)} until {ctx.time_of_day(left[one])}.")
        if len(missing) == 1 and len(others) == 1 and abs(missing[0] - others[0]) == 1:
            evidence.append("The two are one apart: some menus count universes from 0, others from 1.")
        works = [f"{_names(right)} on this receiver, as its replies list it"] if right else []
        if heard := [row for row in rows if ctx.universes.live[row]]:
            works.append(f"{ctx.say_universes(heard)} on the network: this port receives it")
        return Finding(
            group=f"receiver:{name}",
            since_ns=min(left.values(), default=outputs.since_ns),
            universes=tuple(rows),
            networks=tuple(sorted({int(ctx.universes.network[row]) for row in rows})),
            facts=ReceiverDiffersFacts(f'"{name}"', receiver.address, _names(missing), reported),
            evidence=tuple(evidence),
            confidence=Confidence.HIGH,
            also_possible=("an output that its poll replies leave out", "a house file that is out of date"),
            still_working=tuple(works),
        )


def _name(number: int) -> str:
    return str(UniverseId(Protocol.ARTNET, number))


def _names(numbers: list[int]) -> str:
    return wording.list_names([_name(one) for one in numbers])


def _rows_of(ctx: RuleContext, numbers: list[int]) -> list[int]:
    """Rows of declared Art-Net universes."""
    universes = ctx.universes
    declared = universes.used & (universes.declared >= 0) & (universes.protocol == int(Protocol.ARTNET))
    return np.flatnonzero(declared & np.isin(universes.number, numbers)).tolist()


def bind(setup: RuleSetup, p: ReceiverDiffersParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("receivers"):
        return ()
    outputs = DeclaredOutputs(setup.house, p)
    return (RuleBinding(KEYS, outputs.differing, outputs.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="receiver-differs",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords(
        "receiver on another universe", "{n} receivers on other universes", look="Read the receiver's own menu"
    ),
    sentence="Receiver {receiver} ({address}) should output {wanted}. Its poll replies list {reported}.",
    judged_by=judged_by(ReceiverDiffersParameters(), bind),
    facts=ReceiverDiffersFacts,
    effects=frozenset({Effect.SILENCE}),
    found_after=("hold_s",),
    measured=(
        Threshold(
            "listed_s",
            LISTED_NS / NANOSECONDS,
            "time for which an output counts as listed while the replies of its bind index leave it out",
        ),
        Threshold(
            "gone_s",
            GONE_NS / NANOSECONDS,
            "time for which a bind index leaves polls for every output unanswered, until its outputs count no longer",
        ),
        Threshold("pause_s", PAUSE_NS / NANOSECONDS, "time without a reply after which a node counts as started anew"),
    ),
    source="Art-Net 4, ArtPollReply",
    faults=("F09", "F49", "F50"),
    next_checks=(
        "Read Net, Sub-Net and Universe of each output in the receiver's own menu.",
        "Look at the stage: do the fixtures behind it follow the desk?",
    ),
    next_checks_quiet=(f"{CLEAR_FIRST} Set the output to its universe, or correct the receiver in the house file.",),
)
