"""Faults of random nights in the frames of a tapped line, beside the universe that it should carry."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from slotwatch.durations import NANOSECONDS
from slotwatch.rehearse.cast import ns, seen
from slotwatch.rehearse.looks import held
from slotwatch.rehearse.night_flow import as_it_is
from slotwatch.rehearse.night_plan import Expected, NightPlan
from slotwatch.rehearse.packets import LINE_PORT, Sent
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import LineSeen

LINE = '[[lines]]\nname = "rack feed"\nport = "/dev/ttyUSB0"\ncompare_with = "{}"\n'
NAME = "line/rack feed"
NO_NETWORK = 0
LINE_HZ = 30.0
BEHIND_S = 0.06
"""A gateway is two frames behind (common practice, no source)."""
ABOVE = 300
"""Slots of a line that is cut short; the looks of a night have levels above them."""
DUE_S = 6.0
"""What the line should carry is looked at for 2 s; a line counts as lost after 1 s (common practice, no source)."""
BESIDE = frozenset({"main", "backup", "lights", "stranger", "path", "switches", "querier", "listener", "between"})
"""Subjects whose faults would change what the line should carry, or what is heard of it."""
Frame = Callable[[bytes], bytes]


def line_short(plan: NightPlan, subject: str, at_s: float) -> None:
    """The gateway sends fewer slots than its universe has."""
    slots = 24 + plan.chance.below(ABOVE)
    _tapped(plan, at_s, lambda levels: b"\0" + levels[:slots])
    shown_s = _shows_above(plan, slots, at_s)
    _expect(plan, "line cut short", ("line-differs",), ("short",), at_s, due_s=shown_s)


def line_of_text(plan: NightPlan, subject: str, at_s: float) -> None:
    """The line continues with another start code: no receiver takes levels from it."""
    _tapped(plan, at_s, lambda levels: b"\x17" + levels)
    _expect(plan, "line with another start code", ("universe-lost",), (), at_s)
    plan.truths.append(partial(as_it_is, _never_heard("line with another start code", plan, at_s)))


def line_stands(plan: NightPlan, subject: str, at_s: float) -> None:
    """The gateway holds one look, while its universe has another."""
    look = held(251)(0.0)
    _tapped(plan, at_s, lambda levels: b"\0" + look)
    _expect(plan, "line stands", ("line-differs",), (), at_s)


def line_dark(plan: NightPlan, subject: str, at_s: float) -> None:
    """The lead of the line comes out behind the gateway: the adapter is well and hears nothing."""
    _tapped(plan, at_s, lambda levels: b"")
    _expect(plan, "line dark", ("universe-lost",), (), at_s)
    plan.truths.append(partial(as_it_is, _never_heard("line dark", plan, at_s)))


def _never_heard(fault: str, plan: NightPlan, at_s: float) -> Expected:
    """What a line without levels is to a listener that never heard any on it: other than what it should carry."""
    names = (f"e131/{plan.numbers[0]}",)
    return Expected(fault, ("line-differs",), (), names, at_s, math.inf, is_owed=False, is_unknown=True)


def _tapped(plan: NightPlan, at_s: float, broken: Frame) -> None:
    """Play a line that carries the first universe, and from a moment on what is made of that."""
    number = plan.numbers[0]
    plan.house["extra"] = plan.house.get("extra", "") + LINE.format(f"e131/{number}")
    plan.faulty.update(BESIDE)

    def frames() -> Iterator[Item]:
        for index in range(int(plan.seconds * LINE_HZ)):
            t_s = index / LINE_HZ + 0.01
            levels = plan.looks[number](max(t_s - BEHIND_S, 0.0)).ljust(512, b"\0")
            payload = broken(levels) if t_s >= at_s else b"\0" + levels
            if payload:
                yield Sent(round(t_s * NANOSECONDS), NO_NETWORK, "::", 1, "::", LINE_PORT, payload)

    driven_s = plan.seconds if broken(bytes(512)) else at_s
    health = [
        LineSeen(ns(float(second)), 1, True, breaks=int(min(second, driven_s) * LINE_HZ))
        for second in range(int(plan.seconds))
    ]
    plan.parts["line"] = lambda: mixed(frames(), seen(*health))


def _shows_above(plan: NightPlan, slots: int, at_s: float) -> float:
    """When levels above the last slot of a line that is cut short have been up for long enough; inf: never."""
    number, since_s = plan.numbers[0], math.inf
    for tenth in range(int(at_s * 10), int(plan.seconds * 10)):
        t_s = tenth / 10
        if not any(plan.looks[number](t_s)[slots:]):
            since_s = math.inf
        elif t_s >= min(since_s, t_s) + DUE_S:
            return t_s
        else:
            since_s = min(since_s, t_s)
    return math.inf


def _expect(
    plan: NightPlan, fault: str, rules: tuple[str, ...], causes: tuple[str, ...], at_s: float, due_s: float = 0.0
) -> None:
    """due_s: where it is another than that of a line whose levels show it at once; inf: it need not be reported."""
    name = (NAME,) if rules == ("universe-lost",) else ()
    due_s = due_s or at_s + DUE_S
    found = Expected(fault, rules, causes, name, at_s, due_s, is_owed=due_s < math.inf)
    plan.truths.append(partial(as_it_is, found))


FRAME_FAULTS = (line_short, line_of_text, line_stands, line_dark)
