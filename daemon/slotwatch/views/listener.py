"""This listener's own health as the API's object."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from slotwatch.snapshot.routes import AskedRow, AskingRow
from slotwatch.views.answers.listener import AskedFixtureAnswer, AskingAnswer, ListenerHealthAnswer
from slotwatch.views.counted import from_zero
from slotwatch.views.sheet import Sheet


def listener_health(sheet: Sheet, own: Mapping[str, object] | None = None) -> ListenerHealthAnswer:
    """What judging counted and observed. own: what the front process reports of itself, by the same names."""
    held = sheet.snapshot.house.listener
    found: ListenerHealthAnswer = {
        "kernel_drops": held.kernel_drops,
        "rows_lost": held.rows_lost,
        "damaged_packets": held.damaged,
        "joins": held.joins,
        "joins_failed": held.joins_failed,
        "links": {
            one.network: {
                "interface": one.interface,
                "up": one.up,
                "addresses": list(one.addresses),
                "speed_mbps": one.speed_mbps,
                "switch_port": one.switch_port,
            }
            for one in held.links
        },
        "queriers": {
            one.network: {
                "watched": one.watched,
                "reason": one.reason,
                "address": one.address,
                "version": one.version,
                "silent_s": one.silent_s,
            }
            for one in held.queriers
        },
        "clock_steps": [{"at": sheet.iso(one.t_ns) or "", "step_ns": one.step_ns} for one in held.clock_steps],
        "not_judged": [
            {
                "start_at": sheet.iso(one.start_ns),
                "end_at": sheet.iso(one.end_ns),
                "network": one.network,
                "reason": one.reason,
            }
            for one in held.not_judged
        ],
    }
    if held.intake is not None:
        found["receive_buffer_bytes"] = dict(held.intake.receive_buffer_bytes)
        found["joins"] = held.intake.joins
        found["intake_compiled"] = held.intake.compiled
        found["lines"] = [
            {
                "number": one.number,
                "path": one.path,
                "open": one.open,
                "trouble": one.trouble,
                "faults": one.faults,
                "breaks": one.breaks,
                "dropped_frames": one.dropped_frames,
                "reopened": one.reopened,
            }
            for one in held.intake.lines
        ]
    if held.judging is not None:
        found["intake_silent_s"] = held.judging.intake_silent_s
        found["recorder"] = held.judging.recorder
        found["captures_failed"] = held.judging.captures_failed
        found["snapshot_cost_ms"] = held.judging.snapshot_cost_ms
        found["judging_compiled"] = held.judging.compiled
    if held.asking is not None:
        found["asking"] = _asking(sheet, held.asking)
    if held.node is not None:
        found["node"] = {"replies": held.node.replies, "pages": held.node.pages, "waiting": held.node.waiting}
    return cast(ListenerHealthAnswer, {**from_zero(held.counted), **found, **(own or {})})


def _asking(sheet: Sheet, found: AskingRow) -> AskingAnswer:
    if found.ends_ns is None:
        return {"running": False, "trouble": found.trouble, "rows": []}
    return {
        "running": found.running,
        "ends_in_s": found.ends_in_s,
        "ends_at": sheet.iso(found.ends_ns),
        "stopped": found.stopped,
        "requests": found.requests,
        "rows": [_asked(row) for row in found.rows],
    }


def _asked(row: AskedRow) -> AskedFixtureAnswer:
    if not row.uid:
        return {
            "verdict": row.verdict,
            "fixture": row.fixture,
            "universe": row.universe,
            "patched_address": row.patched_address,
            "footprint": row.footprint,
        }
    return {
        "verdict": row.verdict,
        "uid": row.uid,
        "gateway": row.gateway,
        "universe": row.universe,
        "label": row.label,
        "address": row.address,
        "footprint": row.footprint,
        "personality": row.personality,
        "sensor": row.sensor,
        "refused": list(row.refused),
        "fixture": row.fixture,
        "patched_address": row.patched_address,
    }
