"""Finds the cause of a group of losses from what stopped together and what continues.

Every verdict has its evidence, the second-best cause, what still works and what to look at next. It is worked out
again while evidence comes in (slower timeouts, discovery lists, neighbours that stop answering). The causes of a
source that stopped as a whole are here; each other kind of loss has a module of its own.
"""

from __future__ import annotations

from dataclasses import replace

from slotwatch.durations import NEVER_NS
from slotwatch.judge import group_tables, leg_causes, leg_doubts, wording
from slotwatch.judge.clean_stops import announced_end, say_announced_beside
from slotwatch.judge.comebacks import came_back
from slotwatch.judge.context import RuleContext
from slotwatch.judge.damage_causes import weigh_damage, weigh_missing
from slotwatch.judge.deafness import doubt_when
from slotwatch.judge.elsewhere_causes import weigh_elsewhere
from slotwatch.judge.legs import say_networks
from slotwatch.judge.life_signs import (
    doubt_the_last_one,
    how_they_ended,
    kept_alive_slowly,
    living_sources,
    paused_before,
    say_doubted_ends,
    say_ended_whole,
    say_two_senders,
    stops_at_rest,
    weigh_signs_of_life,
)
from slotwatch.judge.line_losses import line_lost
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.multicast_causes import (
    ended_one_by_one,
    may_be_memberships,
    multicast_only,
    querier_gone,
    unicast_continues,
    unicast_stopped,
)
from slotwatch.judge.network_causes import network_lost, others_before, others_seen
from slotwatch.judge.never_heard import heard_since, never_heard
from slotwatch.judge.part_causes import part_of_source
from slotwatch.judge.rule import LOOK_AT_STAGE
from slotwatch.judge.scene import MOST_WEIGHED, ONE_END_NS, Scene, set_scene
from slotwatch.judge.still_working import say_what_works
from slotwatch.judge.stops import Stops
from slotwatch.judge.switch_causes import LOOK_AT_LEADS, weigh_switches
from slotwatch.judge.verdict import Verdict, at_most
from slotwatch.judge.without_levels import sends_no_levels
from slotwatch.snapshot import Confidence


def find_cause(ctx: RuleContext, stops: Stops, group: LossGroup) -> Verdict:
    """Give the likeliest cause of a group of losses."""
    if group.kind == "never":
        return never_heard(ctx, group)
    if group.kind == "line":
        return line_lost(ctx, group)
    scene = set_scene(ctx, stops, group)
    if back := came_back(scene):
        verdict = back
    elif group.kind == "terminated":
        verdict = announced_end(scene)
    elif wrong_network := leg_causes.find_wrong_network(scene):
        verdict = wrong_network
    elif without_levels := sends_no_levels(scene):
        verdict = without_levels
    elif not scene.sources:
        verdict = Verdict("unknown", Confidence.LOW, "The evidence does not point to one cause.")
    elif len(scene.whole) == len(scene.sources):
        verdict = say_announced_beside(scene, _whole_sources(scene))
    else:
        verdict = say_ended_whole(scene, part_of_source(scene))
    until_ns = max(group.is_revised_until_ns, group_tables.awaited_until_ns(scene, verdict))
    verdict.await_evidence(ctx.at_ns, NEVER_NS if scene.undecided.any() else until_ns)
    verdict = weigh_elsewhere(scene, verdict)
    verdict = say_doubted_ends(scene, weigh_missing(scene, weigh_damage(scene, weigh_switches(scene, verdict))))
    verdict = say_two_senders(scene, verdict)
    _say_all_that_works(scene, verdict)
    return verdict


def say_what_works_now(ctx: RuleContext, stops: Stops, group: LossGroup, verdict: Verdict) -> None:
    """Bring a settled verdict's list of what still works up to date: some of it may have stopped since."""
    if group.kind not in ("never", "line"):
        verdict.still_working.clear()
        _say_all_that_works(set_scene(ctx, stops, group), verdict)


def follow_settled(ctx: RuleContext, stops: Stops, group: LossGroup, verdict: Verdict) -> Verdict:
    """Give a settled verdict as it reads now: the cause stays, unless all of it came back under another identity.

    Of what never came, it says who is heard now, and of a tapped line what its port shows now.
    """
    if group.kind == "never":
        return heard_since(ctx, group, verdict)
    if group.kind == "line":
        return line_lost(ctx, group)
    scene = set_scene(ctx, stops, group)
    now = came_back(scene) or verdict
    now.still_working.clear()
    _say_all_that_works(scene, now)
    return now


def left_behind(before: Verdict, now: Verdict) -> Verdict:
    """Give the verdict of what is still away once the rest of its group is back: why they went stays as it was."""
    return Verdict(
        before.cause,
        at_most(before.confidence, Confidence.MEDIUM),
        "It stopped together with others that are back now. Its own output or path still fails.",
        list(dict.fromkeys((*before.evidence, *now.evidence))),
        list(dict.fromkeys((*before.also_possible, *now.also_possible))),
        now.still_working,
        now.next_checks,
        now.provisional,
        now.settles_ns,
    )


def _say_all_that_works(scene: Scene, verdict: Verdict) -> None:
    # What rests slowly is lost by the standard's timeout before it is late for its own pace.
    scene = replace(scene, alive=scene.alive & scene.ctx.live)
    say_what_works(scene, verdict)
    if scene.is_any_alive:
        leg_causes.say_legs_working(scene, verdict)


