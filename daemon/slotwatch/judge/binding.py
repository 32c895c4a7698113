"""How a rule is plugged in: a RuleBinding says when its condition holds and how to describe one case of it.

A rule is one module in `judge.rules`, found by its being there: its parameters (a `RuleParameters`), its facts (the
placeholders of its sentence), its condition, its description and its row (`RULE`), whose `bind` makes the RuleBinding.
DEVELOPERS.md has the steps to add one. `judge.model_view` names every column of the model that a rule may read.

A condition is a function of a `RuleContext` that returns a mask over stream or universe rows, or a mapping whose keys
are what it is true of (a network, an address, a fixture). It runs on every pass and must be array work. A
description is a function of a `RuleContext` and one row or key that returns a `Finding`; it runs only for what is
raised. State between passes is in an object that `bind` makes; state that several rules share comes from
`RuleSetup.shared`. On-delay, off-delay, grouping, grading and the life of the incident are not the rule's business.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Never, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import NO_FACTS, Facts, P, RuleParameters
from slotwatch.snapshot import Confidence

Mask = NDArray[np.bool_]
Key = Hashable


class Cases(Protocol):
    """What a condition of KEYS returns: any mapping. Its values say since when, of a timed one."""

    def items(self) -> Iterable[tuple[Key, object]]: ...

    def __contains__(self, key: object, /) -> bool: ...

    def __len__(self) -> int: ...


T = TypeVar("T")

STREAMS = "streams"
UNIVERSES = "universes"
KEYS = "keys"

TICK_NS = 50_000_000
"""How often a running house is judged; a replay judges at the same moments."""
EVERY_SECOND_NS = NANOSECONDS
SLOW_NS = 100_000_000
"""Windows move in buckets of 100 ms, so what reads them gains nothing by running more often."""


@dataclass(slots=True)
class Finding:
    """One case of one rule, described. Rows are rows of the model's tables at this moment."""

    group: str
    """Cases of one rule with the same group are one incident: a source, a universe, a network …"""
    since_ns: int
    """When it began on the wire; 0: when the condition began to hold."""
    universes: tuple[int, ...] = ()
    """Rows of the universe table."""
    streams: tuple[int, ...] = ()
    """Rows of the stream table that it is about (their sources are named)."""
    sources: tuple[int, ...] = ()
    """Rows of Model.sources, where no stream names them."""
    source_names: tuple[str, ...] = ()
    """Names that are declared but have no row (never heard)."""
    networks: tuple[int, ...] = ()
    fixtures: tuple[str, ...] = ()
    facts: Facts = NO_FACTS
    """What the rule's own placeholders are filled with."""
    evidence: tuple[str, ...] = ()
    lower: int = 0
    """Steps below the rule's severity; -1: one above."""
    quiet_until_ns: int = 0
    """A note until then, whatever its severity."""
    cause: str = ""
    confidence: Confidence = Confidence.CERTAIN
    also_possible: tuple[str, ...] = ()
    still_working: tuple[str, ...] = ()
    next_checks: tuple[str, ...] = ()
    """Shown before the rule's own."""
    weight: float = 0.0
    """The heaviest case of an incident gives its sentence."""
    last_ns: int = 0
    """When what is counted over a window last happened; 0: not known."""
    on_any_network: bool = False
    """Whichever network it came by, it would be true: no mix-up of networks explains it."""
    controlled_by: str = ""
    """Who controls its universes, if not only the sources that should; empty: nobody else."""
    pace_hz: float = 0.0
    """Rate at which frames came before they were too slow; 0: it is not about that."""


def finding_of(
    ctx: RuleContext,
    row: int,
    *,
    since_ns: int,
    facts: Facts = NO_FACTS,
    evidence: tuple[str, ...] = (),
    lower: int = 0,
    cause: str = "",
    confidence: Confidence = Confidence.CERTAIN,
    also_possible: tuple[str, ...] = (),
    next_checks: tuple[str, ...] = (),
    weight: float = 0.0,
    pace_hz: float = 0.0,
) -> Finding:
    """Make a finding about one stream: grouped by its source, on its universe and network."""
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(row))}",
        since_ns=since_ns,
        universes=(ctx.universe_of(row),),
        streams=(row,),
        networks=(int(ctx.streams.network[row]),),
        facts=facts,
        evidence=evidence,
        lower=lower,
        cause=cause,
        confidence=confidence,
        also_possible=also_possible,
        next_checks=next_checks,
        weight=weight,
        pace_hz=pace_hz,
    )


