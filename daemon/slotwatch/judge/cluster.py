"""A cluster: raised cases that are one fault with one cause, and so one incident; and whom it is about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.drafts import Slot
from slotwatch.judge.exceptions import AcceptedCase
from slotwatch.judge.raised import Raised
from slotwatch.judge.rule import Rule
from slotwatch.judge.verdict import Verdict
from slotwatch.wire.universe import Protocol

AT_REST_NS = 250_000_000
"""Last frames of streams that stop in one moment are further apart only at rest: moving streams are faster."""


@dataclass(slots=True)
class Cluster:
    """What becomes one incident."""

    rule: Rule
    group: str
    cases: list[Raised] = field(default_factory=list)
    explained: list[Raised] = field(default_factory=list)
    verdict: Verdict | None = None
    accepted: AcceptedCase | None = None
    earlier_began_ns: int = 0
    """When it began, if an earlier judgement knew it already; else 0."""
    together_ns: int = 0
    """The newest frame of what stopped in one moment (at rest others came seconds before); else 0."""

    @property
    def since_ns(self) -> int:
        since_ns = min(case.finding.since_ns for case in self.cases)
        return min(since_ns, self.earlier_began_ns or since_ns)

    @property
    def began_ns(self) -> int:
        """When it began on the wire: with the last good frame of the first universe; at rest with the newest of all."""
        began_ns = self.since_ns
        if self.together_ns - began_ns > AT_REST_NS:
            began_ns = self.together_ns
        return min(began_ns, self.earlier_began_ns or began_ns)

    @property
    def cause(self) -> str:
        return self.verdict.cause if self.verdict else self.speaker.cause

    @property
    def speaker(self) -> Finding:
        # A case that is over does not give the sentence while another lasts.
        return max(self.cases, key=lambda case: (not case.over, case.finding.weight)).finding

    def universes(self) -> list[int]:
        return sorted({row for case in self.cases for row in case.finding.universes})

    def networks(self) -> set[int]:
        return {network for case in self.cases for network in case.finding.networks}

    def findings(self) -> list[Finding]:
        return [case.finding for case in self.cases]

    def paces_hz(self, ctx: RuleContext) -> tuple[tuple[str, float], ...]:
        """Universes of what is too slow, and the lowest rate at which their frames came before, to a tenth of 1 Hz."""
        found: dict[int, float] = {}
        for case in (*self.cases, *self.explained):
            for row in case.finding.universes if case.finding.pace_hz else ():
                found[row] = min(found.get(row, case.finding.pace_hz), case.finding.pace_hz)
        return tuple((ctx.universe_name(row), round(found[row], 1)) for row in sorted(found))

    def source_keys(self, ctx: RuleContext, rows: set[int] | None = None) -> set[str]:
        """`wire.universe.source_key` of every source that its cases are about. rows: its `source_rows`, if known."""
        names = {name for case in self.cases for name in case.finding.source_names}
        rows = self.source_rows(ctx) if rows is None else rows
        heard = {ctx.source_name(row) for row in rows}
        return {ctx.declared_key(name) for name in names - heard} | {ctx.source_key(ctx.first_leg(row)) for row in rows}

    def source_rows(self, ctx: RuleContext) -> set[int]:
        """Rows of every source that its cases are about."""
        return rows_of(ctx, self.findings())


def subject_of(rule: str, group: str) -> Slot:
    """What an incident or a cluster is about. A group of losses stays one, whichever of its rules leads it."""
    return ("", group) if group.startswith("loss:") else (rule, group)


def names_of(ctx: RuleContext, findings: Sequence[Finding], rows: set[int] | None = None) -> set[str]:
    """Name every source that findings are about. What drives a tapped line has no name. rows: their `rows_of`, if
    known."""
    names = {name for finding in findings for name in finding.source_names}
    rows = rows_of(ctx, findings) if rows is None else rows
    heard = [row for row in rows if ctx.sources[row].protocol != Protocol.LINE]
    return names | {ctx.source_name(row) for row in ctx.whole_sources(heard)}


def rows_of(ctx: RuleContext, findings: Sequence[Finding]) -> set[int]:
    """Rows of every source that findings are about."""
    streams = {row for finding in findings for row in finding.streams}
    return {row for finding in findings for row in finding.sources} | ctx.sources_of(streams)
