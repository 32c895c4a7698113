"""Frames that arrive, but too slowly, too fast, unevenly, not all of them, or numbered so that they are discarded."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.sight import Sight
from slotwatch.judge.watch import KEYS, STREAMS, Finding, Mask, Watch
from slotwatch.snapshot import Confidence
from slotwatch.wire.fields import OPTION_FORCE_SYNC
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
WINDOW_S, SHORTEST_WINDOW_S = 5.0, 4.9
"""A window ends with the bucket being filled: between the two long. Rates are compared to the sender's favour."""
JUMP = 128
"""A step of half the range: a chase or a bump, not a fade."""
JUMPS_REMEMBERED_NS = 2 * NANOSECONDS
DISCARD_STEPS = 236
"""Steps of -20 to -1 (as octets): every frame falls into the discard window of E1.31 6.7.2."""
BEACON_NS = 102_400_000
"""Beacon interval of wireless networks (IEEE 802.11: 100 time units of 1.024 ms)."""


def watches(house: House) -> tuple[Watch, ...]:
    pace = Pace()
    return (
        Watch("slow-refresh", STREAMS, pace.is_slow, describe_slow),
        Watch("fast-refresh", STREAMS, is_fast, describe_fast),
        Watch("uneven-refresh", STREAMS, is_uneven, describe_uneven),
        Watch("packet-loss", STREAMS, loses, describe_loss),
        Watch("out-of-order", STREAMS, is_out_of_order, describe_out_of_order),
        Watch("sequence-unusable", STREAMS, is_unusable, describe_unusable),
        Watch("sync-missing", KEYS, missing_syncs, describe_sync, on_delay_s=0.0),
        Watch("wrong-group", STREAMS, is_wrong_group, describe_wrong_group),
    )


def max_hz(slots: NDArray[Any]) -> NDArray[np.float64]:
    """DMX512 maximum for so many slots: 1 / max(1204 µs, 104 µs + 44 µs × (slots + 1)) (ANSI E1.11 timing)."""
    hz: NDArray[np.float64] = 1e6 / np.maximum(1204.0, 104.0 + 44.0 * (slots.astype(np.float64) + 1))
    return hz


def _settled(sight: Sight) -> Mask:
    """Live streams that have been there for a whole window."""
    settled: Mask = sight.live & (sight.now_ns - sight.streams.since_ns >= WINDOW_S * NANOSECONDS)
    return settled


def finding_of(sight: Sight, row: int, **more: Any) -> Finding:
    """Start a finding about one stream: grouped by its source."""
    source = sight.source_of(row)
    return Finding(
        group=f"source:{sight.source_name(source)}",
        universes=(sight.universe_of(row),),
        streams=(row,),
        networks=(int(sight.streams.network[row]),),
        **more,
    )


# --- rate ---------------------------------------------------------------------------------------------