Lasting = dict[Callable[[], object], object]
"""Memory that several rules share and that no house file changes, by what makes it."""


class RuleSetup:
    """What rules make their bindings of: the declared house, and state that several rules share."""

    def __init__(self, house: House, parameters: Iterable[RuleParameters], lasting: Lasting | None = None) -> None:
        self._house = house
        self._parameters = list(parameters)
        self._shared: dict[Callable[[House], object], object] = {}
        self._lasting: Lasting = {} if lasting is None else lasting
        self.is_house_read = False
        """Whether a binding was made from what the house declares, so that another house file needs a new one."""

    @property
    def house(self) -> House:
        """The declared house. A binding made from it starts again when the house file changes."""
        self.is_house_read = True
        return self._house

    def declares(self, part: str) -> bool:
        """Whether the house declares any of a part, such as `fixtures`."""
        return bool(getattr(self._house, part))

    def parameters(self, kind: type[P]) -> P:
        """Give the numbers of another rule, by their class; KeyError if no rule has such."""
        found = next((one for one in self._parameters if isinstance(one, kind)), None)
        if found is None:
            raise KeyError(kind.__name__)
        return found

    def shared(self, make: Callable[[House], T]) -> T:
        """Give the one object of a kind that all rules of this house share; the first to ask makes it."""
        self.is_house_read = True
        if make not in self._shared:
            self._shared[make] = make(self._house)
        return self._shared[make]  # type: ignore[return-value]

    def lasting(self, make: Callable[[], T]) -> T:
        """Give the one object of a kind that all rules share, whatever house file comes; the first to ask makes it."""
        if make not in self._lasting:
            self._lasting[make] = make()
        return self._lasting[make]  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class RuleBinding:
    """A rule's condition and description, and how often it is looked at."""

    over: str
    """STREAMS, UNIVERSES or KEYS."""
    condition: Callable[[RuleContext], Mask | Cases]
    """Returns a Mask over the rows (shorter is fine), or Cases for KEYS."""
    describe: Callable[[RuleContext, Never], Finding]
    """Takes a row, or one of the condition's keys."""
    every_ns: int = SLOW_NS
    subject: Callable[[RuleContext], bool] | None = None
    """Whether anything is there that the condition could be true of or keep; where nothing is, it need not be asked.
    Nothing but what comes or what the model finds may change it. Rules that name the same function share its answer."""
    on_delay_s: float | None = None
    """Where the condition itself looks back over a time, 0; None: the rule's parameter."""
    blind_window_s: float = 0.0
    """Window over which it counts: nothing new is raised while it contains a moment that was not judged."""
    timed: bool = False
    """For KEYS: the mapping's values say since when the condition has held."""
    refresh_s: float | None = 1.0
    """How often a raised case is described again while its condition holds; None: never."""
    turned_ns: Callable[[RuleContext, Never], int] | None = None
    """When a condition that has just become true did so on the wire; taken between the last look and this one."""
    began_ns: Callable[[RuleContext, Never], int] | None = None
    """For a condition that looks back over a window: the time of the last good frame before it. Asked once, when a case
    is raised."""
    ended_ns: Callable[[RuleContext, Never], int] | None = None
    """For a condition that looks back over a window: when the last counted event happened. Asked with each
    description."""
    is_wary: Callable[[RuleContext], bool] | None = None
    """Whether the condition is on its way to hold, or remembers what only close looks show. Asked after a pass."""
    may_return_soon: Callable[[RuleContext, Never], bool] | None = None
    """Whether a case that was over for its off-delay may be about to begin again: it stays open until that is known."""
    remembers: Callable[[RuleContext], bool] | None = None
    """Whether the condition keeps something of each look now, and so is asked even if nothing can have changed. Asked
    after it; None: it keeps nothing that another look by the same facts would change."""
    knows_what_it_will_keep: bool = False
    """Whether `remembers` may be asked before the condition, and gives the same as after it."""
    keeps_last_look: bool = False
    """Whether what it keeps is of the last look alone, so that those before it may be left out."""
    pass_over: Callable[[Sequence[int]], None] | None = None
    """Receives the times of passes that left the condition out. Times ascend."""
