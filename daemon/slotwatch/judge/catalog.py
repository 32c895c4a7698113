"""The rule table: every condition that is judged, with its numbers and where they come from.

The engine, the documents and the page read nothing else. `flapping` is not a condition of its own but what
several short incidents of one rule become; it is here so that it is documented with the others.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from slotwatch.judge import rules
from slotwatch.judge.rule import Rule, RuleClass


def _found() -> tuple[Rule, ...]:
    """Give the rule of each module in `judge.rules`, by name."""
    modules = (import_module(f"{rules.__name__}.{one.name}") for one in iter_modules(rules.__path__))
    return tuple(module.RULE for module in modules)


READING_ORDER = (
    RuleClass.SELF,
    RuleClass.LOSS,
    RuleClass.CONTROL,
    RuleClass.FLOW,
    RuleClass.STORM,
    RuleClass.PATCH,
)
RULES: tuple[Rule, ...] = tuple(sorted(_found(), key=lambda rule: (READING_ORDER.index(rule.rule_class), rule.name)))
"""In the order in which a person should read them: this listener first."""

CATALOG: dict[str, Rule] = {rule.name: rule for rule in RULES}
FLAPPING = CATALOG["flapping"]

CAUSES: dict[str, str] = {
    "stream-terminated": "the source announced the end of its stream",
    "universe-withdrawn": "the source is running and no longer sends this universe",
    "path-or-sender": "the source is running; the path to this port or that one output failed",
    "source-lost": "everything from this source stopped together",
    "identity-changed": "the source seems to be back, under an identity or address that is not declared",
    "leg-lost": "the source is heard on another network; only its lead or path to this one failed",
    "wrong-network": "it arrives on another network than the one that it is declared on",
    "network-lost": "everything on one path stopped together and no longer reaches this port",
    "multicast-lost": "multicast stopped while other traffic continues",
    "unknown": "the evidence does not point to one cause",
}
"""Causes of `universe-lost` (and of absent sources), in words."""


def begins_at_a_moment(rule: str) -> bool:
    """Whether what was there before a rule's incident began is not part of it."""
    return CATALOG[rule].explains.begins_at_a_moment
