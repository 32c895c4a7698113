"""Every scenario, by name: faults with their truth, and healthy shows that look suspicious."""

from __future__ import annotations

import difflib

from slotwatch.rehearse import (
    faults_absence,
    faults_between,
    faults_control,
    faults_flow,
    faults_legs,
    faults_listener,
    faults_loss,
    faults_network,
    faults_packets,
    faults_patch,
    faults_places,
    faults_switches,
    faults_usual,
    healthy_paths,
    healthy_shows,
)
from slotwatch.rehearse.registry import MADE_IN, REGISTERED

__all__ = ["INTERFACES", "SCENARIOS", "nearest"]

INTERFACES = ("eth1", "eth2")
"""Names of the interfaces in captures, in the order of every scenario's networks."""

MODULES = (
    faults_loss,
    faults_absence,
    faults_network,
    faults_control,
    faults_packets,
    faults_flow,
    faults_patch,
    faults_listener,
    faults_legs,
    faults_places,
    faults_usual,
    faults_between,
    faults_switches,
    healthy_shows,
    healthy_paths,
)
"""Importing them registers their scenarios."""

_PLACES = {module.__name__: place for place, module in enumerate(MODULES)}

SCENARIOS = dict(
    sorted(
        REGISTERED.items(),
        key=lambda row: (row[1].is_healthy, int(row[1].fault[1:] or 999), _PLACES[MADE_IN[row[0]]]),
    )
)
"""Faults in the order of their numbers, then the healthy shows in the order of what they could be taken for.

Of one fault they stand in the order of MODULES, whichever of these was imported first.
"""


def nearest(name: str) -> str:
    """Return the scenario whose name is most like this one; empty if none is much like it."""
    return next(iter(difflib.get_close_matches(name, SCENARIOS, 1)), "")
