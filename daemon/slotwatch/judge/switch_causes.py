"""What the switches add to the cause of a loss: a port that went down in that second, or one that stayed up."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.judge import ways
from slotwatch.judge.cabling import PortKey, SwitchLink, SwitchPlace, own_switch, say_port
from slotwatch.judge.context import RuleContext
from slotwatch.judge.leg_causes import OWN_PORTS
from slotwatch.judge.rule import LOOK_AT_STAGE
from slotwatch.judge.scene import MOST_WEIGHED, Scene
from slotwatch.judge.switches import AGENT_READS_NS, PortChange, Restart, RestartKind
from slotwatch.judge.verdict import Verdict
from slotwatch.judge.without_levels import comes_on
from slotwatch.judge.wording import at_the_start
from slotwatch.snapshot import Confidence
from slotwatch.wire.observation import PortSeen

SLACK_NS = NANOSECONDS
"""Time between the last frame over a port and the moment at which it went down: the frames' own travel, and
rounding."""
RESTART_WITHIN_NS = 300 * NANOSECONDS
"""How long a switch may take to answer again after a restart; common practice, no source."""
LONGEST_POLL_S = 60
"""A switch that is asked more rarely comes too late."""
LOOK_AT_LEADS = (
    "Look at its link lamp, and at its switch port.",
    "Look at their link lamps, and at their switch ports.",
)
"""Checks that a port which stayed up answers."""


def weigh_switches(scene: Scene, verdict: Verdict) -> Verdict:
    """Give the verdict with what the switches know of it. Without switches, or a place, it stays as it is."""
    ctx = scene.ctx
    if not ctx.house.switches or scene.group.kind != "silent" or len(scene.whole) != len(scene.sources):
        return verdict
    places = {source: place for source in scene.sources[:MOST_WEIGHED] if (place := ways.place_of_source(ctx, source))}
    if not places:
        return verdict
    if comes_on(scene):
        _say_ports(scene, places, verdict)
        return verdict
    until_ns = max(verdict.settles_ns, group_ends_ns(scene))
    found = _restarted(scene, places) or _cut_off(scene, places) or _ports_down(scene, places, verdict)
    if found is None:
        found = verdict
        _say_ports(scene, places, verdict)
    else:
        found.still_working = verdict.still_working
    found.await_evidence(ctx.at_ns, NEVER_NS if _awaits_a_switch(scene, places) else until_ns)
    return found


def group_ends_ns(scene: Scene) -> int:
    """Until when a switch may still report a port that went down then: its agent's delay, and one poll."""
    slowest_s = max(one.poll_s for one in scene.ctx.house.switches)
    return scene.group.from_ns + AGENT_READS_NS + min(slowest_s, LONGEST_POLL_S) * NANOSECONDS


def _span(scene: Scene) -> tuple[int, int]:
    return scene.group.from_ns - SLACK_NS, scene.group.to_ns + SLACK_NS


# --- a link between switches ---------------------------------------------------------------------------


def _cut_off(scene: Scene, places: dict[int, SwitchPlace]) -> Verdict | None:
    """A port between two switches went down. All that stopped is behind it, and nothing behind it continues."""
    ctx, cabling = scene.ctx, ways.cabling_of(scene.ctx)
    for link in cabling.links():
        change = _went_down(ctx, link.near, *_span(scene))
        if change is None:
            continue
        near, far = cabling.without(link.near[0], link.far)
        if near == far:
            continue  # another link goes round it
        for side in (far, near):
            if _is_all_behind(scene, places, side):
                return _say_cut(scene, places, link, change)
    return None


def _is_all_behind(scene: Scene, places: dict[int, SwitchPlace], side: set[str]) -> bool:
    """Whether all that stopped is connected to these switches, and nothing that continues is."""
    ctx = scene.ctx
    own = own_switch(ctx.listener.switches, _announced(ctx, scene.networks))
    going_on = scene.others_afar()[:MOST_WEIGHED]
    alive = {place.switch for source in going_on if (place := ways.place_of_source(ctx, source))}
    return own not in side and not alive & side and all(place.switch in side for place in places.values())


