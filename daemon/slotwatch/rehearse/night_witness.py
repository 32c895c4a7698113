"""Faults of random nights that others witness: switches that are asked, queries of a querier, the port of a line."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import ns, seen
from slotwatch.rehearse.faults_network import query
from slotwatch.rehearse.faults_switches import DECLARED, foh, two_switches, with_port
from slotwatch.rehearse.night_flow import as_it_is
from slotwatch.rehearse.night_plan import (
    ARTNET_DUE_S,
    COINCIDENT_S,
    E131_DUE_S,
    LOSSES,
    SILENT,
    Expected,
    NightPlan,
    Silence,
    silence_truth,
)
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.pretend_switch import PretendPort, PretendSwitch
from slotwatch.rehearse.stage import mixed
from slotwatch.wire.observation import LineSeen, QuerierWatchSeen

POLL_S = 5.0
MEMBERSHIP_S = 260.0
"""Silence of a querier after which memberships are gone (RFC 2236 8.4)."""
EXPLAINS_S = 12.0
"""How long a loss waits for the other groups of its source to end too."""
TWO_MINUTES_S = 124.0
LINE = '[[lines]]\nname = "rack feed"\nport = "/dev/ttyUSB0"\n'
DESKS = ("main", "backup")


def desk_port_down(plan: NightPlan, subject: str, at_s: float) -> None:
    """The main desk's lead is pulled: its switch port goes down in that second, or between two polls."""
    says_when = plan.chance.below(2) > 0
    _asked(plan, foh(with_port(3, PretendPort("", down=(at_s, 1e12), says_when=says_when))))
    plan.faulty.add("main")
    if plan.two:
        # The switch is one of the first network. The desk's other lead goes to another.
        plan.half_s = at_s
        plan.wrap("main", lambda before: stage.cut(before, at_s, plan.seconds + 1, _is_first))
    else:
        plan.silences.append(Silence("main", at_s))
        plan.wrap("main", lambda before: stage.cut(before, at_s))
    causes = ("leg-lost",) if plan.two else SILENT
    plan.truths.append(silence_truth(plan, "main", "main's port down", at_s, causes))


def uplink_down(plan: NightPlan, subject: str, at_s: float) -> None:
    """The link to the switch that both desks are on goes down; the house lights are on this side of it."""
    near, far = two_switches(with_port(8, PretendPort("", down=(at_s, 1e12))))
    _asked(plan, near, replace(far, silent=(at_s, 1e12)))
    _cut_off(plan, "uplink down", at_s)


def _cut_off(plan: NightPlan, fault: str, at_s: float, back_s: float = math.inf) -> None:
    """Cut both desks off, and expect it to be put down to the network. Of two networks it is the first."""
    for one in DESKS:
        if one in plan.parts and not plan.is_silent(one, at_s):
            plan.faulty.add(one)
            if plan.two:
                plan.half_s = at_s
                plan.wrap(one, lambda before: stage.cut(before, at_s, min(back_s, plan.seconds + 1), _is_first))
            else:
                plan.silences.append(Silence(one, at_s, back_s))
                plan.wrap(one, lambda before: stage.cut(before, at_s, back_s))

    def truth() -> Expected:
        near_s = [one for one in plan.silences if one.at_s != at_s and abs(one.at_s - at_s) < COINCIDENT_S]
        rules = ("universe-lost", "source-absent", "backup-absent")
        causes = () if near_s or any(one.is_slow for one in plan.silences) else ("network-lost",)
        names = plan.universes("main")
        return Expected(fault, rules, causes, names, at_s, at_s + E131_DUE_S, LOSSES, bool(names))

    plan.truths.append(truth)


def _is_first(sent: Sent) -> bool:
    return sent.network == 0


