"""Faults of random nights in control, and in the numbers, groups and priorities that a desk sends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import packets, stage
from slotwatch.rehearse.cast import GATEWAY, TOOL, rests, second_desk
from slotwatch.rehearse.desk import Desk, cid_of, outputs
from slotwatch.rehearse.looks import held, late
from slotwatch.rehearse.night_content import RIVALS
from slotwatch.rehearse.night_plan import LIGHTS, LOSSES, WINDOW_DUE_S, Expected, NightPlan, Silence
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.rewriting import PRIORITY, changed, put, universe_of
from slotwatch.rehearse.stage import Item, mixed

ANOTHER_ADDRESS = "192.0.2.60"
FALLBACK_ADDRESS = "169.254.7.7"
SECOND_TOOL = "192.0.2.98"


def raises_priority(plan: NightPlan, subject: str, at_s: float) -> None:
    """A declared desk sends above its declared priority: a setting that was copied."""
    plan.raised_s[subject] = at_s
    plan.wrap(subject, lambda before: changed(before, put(PRIORITY, bytes((150,))), at_s))
    names = plan.universes(subject)
    also = ("slot-priority-faulty", "backup-differs")

    def truth() -> Expected:
        is_owed = plan.silent_from_s(subject, at_s) > at_s + 7 and not plan.is_silent(subject, at_s)
        return Expected(
            f"{subject} above its priority",
            ("unexpected-source",),
            ("priority",),
            tuple(name for name in names if name not in plan.given_up),
            at_s,
            at_s + 7.0,
            also,
            is_owed,
        )

    plan.truths.append(truth)


def lowers_priority(plan: NightPlan, subject: str, at_s: float) -> None:
    """The main desk falls below its backup, which is then in control."""
    plan.outranked = True
    plan.wrap("main", lambda before: changed(before, put(PRIORITY, bytes((80,))), at_s))
    names = plan.universes("main")

    def truth() -> Expected:
        both = [plan.silent_from_s(one, 0.0) for one in ("main", "backup")]
        # Where a stranger sends at the priority that the desk had, it is in control, and not the backup.
        rivals = {f"e131/{number}" for number, rival_s in plan.rival_s.items() if rival_s < at_s + 7.0}
        shown = tuple(name for name in names if name not in rivals)
        # A backup that was in control before is not reported again.
        is_owed = min(both) > at_s + 7.0 and not plan.backup_above and bool(shown)
        return Expected(
            "main below its backup",
            ("backup-in-control",),
            ("main-outranked",),
            shown or names,
            at_s,
            at_s + 7.0,
            ("unexpected-source",),
            is_owed,
        )

    plan.truths.append(truth)


def three_rivals(plan: NightPlan, subject: str, at_s: float) -> None:
    """Two test tools at the desk's priority: more sources than many receivers merge."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    looks = [held(200), held(30)]
    tools = [
        Desk(f"Tool {n}", address, outputs((number,), lambda _, n=n: looks[n]), start_s=at_s, seed=13 + n)  # type: ignore[misc]
        for n, address in enumerate((TOOL, SECOND_TOOL))
    ]
    plan.taken.add(number)
    plan.rival_s[number] = at_s
    plan.parts["intruder"] = lambda: mixed(*(one.sends() for one in tools))
    names = (f"e131/{number}",)
    rules = ("source-conflict", "unexpected-source", "too-many-sources")
    plan.truths.append(lambda: Expected("two strangers", rules, (), names, at_s, at_s + 7.0, RIVALS))