class Pace:
    """Remembers which streams jump: a chase sent on change is slow by design."""

    def __init__(self) -> None:
        self._jumped_ns = np.zeros(0, np.int64)

    def is_slow(self, sight: Sight) -> Mask:
        """While 80 % of frames step: mean rate under the limit, or under 60 % of the stream's own norm."""
        rule, streams = CATALOG["slow-refresh"], sight.streams
        frames = streams.frames_5s
        moving = (frames > 0) & (streams.stepped_5s >= rule.threshold("moving_ratio") * frames)
        self._note_jumps(sight)
        if not moving.any():
            return moving
        rate_hz = (frames + 1) / SHORTEST_WINDOW_S
        limit_hz = sight.universes.min_refresh_hz[streams.universe]
        known = streams.moving_known_s >= rule.threshold("norm_known_s")
        slow = (rate_hz < limit_hz) | (known & (rate_hz < rule.threshold("norm_ratio") * streams.best_moving_hz))
        on_change = (streams.protocol == Protocol.ARTNET) & self._jumps(sight)
        chases = (rate_hz < rule.threshold("steps_hz")) | on_change
        is_slow: Mask = _settled(sight) & moving & slow & ~chases
        return is_slow

    def _note_jumps(self, sight: Sight) -> None:
        streams = sight.streams
        if len(self._jumped_ns) < streams.count:
            self._jumped_ns = np.pad(self._jumped_ns, (0, streams.count - len(self._jumped_ns)))
        recent = (streams.max_step >= JUMP) & (sight.now_ns - streams.last_change_ns < NANOSECONDS // 5)
        self._jumped_ns[: streams.count][recent] = sight.now_ns

    def _jumps(self, sight: Sight) -> Mask:
        jumps: Mask = sight.now_ns - self._jumped_ns[: sight.streams.count] < JUMPS_REMEMBERED_NS
        return jumps


def describe_slow(sight: Sight, row: int) -> Finding:
    streams = sight.streams
    rate_hz = int(streams.frames_5s[row]) / WINDOW_S
    limit_hz, best_hz = (
        float(sight.universes.min_refresh_hz[sight.universe_of(row)]),
        float(streams.best_moving_hz[row]),
    )
    known = float(streams.moving_known_s[row]) >= CATALOG["slow-refresh"].threshold("norm_known_s")
    reference = f"limit {limit_hz:.0f} Hz" if rate_hz < limit_hz else f"its own norm is {best_hz:.0f} Hz"
    lost = int(streams.lost_10s[row])
    evidence = [f"{sight.universe_name(sight.universe_of(row))}: {rate_hz:.1f} Hz over 5 s while levels move."]
    if known:
        evidence.append(f"Its best moving rate so far: {best_hz:.1f} Hz.")
    if streams.sequence_measurable[row]:
        evidence.append(
            f"{lost} frames missing in 10 s: the way loses them."
            if lost
            else "No frame is missing by sequence: the sender itself is slow."
        )
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"rate": f"{rate_hz:.1f}", "reference": reference},
        evidence=tuple(evidence),
        confidence=Confidence.HIGH,
        also_possible=("a proxy on the way that sends anew at its own pace",),
        weight=-rate_hz,
    )


def is_fast(sight: Sight) -> Mask:
    streams = sight.streams
    rate_hz = (streams.frames_5s.astype(np.float64) - 1) / WINDOW_S
    fast: Mask = _settled(sight) & (rate_hz > CATALOG["fast-refresh"].threshold("over_ratio") * max_hz(streams.slots))
    return fast


def describe_fast(sight: Sight, row: int) -> Finding:
    streams = sight.streams
    rate_hz = int(streams.frames_5s[row]) / WINDOW_S
    limit_hz = float(max_hz(streams.slots[row : row + 1])[0])
    slots = int(streams.slots[row])
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"rate": f"{rate_hz:.1f}", "slots": str(slots), "limit": f"{limit_hz:.1f}"},
        evidence=(
            f"{sight.universe_name(sight.universe_of(row))}: {rate_hz:.1f} Hz over 5 s with {slots} slots; "
            f"a line carries {limit_hz:.1f} Hz.",
        ),
        weight=rate_hz,
    )


# --- gaps and losses ----------------------------------------------------------------------------------


def is_uneven(sight: Sight) -> Mask:
    uneven: Mask = sight.live & (sight.streams.uneven_10s >= CATALOG["uneven-refresh"].threshold("gaps"))
    return uneven


def describe_uneven(sight: Sight, row: int) -> Finding:
    streams = sight.streams
    lost, gaps = int(streams.lost_10s[row]), int(streams.uneven_10s[row])
    longest_ms = int(streams.max_gap_10s_ns[row]) / 1e6
    name = sight.universe_name(sight.universe_of(row))
    evidence = [f"{name}: {gaps} gaps over 100 ms in 10 s, the longest {longest_ms:.0f} ms, while levels move."]
    also: tuple[str, ...] = ("a program on the sender that holds it up at times",)
    if not streams.sequence_measurable[row]:
        verdict, cause = "Its numbering does not tell whether frames are missing.", ""
    elif lost:
        verdict, cause = "Frames are missing by sequence: they are lost on the way.", "lost-on-the-way"
        also = ("a lead, a port or a wireless hop on the way",)
    else:
        verdict, cause = "No frame is missing by sequence: the sender paused.", "sender-paused"
    if _clumps(sight, row):
        evidence.append("Gaps lie near multiples of 102 ms, the beacon interval of wireless networks.")
        also = ("a wireless hop on the way", *also)
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"gaps": str(gaps), "gap": f"{longest_ms:.0f}", "verdict": verdict},
        evidence=(*evidence, verdict),
        cause=cause,
        confidence=Confidence.HIGH if cause else Confidence.MEDIUM,
        also_possible=also,
        weight=longest_ms,
    )


