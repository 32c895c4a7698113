"""The state of every stream, for another listener that compares; and what is known of those listeners."""

from __future__ import annotations

from slotwatch.views.answers.traffic import OtherListenerAnswer, StreamPositionAnswer
from slotwatch.views.moments import NANOSECONDS, number
from slotwatch.views.sheet import STREAM_STATES, Sheet
from slotwatch.wire.universe import Protocol

LATELY_NS = 10 * NANOSECONDS
"""Longest window of any rule: what was missed in it colours the counts."""


def etag(sheet: Sheet) -> str:
    """What tells this state from every other of this listener."""
    return f"{sheet.snapshot.started_ns:x}-{sheet.snapshot.sequence:x}"


def streams(sheet: Sheet) -> list[StreamPositionAnswer]:
    """Every stream, in the order of the snapshot (at most 8,192)."""
    lists, now_ns = sheet.streams, sheet.snapshot.now_ns
    blind = _blind_networks(sheet)
    found: list[StreamPositionAnswer] = []
    for row, universe in enumerate(lists["universe_row"]):
        source = lists["source"][row]
        sender = sheet.snapshot.sources[source]
        network = sheet.network_name(lists["network"][row])
        last_ns = lists["last_frame_ns"][row]
        counts = bool(lists["sequence_measurable"][row])
        is_e131 = sender.protocol == Protocol.E131
        found.append(
            {
                "universe": sheet.snapshot.universe_names[universe],
                "network": network,
                "source": sheet.source_keys[source],
                "name": sheet.source_names[source],
                "address": sender.address,
                "state": STREAM_STATES[lists["state"][row]],
                "sequence": lists["sequence"][row] if counts or is_e131 else None,
                "frames": lists["frames"][row],
                "missing": lists["lost_frames"][row] if counts else None,
                "last_frame_at": sheet.iso(last_ns),
                "last_frame_age_s": round(max(0, now_ns - last_ns) / NANOSECONDS, 3) if last_ns else None,
                "refresh_hz": number(lists["refresh_5s_hz"][row]),
                "joined": lists["joined"][row] > 0 if is_e131 else None,
                "judged": network not in blind and "" not in blind,
            }
        )
    return found


def _blind_networks(sheet: Sheet) -> set[str]:
    """Networks on which something was missed lately; an empty name means all of them."""
    now_ns = sheet.snapshot.now_ns
    return {
        one.network
        for one in sheet.snapshot.house.listener.not_judged
        if one.end_ns is None or now_ns - one.end_ns < LATELY_NS
    }


def listeners(sheet: Sheet) -> list[OtherListenerAnswer]:
    """Other listeners of the house."""
    return [
        {
            "name": one.name,
            "url": one.url,
            "own_name": one.own_name,
            "reached": one.reached,
            "compared": one.compared,
            "reason": one.reason,
            "last_reached_at": sheet.iso(one.last_reached_ns),
            "streams": one.streams,
        }
        for one in sheet.snapshot.listeners
    ]
