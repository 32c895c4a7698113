"""Faults of random nights in an Art-Net node that the media server polls: it falls silent, or is set to others."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from slotwatch.rehearse import packets
from slotwatch.rehearse.cast import ns
from slotwatch.rehearse.desk import LISTENER
from slotwatch.rehearse.night_plan import Expected, NightPlan
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import Item

NODE = "192.0.2.42"
EVERY_S = 2.8
"""How often it is polled and replies (Art-Net 4: every 2.5 to 3 s)."""
TOLD_S = 20.0
"""Time without a reply, or since the last right one (common practice, no source)."""


def node_silent(plan: NightPlan, subject: str, at_s: float) -> None:
    """The node loses power, and the polls continue."""
    _answering(plan, lambda t_s: list(plan.artnet) if t_s < at_s else [])
    _expect(plan, "node silent", "receiver-silent", (), at_s)


def node_set_wrong(plan: NightPlan, subject: str, at_s: float) -> None:
    """Somebody changes the Sub-Net of the node: it lists universes 16 higher."""
    _answering(plan, lambda t_s: [number + 16 * (t_s >= at_s) for number in plan.artnet])
    _expect(plan, "node set to others", "receiver-differs", plan.universes("media"), at_s)


def _answering(plan: NightPlan, listed: Callable[[float], list[int]]) -> None:
    """Declare the node, and let it reply to each poll with what it lists then; nothing: it is silent."""
    names = ", ".join(f'"{name}"' for name in plan.universes("media"))
    receiver = f'[[receivers]]\nname = "Projector node"\naddress = "{NODE}"\nuniverses = [{names}]\n'
    plan.house["extra"] = plan.house.get("extra", "") + receiver
    plan.media_options |= {"polls": True}

    def replies() -> Iterator[Item]:
        for count in range(int(plan.seconds / EVERY_S)):
            t_s = 0.4 + count * EVERY_S
            if ports := listed(t_s):
                reply = packets.art_poll_reply(NODE, "Projector node", ports)
                yield Sent(ns(t_s), 0, NODE, 6454, LISTENER, 6454, reply, 64)

    plan.parts["node"] = replies


def _expect(plan: NightPlan, fault: str, rule: str, universes: tuple[str, ...], at_s: float) -> None:
    def truth() -> Expected:
        due_s = at_s + TOLD_S + EVERY_S + 1.5
        is_owed = plan.silent_from_s("media", 0.0) > due_s
        return Expected(fault, (rule,), (), universes, at_s, due_s, (), is_owed)

    plan.truths.append(truth)


FAULTS = (node_silent, node_set_wrong)