def far_switch_restarts(plan: NightPlan, subject: str, at_s: float) -> None:
    """The switch that both desks are on restarts: they are cut off for 20 s and continue."""
    near, far = two_switches(with_port(8, PretendPort("", down=(at_s, at_s + 2.0))))
    _asked(plan, near, replace(far, restart=(at_s, at_s + 16.0)))
    _cut_off(plan, "switch of the desks restarts", at_s, at_s + 20.0)
    rules = ("switch-restarted", "switch-silent")
    beside = Expected("switch of the desks restarts", rules, (), (), at_s, plan.seconds, is_owed=False)
    plan.truths.append(partial(as_it_is, beside))


def port_falls_back(plan: NightPlan, subject: str, at_s: float) -> None:
    """The port of the main desk falls back to 10 Mbit/s: a note."""
    _asked(plan, foh(with_port(3, PretendPort("", speed_mbps=lambda t_s: 1000 if t_s < at_s else 10))))
    due_s = at_s + 2 * POLL_S + 2.0
    found = Expected("port at 10 Mbit/s", ("port-slow",), ("port",), (), at_s, due_s, is_note=True)
    # The port of a machine that is off may keep 10 Mbit/s to be woken by: common practice, no source.
    plan.truths.append(lambda: replace(found, is_owed=plan.silent_from_s("main", 0.0) > due_s))


def querier_moves_elsewhere(plan: NightPlan, subject: str, at_s: float) -> None:
    """A switch names another querier than before, whose queries do not come here: a note."""
    _asked(plan, replace(foh(), querier=lambda t_s: "192.0.2.9" if t_s < at_s else "192.0.2.2"))
    due_s = at_s + POLL_S + 2.0
    found = Expected("querier moves elsewhere", ("querier-changed",), ("changed",), (), at_s, due_s, is_note=True)
    plan.truths.append(partial(as_it_is, found))


def switch_restarts(plan: NightPlan, subject: str, at_s: float) -> None:
    """A switch restarts so fast that nothing is lost here: only its up time shows it."""
    _asked(plan, replace(foh(), restart=(at_s, at_s + 0.5)))
    found = Expected("switch restarts", ("switch-restarted",), ("restarted",), (), at_s, at_s + POLL_S + 3.0)
    plan.truths.append(partial(as_it_is, found))


def port_counts_errors(plan: NightPlan, subject: str, at_s: float) -> None:
    """The port of the main desk counts errors from the start, and no frame is missing."""
    plan.seconds = max(plan.seconds, TWO_MINUTES_S + 2.0)
    _asked(plan, foh(with_port(3, PretendPort("", errors=lambda t_s: int(t_s / 2)))))
    found = Expected("port counts errors", ("port-errors",), ("port",), (), 0.0, TWO_MINUTES_S)
    plan.truths.append(partial(as_it_is, found))


def switch_falls_silent(plan: NightPlan, subject: str, at_s: float) -> None:
    """The management of a switch no longer answers, and its ports carry on: a note."""
    _asked(plan, replace(foh(), silent=(at_s, 1e12)))
    due_s = at_s + 4 * POLL_S
    found = Expected("switch silent", ("switch-silent",), ("not-answered",), (), at_s, due_s, is_note=True)
    plan.truths.append(partial(as_it_is, found))


def querier_gone(plan: NightPlan, subject: str, at_s: float) -> None:
    """The querier was last heard 260 s ago; nothing is lost yet."""
    _queried(plan, at_s - MEMBERSHIP_S)

    def truth() -> Expected:
        # What is lost in these seconds is put down to it, until it is plain that other groups continue.
        due_s = at_s + (EXPLAINS_S if plan.given_up or plan.silences else 1.5)
        # It began with the last query: a listener that was restarted since then never heard the querier.
        return Expected("querier silent", ("querier-absent",), ("silent",), (), at_s - MEMBERSHIP_S, due_s)

    plan.truths.append(truth)