def _whole_sources(scene: Scene) -> Verdict:
    slow = kept_alive_slowly(scene)
    if slow:
        return slow
    others = scene.others_afar()
    silent_querier = querier_gone(scene)
    if silent_querier and not unicast_stopped(scene):
        return silent_querier
    expired = ended_one_by_one(scene)
    if expired:
        return expired
    elsewhere = leg_causes.find_leg_cause(scene)
    if elsewhere:
        leg_doubts.say_visitors(scene, elsewhere)
        return multicast_only(scene, others) or elsewhere
    if others:
        still = multicast_only(scene, others) or unicast_continues(scene)
        if still:
            return still
    living = living_sources(scene)
    if living:
        return living
    if others:
        return _source_lost(scene, others)
    several = scene.machines(scene.sources) > 1
    if several and not others_seen(scene):
        return network_lost(scene)
    verdict = _source_lost(scene, others)
    if several:
        verdict.confidence = Confidence.MEDIUM
        return verdict
    if not others_seen(scene):
        verdict.confidence = Confidence.MEDIUM
        verdict.also_possible.insert(0, "the network path to this port: there is no other source to compare with")
        one = len(scene.ctx.whole_sources(scene.sources)) == 1
        only = (
            "No other source is heard on this network now"
            if others_before(scene)
            else f"{'It is the only source' if one else 'They are the only sources'} on this network"
        )
        verdict.evidence.append(f"{only}, so nothing shows that the path works.")
        verdict.also_possible[1:1] = may_be_memberships(scene)
        doubt_the_last_one(scene, verdict)
    return verdict


def _source_lost(scene: Scene, others: list[int]) -> Verdict:
    ctx = scene.ctx
    names = scene.names
    whole, count = ctx.whole_sources(scene.sources), int(scene.stopped.sum())
    ended = f"ended {how_they_ended(scene)}, without" if count > 1 else "ended without"
    several, is_one_machine = len(whole) > 1, scene.machines(whole) == 1
    every, leads = wording.say_all(len(whole), "source"), "their network leads" if several else "its network lead"
    screens = wording.list_names(ctx.source_name(source) for source in whole)
    checks = [f"Look at the screen of {screens}: is it running?", LOOK_AT_LEADS[0]]
    if several and is_one_machine:
        leads = f"network lead of the one machine that runs {every}"
        checks = [f"Look at the machine that runs {every}: has it power, is it running?", LOOK_AT_LEADS[0]]
    elif several:
        checks = [
            # Without names: the page's third line ends at the first "and" or colon.
            f"Look at what {every} share: supply, switch, uplink.",
            "Look at their screens: are they running?",
            LOOK_AT_LEADS[1],
        ]
    verdict = Verdict(
        "source-lost",
        Confidence.HIGH if is_one_machine else Confidence.MEDIUM,
        f"{names} went completely silent: power, crash or {leads}."
        if len(scene.networks) == 1
        # Two leads do not come out at once.
        else f"{names} went completely silent on {say_networks(ctx, scene.networks)} at once: power or crash.",
        [f"{_all(count)} of {names} {ended} the stream-terminated bit."],
        [
            *(["a switch, lead or supply that these sources share"] if not is_one_machine else []),
            leg_causes.say_leads(scene),
        ],
        next_checks=checks,
        speaks_of=tuple(scene.sources),
    )
    doubt_when(scene, verdict)
    leg_doubts.say_blind_legs(scene, verdict)
    leg_doubts.say_dark_legs(scene, verdict)
    if scene.group.spread_ns >= ONE_END_NS:
        # What loses power ends in one moment.
        verdict.confidence = at_most(verdict.confidence, Confidence.MEDIUM)
        verdict.also_possible.insert(0, "the switch drops one group after the other")
    if continued := scene.that_continued(others):
        verdict.evidence.append(f"Other sources continued: {wording.list_names(ctx.say_sources(continued))}.")
    paused = paused_before(scene)
    if paused:
        verdict.confidence = at_most(verdict.confidence, Confidence.MEDIUM)
        verdict.evidence.append(
            f"{'They were' if several else 'It was'} silent before, and then came back with the next "
            f"{'numbers: they' if several else 'number: it'} had sent nothing in between."
        )
        verdict.next_checks.append(f"Look at the refresh setting of {screens}: is what does not change sent again?")
    if paused or stops_at_rest(scene):
        verdict.also_possible.insert(0, "it sends nothing while its levels do not change")
    weighed = scene.sources[:MOST_WEIGHED]
    weigh_signs_of_life(scene, weighed, verdict)
    beside = [source for source in weighed if len(scene.alive_beside(source))]
    if beside:
        verdict.confidence = Confidence.MEDIUM
        if len(beside) == len(weighed):
            why = (
                "their addresses still send: their programs or outputs failed, not their power"
                if several
                else "its address still sends: its program or an output failed, not its power"
            )
            verdict.reword(f"{names} went silent, but {why}.")
            # Its lead and its port carry what it still sends.
            verdict.also_possible = [text for text in verdict.also_possible if text not in leg_causes.OWN_PORTS]
            verdict.next_checks = [text for text in verdict.next_checks if text not in LOOK_AT_LEADS]
            verdict.next_checks.append(LOOK_AT_STAGE)
        for source in beside:
            going = sorted(set(ctx.streams.universe[scene.alive_beside(source)].tolist()))
            verdict.evidence.append(
                f"{ctx.sources[source].address} still sends {ctx.name_universes(going)}: its machine is up."
            )
    return verdict


def _all(count: int) -> str:
    return ("The one stream", "Both streams")[count - 1] if count <= 2 else f"All {count} streams"
