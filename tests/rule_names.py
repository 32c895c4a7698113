"""Generates the names of rules where the rules themselves cannot be imported: in the house layer, and on the page."""

from __future__ import annotations

import json
from collections.abc import Iterable

from slotwatch.judge.catalog import FLAPPING, RULES
from slotwatch.judge.rule import Rule

MADE = "Made from the rules by `make docs`; do not edit by hand."


def for_house() -> str:
    """`house/rule_names.py`: what a house file may name."""
    names = sorted(rule.name for rule in RULES if rule is not FLAPPING)
    without = sorted(rule.name for rule in RULES if not rule.names_universes)
    return (
        f'"""Names of all rules, so that a house file is checked without the rules themselves.\n\n{MADE}\n"""\n\n'
        "from __future__ import annotations\n\n"
        f"RULE_NAMES = {_frozenset(names)}\n\n"
        f"WITHOUT_UNIVERSES = {_frozenset(without)}\n"
        '"""Rules whose incidents are about this computer, a network or an address: they name no universe."""\n'
    )


def for_page() -> str:
    """`web/rulesets.js`: what the page tells apart by its rule."""
    own = sorted(rule.name for rule in RULES if rule.is_of_listener)
    words = "".join(_short(rule) for rule in sorted(RULES, key=lambda rule: rule.name))
    lines = ",\n".join(f'  "{name}"' for name in own)
    return (
        f"// {MADE}\n\n"
        "/** Rules about this listener and its own network: not the show's faults. */\n"
        f"export const LISTENER_RULES = new Set([\n{lines},\n]);\n\n"
        "/** rule -> {one, many, look, onItsScreen}: its words at the top of the page.\n"
        " *  {place} is a universe by label, {source} and {fixture} are names, {n} is how many. */\n"
        f"export const SHORT_WORDS = {{\n{words}}};\n"
    )


def _short(rule: Rule) -> str:
    """One line of SHORT_WORDS."""
    short = rule.short
    held: dict[str, str | int | bool] = {"one": short.one, "many": short.many}
    if short.look:
        held["look"] = short.look
    if short.on_its_screen:
        held["onItsScreen"] = True
    parts = ", ".join(f"{key}: {json.dumps(value, ensure_ascii=False)}" for key, value in held.items())
    return f"  {json.dumps(rule.name)}: {{ {parts} }},\n"


def _frozenset(names: Iterable[str]) -> str:
    return "frozenset(\n    (\n" + "".join(f'        "{name}",\n' for name in names) + "    )\n)"