def _clumps(sight: Sight, row: int) -> bool:
    """Whether the long intervals lie near multiples of the wireless beacon interval."""
    kept_us = sight.streams.intervals_us[row]
    count = int(sight.streams.interval_count[row])
    longer = kept_us[: min(count, len(kept_us))].astype(np.int64) * 1000
    longer = longer[longer > BEACON_NS * 9 // 10]
    if len(longer) < 4:
        return False
    off_ns = np.abs((longer + BEACON_NS // 2) % BEACON_NS - BEACON_NS // 2)
    return bool((off_ns < 6_000_000).mean() > 0.8)


def loses(sight: Sight) -> Mask:
    """Over 1 % and 5 or more missing by sequence in 10 s, or 3 of the last 10."""
    rule, streams = CATALOG["packet-loss"], sight.streams
    lost = streams.lost_10s
    some: Mask = sight.live & (lost > 0) & streams.sequence_measurable
    if not some.any():
        return some
    due = lost + streams.frames_10s
    many = (lost >= rule.threshold("lost_frames")) & (lost > rule.threshold("loss_ratio") * due)
    burst = streams.lost_of_last_10 >= rule.threshold("lost_of_last_10")
    loses_: Mask = some & (many | burst)
    return loses_


def describe_loss(sight: Sight, row: int) -> Finding:
    streams = sight.streams
    lost, frames = int(streams.lost_10s[row]), int(streams.frames_10s[row])
    due = max(1, lost + frames)
    name = sight.universe_name(sight.universe_of(row))
    siblings = sight.streams_from(sight.source_of(row))
    spared = int(np.count_nonzero(streams.live[siblings] & (streams.lost_10s[siblings] == 0)))
    verdict = "The sender sent them: they were lost on the way to this port."
    if spared and len(siblings) > 1:
        verdict += f" {spared} other universe(s) of this source lose none."
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"lost": str(lost), "due": str(due), "percent": f"{100 * lost / due:.1f}", "verdict": verdict},
        evidence=(f"{name}: {lost} of {due} frames missing by sequence number in 10 s.",),
        confidence=Confidence.HIGH,
        also_possible=("the sender skips numbers",),
        weight=lost / due,
    )


# --- sequence -----------------------------------------------------------------------------------------


def is_out_of_order(sight: Sight) -> Mask:
    streams = sight.streams
    late = sight.live & (streams.discarded_10s >= CATALOG["out-of-order"].threshold("discarded"))
    late &= streams.protocol == Protocol.E131
    return late & ~is_unusable(sight) if late.any() else late


def describe_out_of_order(sight: Sight, row: int) -> Finding:
    count = int(sight.streams.discarded_10s[row])
    name = sight.universe_name(sight.universe_of(row))
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"count": str(count)},
        evidence=(f"{name}: {count} frames in 10 s lie behind the last accepted number by less than 20.",),
        weight=float(count),
    )


def is_unusable(sight: Sight) -> Mask:
    """E1.31 numbers that stand still, run backwards, or step by more than one each time."""
    streams = sight.streams
    step = streams.sequence_step
    odd: Mask = sight.live & (streams.protocol == Protocol.E131)
    odd = odd & (streams.sequence_stuck | (step >= 2) | (streams.discarded_10s > streams.frames_10s + 20))
    for row in np.flatnonzero(odd & ~streams.sequence_stuck & (step >= 2)).tolist():
        odd[row] = _is_odd_step(sight, row)
    return odd


def _is_odd_step(sight: Sight, row: int) -> bool:
    # A step of two can also be every second frame lost: only a count of universes or more speaks for the sender.
    step = int(sight.streams.sequence_step[row])
    return step >= 3 or step == _universes_sent(sight, row)


def _universes_sent(sight: Sight, row: int) -> int:
    return int(np.count_nonzero(sight.live[sight.streams_from(sight.source_of(row))]))


