"""What the bridge of a new house file takes over from the running one: unchanged routes lose no frames.

Sources, levels, pace and counts continue. A route is the same if only its name changed, or if its name, its input and
its output are the same; its other settings hold from now on. The caller ends outputs that no route feeds any more.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from slotwatch.bridge.output import Lane, Output, RouteState
from slotwatch.bridge.routes import Bridge
from slotwatch.house.schema import Route


def hand_over(old: Bridge, new: Bridge, now_ns: int) -> dict[int, int]:
    """Have `new`, which has just been made, continue where `old` is. Returns the old index of each output that stays.

    Afterwards `old` may only be used to end the outputs that do not stay.
    """
    for key, one in new.inputs.items():
        before = old.inputs.get(key)
        if before is not None:
            before.loss_timeout_ns, before.latest = one.loss_timeout_ns, one.latest
            new.inputs[key] = before
    new.loop_watch, new.own_packets, new.is_shared = old.loop_watch, old.own_packets, old.is_shared
    places = {output.target: index for index, output in enumerate(old.outputs)}
    kept = {index: places[output.target] for index, output in enumerate(new.outputs) if output.target in places}
    for index, before_index in kept.items():
        _continue(new.outputs[index], old.outputs[before_index])
    new.follow_all(now_ns)
    return kept


def _continue(output: Output, before: Output) -> None:
    output.pacer, output.speaking, output.ending, output.frames = (
        before.pacer,
        before.speaking,
        before.ending,
        before.frames,
    )
    output.levels, output.claims = before.levels, before.claims
    output.claims_sent, output.claims_ns = before.claims_sent, before.claims_ns
    for lane in output.lanes:
        one = _lane_before(lane.route, before.lanes)
        if one is not None and _can_continue(lane, one):
            lane.go_on_from(one)


def _lane_before(route: Route, lanes: Collection[Lane]) -> Lane | None:
    """Find the lane of a route of the same output: as it was, whatever its name; else of its name and input."""
    unnamed = replace(route, name="", line=0)
    same = [lane for lane in lanes if replace(lane.route, name="", line=0) == unnamed]
    if same:
        return same[0]
    by_key = {(lane.route.name, lane.route.source, lane.route.source_network): lane for lane in lanes}
    return by_key.get((route.name, route.source, route.source_network))


def _can_continue(lane: Lane, before: Lane) -> bool:
    """Whether a route continues. One that holds levels without an input cannot move them to other slots: it waits."""
    same_slots = (lane.route.slots, lane.route.to_slot) == (before.route.slots, before.route.to_slot)
    return same_slots or before.state in (RouteState.RUNNING, RouteState.WAITING, RouteState.LISTENING)
