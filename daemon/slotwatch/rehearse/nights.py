"""Random nights with a known truth: a seed draws a house, a show and up to three faults, at once or a minute apart.

Each fault has a subject of its own (a desk, the media server, the backup, the path), so that the truth about one does
not depend on another. What must be reported, by when, of which universes and with which cause is worked out from the
standards' timeouts and from who else still sends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from slotwatch.rehearse import night_absences as absences
from slotwatch.rehearse import night_between as between
from slotwatch.rehearse import night_content as content
from slotwatch.rehearse import night_control as control
from slotwatch.rehearse import night_cues as cues
from slotwatch.rehearse import night_flow as flow
from slotwatch.rehearse import night_lines as lines
from slotwatch.rehearse import night_long as long
from slotwatch.rehearse import night_patch as patch
from slotwatch.rehearse import night_port as port
from slotwatch.rehearse import night_receivers as receivers
from slotwatch.rehearse import night_routes as routes
from slotwatch.rehearse import night_ways as ways
from slotwatch.rehearse import night_witness as witness
from slotwatch.rehearse import stage
from slotwatch.rehearse.anyshow import any_look
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.looks import held
from slotwatch.rehearse.night_house import house_of_plan
from slotwatch.rehearse.night_plan import Expected, NightPlan, cast, settle
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import prelude
from slotwatch.rehearse.scenario import Scenario, Truth
from slotwatch.rehearse.stage import Item, mixed

__all__ = ["Expected", "Night", "any_night", "healthy_night"]

FIRST_S, TAIL_S, MOST_S = 12.0, 30.0, 130.0
RATES_HZ = (25.0, 30.0, 40.0, 40.0, 44.0)
PHASES = (*("show",) * 12, "dark", "get-in", "post-show")
Fault = Callable[[NightPlan, str, float], None]


@dataclass(frozen=True, slots=True)
class Night:
    seed: int
    scenario: Scenario
    expected: tuple[Expected, ...]
    """Incidents that must be reported; empty: a healthy night."""
    allowed: tuple[Expected, ...] = ()
    """What may be reported besides."""
    unknown: tuple[Expected, ...] = ()
    """What may be reported by a listener that was away when it began."""


def any_night(seed: int) -> Night:
    """Draw one night; the same seed is always the same night."""
    chance = Chance(seed * 104_729 + 7)
    starts = _starts(chance)
    plan = _drawn(chance, min(starts[-1] + TAIL_S if starts else 50.0, MOST_S))
    cast(plan)
    if chance.below(2):
        content.ODDITIES[chance.below(len(content.ODDITIES))](plan)
    drawn = _play_faults(plan, starts)
    return _night(seed, plan, drawn)


def healthy_night(seed: int) -> Night:
    """Draw a night in which nothing fails: cues of all kinds, odd guests, and what is healthy and looks odd."""
    chance = Chance(seed * 104_729 + 11)
    plan = _drawn(chance, chance.between(60.0, MOST_S))
    cast(plan)
    plan.looks |= {number: any_look(chance, plan.seconds) for number in plan.looks}
    videos = {number: any_look(chance, plan.seconds) for number in plan.artnet}
    oddities = [*content.ODDITIES, routes.reloaded]
    plan.media_options |= {"look": videos.__getitem__, "polls": chance.below(2) > 0}
    for _ in range(chance.below(4)):
        oddities.pop(chance.below(len(oddities)))(plan)
    drawn, at_s = list[tuple[str, float]](), FIRST_S + chance.between(0.0, 10.0)
    healthy = _HEALTHY if plan.phase == "show" else _HEALTHY_AT_REST
    subjects = [one for one in plan.parts if one in healthy]
    for _ in range(chance.below(len(subjects) + 1)):
        subject = subjects.pop(chance.below(len(subjects)))
        doing = healthy[subject][chance.below(len(healthy[subject]))]
        # A source that is switched on within 10 s of the start is not missing.
        doing(plan, subject, chance.between(11.0, 19.0) if doing is absences.lights_late else at_s)
        drawn.append((f"{subject} {doing.__name__.replace('_', ' ')}", at_s))
        at_s += chance.between(0.0, 15.0)
    return _night(seed, plan, drawn)


def _night(seed: int, plan: NightPlan, drawn: list[tuple[str, float]]) -> Night:
    house = house_of_plan(plan)

    def items() -> Iterator[Item]:
        sent: Iterator[Item] = mixed(prelude(house), *(part() for part in plan.parts.values()))
        for change in plan.arriving:
            sent = change(sent)
        late = stage.delayed(sent, jitter(Chance(seed)), 0.002)
        limit_ns = round(plan.seconds * 1e9)
        for item in late:
            if item.t_ns >= limit_ns:
                return
            yield item

    truths = settle(plan)
    title = ", ".join(f"{name} at {at_s:.1f} s" for name, at_s in drawn) or "nothing"
    title = f"{plan.phase}: {title}"
    scenario = Scenario(f"night-{seed}", "", title, items, plan.seconds, house, Truth(), live=False)
    owed = tuple(one for one in truths if one.is_owed)
    unknown = tuple(one for one in truths if one.is_unknown)
    return Night(seed, scenario, owed, tuple(one for one in truths if one not in (*owed, *unknown)), unknown)


def jitter(chance: Chance) -> Callable[[Sent], float]:
    """Delay packets by up to 2 ms, so that none overtakes another of its sender."""
    left_ns: dict[str, int] = {}

    def delay(sent: Sent) -> float:
        to_ns = max(sent.t_ns + round(chance.between(0.0, 0.002) * 1e9), left_ns.get(sent.src, 0) + 1000)
        left_ns[sent.src] = to_ns
        return (to_ns - sent.t_ns) / 1e9

    return delay


def _starts(chance: Chance) -> list[float]:
    """When faults begin: at the same moment, seconds apart, or up to a minute."""
    starts, at_s = list[float](), FIRST_S + chance.between(0.0, 10.0)
    for _ in range((chance.below(7) + 1) // 2):
        if at_s + TAIL_S > MOST_S:
            break
        starts.append(at_s)
        low_s, high_s = ((0.0, 0.05), (0.05, 3.0), (3.0, 15.0), (8.0, 20.0), (15.0, 60.0))[chance.below(5)]
        at_s += chance.between(low_s, high_s)
    return starts


def _drawn(chance: Chance, seconds: float) -> NightPlan:
    first = 1 + chance.below(6)
    plan = NightPlan(
        chance,
        seconds,
        tuple(range(first, first + 1 + chance.below(4))),
        tuple(range(chance.below(3))),
        backup=("", "sending", "sending", "silent")[chance.below(4)],
        two=chance.below(3) == 0,
        phase=PHASES[chance.below(len(PHASES))],
    )
    plan.common = {"hz": RATES_HZ[chance.below(len(RATES_HZ))], "keep_alive_s": chance.between(0.8, 1.0)}
    plan.common["continuous"] = chance.below(5) == 0
    plan.common["discovery"] = chance.below(5) > 0
    if chance.below(6) == 0:
        plan.common["slot_priorities"] = held(100)
    if chance.below(6) == 0:
        plan.main |= {"sync_address": 7000, "sync_hz": plan.common["hz"]}
    plan.house = {"lag_s": chance.between(0.0, 0.08), "by_cid": chance.below(3) > 0, "by_address": chance.below(2) == 0}
    return plan


def _play_faults(plan: NightPlan, starts: list[float]) -> list[tuple[str, float]]:
    drawn, subjects = list[tuple[str, float]](), [*plan.parts, "stranger", "path", "listener", *_BESIDE]
    ill: list[str] = []
    for at_s in starts:
        able = {one: found for one in subjects if one not in plan.faulty and (found := _able(plan, one))}
        able |= {one: [absences.dies, absences.comes_back] for one in ill if one not in plan.faulty}
        if not able:
            break
        names = [name for name in able for _ in range(_WEIGHTS.get(name, 3))]
        subject = names[plan.chance.below(len(names))]
        fault = able[subject][plan.chance.below(len(able[subject]))]
        (ill if subject in ill else subjects).remove(subject)
        if fault in _BEFORE_DEATH and subject in ("main", "backup", "lights"):
            ill.append(subject)
        plan.had.add(subject)
        fault(plan, subject, at_s)
        drawn.append((f"{subject} {fault.__name__.replace('_', ' ')}", at_s))
        if subject in ("path", "listener") or fault is witness.groups_run_out:
            break  # it takes all with it
    return drawn


def _able(plan: NightPlan, subject: str) -> list[Fault]:
    """Faults that a subject may have in this house, and in this phase: what is a note there counts as no fault."""
    faults = list(_LOSS_AND_FLOW.get(subject, ()))
    if plan.phase == "dark":
        faults += _IN_THE_DARK.get(subject, ())
    if plan.phase == "show":
        faults += _OTHERS.get(subject, ())
    return [fault for fault in faults if fault not in _NEEDS or _NEEDS[fault](plan)]


_HEALTHY: dict[str, tuple[Fault, ...]] = {
    "main": (flow.overtaken, cues.cues_in_time),
    "lights": (absences.lights_late,),
    "media": (absences.media_gap,),
}
"""What looks odd in a show and must raise nothing more severe than a note."""
_HEALTHY_AT_REST: dict[str, tuple[Fault, ...]] = {
    "main": (absences.closes, absences.dies, absences.comes_back),
    "backup": (absences.closes, absences.dies),
    "lights": (absences.closes, absences.dies, absences.comes_and_goes),
    "media": (absences.dies,),
}
"""The same while there is no show: houses are switched off and on then."""
_BEFORE_DEATH: tuple[Fault, ...] = (flow.loses_frames, flow.pauses, flow.overloaded, flow.doubled, flow.overtaken)
"""Faults that what dies later may have had before."""
_BESIDE = ("patch", "switches", "querier", "line", "between", "port", "receiver", "routes", "cues", "usual", "dark")
"""What may have faults besides sources and networks."""
_WEIGHTS = {"main": 7, "backup": 4, "between": 2, "stranger": 2, "switches": 2, "routes": 2} | dict.fromkeys(
    ("path", "listener", "line", "querier", "port", "receiver", "cues", "usual"), 1
)
"""How often a subject is drawn: paths and listeners fail less often than the devices on them."""
_LOSS_AND_FLOW: dict[str, tuple[Fault, ...]] = {
    "main": (
        absences.dies,
        absences.dies,
        absences.comes_back,
        absences.comes_and_goes,
        absences.closes,
        absences.reboots_quickly,
        absences.lead_out,
        absences.output_off,
        absences.output_moves,
        absences.hands_over,
        flow.loses_frames,
        flow.drops_out,
        flow.pauses,
        flow.overloaded,
        flow.unpaced,
        flow.overtaken,
        flow.number_stands,
        flow.hangs,
    ),
    "backup": (
        absences.dies,
        absences.comes_back,
        absences.closes,
        absences.reboots_quickly,
        ways.other_lead_out,
        flow.loses_frames,
        flow.pauses,
        flow.number_stands,
        flow.hangs,
    ),
    "lights": (
        absences.dies,
        absences.comes_back,
        absences.closes,
        absences.reboots_quickly,
        absences.lights_late,
        absences.comes_and_goes,
        ways.other_lead_out,
        flow.loses_frames,
        flow.drops_out,
        flow.pauses,
        flow.number_stands,
        flow.hangs,
    ),
    "media": (
        absences.dies,
        absences.media_back,
        absences.media_gap,
        absences.media_moves,
        absences.media_says_no_more,
        ways.other_lead_out,
        flow.loses_frames,
    ),
    "path": (absences.path_cut, absences.some_cut, ways.network_dark, ways.multicast_gone, flow.path_loses),
}
_OTHERS: dict[str, tuple[Fault, ...]] = {
    "main": (
        content.preview_left_on,
        content.wrong_start_code,
        content.frames_short,
        content.sync_stops,
        content.slot_priorities_stop,
        control.raises_priority,
        control.lowers_priority,
        control.slot_priorities_short,
        control.shares_numbers,
        control.wrong_group,
        control.readdressed,
        control.falls_back,
        ways.radio_hop,
        flow.doubled,
        flow.cloned,
        flow.too_fast,
        cues.cues_come_apart,
    ),
    "backup": (content.backup_out_of_step, content.backup_takes_over),
    "lights": (
        content.wrong_start_code,
        content.lights_on_a_desk_universe,
        control.raises_priority,
        control.lights_rest_slowly,
        ways.radio_hop,
    ),
    "media": (flow.doubled, content.second_media),
    "path": (ways.loop, flow.path_damages),
    "stranger": (
        content.intruder,
        content.takeover_by_slots,
        content.malformed,
        content.poll_flood,
        control.three_rivals,
        control.echo,
    ),
    "listener": (absences.own_lead_out, ways.own_lead_out_of_one, flow.overrun),
    "patch": (*patch.ROW_FAULTS, *patch.LEVEL_FAULTS),
    "switches": witness.SWITCH_FAULTS,
    "querier": witness.QUERIER_FAULTS,
    "line": (*witness.LINE_FAULTS, *lines.FRAME_FAULTS),
    "between": between.FAULTS,
    "port": port.FAULTS,
    "receiver": receivers.FAULTS,
    "routes": routes.FAULTS,
    "cues": (cues.level_stays_up,),
    "usual": (long.unlike_other_shows,),
}
_IN_THE_DARK: dict[str, tuple[Fault, ...]] = {"dark": (long.lights_left_on,)}
_NEEDS: dict[Fault, Callable[[NightPlan], bool]] = {
    absences.lead_out: lambda plan: plan.two,
    absences.output_off: lambda plan: len(plan.numbers) > 1,
    absences.output_moves: lambda plan: len(plan.numbers) > 1,
    absences.hands_over: lambda plan: plan.backup == "silent",
    control.lowers_priority: lambda plan: plan.backup == "sending" and "slot_priorities" not in plan.common,
    control.slot_priorities_short: lambda plan: "slot_priorities" in plan.common and not plan.silences,
    control.shares_numbers: lambda plan: len(plan.numbers) > 1,
    control.wrong_group: lambda plan: len(plan.numbers) > 1,
    control.readdressed: lambda plan: not plan.two and plan.house["by_cid"] and not plan.house["by_address"],
    control.falls_back: lambda plan: not plan.two and plan.house["by_cid"] and not plan.house["by_address"],
    absences.media_moves: lambda plan: not plan.two,
    ways.other_lead_out: lambda plan: plan.two,
    ways.network_dark: lambda plan: plan.two and plan.half_s == math.inf,
    ways.multicast_gone: lambda plan: bool(plan.artnet) and not plan.two and not plan.is_silent("media", plan.seconds),
    ways.own_lead_out_of_one: lambda plan: plan.two,
    content.frames_short: lambda plan: not plan.backup and not plan.two and "patch" not in plan.house,
    content.sync_stops: lambda plan: "sync_address" in plan.main,
    content.slot_priorities_stop: lambda plan: "slot_priorities" in plan.common and not plan.silences,
    flow.cloned: lambda plan: not plan.two and plan.house["by_cid"],
    **{fault: lambda plan: not plan.two and "patch" not in plan.house for fault in patch.ROW_FAULTS},
    # A desk that was drawn with a fault of its own may play the look that it had then.
    **{fault: lambda plan: _may_have_levels(plan) for fault in patch.LEVEL_FAULTS},
    witness.groups_run_out: lambda plan: not plan.two,
    **{fault: lambda plan: "routes" not in plan.parts for fault in routes.FAULTS},
    **{fault: lambda plan: not plan.two and bool(plan.artnet) for fault in receivers.FAULTS},
    # The other listener hears the desks before anything happened to what they send here.
    **{fault: lambda plan: not plan.two and not plan.had & lines.BESIDE for fault in between.FAULTS},
    between.main_stays_here: lambda plan: not plan.two and not plan.had & lines.BESIDE and plan.backup == "sending",
    cues.level_stays_up: lambda plan: _may_hold(plan),
    cues.cues_come_apart: lambda plan: len(plan.numbers) > 1 and plan.backup != "sending" and "patch" not in plan.house,
    # Its looks are those of the whole night.
    long.unlike_other_shows: lambda plan: not plan.two and not plan.had & {*lines.BESIDE, "patch", "cues", "line"},
    long.lights_left_on: lambda plan: not plan.two and not plan.had & {"main", "backup", "path"},
    port.group_not_joined: lambda plan: not plan.two and _is_well(plan, "lights"),
    # What the line should carry is what the desks send, of which nothing else was drawn.
    **{fault: lambda plan: not plan.had & lines.BESIDE for fault in lines.FRAME_FAULTS},
    # What died before, or has a fault that a death would hide, has no port that goes down now.
    witness.desk_port_down: lambda plan: _is_well(plan, "main"),
    **{
        fault: lambda plan: _is_well(plan, "main") and _is_well(plan, "backup")
        for fault in (witness.uplink_down, witness.far_switch_restarts)
    },
}


def _is_well(plan: NightPlan, subject: str) -> bool:
    """Whether nothing was drawn yet of a subject that plays, or of all."""
    return subject not in plan.had and "path" not in plan.had


def _may_hold(plan: NightPlan) -> bool:
    """Whether the house lights may hold levels of a desk's universe, and the desks go to a blackout."""
    is_whole = not plan.two and "patch" not in plan.house and "slot_priorities" not in plan.common
    return is_whole and not plan.had & {*lines.BESIDE, "line"}


def _may_have_levels(plan: NightPlan) -> bool:
    """Whether the first universe may be patched, and its look changed for both desks."""
    return not plan.two and "patch" not in plan.house and not plan.had & {"main", "backup"}
