"""Sequence numbers: what E1.31's rule discards, what is missing, and numbers that mean nothing.

One stream's series is judged packet by packet here (`Series.take`). Streams whose numbers simply continue never come
here: `model.streams` proves that for whole batches at once.

Source: ANSI E1.31-2018 6.7.2 (the rule), 6.2.5 (one series per universe, shared by all start codes);
Art-Net: 1 to 255 and on to 1, 0 is "not used". Art-Net defines no window: E1.31's is taken for what comes
late, but frames with an unchanging number are used, because Art-Net receivers use them (a choice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

SEQUENCES = 256
"""Sequence numbers that there are (ANSI E1.31-2018 6.7.2)."""
WINDOW = 20
"""E1.31 6.7.2: discard when -20 < difference <= 0."""
FULL_MASK = (1 << 64) - 1
AMBIGUOUS = 127
"""From this step on it is not known whether numbers are missing or the count went back."""
VOTES_TO_KNOW = 9
"""Equal steps in a row of ten packets before a series is believed to have that step."""
MAX_VOTES = 64
STUCK_AFTER = 9
"""Repeats after which a series is stuck: ten packets with one number."""
UNDECIDED_PACKETS = 20
"""Packets after which gaps are counted even though no step is commonest."""


class SequenceVerdict(IntEnum):
    ACCEPT = 0
    LATE = 1
    """Discarded; came after a younger one."""
    REPEAT = 2
    """Discarded (E1.31) or used (Art-Net); the number of the last accepted one."""
    COPY = 3
    """Never used: the same packet again within 10 ms."""
    REPEAT_OBEYED = 4
    UNFIT = 5
    """Announces the end of its stream with a number that is not the next of its series: it is ignored."""


def difference(last: int, new: int) -> int:
    """Signed 8-bit difference of two E1.31 sequence numbers, -128 to 127."""
    return (new - last + 128) % 256 - 128


def is_discarded(last: int, new: int) -> bool:
    """Whether a receiver that last accepted `last` must discard `new` (E1.31 6.7.2)."""
    return -WINDOW < difference(last, new) <= 0


def difference_skipping_zero(last: int, new: int) -> int:
    """Signed difference of two Art-Net numbers (1 to 255, 0 skipped), -127 to 127."""
    step = (new - last) % 255
    return step if step <= 127 else step - 255


@dataclass(slots=True)
class Series:
    """The state of one stream's series. Its fields are those of the stream table."""

    skips_zero: bool
    """Art-Net."""
    known: bool = False
    """False: the next number is accepted whatever it is (first packet, or back after a loss)."""
    accepted: int = 0
    """Last accepted number."""
    seen: int = 0
    """Number of the last packet, accepted or not, copies left out."""
    mask: int = FULL_MASK
    """Bit k: the number `accepted - k` has come."""
    step: int = 0
    votes: int = 0
    """Majority vote over steps between packets as they came."""
    run: int = 0
    """Packets in a row with the number of their predecessor."""
    pending: int = 0
    """Missing numbers that are not believed yet, because the step is not known yet."""
    packets: int = 0
    """Counted up to MAX_VOTES."""
    lost: int = 0
    """Missing numbers to count since the table was last brought up to date; negative when late ones came."""
    counted: int = 0
    """Missing numbers that the table has counted: no more than these can come late."""

    def forget(self) -> None:
        """Start again, as a receiver does after it lost the source."""
        self.known = False
        self.mask = FULL_MASK
        self.run = 0
        self.pending = 0

    def take(self, number: int, is_copy: bool) -> SequenceVerdict:
        """Judge one packet's number."""
        if not self.known or self.is_unused or (self.skips_zero and number == 0):
            # Nothing to compare with. That numbers are not used says nothing of their steps either.
            self.known, self.accepted, self.seen = True, number, number
            self.mask, self.run = FULL_MASK, 0
            self.packets = min(self.packets + (not self.is_unused), MAX_VOTES)
            return SequenceVerdict.ACCEPT
        if is_copy:
            return SequenceVerdict.COPY
        self.packets = min(self.packets + 1, MAX_VOTES)
        was_stuck = self.is_stuck
        self._vote(number)
        if self.skips_zero:
            step = difference_skipping_zero(self.accepted, number)
        else:
            step = difference(self.accepted, number)
        return self._judge(step, number, was_stuck)

    def _judge(self, step: int, number: int, was_stuck: bool) -> SequenceVerdict:
        if step == 0:
            return SequenceVerdict.REPEAT_OBEYED if self.skips_zero else SequenceVerdict.REPEAT
        if step > 0 and was_stuck:
            # It moves again: how far it would have come meanwhile is not known.
            self.accepted, self.mask, self.pending = number, FULL_MASK, 0
            return SequenceVerdict.ACCEPT
        if step > 0:
            self._missing(step - 1 if step < AMBIGUOUS else 0)
            self.mask = (self.mask << step | 1) & FULL_MASK
            self.accepted = number
            return SequenceVerdict.ACCEPT
        if step > -WINDOW:
            bit = 1 << -step
            if not self.mask & bit:
                self.mask |= bit
                self._missing(-1)
            return SequenceVerdict.LATE
        self.accepted, self.mask = number, FULL_MASK
        return SequenceVerdict.ACCEPT

    def _vote(self, number: int) -> None:
        step = (number - self.seen) % (255 if self.skips_zero else 256)
        self.run = min(self.run + 1, 0xFFFF) if number == self.seen else 0
        self.seen = number
        if self.votes == 0:
            self.step, self.votes = step, 1
        elif step == self.step:
            self.votes = min(self.votes + 1, MAX_VOTES)
        else:
            self.votes -= 1

    def _missing(self, count: int) -> None:
        if not self.is_measurable:
            self.pending = 0
            return
        if self.is_decided:
            self.lost = max(self.lost + count + self.pending, -self.counted)
            self.pending = 0
        else:
            self.pending += count

    @property
    def is_unused(self) -> bool:
        """Whether the sender does not use numbers: it sent an Art-Net 0 last."""
        return self.skips_zero and self.known and self.accepted == 0

    @property
    def is_decided(self) -> bool:
        return self.votes >= VOTES_TO_KNOW or self.packets >= UNDECIDED_PACKETS

    @property
    def common_step(self) -> int:
        """The commonest step, 0 while none is."""
        return self.step if self.votes >= VOTES_TO_KNOW else 0

    @property
    def is_stuck(self) -> bool:
        return self.run >= STUCK_AFTER

    @property
    def is_measurable(self) -> bool:
        """Whether missing numbers mean missing frames."""
        if self.is_stuck or self.is_unused:
            return False
        return self.common_step in (0, 1)

    @property
    def is_steady(self) -> bool:
        """Whether the next number, if it is one `step` on, needs no judgement of its own."""
        if not self.known or self.run or self.seen != self.accepted or self.pending:
            return False
        return self.votes >= VOTES_TO_KNOW and 1 <= self.step < AMBIGUOUS
