"""Faults of random nights in a route of this computer: its port, its process, its device, its own output come back."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from slotwatch.rehearse.cast import ns, seen
from slotwatch.rehearse.night_plan import E131_DUE_S, Expected, NightPlan
from slotwatch.rehearse.stage import Item
from slotwatch.wire.observation import NeighbourSeen, RouteSeen, RoutesSeen

EVERY_S = 0.1
"""How often the process of the routes reports."""
LISTENS_S = 1.1
"""How long a route listens after its start, before it sends (docs/routes.md)."""
DUE_S = 3.0
"""Of a process: 1 s without a report, and then 0.5 s; of a port and a device less."""
PORT, NODE, MAC = "/dev/ttyUSB1", "192.0.2.46", "02:00:00:00:00:46"
SERIAL = f'to = "serial:{PORT}"\n', f"serial:{PORT}"
UNICAST = f'to = "e131/412"\nto_address = "{NODE}"\n', f"e131/412 to {NODE}"
GONE = f"{PORT} went away: input/output error"
ROUTE = '[[routes]]\nname = "tower"\nfrom = "{}"\n{}priority = 50\n'
State = Callable[[float], tuple[str, str]]
"""State and trouble of the route at a moment."""
Run = tuple[float, float, bool]
"""From when to when a process reports, and whether it ends because it was asked to."""


def port_gone(plan: NightPlan, subject: str, at_s: float) -> None:
    """The adapter of a serial route is unplugged, and plugged in again or not."""
    back_s = at_s + plan.chance.between(3.0, 15.0) if plan.chance.below(2) else math.inf
    number = _routed(plan, SERIAL, lambda t_s: ("running", GONE if at_s <= t_s < back_s else ""))
    _expect(plan, "port of a route gone", ("route-output-lost",), ("port",), number, at_s)


def process_ends(plan: NightPlan, subject: str, at_s: float) -> None:
    """The process of the routes ends by itself, and is started again at once, after seconds, or not in this night."""
    again_s = at_s + (0.3, 2.0, 6.0, math.inf)[plan.chance.below(4)]

    def state(t_s: float) -> tuple[str, str]:
        return ("listening" if again_s <= t_s < again_s + LISTENS_S else "running"), ""

    number = _routed(plan, SERIAL, state, (0.5, at_s, False), (again_s, math.inf, False))
    _expect(plan, "process of the routes ended", ("route-output-lost",), ("process",), number, at_s)


def no_device(plan: NightPlan, subject: str, at_s: float) -> None:
    """The gateway that a route sends to loses power: nothing answers at its address."""
    number = _routed(plan, UNICAST, lambda t_s: ("running", ""))
    times = [1.0 + 5.0 * n for n in range(int(plan.seconds / 5.0))]
    answers = [NeighbourSeen(ns(t_s), 0, NODE, MAC, True) for t_s in times if t_s < at_s]
    failures = [NeighbourSeen(ns(max(t_s, at_s)), 0, NODE, "", False) for t_s in [at_s, *times] if t_s >= at_s]
    plan.parts["gateway"] = lambda: seen(*answers, *failures)
    _expect(plan, "device of a route gone", ("route-output-lost",), ("no-device",), number, at_s)


def own_output_back(plan: NightPlan, subject: str, at_s: float) -> None:
    """A gateway sends the route's output back onto its input; the route stops itself and says so."""
    number = _routed(plan, UNICAST, lambda t_s: ("running" if t_s < at_s else "loop", ""))
    _expect(plan, "route met its own output", ("route-loop",), (), number, at_s, has_input=False)


def reloaded(plan: NightPlan) -> None:
    """Healthy: a route whose process is asked to end, as at a reload, and begins again."""
    at_s = plan.chance.between(12.0, max(plan.seconds - 10.0, 13.0))
    again_s = at_s + plan.chance.between(0.3, 2.0)

    def state(t_s: float) -> tuple[str, str]:
        return ("listening" if again_s <= t_s < again_s + LISTENS_S else "running"), ""

    _routed(plan, SERIAL, state, (0.5, at_s, True), (again_s, math.inf, False))


def _routed(
    plan: NightPlan, target: tuple[str, str], state: State, *runs: Run, runs_always: Run = (0.5, math.inf, False)
) -> int:
    """Declare a route of one universe, and let its process report. runs: when it reports. Returns the universe."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    written = f"e131/{number}@A" if plan.two else f"e131/{number}"
    plan.house["extra"] = plan.house.get("extra", "") + ROUTE.format(written, target[0])

    def reports() -> Iterator[Item]:
        for from_s, to_s, is_asked in runs or (runs_always,):
            began_ns, t_s = ns(min(from_s, plan.seconds)), from_s
            while t_s < min(to_s, plan.seconds):
                word, trouble = state(t_s)
                word = word if _has_input(plan, number, t_s) or word == "loop" else "stopped"
                route = RouteSeen("tower", word, target[1], written, trouble)
                yield RoutesSeen(ns(t_s), (route,), began_ns, is_asked and t_s + EVERY_S >= to_s)
                t_s += EVERY_S

    plan.parts["routes"] = reports
    return number


def _has_input(plan: NightPlan, number: int, t_s: float) -> bool:
    """Whether a source of the universe was there within the loss timeout."""
    desks = [one for one in ("main", "backup") if one in plan.parts]
    here = [one for one in desks if not plan.is_silent(one, t_s) or not plan.is_silent(one, t_s - 2.5)]
    here = [one for one in here if one != "main" or f"e131/{number}" not in plan.given_up]
    away = [(from_s, to_s) for from_s, to_s in (*plan.blind, *plan.cut) if from_s + 2.5 <= t_s < to_s]
    return bool(here) and not away


def _expect(
    plan: NightPlan,
    fault: str,
    rules: tuple[str, ...],
    causes: tuple[str, ...],
    number: int,
    at_s: float,
    *,
    has_input: bool = True,
) -> None:
    """has_input: it is a loss only where the route was sending."""

    def truth() -> Expected:
        sends = all(_has_input(plan, number, t_s) for t_s in (at_s - E131_DUE_S, at_s, at_s + DUE_S))
        is_owed = sends or not has_input or causes == ("port",)
        return Expected(fault, rules, causes, (), at_s, at_s + DUE_S, (), is_owed)

    plan.truths.append(truth)


FAULTS = (port_gone, process_ends, no_device, own_output_back)
