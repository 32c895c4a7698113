"""What several sources of one network show at once, and what they share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.fault_onset import arrivals_ns
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence

LOST_ON_THE_WAY = "lost-on-the-way"
SENDER_PAUSED = "sender-paused"
THIS_COMPUTER = "this-computer"
WIRELESS = "wireless"
WAY_BETWEEN = "way-between"
SHARED_PATH = "shared-path"
LOOP, DOUBLED = "loop", "doubled"
COPIED = frozenset({LOOP, DOUBLED})
"""Causes of packets that come more than once."""
LEAD_CHECK = "Check whether this port's own lead or switch port counts errors."

LOOKED_BACK_NS = 10 * NANOSECONDS
"""Longest window of the rules whose trouble a path may share."""
GAP_NS, EDGE_NS = 100_000_000, 30_000_000
"""Shortest gap that counts, and what two sources' frames may differ by at its ends."""
WEIGHED_BY_SHARE = frozenset({"packet-loss", "repeated-packets"})
"""Rules whose findings weigh as much as the share of frames that they are about."""
MANY_FRAMES = 400
"""Frames in the longest window, 10 s, at 40 Hz: enough to show any trouble of a path."""
REMEMBERED_NS = 60 * NANOSECONDS
"""How long sources stay companions after they showed one trouble: as long as an incident may open again."""
MOST_REMEMBERED = 256
"""Pairs of them; the newest are kept."""
CHANCE = 0.01
"""How likely one source may be spared by chance before it is plain that the other's trouble is not its own."""


class Companions:
    """Remembers which sources showed the same trouble together when both first had it.

    A source at rest sends once a second: it may lose nothing for a while, and then show the same trouble again.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[str, str, str], bool] = {}
        self._asked_ns: dict[tuple[str, str, str], int] = {}
        """When each was last asked for, the newest last."""

    def are_one(self, ctx: RuleContext, rule: str, one: tuple[str, Finding], other: tuple[str, Finding]) -> bool:
        """Whether two groups of one rule, each with its worst finding, may share a path."""
        (first, _), (second, _) = sorted((one, other), key=lambda row: row[0])
        key = rule, first, second
        self._asked_ns.pop(key, None)
        self._asked_ns[key] = ctx.at_ns
        if key not in self._known:
            self._known[key] = _may_share(ctx, rule, one[1], other[1])
        return self._known[key]

    def forget(self, now_ns: int) -> None:
        """Forget those that were not asked for in this pass; companions only after REMEMBERED_NS."""
        if all(at_ns == now_ns for at_ns in self._asked_ns.values()):
            return
        left = [key for key, at_ns in self._asked_ns.items() if at_ns != now_ns]
        kept = [key for key in left if self._known[key] and now_ns - self._asked_ns[key] < REMEMBERED_NS]
        for key in set(left) - set(kept[-MOST_REMEMBERED:]):
            del self._known[key], self._asked_ns[key]


def _may_share(ctx: RuleContext, rule: str, one: Finding, other: Finding) -> bool:
    kinds = {_KINDS.get(finding.cause, "") for finding in (one, other)}
    if kinds == {"lost", "paused"}:
        return False
    if not one.streams or not other.streams:
        return True
    earlier, later = sorted((one, other), key=lambda finding: finding.since_ns)
    if _came(ctx, earlier, later) > MANY_FRAMES:
        return False
    if kinds <= {"paused", "held"}:
        return not (_went_on(ctx, one.streams[0], other.streams[0]) or _went_on(ctx, other.streams[0], one.streams[0]))
    if rule not in WEIGHED_BY_SHARE:
        return True
    return not _was_spared(ctx, earlier, later)


_KINDS = {LOST_ON_THE_WAY: "lost", SENDER_PAUSED: "paused", THIS_COMPUTER: "paused", WIRELESS: "held"}


def _went_on(ctx: RuleContext, paused: int, other: int) -> bool:
    """Whether one stream's frames came within most gaps of another's: no path held back both."""
    frames_ns, others_ns = arrivals_ns(ctx, paused), arrivals_ns(ctx, other)
    begins_ns = frames_ns[:-1]
    is_gap = (np.diff(frames_ns) > GAP_NS) & (begins_ns > max(ctx.now_ns - LOOKED_BACK_NS, int(others_ns[0])))
    inside = _count(others_ns, begins_ns[is_gap] + EDGE_NS, frames_ns[1:][is_gap] - EDGE_NS)
    return len(inside) > 0 and int(np.count_nonzero(inside)) * 2 > len(inside)


def _was_spared(ctx: RuleContext, earlier: Finding, later: Finding) -> bool:
    """Whether the later source was well while the earlier one had trouble: more of its frames came than a path as bad
    as the earlier one's lets through."""
    share = min(max(earlier.weight, 0.0), 0.99)
    return bool((1 - share) ** _came(ctx, earlier, later) < CHANCE)


