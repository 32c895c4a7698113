"""Faults of random nights in the patch, and in levels that the patch says something of."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from slotwatch.rehearse.faults_patch import PROFILES, RACK, loads, mover, torn_mover
from slotwatch.rehearse.looks import Look, changed_at, fixed, flashed, held, patched
from slotwatch.rehearse.night_plan import Expected, NightPlan

OWN_SLOTS = 100
"""The first slots of the patched universe hold what a fault is about; the others play the show."""
NOBODY = 30
HEAD = "fixture,universe,address,profile,footprint,circuit,faces_audience\n"
CIRCUITS = ("non-dim-partial", "powered-off", "way-overload", "supply-overload", "flash-rate")
"""What levels of another may make of the fixtures as well."""
DARK = fixed(bytes(OWN_SLOTS))
MOVERS = "mover 1,{u},1,mover,,,\nmover 2,{u},11,mover,,,\n"
HELD_S = 60.0
"""How long glare is held before it is told (common practice, no source)."""


def fixtures_overlap(plan: NightPlan, subject: str, at_s: float) -> None:
    """Two rows of the patch share slots. It is true from the start, whenever it is drawn."""
    name = _patch(plan, "spot 1,{u},1,,6,,\nspot 2,{u},4,,6,,\n")
    truth = Expected("fixtures overlap", ("patch-conflict",), ("overlap",), (name,), 0.0, 1.5)
    plan.truths.append(lambda: truth)


def runs_past_the_end(plan: NightPlan, subject: str, at_s: float) -> None:
    """A row of the patch ends behind slot 512."""
    name = _patch(plan, "spot 1,{u},1,,6,,\n", last=20)
    truth = Expected("fixture past slot 512", ("patch-conflict",), ("past-end",), (name,), 0.0, 1.5)
    plan.truths.append(lambda: truth)


def patched_and_not_sent(plan: NightPlan, subject: str, at_s: float) -> None:
    """A universe is declared and patched, and no desk sends it."""
    plan.unsent = (NOBODY,)
    _patch(plan, f"far wash,e131/{NOBODY},1,,20,,\n")
    names = (f"e131/{NOBODY}",)
    plan.truths.append(lambda: Expected("patched universe not sent", ("universe-missing",), (), names, 0.0, 11.5))


def strays(plan: NightPlan, subject: str, at_s: float) -> None:
    """Slots come up that no fixture uses: one on a wrong address, or one that runs in a longer mode."""
    behind = plan.chance.below(2) > 0
    slot = 7 if behind else 20 + plan.chance.below(60)
    name = _patch(plan, "spot 1,{u},1,,6,,\n")
    up = patched(DARK, (1, held(120, 6)), (slot, changed_at((0.0, held(0, 4)), (at_s, held(200, 4)))))
    _play(plan, up)
    fault = "levels behind a fixture" if behind else "levels where no fixture is"
    _expect(plan, fault, ("stray-levels",), name, at_s, at_s + 7.0, is_note=True)


def switched_circuit_parked(plan: NightPlan, subject: str, at_s: float) -> None:
    """A circuit that must be off or full is left at a level between, on a switched or on a dimmer way."""
    name = _patch(plan, "lamp 1,{u},1,dimmer,,,\nhot power,{u},5,switched-circuit,,5,\n")
    _racked(plan, (5, ("dimmer", "switched")[plan.chance.below(2)], 800))
    level = 10 + plan.chance.below(200)
    _play(plan, patched(DARK, (1, held(100, 1)), (5, changed_at((0.0, held(255, 1)), (at_s, held(level, 1))))))
    _expect(plan, "switched circuit parked", ("non-dim-partial",), name, at_s, at_s + 4.0)


def power_off(plan: NightPlan, subject: str, at_s: float) -> None:
    """The circuit that feeds a fixture goes off while the fixture's intensity stays up."""
    name = _patch(plan, "hot power,{u},5,switched-circuit,,5,\nbatten 1,{u},21,batten,,5,\n")
    _racked(plan, (5, "switched", 800))
    power = changed_at((0.0, held(255, 1)), (at_s, held(0, 1)))
    _play(plan, patched(DARK, (5, power), (21, held(200, 5))))
    _expect(plan, "fixture without its power", ("powered-off",), name, at_s, at_s + 7.0)


def way_overloaded(plan: NightPlan, subject: str, at_s: float) -> None:
    """A way carries an estimated 13 A where 10 A are its limit."""
    name = _patch(plan, "lamp 1,{u},1,dimmer,,,\nlamp 2,{u},2,dimmer,,,\n")
    _racked(plan, (1, "dimmer", 3000), (2, "dimmer", 500))
    _play(plan, patched(DARK, (1, changed_at((0.0, held(60, 1)), (at_s, held(255, 1)))), (2, held(100, 1))))
    _expect(plan, "way overloaded", ("way-overload",), name, at_s, at_s + 12.0)


def flashes(plan: NightPlan, subject: str, at_s: float) -> None:
    """A fixture that faces the audience flashes six times a second. Caution: for people it can be dangerous."""
    name = _patch(plan, "blinder 1,{u},1,blinder,,,yes\n")
    _play(plan, patched(DARK, (1, changed_at((0.0, held(0, 1)), (at_s, flashed(6))))))
    _expect(plan, "flashes at the audience", ("flash-rate",), name, at_s, at_s + 5.0, frames=True)