def describe_unusable(sight: Sight, row: int) -> Finding:
    streams = sight.streams
    step, sent = int(streams.sequence_step[row]), _universes_sent(sight, row)
    name = sight.universe_name(sight.universe_of(row))
    if streams.sequence_stuck[row]:
        habit, cause = f"stand still at {int(streams.sequence[row])}", "stuck"
    elif step >= DISCARD_STEPS:
        habit, cause = f"run backwards by {256 - step}", "backwards"
    elif step >= 2 and step == sent:
        habit, cause = f"step by {step}, the number of universes it sends: one count shared by all", "shared"
    elif step >= 2:
        habit, cause = f"step by {step}", "stepped"
    else:
        habit, cause = "jump back so often that most frames are discarded", "erratic"
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"habit": habit},
        evidence=(f"{name}: numbers {habit}. Loss cannot be measured on it.",),
        cause=cause,
    )


# --- sync and groups ----------------------------------------------------------------------------------


def missing_syncs(sight: Sight) -> dict[Any, None]:
    """Sync addresses that frames name and no sync packet serves: (network, address, ever came)."""
    streams = sight.streams
    named = sight.live & (streams.sync_address > 0) & (streams.protocol == Protocol.E131)
    if not named.any():
        return {}
    found: dict[Any, None] = {}
    loss_ns = int(CATALOG["sync-missing"].threshold("sync_loss_s") * NANOSECONDS)
    pairs = streams.network[named].astype(np.int64) << 16 | streams.sync_address[named]
    for pair in np.unique(pairs).tolist():
        network, address = pair >> 16, pair & 0xFFFF
        last_ns = sight.model.occasions.last_sync_ns(network, int(Protocol.E131), address)
        since_ns = int(streams.since_ns[_waiting(sight, network, address)].min())
        if sight.now_ns - max(last_ns, since_ns) > loss_ns:
            found[network, address, last_ns > 0] = None
    return found


def _waiting(sight: Sight, network: int, address: int) -> NDArray[np.intp]:
    streams = sight.streams
    return np.flatnonzero(sight.live & (streams.network == network) & (streams.sync_address == address))


def describe_sync(sight: Sight, key: Any) -> Finding:
    network, address, came = key
    rows = _waiting(sight, network, address)
    streams = sight.streams
    last_ns = sight.model.occasions.last_sync_ns(network, int(Protocol.E131), address)
    falls_back = bool(len(rows)) and bool((streams.options[rows] & OPTION_FORCE_SYNC).all())
    if not came:
        habit = "none ever came there, so receivers act at once or ignore it."
    elif falls_back:
        habit = "it stopped; force-sync lets receivers go on without it."
    else:
        habit = "it stopped, and receivers that synchronise hold their last look."
    return Finding(
        group=f"sync:{network}:{address}",
        since_ns=last_ns,
        universes=tuple(sorted(set(streams.universe[rows].tolist()))),
        streams=tuple(rows.tolist()),
        networks=(network,),
        facts={"sync": f"on address {address}", "habit": habit},
        evidence=(
            f"Last sync packet for address {address} at {sight.time_of_day(last_ns)}."
            if came
            else f"{len(rows)} stream(s) name sync address {address}; no sync packet for it was seen.",
        ),
        lower=0 if came and not falls_back else 2,
        cause="stopped" if came else "never-came",
    )


def is_wrong_group(sight: Sight) -> Mask:
    streams = sight.streams
    recent = (streams.last_wrong_group_ns > 0) & (sight.now_ns - streams.last_wrong_group_ns < 2 * NANOSECONDS)
    wrong: Mask = streams.used & (streams.protocol == Protocol.E131) & (streams.destination_kind == 2) & recent
    return wrong


def describe_wrong_group(sight: Sight, row: int) -> Finding:
    group = int(sight.streams.destination_universe[row])
    name = sight.universe_name(sight.universe_of(row))
    to = f"239.255.{group >> 8}.{group & 255}" if group else "a group that is no universe's"
    return finding_of(
        sight,
        row,
        since_ns=0,
        facts={"group": str(group or "none")},
        evidence=(f"{name} by its packets, sent to {to}.",),
    )
