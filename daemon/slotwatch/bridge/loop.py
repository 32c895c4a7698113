"""Finding that an output comes back into an input, also through other people's gateways.

The bridge's own CID is proof by itself. Through a foreign gateway the packets carry a foreign name, so two signs are
needed together: a source keeps sending what the bridge sent shortly before, and it holds levels up that everybody else
has let go (a highest-level merge latches on its own echo). A backup desk in step shows the first sign but falls with
its main; a preset holds levels up but never repeats anything.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

REPEATS_WANTED = 5
"""Different frames that were repeated before a source is suspected (common practice, no source)."""
ECHO_WITHIN_NS = 500_000_000
"""Longest time between a frame that was sent and its echo (common practice, no source)."""
LATCHED_NS = 1_000_000_000
"""Time for which levels must be held up. Well above the 200 ms that a tracking backup may lag (`judge.lags`)."""
MAX_SUSPECTS = 256
"""Sources, and sent frames, that are remembered: the network names sources, so the table is bounded."""
OWN_FRAMES = 32
"""Newest frames of a source that are remembered."""


@dataclass(slots=True)
class Suspect:
    """What one source on one input has shown so far."""

    levels: bytes = b""
    """Its newest frame."""
    repeated: int = 0
    """Different frames in a row that the bridge had sent shortly before."""
    latched_ns: int = 0
    """Since when it holds up levels that all others have released; 0: it does not."""
    own: OrderedDict[bytes, None] = field(default_factory=OrderedDict)
    """Its newest frames: what it shows again (a strobe, a chase) is its own and no echo."""


@dataclass(slots=True)
class LoopWatch:
    """Compares what inputs hear with what outputs sent. Bounded: the oldest entry is forgotten first."""

    _sent: OrderedDict[bytes, int] = field(default_factory=OrderedDict)
    """Levels that outputs sent, and when last."""
    _suspects: OrderedDict[bytes, Suspect] = field(default_factory=OrderedDict)

    def sent(self, levels: bytes, now_ns: int) -> None:
        """Note that an output sent these levels (512 bytes)."""
        self._sent[levels] = now_ns
        self._sent.move_to_end(levels)
        while self._sent:
            oldest, when = next(iter(self._sent.items()))
            if now_ns - when <= ECHO_WITHIN_NS and len(self._sent) <= MAX_SUSPECTS:
                break
            del self._sent[oldest]

    def heard(self, source: bytes, levels: bytes, others: bytes | None, now_ns: int) -> bool:
        """Take a frame of a source. True if this source is the bridge's own echo.

        levels: padded to 512 bytes. others: the highest level of each slot over all other sources of that input; None
        if there are none.
        """
        suspect = self._suspects.get(source)
        if suspect is None:
            suspect = self._suspects[source] = Suspect()
            if len(self._suspects) > MAX_SUSPECTS:
                self._suspects.popitem(last=False)
        if levels != suspect.levels:
            suspect.levels = levels
            suspect.latched_ns = 0
            if levels not in suspect.own:
                sent_ns = self._sent.get(levels)
                echoed = sent_ns is not None and now_ns - sent_ns <= ECHO_WITHIN_NS and any(levels)
                suspect.repeated = suspect.repeated + 1 if echoed else 0
                suspect.own[levels] = None
                if len(suspect.own) > OWN_FRAMES:
                    suspect.own.popitem(last=False)
        if suspect.repeated < REPEATS_WANTED or others is None or not _holds_up(levels, others):
            suspect.latched_ns = 0
            return False
        if not suspect.latched_ns:
            suspect.latched_ns = now_ns
        return now_ns - suspect.latched_ns >= LATCHED_NS


def _holds_up(levels: bytes, others: bytes) -> bool:
    return any(mine > other for mine, other in zip(levels, others, strict=False))