def _came(ctx: RuleContext, earlier: Finding, later: Finding) -> int:
    """Frames of the later one that came well while the earlier one had its trouble, of those whose times are kept."""
    frames_ns = arrivals_ns(ctx, later.streams[0])
    return int(_count(frames_ns, np.array([earlier.since_ns]), np.array([later.since_ns]))[0])


def _count(frames_ns: NDArray[np.int64], from_ns: NDArray[np.int64], to_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    counted: NDArray[np.int64] = frames_ns.searchsorted(to_ns) - frames_ns.searchsorted(from_ns, side="right")
    return counted


_SHOWED = {"Several sources show ": "Several sources showed ", "Several sources stutter ": "Several sources stuttered "}


def say_several_did(verdict: Verdict) -> None:
    """Put what several sources showed at once into the past, where it lasts for one of them alone."""
    for now, then in _SHOWED.items():
        if verdict.sentence.startswith(now):
            verdict.as_found, verdict.sentence = verdict.sentence, then + verdict.sentence.removeprefix(now)


def find_shared_cause(ctx: RuleContext, sources: Iterable[int], findings: Sequence[Finding]) -> Verdict:
    """Say what several sources have in common that show the same trouble at once."""
    if all(ctx.runs_here(source) for source in sources):
        return Verdict(
            THIS_COMPUTER,
            Confidence.HIGH,
            "All of these sources run on this computer: it is busy, and no switch is involved.",
            also_possible=["one program that makes all of them and pauses"],
            next_checks=[
                "Check what else runs on this computer, and its load.",
                "Check whether frames from other machines arrive evenly.",
            ],
        )
    check = "Look at the switches and uplinks that these sources share on their way here."
    causes = {finding.cause for finding in findings}
    if causes == {WAY_BETWEEN}:
        return Verdict(
            WAY_BETWEEN,
            Confidence.HIGH,
            "Several sources stutter at once, and another listener hears them evenly: "
            "the fault is on the path between the two.",
            next_checks=["Look at the switches and uplinks between the two listeners.", LEAD_CHECK],
        )
    if causes and causes <= {SENDER_PAUSED, THIS_COMPUTER}:
        # Nothing is missing: a queue that holds frames back, or senders that wait for the same thing.
        return Verdict(
            SHARED_PATH,
            Confidence.MEDIUM,
            "Several sources show it at once and no frame is missing: a path that they share delays frames.",
            also_possible=["one clock or cue that all these senders wait for"],
            next_checks=[check, "Check whether these senders follow one timecode or one remote control."],
        )
    if causes and causes <= COPIED:
        # The rule's own checks are the right ones: they look for what makes copies.
        return Verdict(
            SHARED_PATH,
            Confidence.HIGH,
            "Several sources show it at once, and so many copies point to a loop."
            if LOOP in causes
            else "Several sources show it at once: a mirror of both directions, a bonded port, or a loop.",
        )
    return Verdict(
        SHARED_PATH,
        Confidence.HIGH,
        "Several sources show it at once: a path that they share, not their senders.",
        next_checks=[check, LEAD_CHECK],
    )
