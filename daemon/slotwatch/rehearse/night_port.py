"""Faults of random nights at this computer's own port and its neighbours: groups, addresses, the switch port."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import MAIN, ns, seen
from slotwatch.rehearse.faults_listener import announced
from slotwatch.rehearse.faults_switches import MAC
from slotwatch.rehearse.night_flow import as_it_is
from slotwatch.rehearse.night_plan import LIGHTS, Expected, NightPlan, Silence
from slotwatch.rehearse.stage import mixed
from slotwatch.wire.observation import JoinSeen, NeighbourSeen

HELD_S = 20.0
"""How long an announcement of a switch holds in `announced`."""
LIMIT = "the limit of group memberships was reached; sysctl net.ipv4.igmp_max_memberships=64"


def group_not_joined(plan: NightPlan, subject: str, at_s: float) -> None:
    """The group of the house lights could not be joined, from the start: nothing of them comes here."""
    plan.faulty.add("lights")
    plan.silences.append(Silence("lights", 0.0))
    plan.wrap("lights", lambda before: stage.cut(before, 0.0, plan.seconds + 1, stage.universes(LIGHTS)))
    plan.parts["groups"] = lambda: seen(JoinSeen(0, 0, LIGHTS, False, LIMIT))
    found = Expected("group not joined", ("join-failed",), (), (f"e131/{LIGHTS}",), 0.0, 1.0)
    plan.truths.append(partial(as_it_is, found))


def address_taken(plan: NightPlan, subject: str, at_s: float) -> None:
    """A second computer has the main desk's address: a note."""
    own, stranger = MAC[MAIN], "02:00:00:00:00:99"
    table = [NeighbourSeen(ns(at_s + 2 * n), 0, MAIN, (stranger, own)[n % 2], True) for n in range(12)]
    plan.parts["neighbours"] = lambda: seen(NeighbourSeen(ns(1.0), 0, MAIN, own, True), *table)
    found = Expected("address taken", ("duplicate-address",), (), (), at_s, at_s + 6.5, is_note=True)
    # A clone of the desk, of which the same packets tell, explains that another computer has its address.
    plan.truths.append(lambda: replace(found, is_owed="clone" not in plan.parts))


def lead_moved(plan: NightPlan, subject: str, at_s: float) -> None:
    """The listener's lead is in another port of its switch since some time after the last show: a note."""
    first, then = announced("FOH", "6", 1.0, at_s), announced("FOH", "7", at_s + 1.0, plan.seconds)
    plan.parts["announcements"] = lambda: mixed(first, then)
    due_s = at_s + HELD_S + 6.5
    found = Expected("own lead moved", ("neighbour-changed",), ("moved",), (), at_s, due_s, is_note=True)
    plan.truths.append(partial(as_it_is, found))


def two_announce(plan: NightPlan, subject: str, at_s: float) -> None:
    """A small switch lies between, and passes on what two switches announce: a note."""
    first, second = announced("FOH", "6", 1.0, plan.seconds), announced("Side", "2", at_s, plan.seconds)
    plan.parts["announcements"] = lambda: mixed(first, second)
    found = Expected("two neighbours", ("two-neighbours",), (), (), at_s, at_s + HELD_S, is_note=True)
    plan.truths.append(partial(as_it_is, found))


FAULTS = (group_not_joined, address_taken, lead_moved, two_announce)
