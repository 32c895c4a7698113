"""Faults of random nights that take minutes: lights that stay on in a dark house, a show that is unlike the others."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import moves, ns, rests, seen
from slotwatch.rehearse.desk import cid_of
from slotwatch.rehearse.faults_patch import PROFILES
from slotwatch.rehearse.looks import Look, changed_at, held, patched
from slotwatch.rehearse.night_lines import BESIDE
from slotwatch.rehearse.night_plan import LIGHTS, Expected, NightPlan
from slotwatch.wire.observation import UsualFigure, UsualOfUniverse, UsualSeen

LEFT_ON_S = 600.0
"""Time on before it is told (common practice, no source)."""
LIT = 13
"""The lowest level above 5 % of 255, from which on a fixture is on (common practice, no source)."""
LEVELS = (0, 5, LIT - 1, LIT, 60, 255)
MINUTES_S = 300.0
"""Five minutes in a row, each of them unlike the other shows (common practice, no source)."""
HZ = 44.0
SHOWS = 20


def lights_left_on(plan: NightPlan, subject: str, at_s: float) -> None:
    """The house is dark, and some lamps are on: they stay, go off in time, come up late, or belong on."""
    number, chance = plan.numbers[0], plan.chance
    plan.seconds = max(plan.seconds, LEFT_ON_S + 25.0)
    lamps, belong, owed = list[tuple[int, Look]](), list[str](), list[str]()
    for n in range(2 + chance.below(5)):
        name, level, fate = f"lamp {n}", LEVELS[chance.below(len(LEVELS))], chance.below(5)
        turn_s = chance.between(60.0, LEFT_ON_S - 60.0)
        fates: tuple[Look, ...] = (
            held(level, 1),
            held(level, 1),
            changed_at((0.0, held(level, 1)), (turn_s, held(0, 1))),
            changed_at((0.0, held(level, 1)), (turn_s, held(0, 1)), (turn_s + 5.0, held(level, 1))),
            changed_at((0.0, held(0, 1)), (turn_s, held(level, 1))),
        )
        lamps.append((1 + 10 * n, fates[fate]))
        if chance.below(4) == 0:
            belong.append(name)
        elif fate < 2 and level >= LIT:
            owed.append(name)
    rows = "".join(f"lamp {n},e131/{number},{slot},dimmer\n" for n, (slot, _) in enumerate(lamps))
    plan.house["patch"] = f"fixture,universe,address,profile\n{rows}"
    names = ", ".join(f'"{name}"' for name in belong)
    plan.house["extra"] = f"{plan.house.get('extra', '')}{PROFILES}\n[dark]\nexpected_on = [{names}]\n\n"
    for other in (*plan.numbers, LIGHTS):
        plan.looks[other] = rests(other)
        plan.cues[other] = [(0.0, False)]
    plan.looks[number] = patched(held(0), *lamps)
    plan.media_options["look"], plan.media_rests = lambda _: held(80), True

    def truth() -> Expected | None:
        due_s = LEFT_ON_S + 4.0
        is_owed = not plan.is_silent("main", 1.0) and plan.silent_from_s("main", 0.0) > due_s
        universe = (f"e131/{number}",)
        found = Expected("lights left on", ("lights-left-on",), (), universe, 0.0, due_s, (), is_owed, is_note=True)
        # What hangs, or whose numbers stand, leaves any lamp as it was.
        return found if owed else replace(found, is_owed=False) if "main" in plan.unnumbered else None

    plan.truths.append(truth)


def unlike_other_shows(plan: NightPlan, subject: str, at_s: float) -> None:
    """The main desk pauses, is slower or loses more tonight than in any of its last shows, by much or by little."""
    chance = plan.chance
    kind, is_far = chance.below(3), chance.below(3) > 0
    plan.seconds = max(plan.seconds, MINUTES_S + 10.0)
    plan.faulty.update((*BESIDE, "patch", "cues", "line"))
    plan.common["hz"] = HZ
    for number in plan.numbers:
        plan.looks[number], plan.cues[number] = moves(number), [(0.0, True)]
    plan.looks[LIGHTS], plan.cues[LIGHTS] = rests(LIGHTS), [(0.0, False)]
    plan.media_options["look"], plan.media_rests = lambda _: held(80), True
    options: dict[str, object] = {}
    if kind == 0:
        # Three frames are left out, or one: gaps of 91 or 45 ms.
        gone_s, each_s = (3.0 if is_far else 1.0) / HZ, chance.between(0.4, 0.6)
        options["paused"] = lambda t_s: t_s % each_s < gone_s
    elif kind == 1:
        options["hz"] = chance.between(25.0, 31.0) if is_far else chance.between(35.0, 40.0)
    plan.parts["main"] = lambda: plan.send(plan.main_desk(**options))
    if kind == 2:
        ratio, seed = chance.between(0.006, 0.009) if is_far else 0.0008, chance.below(1 << 30)
        plan.wrap("main", lambda before: stage.lossy(before, ratio, seed))
    plan.parts["usual"] = lambda: seen(_usual(plan))
    names = plan.universes("main")
    also = ("packet-loss",) if kind == 2 else ("backup-differs",)
    fault = f"unlike other shows: {('pauses', 'slower', 'loses')[kind]}"
    found = Expected(fault, ("unlike-usual",), (), names, 0.0, MINUTES_S + 4.0, also, is_note=True)
    # Little more than usual is no fault. What is lost may be counted as lost all the same.
    plan.truths.append(lambda: found if is_far else replace(found, rules=also, is_owed=False))


def _usual(plan: NightPlan) -> UsualSeen:
    """What the last shows of the main desk were like, at its rate and without pauses."""
    rate, late = UsualFigure(HZ, 0.1, HZ - 0.3, HZ + 0.1, SHOWS), UsualFigure(25.0, 0.4, 23.1, 26.2, SHOWS)
    missing, pace = UsualFigure(0.0, 0.0, 0.0, 0.05, SHOWS), UsualFigure(22.7, 0.1, 22.6, 22.9, SHOWS)
    source = str(UUID(bytes=cid_of("Desk A")))
    names = plan.universes("main")
    return UsualSeen(ns(0.0), tuple(UsualOfUniverse(name, source, rate, late, missing, pace) for name in names))
