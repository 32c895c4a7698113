"""Faults of random nights between this listener and another one, which hears the same desks at the stage end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from slotwatch.rehearse import stage
from slotwatch.rehearse.faults_between import DECLARED, other_listener
from slotwatch.rehearse.night_flow import SIDE, as_it_is
from slotwatch.rehearse.night_lines import BESIDE
from slotwatch.rehearse.night_plan import LOSSES, Expected, NightPlan, moving_truth
from slotwatch.rehearse.stage import Item, mixed

DESKS = ("main", "backup")
WAY = ("way-between",)
ANSWER_S = 1.0
"""The other listener is asked once a second."""
LOST_DUE_S = 4.5 + ANSWER_S
"""Loss timeout of 2.5 s (E1.31 6.7.1), and what the other one answers next."""
SILENT_DUE_S = 32.0
"""It counts as silent after 30 s (common practice, no source)."""
HAND_OVER_DUE_S = 10.0
"""A hand-over may take 5 s to be seen at both (common practice, no source), after the loss timeout."""


def way_here_gone(plan: NightPlan, subject: str, at_s: float) -> None:
    """An uplink no longer carries one universe here; the stage end hears it."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    plan.given_up.add(f"e131/{number}")
    _heard_elsewhere(plan)
    for one in _desks(plan):
        plan.wrap(one, lambda before: stage.cut(before, at_s, plan.seconds + 1, stage.universes(number)))
    _expect_lost(plan, "lost on the way here", number, at_s)


def way_there_gone(plan: NightPlan, subject: str, at_s: float) -> None:
    """An uplink no longer carries one universe to the stage end; it is heard here."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    group = stage.universes(number)
    _heard_elsewhere(plan, lambda before: stage.cut(before, at_s, plan.seconds + 1, group))
    _expect_lost(plan, "lost on the way there", number, at_s)


def way_here_loses(plan: NightPlan, subject: str, at_s: float) -> None:
    """The way here loses frames of the main desk, which all reach the stage end."""
    ratio, seed = plan.chance.between(0.05, 0.2), plan.chance.below(1 << 30)
    _heard_elsewhere(plan)
    plan.wrap("main", lambda before: stage.lossy(before, ratio, seed, at_s))
    plan.lossy_s["main"] = at_s
    rules = ("packet-loss", "loss-between")
    names = plan.universes("main")
    # At rest three frames in a row are a loss, which the stage end does not have.
    side = Expected("way here loses", (*SIDE, *rules, "lost-between"), (), names, at_s, plan.seconds, is_owed=False)
    plan.truths.append(partial(as_it_is, side))
    plan.truths.append(moving_truth(plan, "main", "way here loses frames", rules, at_s, SIDE, causes=WAY, frames=True))


def main_stays_here(plan: NightPlan, subject: str, at_s: float) -> None:
    """The main desk no longer reaches the stage end, where its backup is in control then."""
    _heard_elsewhere(plan, lambda before: stage.cut(before, at_s, plan.seconds + 1), only="main")
    rules, names = ("winners-differ",), plan.universes("main")
    found = Expected("main does not reach the stage end", rules, WAY, names, at_s, at_s + HAND_OVER_DUE_S + ANSWER_S)
    plan.truths.append(partial(as_it_is, found))


def other_listener_off(plan: NightPlan, subject: str, at_s: float) -> None:
    """The other listener's computer is switched off: a note."""
    _heard_elsewhere(plan)
    plan.wrap("between", lambda before: stage.unanswered(before, at_s))
    due_s = at_s + SILENT_DUE_S + ANSWER_S
    plan.seconds = max(plan.seconds, due_s + 2.0)
    found = Expected("other listener off", ("listener-silent",), (), (), at_s, due_s, is_note=True)
    plan.truths.append(partial(as_it_is, found))


def _desks(plan: NightPlan) -> list[str]:
    return [one for one in DESKS if one in plan.parts]


def _heard_elsewhere(
    plan: NightPlan, changed: Callable[[Iterator[Item]], Iterator[Item]] | None = None, only: str = ""
) -> None:
    """Declare the other listener, which hears the desks as they are sent. changed: what becomes of that on its way, of
    one desk only if it is named."""
    plan.house["extra"] = plan.house.get("extra", "") + DECLARED
    plan.faulty.update(BESIDE)
    ways = {one: plan.parts[one] for one in _desks(plan)}

    def heard() -> Iterator[Item]:
        return mixed(*(changed(way()) if changed and only in ("", one) else way() for one, way in ways.items()))

    plan.parts["between"] = lambda: other_listener(heard(), numbers=plan.numbers)


def _expect_lost(plan: NightPlan, fault: str, number: int, at_s: float) -> None:
    name = (f"e131/{number}",)
    found = Expected(fault, ("lost-between",), WAY, name, at_s, at_s + LOST_DUE_S, LOSSES)
    plan.truths.append(partial(as_it_is, found))


FAULTS = (way_here_gone, way_there_gone, way_here_loses, main_stays_here, other_listener_off)
