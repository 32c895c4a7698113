"""Sequence numbers of desks: what those of a desk that restarts, or of a second one, may be taken for."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.rewriting import SEQUENCE, SLOTS, is_data, universe_of

REST_S = 0.3
"""A sender at rest leaves longer pauses, one that moves shorter ones."""
KEEP_ALIVE_S = 0.8
"""Shortest interval of a sender at rest (ANSI E1.31-2018 6.6.2)."""
SHARE, FRAMES = 0.2, 4.0
"""What the count of a loss may be off by: rates are known from intervals that vary."""


def numbers_at(desk: Desk, t_s: float) -> dict[int, int]:
    """Number of the last packet of each universe before a moment."""
    return {universe_of(sent): sent.payload[SEQUENCE] for sent in desk.sends(t_s) if is_data(sent)}


def may_be_loss(before: Desk, after: Desk) -> bool:
    """Whether every universe continues with a number after which as many frames are missing as fit into its silence."""
    ended: dict[int, list[Sent]] = {}
    for sent in before.sends(before.stop_s):
        if is_data(sent):
            ended[universe_of(sent)] = [*ended.get(universe_of(sent), [])[-1:], sent]
    back: dict[int, Sent] = {}
    for sent in after.sends(after.start_s + 1.5):
        if is_data(sent):
            back.setdefault(universe_of(sent), sent)
    return all(_fits(last, back[number], before.hz) for number, last in ended.items() if number in back)


def _fits(last: list[Sent], first: Sent, hz: float) -> bool:
    silent_s = (first.t_ns - last[-1].t_ns) / NANOSECONDS
    missing = (first.payload[SEQUENCE] - last[-1].payload[SEQUENCE] - 1) % 256
    due = silent_s * hz
    rests = len(last) > 1 and last[-1].t_ns - last[-2].t_ns > REST_S * NANOSECONDS
    if rests and missing <= FRAMES + silent_s / KEEP_ALIVE_S:
        return True
    if rests:
        # A cue may have begun within the silence.
        return missing <= due * (1 + SHARE) + FRAMES and first.payload[SLOTS:] != last[-1].payload[SLOTS:]
    return abs(missing - due) <= due * SHARE + FRAMES