def _say_cut(scene: Scene, places: dict[int, SwitchPlace], link: SwitchLink, change: PortChange) -> Verdict:
    ctx = scene.ctx
    names = scene.names
    port = _say(ctx, link.near)
    at = _say_when(ctx, change)
    sure = change.moment.is_sharp and len(places) == len(scene.sources)
    far = ctx.listener.switches.get(link.far)
    # It may answer over another lead: then it has power now, and had it all along if its up time began before.
    up_since_ns = far.began_ns() if far is not None and far.answered_ns > change.moment.to_ns else None
    had_power = up_since_ns is not None and up_since_ns < change.moment.from_ns
    return Verdict(
        "network-lost",
        Confidence.CERTAIN if sure else Confidence.HIGH,
        f"{at_the_start(port)}, the link to switch {link.far}, went down {at}. "
        f"This cut off what is behind it: {names}.",
        [
            f"{at_the_start(port)} went down {at}, as the switch reports.",
            *_say_hanging(ctx, places),
        ],
        [] if had_power else [f"the supply of switch {link.far}"],
        next_checks=[
            f"Look at {port} and at its other end: lamp, lead, plug.",
            *([f"Look at switch {link.far}: has it power?"] if up_since_ns is None else []),
            "Look at the stage: receivers on the same side as their desk may be fine.",
        ],
    )


# --- a switch that restarted --------------------------------------------------------------------------


def _restarted(scene: Scene, places: dict[int, SwitchPlace]) -> Verdict | None:
    """Give the verdict where all that stopped is connected to one switch, which was restarting then."""
    ctx = scene.ctx
    switches = {place.switch for place in places.values()}
    if len(switches) != 1:
        return None
    name = switches.pop()
    record = ctx.listener.switches.get(name)
    restart = record.restart if record else None
    if restart is None or restart.kind is RestartKind.MANAGEMENT or not _stopped_by(scene, restart):
        return None
    if not _is_all_behind(scene, places, {name}):
        return None
    names = scene.names
    before, began = ctx.time_of_day(restart.before_ns), ctx.time_of_day(restart.began_ns)
    exchanged = restart.kind is RestartKind.EXCHANGED
    return Verdict(
        "network-lost",
        Confidence.HIGH,
        f"Switch {name} {'was exchanged' if exchanged else 'restarted'}, "
        f"and what is connected to it was cut off meanwhile: {names}.",
        [
            f"Until {before} the device before it answered, and another one at {ctx.time_of_day(restart.seen_ns)}."
            if exchanged
            else f"Before that, switch {name} last answered at {before}; its up time begins at {began}.",
            *_say_hanging(ctx, places),
        ],
        ["a supply that the switch and these sources share"],
        next_checks=[f"Look at the supply of switch {name}, and at its log."],
    )


def _stopped_by(scene: Scene, restart: Restart) -> bool:
    return restart.before_ns - SLACK_NS <= scene.group.to_ns and scene.group.from_ns <= restart.moment.to_ns


def _awaits_a_switch(scene: Scene, places: dict[int, SwitchPlace]) -> bool:
    """Whether a switch that all of it is connected to is silent since, and may still say that it restarted."""
    ctx = scene.ctx
    records = [ctx.listener.switches.get(place.switch) for place in places.values()]
    silent = [record for record in records if record and record.missed and record.answered_ns]
    return bool(silent) and ctx.now_ns < scene.group.from_ns + RESTART_WITHIN_NS


# --- ports of the sources themselves ------------------------------------------------------------------


def _ports_down(scene: Scene, places: dict[int, SwitchPlace], before: Verdict) -> Verdict | None:
    """The port of each source that stopped went down as it stopped."""
    ctx, found = scene.ctx, dict[int, PortChange]()
    for source in scene.sources:
        place = places.get(source)
        change = _went_down(ctx, (place.switch, place.index), *_span(scene)) if place else None
        if change is None:
            return None
        found[source] = change
    if _share_a_port(scene, places):
        return _say_shared_port(scene, places, found)
    names = scene.names
    first = next(iter(found))
    port, at = ways.say_place(ctx, places[first]), _say_when(ctx, found[first])
    one = len(found) == 1
    return Verdict(
        before.cause if before.cause == "leg-lost" else "source-lost",
        Confidence.CERTAIN if all(change.moment.is_sharp for change in found.values()) else Confidence.HIGH,
        f"{names} went silent as {port} went down {at}: its lead, its power or the sender itself."
        if one
        else f"{names} went silent as their own switch ports went down: their leads, their power or themselves.",
        [
            *(
                f"{at_the_start(ways.say_place(ctx, places[source]))}, with {ctx.say_source(source)} on it, went down "
                f"{_say_when(ctx, change)}, as the switch reports."
                for source, change in found.items()
            ),
            *before.evidence,
        ],
        next_checks=[
            f"Look at the lamp of {port}, and at the lead from there to {ctx.source_name(first)}.",
            f"Look at {ctx.source_name(first)}: has it power, is it running?",
        ],
    )


def _share_a_port(scene: Scene, places: dict[int, SwitchPlace]) -> bool:
    """Whether several devices are behind one port: then it leads to another switch, which the house does not name."""
    ctx, rows = scene.ctx, [scene.ctx.sources[source] for source in scene.sources]
    cabling = ways.cabling_of(ctx)
    devices = {ways.device_address(ctx.listener, cabling, row.network, row.address) for row in rows}
    return len(devices) > 1 and len({(place.switch, place.index) for place in places.values()}) == 1


