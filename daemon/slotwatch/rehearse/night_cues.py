"""Faults of random nights that cues show: a level that stays up in a blackout, universes of one cue that come apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse.desk import outputs
from slotwatch.rehearse.looks import Look, changed_at, held, patched
from slotwatch.rehearse.night_lines import BESIDE
from slotwatch.rehearse.night_plan import Expected, NightPlan
from slotwatch.rehearse.stage import Item, mixed

STUCK_S = 10.0
"""How long levels stay up before it is told (common practice, no source)."""
FEW = 40
"""Slots of levels that are left behind; a look of its own has more than 48 (common practice, no source)."""
STEPS = 5
"""Cues that must come apart before it is told, within a minute (common practice, no source)."""
SPARE = 4
"""Cues more than those that must come apart, until it must be told."""
FRAME_S = 0.0227
"""Shortest frame of 512 slots (ANSI E1.11 timing)."""


def level_stays_up(plan: NightPlan, subject: str, at_s: float) -> None:
    """The desks go to a blackout, and the house lights' controller holds a few slots of a universe that they share."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    slots = 1 + plan.chance.below(FEW)
    first, level = 1 + plan.chance.below(512 - slots), 20 + plan.chance.below(230)
    plan.shared = (number,)
    plan.faulty.update((*BESIDE, "patch", "line"))
    plan.looks[number] = changed_at((0.0, plan.looks[number]), (at_s, held(0)))
    _rest_from(plan, number, at_s)
    plan.seconds = max(plan.seconds, at_s + STUCK_S + 8.0)
    kept = patched(held(0), (first, held(level, slots)))
    desk = replace(plan.lights_desk(), outputs=outputs((number,), lambda _: kept), discovery=False)
    plan.wrap("lights", lambda before: mixed(before, plan.send(desk)))
    names = (f"e131/{number}",)
    # A keep-alive of the desk, and the time after which the backup follows.
    due_s = at_s + STUCK_S + 2.5
    found = Expected("level stays up in the blackout", ("level-stuck",), (), names, at_s, due_s, is_note=True)
    plan.truths.append(lambda: found)


def cues_come_apart(plan: NightPlan, subject: str, at_s: float) -> None:
    """The desk sends the universes of one cue one after another, over more than a frame; its cues are steps."""
    apart_s = plan.chance.between(2.2, 3.0) * FRAME_S
    cues_s = _step(plan, at_s, plan.chance.between(1.2, 2.0), plan.chance.between(3.0, 6.0))
    _pace(plan, apart_s)
    # Some cues may come at an interval as long as one before, as the steps of an effect do.
    due_s = cues_s[STEPS + SPARE] + 2.0
    plan.seconds = max(plan.seconds, due_s + 3.0)

    def truth() -> Expected:
        gone = plan.is_silent("main", at_s) or plan.silent_from_s("main", at_s) < due_s + 1.0
        is_owed = not gone and not plan.lossy_s and len(plan.universes("main")) > 1
        names = plan.universes("main")
        return Expected("cues come apart", ("skewed-universes",), (), names, 0.0, due_s, (), is_owed, is_note=True)

    plan.truths.append(truth)


def cues_in_time(plan: NightPlan, subject: str, at_s: float) -> None:
    """Healthy: cues that are steps, whose universes come within a frame."""
    _step(plan, at_s, 0.7, plan.chance.between(1.5, 5.0))
    _pace(plan, 0.6 * FRAME_S / max(len(plan.numbers) - 1, 1))


def _step(plan: NightPlan, at_s: float, low_s: float, high_s: float) -> list[float]:
    """Let all universes of the desks change in one moment from then on, and rest between; give the moments (s).

    A person gives the cues: each comes as long after the one before as chance has it.
    """
    cues_s = [at_s]
    while cues_s[-1] < plan.seconds + 20.0 or len(cues_s) <= STEPS + SPARE:
        cues_s.append(cues_s[-1] + plan.chance.between(low_s, high_s))

    def steps(before: Look) -> Look:
        return changed_at((0.0, before), *((cue_s, held(n * 24 % 240 + 1)) for n, cue_s in enumerate(cues_s)))

    for number in plan.numbers:
        plan.looks[number] = steps(plan.looks[number])
        _rest_from(plan, number, at_s)
    return cues_s


def _pace(plan: NightPlan, apart_s: float) -> None:
    """Send each universe of the main desk that much later than the one before it."""

    def main() -> Iterator[Item]:
        desk = plan.main_desk()
        paced = (replace(out, pace=lambda _, n=n: n * apart_s) for n, out in enumerate(desk.outputs))  # type: ignore[misc]
        return plan.send(replace(desk, outputs=tuple(paced)))

    plan.parts["main"] = main


def _rest_from(plan: NightPlan, number: int, at_s: float) -> None:
    plan.cues[number] = [*(cue for cue in plan.cues[number] if cue[0] < at_s), (at_s, False)]
