"""What an earlier judgement knew and this one cannot hear for itself, since this listener was started again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.likeness import GONE, LOSSES
from slotwatch.snapshot import Incident

NOT_HEARD_NS = -(1 << 62)
"""Before any time of a monotonic clock, also of one that began later."""
RESUME_GRACE_NS = 30 * NANOSECONDS
"""How long what was open before a restart is kept at least: longer than most rules need to find it again."""
_HEARD = LOSSES | {"lost-between"}
"""Rules whose universes were heard once, or were waited for already."""


@dataclass(frozen=True, slots=True)
class _OpenBefore:
    universes: frozenset[str]
    source_keys: frozenset[str]
    incident: Incident


@dataclass(frozen=True, slots=True)
class Before:
    """Times are of this judgement's monotonic clock, and may lie before its start."""

    losses: Mapping[tuple[str, str], Incident] = field(default_factory=dict)
    """The loss of a universe, and of a source on it (else ""), that was open and had not returned."""
    heard_ns: Mapping[str, int] = field(default_factory=dict)
    """When a universe was last heard, to a minute; of what was lost, when its incident began."""
    by_rule: Mapping[str, Sequence[_OpenBefore]] = field(default_factory=dict)
    paces_hz: Mapping[str, Mapping[tuple[str, str], float]] = field(default_factory=dict)
    """By rule: at which rate streams came before they were too slow, by universe and source key."""
    homes: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """The network on which a declared source was heard under an address, by the names of both."""

    @classmethod
    def of(
        cls,
        incidents: Iterable[Incident],
        heard_wall_ns: Iterable[tuple[str, int]],
        wall_offset_ns: int,
        homes: Iterable[tuple[str, str, str]] = (),
    ) -> Before:
        """Gather it from the incidents that are open, and from what the history says was heard."""
        is_open = sorted((one for one in incidents if one.closed_ns is None), key=lambda one: one.began_ns)
        losses: dict[tuple[str, str], Incident] = {}
        heard_ns = {universe: wall_ns - wall_offset_ns for universe, wall_ns in heard_wall_ns}
        by_rule: dict[str, list[_OpenBefore]] = {}
        paces_hz: dict[str, dict[tuple[str, str], float]] = {}
        for one in is_open:
            known = replace(one)
            by_rule.setdefault(one.rule, []).append(
                _OpenBefore(frozenset(one.universes), frozenset(one.source_keys), known)
            )
            for universe in one.universes if one.rule in _HEARD else ():
                heard_ns.setdefault(universe, one.began_ns)
            if one.paces_hz and one.returned_ns is None:
                of_each = {(universe, key): hz for universe, hz in one.paces_hz for key in one.source_keys}
                paces_hz.setdefault(one.rule, {}).update(of_each)
            if one.rule not in LOSSES or one.returned_ns is not None:
                continue
            for universe in one.universes:
                for source in ("",) if one.rule in GONE else one.sources:
                    losses.setdefault((universe, source), known)
        networks = {(source, address): network for network, source, address in homes}
        return cls(losses, heard_ns, by_rule, paces_hz, networks)

    def incident(self, rule: str, universe: str, source_key: str = "") -> Incident | None:
        """The incident of a rule that was open about a universe, and about a source on it if one is given."""
        for one in self.by_rule.get(rule, ()):
            if universe in one.universes and (not source_key or source_key in one.source_keys):
                return one.incident
        return None


NOTHING_BEFORE = Before()