def _say_shared_port(scene: Scene, places: dict[int, SwitchPlace], found: dict[int, PortChange]) -> Verdict:
    ctx, (source, change) = scene.ctx, next(iter(found.items()))
    port, at = ways.say_place(ctx, places[source]), _say_when(ctx, change)
    return Verdict(
        "network-lost",
        Confidence.HIGH,
        f"{at_the_start(port)} went down {at}. This cut off what is behind it: {scene.names}.",
        [f"{at_the_start(port)} went down {at}, as the switch reports.", *_say_hanging(ctx, places)],
        [f"the supply of the switch behind {port}"],
        next_checks=[
            f"Look at {port} and at its other end: lamp, lead, plug.",
            "Look at the switch there: has it power?",
            "Look at the stage: receivers on the same side as their desk may be fine.",
        ],
    )


def _say_ports(scene: Scene, places: dict[int, SwitchPlace], verdict: Verdict) -> None:
    """Name the port of each source whose port did not go down, and say whether it is up."""
    ctx, up = scene.ctx, []
    for source, place in places.items():
        port, record = ways.port_at(ctx, place), ctx.listener.switches.get(place.switch)
        if port is None or record is None:
            continue
        named = say_port(port, place)
        fresh = record.answers and record.answered_ns > scene.group.to_ns
        changed = any(change.moment.to_ns >= _span(scene)[0] for change in port.changes)
        if fresh and port.port.up and not changed:
            up.append(source)
            verdict.evidence.insert(
                0, f"{at_the_start(named)}, with {ctx.say_source(source)} on it, is up and stayed up."
            )
        elif fresh and not port.port.up:
            verdict.evidence.insert(0, f"{at_the_start(named)}, with {ctx.say_source(source)} on it, is down now.")
        else:
            verdict.evidence.insert(0, f"{ctx.say_source(source)} is on {named}.")
    if verdict.cause == "source-lost" and len(up) == len(scene.sources):
        names = scene.names
        own = "its switch port is" if len(up) == 1 else "their switch ports are"
        verdict.reword(f"{names} stopped sending, and {own} up: the sender itself, not its lead.")
        verdict.also_possible = [text for text in verdict.also_possible if text not in OWN_PORTS]
        verdict.next_checks = [text for text in verdict.next_checks if text not in LOOK_AT_LEADS]
        # A second one of its own: the rule's general ones ask for the lamps of this port.
        verdict.next_checks.append(LOOK_AT_STAGE)


# --- words --------------------------------------------------------------------------------------------


def say_errors_on_the_way(ctx: RuleContext, source: int, window_ns: int) -> list[str]:
    """Say which ports that a source may go through count errors now: its own, and those between switches."""
    if not ctx.house.switches:
        return []
    place = ways.place_of_source(ctx, source)
    own = [(place.switch, place.index)] if place else []
    lines = []
    for key in dict.fromkeys((*own, *sorted(ways.cabling_of(ctx).uplinks()))):
        record = ctx.listener.switches.get(key[0])
        port = record.ports.get(key[1]) if record else None
        if port is None or not port.counts:
            continue
        last_ns = port.counts[-1][0]
        counted = port.counted_in(last_ns - window_ns, last_ns)
        if counted and counted[0] and ctx.now_ns - last_ns <= 2 * window_ns:
            seconds = round(counted[1] / NANOSECONDS)
            lines.append(
                f"{at_the_start(_say(ctx, key))} counted {counted[0]} errors or discarded frames in {seconds} s."
            )
    return lines


def _went_down(ctx: RuleContext, key: PortKey, from_ns: int, to_ns: int) -> PortChange | None:
    record = ctx.listener.switches.get(key[0])
    port = record.ports.get(key[1]) if record else None
    return port.went_down(from_ns, to_ns) if port else None


def _say_hanging(ctx: RuleContext, places: dict[int, SwitchPlace]) -> Iterable[str]:
    return [f"{ctx.say_source(source)} is on {ways.say_place(ctx, place)}." for source, place in places.items()]


def _say_when(ctx: RuleContext, change: PortChange) -> str:
    moment = change.moment
    if moment.is_sharp:
        return f"at {ctx.time_of_day(moment.middle_ns)}"
    return f"between {ctx.time_of_day(moment.from_ns)} and {ctx.time_of_day(moment.to_ns)}"


def _say(ctx: RuleContext, key: PortKey) -> str:
    return ways.say_place(ctx, SwitchPlace(*key, "snmp"))


def _announced(ctx: RuleContext, networks: Iterable[int]) -> list[PortSeen]:
    return [seen for network in networks for seen in ctx.listener.ports.now(network, ctx.now_ns)]
