"""The state of every stream, for another listener that compares; and what is known of those listeners.

Another slotwatch asks for the compact form: MessagePack, each stream an array. Everybody else gets JSON.
"""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.views.answers.traffic import OtherListenerAnswer, StreamPositionAnswer
from slotwatch.views.moments import number
from slotwatch.views.sheet import STREAM_STATES, Sheet
from slotwatch.wire.observation import StreamElsewhere
from slotwatch.wire.universe import Protocol

COMPACT = "application/vnd.slotwatch.streams.v1+msgpack"
"""Media type of the compact form. Another order or meaning of its fields is another version."""

LATELY_NS = 10 * NANOSECONDS
"""Longest window of any rule: what was missed in it colours the counts."""


def etag(sheet: Sheet) -> str:
    """What distinguishes this state from every other one of this listener."""
    return f"{sheet.snapshot.started_ns:x}-{sheet.snapshot.sequence:x}"


def streams(sheet: Sheet) -> list[StreamPositionAnswer]:
    """Every stream, in the order of the snapshot (at most 8,192)."""
    lists, blind = sheet.streams, _blind_networks(sheet)
    found: list[StreamPositionAnswer] = []
    for row, one in enumerate(positions(sheet)):
        sender = sheet.snapshot.sources[lists["source"][row]]
        found.append(
            {
                "universe": sheet.snapshot.universe_names[lists["universe_row"][row]],
                "network": one.network,
                "source": one.source,
                "name": one.name,
                "address": sender.address,
                "state": one.state,
                "sequence": one.sequence,
                "frames": one.frames,
                "missing": one.missing,
                "last_frame_at": sheet.iso(lists["last_frame_ns"][row]),
                "last_frame_age_s": None if one.age_ns is None else round(one.age_ns / NANOSECONDS, 3),
                "refresh_hz": one.refresh_hz,
                "joined": lists["joined"][row] > 0 if sender.protocol == Protocol.E131 else None,
                "judged": one.network not in blind and "" not in blind,
                "wins": one.wins,
                "interval_max_ms": one.interval_max_ms,
            }
        )
    return found


def positions(sheet: Sheet) -> list[StreamElsewhere]:
    """Every stream as another listener takes it, in the order of the snapshot (at most 8,192)."""
    lists, now_ns, snapshot = sheet.streams, sheet.snapshot.now_ns, sheet.snapshot
    blind = _blind_networks(sheet)
    winning = set(sheet.universes["winning_stream"])
    universes = [name.partition("@")[0] for name in snapshot.universe_names]
    is_e131 = [one.protocol == Protocol.E131 for one in snapshot.sources]
    networks = {index: sheet.network_name(index) for index in set(lists["network"])}
    judged = {index: name not in blind and "" not in blind for index, name in networks.items()}
    return [
        StreamElsewhere(
            universes[universe],
            networks[network],
            sheet.source_keys[source],
            sequence if counts or is_e131[source] else None,
            frames,
            lost if counts else None,
            max(0, now_ns - last_ns) if last_ns else None,
            STREAM_STATES[state],
            # What arrives without being asked for may stop at any time.
            judged[network] and (joined > 0 or not is_e131[source]),
            sheet.source_names[source],
            number(refresh_hz),
            row in winning,
            number(longest_ms, 3),
        )
        for row, (
            universe,
            source,
            network,
            state,
            sequence,
            counts,
            frames,
            lost,
            last_ns,
            refresh_hz,
            longest_ms,
            joined,
        ) in enumerate(
            zip(
                lists["universe_row"],
                lists["source"],
                lists["network"],
                lists["state"],
                lists["sequence"],
                lists["sequence_measurable"],
                lists["frames"],
                lists["lost_frames"],
                lists["last_frame_ns"],
                lists["refresh_5s_hz"],
                lists["interval_max_ms"],
                lists["joined"],
                strict=True,
            )
        )
    ]


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