def echo(plan: NightPlan, subject: str, at_s: float) -> None:
    """A gateway sends back what it hears of one universe, three frames late."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    # Asked when it plays: a later fault may change the look of the desk.
    out = outputs((number,), lambda _: late(lambda t_s: plan.looks[number](t_s), 0.075))
    gateway = Desk("Gateway in", GATEWAY, out, cid_of("Gateway in"), start_s=at_s, seed=6)
    plan.parts["intruder"] = gateway.sends
    plan.rival_s[number] = at_s
    names = (f"e131/{number}",)
    rules = ("echoed-universe", "unexpected-source", "source-conflict")
    plan.truths.append(lambda: Expected("gateway echoes", rules, (), names, at_s, at_s + 7.0, RIVALS))


def slot_priorities_short(plan: NightPlan, subject: str, at_s: float) -> None:
    """Per-address priorities cover fewer slots than the levels from now on."""
    slots = 24 + plan.chance.below(400)
    plan.main["slot_priorities"] = lambda t_s: bytes((100,)) * (512 if t_s < at_s else slots)
    names = plan.universes("main")
    also = ("backup-in-control",)
    plan.truths.append(
        lambda: Expected(
            "per-slot priorities short",
            ("slot-priority-faulty",),
            ("short", "mixed"),  # a rival that gives none makes it both
            names,
            at_s,
            at_s + 6.5,
            also,
            is_owed=plan.silent_from_s("main", at_s) > at_s + 6.5,
        )
    )


def shares_numbers(plan: NightPlan, subject: str, at_s: float) -> None:
    """The desk counts one sequence for all of its universes: where all send each frame, it steps by their number."""
    desk = plan.main_desk(start_s=at_s, sequence="shared", first_sequence=plan.chance.below(256))
    plan.wrap("main", lambda before: mixed(stage.cut(before, at_s), plan.send(desk)))
    plan.unnumbered.add("main")
    names = plan.universes("main")
    also = (*LOSSES, "packet-loss", "out-of-order", "backup-differs", "uneven-refresh", "slow-refresh")

    def truth() -> Expected:
        steady = plan.common["continuous"] and plan.silent_from_s("main", at_s) > at_s + WINDOW_DUE_S
        return Expected(
            "one sequence for all", ("sequence-unusable",), (), names, at_s, at_s + WINDOW_DUE_S, also, bool(steady)
        )

    plan.truths.append(truth)


def wrong_group(plan: NightPlan, subject: str, at_s: float) -> None:
    """One universe goes to the group of another: readers of the field see it, gateways get nothing."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    other = next(one for one in plan.numbers if one != number)

    def change(sent: Sent) -> Sent:
        return replace(sent, dst=packets.group(other))

    plan.wrap("main", lambda before: changed(before, change, at_s, lambda sent: universe_of(sent) == number))
    names = (f"e131/{number}",)
    plan.truths.append(
        lambda: Expected(
            "wrong group",
            ("wrong-group",),
            (),
            names,
            at_s,
            at_s + 3.0,
            is_owed=plan.silent_from_s("main", at_s) > at_s + 3.0,
        )
    )


def readdressed(plan: NightPlan, subject: str, at_s: float) -> None:
    """A new lease: the desk pauses for a moment and continues from another address. Its CID identifies it."""
    desk = plan.main_desk(address=ANOTHER_ADDRESS, start_s=at_s + plan.chance.between(0.2, 1.5))
    plan.wrap("main", lambda before: mixed(stage.cut(before, at_s), desk.sends()))


def falls_back(plan: NightPlan, subject: str, at_s: float) -> None:
    """No address server answers: the desk continues from an address of its own choice (RFC 3927). A note."""
    start_s = at_s + plan.chance.between(0.2, 1.5)
    desk = plan.main_desk(address=FALLBACK_ADDRESS, start_s=start_s)
    plan.wrap("main", lambda before: mixed(stage.cut(before, at_s), desk.sends()))

    def truth() -> Expected:
        is_owed = plan.silent_from_s("main", 0.0) > start_s + 4.0
        found = Expected("fallback address", ("fallback-address",), (), (), at_s, start_s + 3.0, (), is_owed)
        return replace(found, is_note=True)

    plan.truths.append(truth)


def lights_rest_slowly(plan: NightPlan, subject: str, at_s: float) -> None:
    """A keep-alive of 3.4 s: at rest each pause is a loss for receivers, and the data comes back without help."""
    options = {"start_s": at_s, "keep_alive_s": 3.4, "first_sequence": plan.chance.below(256)}
    desk = second_desk(look=rests, **{**plan.lights, **options})

    def sends(before: Iterator[Item]) -> Iterator[Item]:
        return mixed(stage.cut(before, at_s), plan.send(desk))

    plan.wrap("lights", sends)
    names = (f"e131/{LIGHTS}",)
    causes = ("path-or-sender", "source-lost")
    plan.silences.append(Silence("lights", at_s, is_slow=True))
    plan.truths.append(
        lambda: Expected(
            "keep-alive too slow",
            ("universe-lost", "flapping", "source-absent"),
            causes,
            names,
            at_s,
            at_s + 8.0,
            (*LOSSES, "flapping", "packet-loss"),
        )
    )
