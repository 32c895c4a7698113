"""Faults of random nights in one of several ways: a lead, a network of two, multicast alone, a loop, a radio hop."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import seen
from slotwatch.rehearse.faults_listener import link
from slotwatch.rehearse.night_flow import SIDE, as_it_is
from slotwatch.rehearse.night_plan import (
    ARTNET_DUE_S,
    E131_DUE_S,
    LOSSES,
    WINDOW_DUE_S,
    Expected,
    NightPlan,
    Silence,
    moving_truth,
    silence_truth,
)
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import Item
from slotwatch.rehearse.two_networks import media_on_both, on_both

LOOP_CAUSES = ("loop", "shared-path")
"""Where several sources show it, it is a path that they share."""
RADIO_S = 0.2048
"""Two beacon intervals of 102.4 ms (IEEE 802.11, from memory): how long a radio hop may sleep."""


def other_lead_out(plan: NightPlan, subject: str, at_s: float) -> None:
    """One of the two leads of the backup, the house lights or the media server comes out."""
    lost = plan.chance.below(2)
    if subject == "backup":
        plan.half_s = at_s
    if subject == "media":
        plan.parts["media"] = lambda: media_on_both(plan.artnet, at_s, lost, **plan.media_options)
    else:
        make = {"backup": plan.backup_desk, "lights": plan.lights_desk}[subject]
        plan.parts[subject] = lambda: on_both(make(), at_s, lost=lost)
    plan.truths.append(silence_truth(plan, subject, f"{subject}'s lead out", at_s, ("leg-lost",)))


def network_dark(plan: NightPlan, subject: str, at_s: float) -> None:
    """The switch of one of two networks loses power: everything continues on the other one."""
    dark = plan.chance.below(2)
    alive = [one for one in plan.everyone() if not plan.is_silent(one, at_s)]
    # To the end of the night: senders never end, and the loop waits for the next packet.
    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.cut(before, at_s, plan.seconds + 1, lambda sent: sent.network == dark))
    plan.half_s = at_s
    plan.darkened_s = at_s
    plan.cut.append((at_s, math.inf))
    desks = [one for one in alive if one != "media"]
    causes = ("network-lost",) if len(alive) > 1 else ("network-lost", "leg-lost")
    also = (*LOSSES, "packet-loss")

    def truth(names: tuple[str, ...], due_s: float) -> Expected:
        near = any(one.at_s != at_s and abs(one.at_s - at_s) < ARTNET_DUE_S for one in plan.silences)
        why = () if near else causes
        rules = ("universe-lost", "source-absent", "backup-absent")
        return Expected("one network dark", rules, why, names, at_s, due_s, also, bool(names))

    names = tuple(dict.fromkeys(name for one in desks for name in plan.universes(one)))
    plan.truths.append(lambda: truth(names, at_s + E131_DUE_S))
    if "media" in alive:
        plan.truths.append(lambda: truth(plan.universes("media"), at_s + ARTNET_DUE_S))


def multicast_gone(plan: NightPlan, subject: str, at_s: float) -> None:
    """A switch forgets every group of this port; Art-Net, sent by broadcast, continues."""
    alive = [one for one in plan.everyone() if one != "media" and not plan.is_silent(one, at_s)]
    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.cut(before, at_s, plan.seconds + 1, stage.multicast))
    plan.silences += [Silence(one, at_s) for one in alive]
    plan.cut.append((at_s, math.inf))
    causes = ("multicast-lost",) if len(alive) > 1 else ("multicast-lost", "source-lost")
    names = tuple(dict.fromkeys(name for one in alive for name in plan.universes(one)))

    def truth() -> Expected:
        near = any(one.at_s != at_s and abs(one.at_s - at_s) < ARTNET_DUE_S for one in plan.silences)
        rules = ("universe-lost", "source-absent", "backup-absent")
        also = (*LOSSES, "packet-loss")
        return Expected(
            "multicast gone", rules, () if near else causes, names, at_s, at_s + E131_DUE_S, also, bool(names)
        )

    plan.truths.append(truth)


def loop(plan: NightPlan, subject: str, at_s: float) -> None:
    """Two leads between the same switches: every packet comes six times."""
    plan.looped_s = at_s
    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.doubled(before, 5, 0.0002, at_s))
    if plan.strangers:
        guests = tuple(plan.strangers)
        allowed = Expected("loop", ("repeated-packets",), (), guests, at_s, plan.seconds, is_owed=False)
        plan.truths.append(partial(as_it_is, allowed))
    for one in plan.everyone():
        if one != "media":
            plan.truths.append(
                moving_truth(
                    plan, one, "loop", ("repeated-packets",), at_s, causes=("loop", "shared-path"), frames=True
                )
            )
        else:
            names, is_owed = plan.universes("media"), not plan.is_silent("media", at_s)
            due_s = at_s + WINDOW_DUE_S
            found = Expected("loop", ("repeated-packets",), LOOP_CAUSES, names, at_s, due_s, is_owed=is_owed)
            plan.truths.append(partial(as_it_is, found))


def radio_hop(plan: NightPlan, subject: str, at_s: float) -> None:
    """Somebody put a radio hop into the path of a desk: its frames come in clumps."""
    plan.wrap(subject, lambda before: stage.clumped(before, RADIO_S, at_s))
    also = (*SIDE, "backup-differs", "repeated-packets")
    plan.truths.append(moving_truth(plan, subject, f"radio hop of {subject}", ("uneven-refresh",), at_s, also))


def own_lead_out_of_one(plan: NightPlan, subject: str, at_s: float) -> None:
    """The listener's own lead to one of two networks is out for a while."""
    network, back_s = plan.chance.below(2), at_s + plan.chance.between(4.0, 15.0)

    def mine(sent: Sent) -> bool:
        return sent.network == network

    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.cut(before, at_s - 0.01, back_s + 0.05, mine))
    plan.parts["own link"] = lambda: _links(at_s, back_s, network)
    plan.blind.append((at_s, back_s))
    plan.truths.append(lambda: Expected("own lead to one network out", ("link-down",), (), (), at_s, at_s + 1.0))


def _links(at_s: float, back_s: float, network: int) -> Iterator[Item]:
    return seen(link(at_s, False, network), link(back_s, True, network))
