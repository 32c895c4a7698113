"""The house file of a random night: what is declared of what plays in it."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.rehearse.cast import paper
from slotwatch.rehearse.night_plan import LIGHTS, NightPlan
from slotwatch.rehearse.scenario import Paper
from slotwatch.rehearse.two_networks import two_networks


def house_of_plan(plan: NightPlan) -> Paper:
    backup = {"sending": ["backup"], "silent": ["silent-backup"]}.get(plan.backup, [])
    sources = ["main", *backup, "second", *(["media"] if plan.artnet else [])]
    if plan.two:
        made = two_networks((*plan.numbers, LIGHTS), plan.artnet, sources=sources)
        text = made.toml.replace('phase = "show"', f'phase = "{plan.phase}"')
        return replace(made, toml=f"{text}\n{plan.house.get('extra', '')}")
    options = ("by_cid", "by_address", "patch", "circuits", "extra")
    known = {key: value for key, value in plan.house.items() if key in options}
    made = paper((*plan.numbers, LIGHTS, *plan.unsent), plan.artnet, sources=sources, phase=plan.phase, **known)
    text = made.toml
    for number in plan.shared:
        before = f"number = {number}\n"
        text = text.replace(f"{before}sources = [", f'{before}shared = true\nsources = ["house lights", ')
    return replace(made, toml=text)
