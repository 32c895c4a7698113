"""Streams that stopped together, and when: what one cause is sought for."""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.binding import Key
from slotwatch.judge.raised import Raised

Name = tuple[str, Key]
"""Rule and key of a finding."""
REVISED_FOR_NS = 22 * NANOSECONDS
"""Slowest loss timeout (Art-Net's 10 s) and two discovery intervals of E1.31 (2 x 10 s), with some slack."""


@dataclass(slots=True)
class LossGroup:
    """Streams that stopped together, and the findings that say so."""

    id: int
    kind: str
    """silent | terminated | never | line: of a tapped DMX512 line, which shares nothing with a network."""
    from_ns: int
    """The stop was after this: the latest of the last frames."""
    to_ns: int
    """… and before this: the earliest frame that was due and did not come."""
    members: dict[Name, Raised] = field(default_factory=dict)
    spans: dict[Name, tuple[int, int]] = field(default_factory=dict)
    """After and before when each member stopped; of one that stopped again while others are away, the first time."""
    streams: set[int] = field(default_factory=set)
    apart_from: set[int] = field(default_factory=set)
    """Groups that stopped in the same moment by other causes."""
    apart_sources: set[int] = field(default_factory=set)
    """Rows of the sources of those groups."""
    spread_ns: int = 0
    """From the first stop to the last, where groups ended one after the other; 0 if all stopped together."""
    lasts: bool = False
    """Whether span and streams are those of members that hold."""

    def join(self, name: Name, case: Raised, span: tuple[int, int]) -> None:
        """Take one more member, and its part in span and streams as `follow_members` would."""
        self.members[name], self.spans[name] = case, span
        self.streams.update(case.finding.streams)
        if case.holds and not self.lasts:
            self.from_ns, self.to_ns, self.lasts = *span, True
        elif case.holds or not self.lasts:
            self.from_ns, self.to_ns = max(self.from_ns, span[0]), min(self.to_ns, span[1])

    def follow_members(self) -> None:
        """Give span and streams again after members came, left or ended: what is back says nothing of what lasts."""
        lasting = [self.spans[name] for name, case in self.members.items() if case.holds and name in self.spans]
        self.lasts = bool(lasting)
        spans = lasting or list(self.spans.values())
        if spans:
            self.from_ns, self.to_ns = max(from_ns for from_ns, _ in spans), min(to_ns for _, to_ns in spans)
        self.streams = {row for case in self.members.values() for row in case.finding.streams}

    def overlaps(self, from_ns: int, to_ns: int, slack_ns: int) -> bool:
        """Whether it may have stopped in this span of time, give or take the slack."""
        return from_ns <= self.to_ns + slack_ns and to_ns >= self.from_ns - slack_ns

    @property
    def is_revised_until_ns(self) -> int:
        """Until when evidence of its cause may still come in."""
        return self.from_ns + REVISED_FOR_NS