def supply_overloaded(plan: NightPlan, subject: str, at_s: float) -> None:
    """Three circuits of one supply line carry an estimated 26 A where 20 A are its limit."""
    name = _patch(plan, "".join(f"lamp {way},{{u}},{way},dimmer,,,\n" for way in (1, 4, 7)))
    _racked(plan, *((way, "dimmer", 2000) for way in (1, 4, 7)))
    up = changed_at((0.0, held(50, 1)), (at_s, held(255, 1)))
    _play(plan, patched(DARK, (1, up), (4, up), (7, up)))
    _expect(plan, "supply overloaded", ("supply-overload",), name, at_s, at_s + 12.0)


def glares(plan: NightPlan, subject: str, at_s: float) -> None:
    """A fixture that faces the audience is left at full."""
    plan.seconds = max(plan.seconds, at_s + HELD_S + 5.0)
    name = _patch(plan, "blinder 1,{u},1,blinder,,,yes\n")
    _play(plan, patched(DARK, (1, changed_at((0.0, held(0, 1)), (at_s, held(255, 1))))))
    _expect(plan, "blinder left at full", ("glare-held",), name, at_s, at_s + HELD_S + 2.5, is_note=True)


def command_left(plan: NightPlan, subject: str, at_s: float) -> None:
    """The control slot of a mover is left at a command."""
    name = _patch(plan, MOVERS)
    _play(plan, patched(DARK, (1, mover()), (6, changed_at((0.0, held(0, 1)), (at_s, held(230, 1))))))
    _expect(plan, "control slot left at a command", ("control-held",), name, at_s, at_s + 12.0, is_note=True)


def fine_slot_wrong(plan: NightPlan, subject: str, at_s: float) -> None:
    """A mover's fine slot stands, is exchanged with the coarse one, or comes a frame later: true from the start."""
    kind = plan.chance.below(3)
    wrong = (mover(fine=False), mover("swapped"), torn_mover())[kind]
    name = _patch(plan, MOVERS)
    _play(plan, patched(DARK, (1, wrong), (11, mover())))
    rule = ("fine-stuck", "fine-swapped", "torn-pair")[kind]
    _expect(plan, f"mover with {rule.replace('-', ' ')}", (rule,), name, 0.0, 27.0, is_note=True)


def _patch(plan: NightPlan, rows: str, last: int = 12) -> str:
    """Patch the first universe: these rows, and washes from slot 101 to its end. last: slots of the last wash.

    Returns the universe's name.
    """
    name = f"e131/{plan.numbers[0]}"
    washes = "".join(f"wash {n},{name},{101 + 20 * n},,20,,\n" for n in range(20))
    plan.house["patch"] = HEAD + rows.format(u=name) + washes + f"last wash,{name},501,,{last},,\n"
    plan.house["extra"] = plan.house.get("extra", "") + PROFILES + "\n"
    return name


def _racked(plan: NightPlan, *circuits: tuple[int, str, int]) -> None:
    plan.house["extra"] += RACK.replace('"e131/1"', f'"e131/{plan.numbers[0]}"') + "\n"
    plan.house["circuits"] = loads(*circuits)


def _play(plan: NightPlan, own: Look) -> None:
    """Play these levels in the first slots of the first universe; the others continue with the show."""
    number = plan.numbers[0]
    plan.looks[number] = patched(plan.looks[number], (1, own))


def _expect(
    plan: NightPlan,
    fault: str,
    rules: tuple[str, ...],
    name: str,
    at_s: float,
    due_s: float,
    *,
    is_note: bool = False,
    frames: bool = False,
) -> None:
    """It must be found where only the show's levels come until then. frames: it shows only where none is lost."""

    def truth() -> Expected:
        away = plan.is_silent("main", at_s) or plan.silent_from_s("main", at_s) < due_s + 2.0
        away |= "main" in plan.unnumbered or name in plan.given_up or (frames and bool(plan.lossy_s))
        is_owed = not (away or _has_other_levels(plan, name))
        return Expected(fault, rules, (), (name,), at_s, due_s, (), is_owed, is_note)

    plan.truths.append(truth)
    plan.truths.append(partial(_of_others, plan, name))


def _has_other_levels(plan: NightPlan, name: str) -> bool:
    return name in {f"e131/{number}" for number in plan.taken} or "backup" in plan.still_s


def _of_others(plan: NightPlan, name: str) -> Expected | None:
    """What levels of another on the same universe may do to its fixtures."""
    if not _has_other_levels(plan, name):
        return None
    return Expected("other levels", CIRCUITS, (), (name,), 0.0, plan.seconds, is_owed=False)


ROW_FAULTS: tuple[Callable[[NightPlan, str, float], None], ...] = (
    fixtures_overlap,
    runs_past_the_end,
    patched_and_not_sent,
)
LEVEL_FAULTS: tuple[Callable[[NightPlan, str, float], None], ...] = (
    strays,
    switched_circuit_parked,
    power_off,
    way_overloaded,
    supply_overloaded,
    flashes,
    glares,
    command_left,
    fine_slot_wrong,
)
