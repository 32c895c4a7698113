"""Which rule modules there are. Each has `bindings(house)`; see `judge.binding` for how to add one."""

from __future__ import annotations

from slotwatch.house.schema import House
from slotwatch.judge import (
    rules_backup,
    rules_bridge,
    rules_control,
    rules_flow,
    rules_identity,
    rules_lights,
    rules_loads,
    rules_loss,
    rules_motion,
    rules_network,
    rules_patch,
    rules_self,
    rules_sequence,
    rules_storm,
    rules_stuck,
)
from slotwatch.judge.binding import RuleBinding

MODULES = (
    rules_self,
    rules_loss,
    rules_network,
    rules_backup,
    rules_control,
    rules_identity,
    rules_flow,
    rules_sequence,
    rules_storm,
    rules_stuck,
    rules_patch,
    rules_lights,
    rules_motion,
    rules_loads,
    rules_bridge,
)


def all_watches(house: House) -> tuple[RuleBinding, ...]:
    """Make every rule's watch for a house, the listener's own first."""
    return tuple(watch for module in MODULES for watch in module.bindings(house))
