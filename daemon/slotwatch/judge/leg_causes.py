"""Causes that only a second network shows: one network lost a source and another still hears it. Frames there prove
that the machine runs. The fault is then its lead to this network, what several such leads share, or the whole network.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge import wording
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import strays
from slotwatch.judge.legs import Legs, full_names, heard_on, plain_names, say_networks
from slotwatch.judge.scene import Scene
from slotwatch.judge.still_working import MOST_NAMED
from slotwatch.judge.stops import SLACK_NS
from slotwatch.judge.verdict import AND_ALSO, Verdict
from slotwatch.snapshot import Confidence

OWN_PORTS = ("its own switch port", "their own switch ports")
"""What else may have silenced one source, and several."""


def find_leg_cause(scene: Scene) -> Verdict | None:
    """Give the cause if another network still hears at least one of the lost sources, else None."""
    legs = Legs.of(scene)
    if not legs.alive.keys() & scene.lost_sources:
        # What only stopped beside it, and may continue elsewhere, is not evidence of its cause.
        scene.leave_out([row for row in scene.sources if row not in scene.lost_sources and _may_continue(scene, row)])
        return None
    if not legs.gone and all(_has_moved(scene, row) for row in legs.alive):
        return _moved(scene, legs)
    if _is_one_network_gone(scene, legs):
        return _network_lost(scene, legs)
    return _leg_lost(scene, legs)


def find_wrong_network(scene: Scene) -> Verdict | None:
    """Give the cause where all that was lost arrives from the same sources on a network that it is not declared on.

    It stays the cause where that has ended too, unless its source ended here as a whole.
    """
    ctx, streams = scene.ctx, scene.ctx.streams
    if not scene.sources:
        return None
    senders: dict[int, None] = {}
    networks: set[int] = set()
    arrived: list[int] = []
    ended_whole = {ctx.first_leg(source) for source in scene.whole}
    for universe in sorted(set(streams.universe[scene.stopped].tolist())):
        ended = (scene.stopped & (streams.universe == universe)).nonzero()[0].tolist()
        lost = {ctx.first_leg(ctx.source_of(row)) for row in ended}
        found = [
            row
            for other in strays(ctx, universe)
            for row in ctx.streams_of(other).tolist()
            if (leg := ctx.first_leg(ctx.source_of(row))) in lost
            and (ctx.live[row] or leg not in ended_whole)
            # What came there long before as well is another leg.
            and streams.since_ns[row] > scene.group.from_ns - SLACK_NS
        ]
        if not found:
            return None
        arrived += found
        senders.update(dict.fromkeys(ctx.source_of(row) for row in found))
        networks.update(streams.network[found].tolist())
    here, there = say_networks(ctx, scene.networks), say_networks(ctx, sorted(networks))
    name = plain_names(ctx, list(senders))
    has, runs = ("has", "is") if len(ctx.whole_sources(list(senders))) == 1 else ("have", "are")
    since = f"{full_names(ctx, list(senders))} {has} sent the same universes on {there} since they ended on {here}."
    return Verdict(
        "wrong-network",
        Confidence.HIGH,
        f"The data arrives on {there} instead, where it is not declared: {name} {runs} running.",
        [since],
        [f"{name} was set to send on {there}"],
        next_checks=[*checks_of_wrong_network(name, there)],
        rests_on_streams=tuple(arrived),
        once_silent=(
            f"The data arrived on {there} instead, where it is not declared, and ended there too.",
            since,
            f"{full_names(ctx, list(senders))} sent the same universes on {there} after they ended on {here}.",
        ),
    )


def checks_of_wrong_network(name: str, there: str) -> tuple[str, str]:
    """What to look at where a source arrives on a network that it is not declared on."""
    return (
        f"Look at the lead of {name}: it may be plugged into a port of {there}.",
        "Look at the VLAN of its switch port.",
    )


def _may_continue(scene: Scene, source: int) -> bool:
    """Whether other networks hear a source still, as far as anybody knows yet."""
    stops = scene.stops
    rows = is_among(scene.ctx.streams.source, [leg for leg in scene.ctx.other_legs(source) if leg not in scene.whole])
    if heard_on(scene, source):
        return True
    rows &= stops.had_frames & ~stops.terminated
    return bool((rows & ~stops.overdue_among(rows)).any())


def _has_moved(scene: Scene, source: int) -> bool:
    """Whether a source was heard on other networks only since it had ended on its own, or there long ago.

    What it sends there and is declared there belongs there, however late it came: after a restart of this listener.
    """
    ctx = scene.ctx
    rows = [row for leg in ctx.other_legs(source) for row in ctx.streams_from(leg).tolist() if ctx.live[row]]
    if any(ctx.universes.declared[ctx.universe_of(row)] >= 0 for row in rows):
        return False
    return all(ctx.model.sources.heard_since_ns[leg] > scene.group.from_ns - SLACK_NS for leg in ctx.other_legs(source))


def _moved(scene: Scene, legs: Legs) -> Verdict:
    """Its groups are not joined there, so that a switch may pass on its discovery list alone."""
    ctx = scene.ctx
    name = plain_names(ctx, list(legs.alive))
    here, there = say_networks(ctx, scene.networks), say_networks(ctx, legs.elsewhere)
    runs, verb = ("runs", "is") if len(ctx.whole_sources(legs.alive)) == 1 else ("run", "are")
    return Verdict(
        "wrong-network",
        Confidence.HIGH,
        f"{name} {runs} but came up on {there} instead of {here}.",
        [f"{full_names(ctx, list(legs.alive))} ended on {here}, and {verb} heard on {there} only, since then."],
        [f"{name} was set to send on {there}"],
        next_checks=[*checks_of_wrong_network(name, there)],
        speaks_of=tuple(legs.alive),
    )


def _is_one_network_gone(scene: Scene, legs: Legs) -> bool:
    """Whether two or more sources ended and nothing else comes by the networks that carried them."""
    if scene.others_afar() or scene.machines([*scene.whole, *_fell_silent_with(scene)]) < 2:
        return False
    ctx, after_ns = scene.ctx, scene.group.to_ns + SLACK_NS
    return not any(
        ctx.sources[row].last_seen_ns > after_ns and ctx.sources[row].network in scene.networks
        for row in ctx.sources
        if row not in scene.sources and not ctx.is_here(row)
    )


def _fell_silent_with(scene: Scene) -> list[int]:
    """Sources that stopped in the same moment and are not lost yet: Art-Net is only after 10 s."""
    ctx, group = scene.ctx, scene.group
    return [
        row
        for row in ctx.sources
        if row not in scene.sources
        and ctx.sources[row].network in scene.networks
        and group.from_ns - SLACK_NS <= ctx.sources[row].last_seen_ns <= group.to_ns + SLACK_NS
        and not ctx.is_here(row)
        and _is_overdue(ctx, row)
    ]


def _is_overdue(ctx: RuleContext, source: int) -> bool:
    """Whether a frame of one of its streams would have come by now at the pace of the last ones."""
    streams, rows = ctx.streams, ctx.streams_from(source)
    rows = rows[ctx.live[rows] & (streams.prev_frame_ns[rows] > 0)]
    last_ns = streams.last_frame_ns[rows]
    due_ns = last_ns + 5 * (last_ns - streams.prev_frame_ns[rows]) // 4 + SLACK_NS
    return bool((due_ns < ctx.now_ns).any())


def _network_lost(scene: Scene, legs: Legs) -> Verdict:
    ctx = scene.ctx
    lost, elsewhere = say_networks(ctx, scene.networks), say_networks(ctx, legs.elsewhere)
    heard = [leg for row in legs.alive for leg in ctx.other_legs(row) if ctx.sources[leg].network in legs.elsewhere]
    is_one, one_way = len(ctx.whole_sources(legs.alive)) == 1, len(scene.networks) == 1
    why = "a switch or uplink of it, not the sources."
    gone = f"{wording.at_the_start(lost)} no longer reaches this port: {why}"
    names = plain_names(ctx, list(legs.alive))
    still = f"{gone} {names} still {'arrives' if is_one else 'arrive'} on {elsewhere}."
    then = f"{gone} {names} still came by {elsewhere} then."
    is_blind = any(ctx.listener.is_down(network) for network in legs.elsewhere)
    verdict = Verdict(
        "network-lost",
        Confidence.HIGH,
        then if is_blind else still,
        [
            f"Everything on {lost} stopped together: {full_names(ctx, [*scene.whole, *_fell_silent_with(scene)])}.",
            f"Heard on {elsewhere} after that: {full_names(ctx, heard)}.",
            f"This computer's own {'interface' if one_way else 'interfaces'} on {lost} "
            f"{'is' if one_way else 'are'} up.",
        ],
        ["multicast is blocked on the path", "this computer's port was moved to another VLAN"],
        next_checks=[
            f"Look at the switches of {lost}: power, and the lamps of the uplink to this computer.",
            f"Look at the stage: do the lights on {lost} still follow?",
        ],
        rests_on=tuple(heard),
        once_back=f"{wording.at_the_start(lost)} did not reach this port then: {why}",
        once_silent=(then, "", ""),
    )
    _say_gone(scene, legs, verdict)
    return verdict


def _leg_lost(scene: Scene, legs: Legs) -> Verdict:
    ctx = scene.ctx
    rows = list(legs.alive)
    lost_networks = sorted({ctx.sources[row].network for row in rows})
    lost, elsewhere = say_networks(ctx, lost_networks), say_networks(ctx, legs.elsewhere)
    several = len(ctx.whole_sources(rows)) > 1
    is_blind = any(ctx.listener.is_down(network) for network in legs.elsewhere)
    ended = f"{full_names(ctx, rows)} ended on {lost} without the stream-terminated bit."
    in_the_past = f"Heard on {elsewhere} after that, so {'they' if several else 'it'} had power then."
    since = (
        f"Heard on {elsewhere} since then, so {'they have' if several else 'it has'} power and "
        f"{'are' if several else 'is'} running."
    )
    checks = [f"Look at the lead of {plain_names(ctx, rows)} on {lost}: link lamp at both ends."]
    checks += [f"Look at its switch port on {lost}."]
    apart = legs.by_networks(ctx)
    if len(apart) > 1:
        # Leads to several networks share no switch, as a rule.
        checks = [
            f"Look at the lead of {plain_names(ctx, mine)} on {say_networks(ctx, list(there))}: link lamp at both ends."
            for (there, _), mine in apart.items()
        ]
    elif several:
        every = wording.say_all(len(ctx.whole_sources(rows)), "source")
        checks = [f"Look at what {every} share on {lost}: switch, supply, uplink."]
        checks += [f"Look at their leads on {lost}: link lamps at both ends."]
    verdict = Verdict(
        "leg-lost",
        Confidence.MEDIUM if several or legs.gone or is_blind else Confidence.HIGH,
        _say_legs(scene, legs),
        [ended, in_the_past if is_blind else since],
        [
            f"the switch port{'s' if several else ''} on {lost}, rather than the lead{'s' if several else ''}",
            f"the output to {lost} was switched off at {'each source' if several else 'the source'}",
        ],
        next_checks=checks,
        rests_on=tuple(
            leg for row in rows for leg in ctx.other_legs(row) if ctx.sources[leg].network in legs.elsewhere
        ),
        speaks_of=tuple(rows),
        parts=tuple(_parts(scene, legs)),
        once_silent=(_say_legs(scene, legs, are_silent=True), since, in_the_past),
    )
    others = [source for source in scene.others_afar() if ctx.sources[source].network in lost_networks]
    if others:
        verdict.evidence.append(f"Other sources on {lost} continued: {full_names(ctx, others)}.")
    else:
        verdict.confidence = Confidence.MEDIUM
        verdict.also_possible.insert(0, f"a switch of {lost}: there is no other source to compare with")
    if several:
        verdict.also_possible.insert(
            0, "the leads themselves, both at once" if len(ctx.whole_sources(rows)) == 2 else "the leads themselves"
        )
    _say_gone(scene, legs, verdict)
    return verdict


def _say_legs(scene: Scene, legs: Legs, *, are_silent: bool = False) -> str:
    """Name the leads that are down, and what continues: `"Desk A": lead on network A down, network B continues.`
    are_silent: as it reads once these sources are no longer heard at all.
    """
    ctx = scene.ctx
    sentence = f"{AND_ALSO.join(part for part, _ in _parts(scene, legs, are_silent=are_silent))}."
    if are_silent:
        return sentence
    runs = f"The {'sources themselves are' if len(ctx.whole_sources(legs.alive)) > 1 else 'source itself is'} running."
    blind = [network for network in legs.elsewhere if ctx.listener.is_down(network)]
    if blind:
        runs = f"This listener's own link to {say_networks(ctx, blind)} is down now."
    return f"{sentence} {runs}"


def _parts(scene: Scene, legs: Legs, *, are_silent: bool = False) -> Iterator[tuple[str, frozenset[str]]]:
    """Say what is down and what continues of those that are on the same networks, each with their names."""
    ctx = scene.ctx
    for (lost, heard), rows in legs.by_networks(ctx).items():
        there, several = say_networks(ctx, list(lost)), len(ctx.whole_sources(rows)) > 1
        others = "continue" if len(heard) > 1 else "continues"
        if are_silent:
            others = f"continued then and {'are' if len(heard) > 1 else 'is'} silent now"
        elif any(ctx.listener.is_down(network) for network in heard):
            others = f"still brought {'them' if several else 'it'} then"
        goes_on = f"{say_networks(ctx, list(heard))} {others}"
        names = frozenset(f'"{ctx.source_name(source)}"' for source in ctx.whole_sources(rows))
        yield f"{plain_names(ctx, rows)}{_fate(there, goes_on, several=several, leads=len(lost))}", names


def _fate(there: str, goes_on: str, *, several: bool, leads: int) -> str:
    if several:
        return f" were cut off from {there} together; {goes_on}. Look first at what they share there"
    return f": {'leads' if leads > 1 else 'lead'} on {there} down, {goes_on}"


def _say_gone(scene: Scene, legs: Legs, verdict: Verdict) -> None:
    """Name those of which no other network hears anything: they died, or it is not known whether they run."""
    ctx = scene.ctx
    ended: dict[int, set[int]] = {}
    for row in legs.gone:
        ended.setdefault(ctx.first_leg(row), set()).add(ctx.sources[row].network)
    # Two leads do not come out at once.
    dead = [row for row in legs.gone if len(ended[ctx.first_leg(row)]) > 1]
    for rows in (dead, [row for row in legs.gone if row not in dead]):
        if not rows:
            continue
        lost, names = say_networks(ctx, sorted({ctx.sources[row].network for row in rows})), plain_names(ctx, rows)
        one = len(ctx.whole_sources(rows)) == 1
        if rows is dead:
            also = f"{names} went completely silent on {lost} at once: power or crash."
            verdict.evidence.append(f"{full_names(ctx, rows)} ended on {lost} in the same moment.")
            screens = [ctx.source_name(source) for source in ctx.whole_sources(rows)]
            check = f"Look at the screen of {wording.list_names(screens)}: {'is it' if one else 'are they'} running?"
            verdict.next_checks.append(check)
            verdict.checks_of = ((check, frozenset(f'"{name}"' for name in screens)),)
        else:
            also = f"{names} stopped on {lost} at the same time."
            verdict.evidence.append(
                f"{full_names(ctx, rows)} {'is' if one else 'are'} heard on no other network, so it is not known "
                f"whether {'it is' if one else 'they are'} running."
            )
        verdict.add_of_others(also)
        verdict.once_silent = (f"{verdict.once_silent[0]} {also}", *verdict.once_silent[1:])


def say_leads(scene: Scene) -> str:
    """Say what else than the sources may have silenced them."""
    several = scene.machines(scene.sources) > 1
    if len(scene.networks) > 1:
        its, source = ("their", "sources") if several else ("its", "source")
        return f"what {its} leads to {say_networks(scene.ctx, scene.networks)} share, rather than the {source}"
    return OWN_PORTS[several]


def say_legs_working(scene: Scene, verdict: Verdict) -> None:
    """Say first what the lost sources still send to other networks."""
    ctx = scene.ctx
    streams = ctx.streams
    working = []
    for lost in ctx.by_source(scene.sources)[:MOST_NAMED]:
        legs = sorted(
            {
                leg
                for row in lost
                for leg in ctx.other_legs(row)
                if leg not in lost and ctx.sources[leg].network in heard_on(scene, row)
            }
        )
        rows = (scene.alive & is_among(streams.source, legs)).nonzero()[0] if legs else ()
        if len(rows):
            universes = sorted(set(streams.universe[rows].tolist()))
            senders = " and ".join(ctx.say_sources(streams.source[rows].tolist()))
            working.append(f"{senders} is sending {ctx.name_universes(universes)}")
    verdict.still_working[:0] = working


def say_other_leg(scene: Scene, source: int, lost: NDArray[np.intp], verdict: Verdict) -> bool:
    """Name the network path as the cause if the source still sends to another network. Return whether."""
    ctx, streams = scene.ctx, scene.ctx.streams
    legs = ctx.other_legs(source)
    numbers = set(zip(streams.protocol[lost].tolist(), streams.number[lost].tolist(), strict=True))
    beside = [
        row
        for row in (scene.alive & is_among(streams.source, legs)).nonzero()[0].tolist()
        if (int(streams.protocol[row]), int(streams.number[row])) in numbers
    ]
    found = {(int(streams.protocol[row]), int(streams.number[row])) for row in beside}
    if not numbers or found != numbers:
        return False
    elsewhere = say_networks(ctx, sorted(set(streams.network[beside].tolist())))
    verdict.confidence = Confidence.MEDIUM
    verdict.sentence = (
        f'"{ctx.source_name(source)}" still sends it on {elsewhere}: it no longer reaches this port on '
        f"{say_networks(ctx, scene.networks)} (membership, group table, or this one output of the source)."
    )
    verdict.evidence.append(f"The same universes of {ctx.say_source(source)} still reach this port on {elsewhere}.")
    return True