def groups_run_out(plan: NightPlan, subject: str, at_s: float) -> None:
    """The querier has been silent for long, and a switch that snoops forgets every group of this port."""
    _queried(plan, at_s - MEMBERSHIP_S)
    alive = [one for one in plan.everyone() if one != "media" and not plan.is_silent(one, at_s)]
    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.cut(before, at_s, plan.seconds + 1, stage.multicast))
    plan.faulty.update(alive)
    plan.silences += [Silence(one, at_s) for one in alive]
    plan.cut.append((at_s, 1e12))
    names = tuple(dict.fromkeys(name for one in alive for name in plan.universes(one)))
    silent = Expected("groups run out", ("querier-absent",), ("silent",), (), at_s, plan.seconds, is_owed=False)
    plan.truths.append(partial(as_it_is, silent))

    def truth() -> Expected:
        near = any(one.at_s != at_s and abs(one.at_s - at_s) < ARTNET_DUE_S for one in plan.silences)
        rules = ("universe-lost", "source-absent", "backup-absent")
        also = (*LOSSES, "packet-loss")
        causes = () if near else ("multicast-lost",)
        return Expected("groups run out", rules, causes, names, at_s, at_s + E131_DUE_S, also, bool(names))

    plan.truths.append(truth)


def two_queriers(plan: NightPlan, subject: str, at_s: float) -> None:
    """A second querier with a lower address joins, and both are heard in turn: a note."""
    queries = [query(at_s - 60.0, "192.0.2.9"), query(at_s, "192.0.2.2"), query(at_s + 1.0, "192.0.2.9")]
    plan.parts["querier"] = lambda: seen(QuerierWatchSeen(ns(-300.0), 0, True), *queries)
    found = Expected("two queriers", ("querier-changed",), (), (), at_s, at_s + 2.5, is_note=True)
    plan.truths.append(partial(as_it_is, found))


def line_faulty(plan: NightPlan, subject: str, at_s: float) -> None:
    """A tapped line brings bytes with framing faults: a terminator is missing."""
    per_s = 3 + plan.chance.below(20)
    _tapped(
        plan, lambda t_s: LineSeen(ns(t_s), 1, True, faults=int(max(0.0, t_s - at_s) * per_s), breaks=int(t_s * 30))
    )
    found = Expected("line with framing faults", ("line-faulty",), (), (), at_s, at_s + 8.0)
    plan.truths.append(partial(as_it_is, found))


def line_unplugged(plan: NightPlan, subject: str, at_s: float) -> None:
    """The adapter of a tapped line is unplugged."""
    trouble = "/dev/ttyUSB0 is not there; plug the adapter in"
    _tapped(plan, lambda t_s: LineSeen(ns(t_s), 1, t_s < at_s, "" if t_s < at_s else trouble))
    found = Expected("line adapter unplugged", ("line-port-missing",), (), (), at_s, at_s + 6.0)
    plan.truths.append(partial(as_it_is, found))


def _asked(plan: NightPlan, *switches: PretendSwitch) -> None:
    """Declare the house's switches, and let them be polled; a switch that is not played is well."""
    plan.house["extra"] = plan.house.get("extra", "") + DECLARED
    played = switches if len(switches) > 1 else (*switches, two_switches()[1])
    plan.parts["switches"] = lambda: mixed(*(one.polls(POLL_S, 0.5 + 0.2 * n) for n, one in enumerate(played)))


def _queried(plan: NightPlan, last_s: float) -> None:
    """A querier that was heard until then, which may be long before the night begins."""
    plan.querier_silent = True
    plan.parts["querier"] = lambda: seen(QuerierWatchSeen(ns(-400.0), 0, True), query(last_s))


def _tapped(plan: NightPlan, state: Callable[[float], LineSeen]) -> None:
    """Declare a line, and report its state each second."""
    plan.house["extra"] = plan.house.get("extra", "") + LINE
    plan.parts["line"] = lambda: seen(*(state(float(second)) for second in range(int(plan.seconds))))


SWITCH_FAULTS = (
    desk_port_down,
    uplink_down,
    far_switch_restarts,
    switch_restarts,
    port_counts_errors,
    port_falls_back,
    querier_moves_elsewhere,
    switch_falls_silent,
)
QUERIER_FAULTS = (querier_gone, groups_run_out, two_queriers)
LINE_FAULTS = (line_faulty, line_unplugged)
