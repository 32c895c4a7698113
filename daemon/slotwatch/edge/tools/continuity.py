"""Distinguishes a clock that was set forward inside a capture from a silence, by the senders' sequence numbers.

While packets are lost or senders are down, numbers rise or begin again. A clock that was set changes no number: every
stream continues with its next one, and all of them jump by the same time.
"""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.batch import Batch
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.universe import Protocol

SUSPECT_NS = 10 * NANOSECONDS
"""Shorter silences are never taken for a set clock."""
SURE_NS = 600 * NANOSECONDS
"""From here on one source is evidence enough. In less time a single sender may have paused and gone on."""
LOOK_BACK_NS, LOOK_AHEAD_NS = 10 * NANOSECONDS, 2 * NANOSECONDS
MOST_ROWS = 4096
LEAST_FRAMES = 5
"""Fewer frames before the silence show no cadence."""
COUNTED_FRAMES_SHARE = 0.002
"""How well the number of frames that fit into a silence is known, from the cadence before it."""

Key = tuple[int, int, int, bytes, bytes]
"""Network, protocol, universe, source id, address."""
Frame = tuple[int, int]
"""Time in nanoseconds, sequence number."""


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What one stream says of a silence."""

    source: bytes
    shift_ns: int
    """How much longer its gap is than its interval."""
    interval_ns: int
    goes_on: bool
    is_chance: bool
    """Lost frames would give the same number."""


def is_clock_set(before: Batch, after: Batch) -> bool:
    """Whether the time between two parts of a capture passed only on its clock.

    before, after: packets in order, `t_ns` as the capture has it. The first of `after` came at the end of the silence.
    """
    if not len(before) or not len(after):
        return False
    from_ns, to_ns = int(before.t_ns[-1]), int(after.t_ns[0])
    earlier = _frames(before, max(0, len(before) - MOST_ROWS), len(before), from_ns - LOOK_BACK_NS, from_ns)
    later = _frames(after, 0, min(len(after), MOST_ROWS), to_ns, to_ns + LOOK_AHEAD_NS)
    found = [
        evidence for key, frames in earlier.items() if (evidence := _weigh(key, frames, later.get(key), from_ns, to_ns))
    ]
    if not found or not all(one.goes_on for one in found):
        return False
    # One clock: every stream's gap is longer than its interval by the same time.
    shifts = [one.shift_ns for one in found]
    if max(shifts) - min(shifts) > max(one.interval_ns for one in found):
        return False
    sources = {one.source for one in found if not one.is_chance}
    return len(sources) >= (1 if to_ns - from_ns >= SURE_NS else 2)


def _frames(batch: Batch, begin: int, end: int, from_ns: int, to_ns: int) -> dict[Key, list[Frame]]:
    """Give each numbered stream's frames of some rows, in order."""
    part = batch.part(slice(begin, end))
    fields = decode(part)
    found: defaultdict[Key, list[Frame]] = defaultdict(list)
    numbered = (fields.kind == PacketKind.LEVELS) | (fields.kind == PacketKind.SLOT_PRIORITY)
    numbered &= (part.t_ns >= from_ns) & (part.t_ns <= to_ns)
    for row in np.flatnonzero(numbered).tolist():
        protocol = int(part.protocol[row])
        key = (
            int(part.network[row]),
            protocol,
            int(fields.universe[row]),
            fields.source_id[row].tobytes(),
            part.src[row].tobytes(),
        )
        found[key].append((int(part.t_ns[row]), int(fields.sequence[row])))
    # Art-Net: a sequence of 0 says that the sender does not count.
    return {key: frames for key, frames in found.items() if key[1] == Protocol.E131 or any(n for _, n in frames)}


def _weigh(key: Key, earlier: list[Frame], later: list[Frame] | None, from_ns: int, to_ns: int) -> _Evidence | None:
    """Say what a stream shows; None if it had no cadence or had ended before."""
    if len(earlier) < LEAST_FRAMES:
        return None
    interval_ns = max(1, int(statistics.median(b[0] - a[0] for a, b in pairwise(earlier))))
    last_ns, number = earlier[-1]
    if from_ns - last_ns > 3 * interval_ns + NANOSECONDS or (to_ns - from_ns) < 20 * interval_ns:
        return None
    if later is None:
        return None
    steps = Counter(_step(key[1], a[1], b[1]) for a, b in pairwise(earlier))
    usual = steps.most_common(1)[0][0]
    gap_ns = later[0][0] - last_ns
    fitting = gap_ns / interval_ns * max(1, usual)
    slack = max(3.0, fitting * COUNTED_FRAMES_SHARE)
    by_chance = abs((fitting - usual + 128) % 256 - 128) <= slack and slack < 128
    return _Evidence(
        source=key[3] + key[4],
        shift_ns=gap_ns - interval_ns,
        interval_ns=interval_ns,
        goes_on=usual > 0 and _step(key[1], number, later[0][1]) == usual,
        is_chance=by_chance,
    )


def _step(protocol: int, number: int, following: int) -> int:
    """From one number to the next. Art-Net counts 1 to 255 and leaves 0 out."""
    if protocol == Protocol.ARTNET:
        return (following - number) % 255
    return (following - number) % 256
