"""What explains what: a wide fault takes the narrow ones that it made into its own incident.

Each rule says in its module what it makes (`Explains`), and as what it is explained (`Effect`). Of several that may
explain a case the one with the lowest rank has it: listener faults come first and take all that they may have caused.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto


class Effect(Enum):
    """What a fault may look like further down."""

    STREAM_TROUBLE = auto()
    """Frames that come late, unevenly, or not all."""
    ABSENCE = auto()
    """A universe or a source that stopped or never came."""
    SILENCE = auto()
    """Data that no longer serves a receiver; every absence is one."""
    RIVALRY = auto()
    """Sources that send one universe differently."""


ANYWHERE, NETWORK, UNIVERSE, SOURCE, STREAM = "anywhere", "network", "universe", "source", "stream"
FIXTURE, RETURNED, GROUP, ELSEWHERE = "fixture", "returned", "group", "elsewhere"
"""How near the explained case must lie: anywhere; on its networks; on its universes; of its sources; both of these;
about its fixtures alone; about the streams as which, by its verdict, what stopped came back; in a group of one name;
on its universes as another network carries them."""


@dataclass(frozen=True, slots=True)
class Reach:
    """Which cases a wide fault explains, and how near they must lie."""

    nearness: str
    effects: frozenset[Effect] = frozenset()
    """Rules with one of these effects, and …"""
    rules: frozenset[str] = frozenset()
    """… these by name, …"""
    but: frozenset[str] = frozenset()
    """… but none of these."""
    causes: frozenset[str] = frozenset()
    """Only if the wide one has one of these causes; empty: any."""
    only: frozenset[str] = frozenset()
    """Only what has one of these causes itself; empty: any."""

    def covers(self, rule: str, effects: frozenset[Effect]) -> bool:
        """Whether cases of the rule with this name and these effects may be explained."""
        return (rule in self.rules or bool(self.effects & effects)) and rule not in self.but


@dataclass(frozen=True, slots=True)
class Explains:
    """What a wide fault makes."""

    rank: int
    """The lowest has the first word."""
    reaches: tuple[Reach, ...]
    begins_at_a_moment: bool
    """What had an incident before it began is not explained by it."""
    by_its_end: bool
    """Its end makes what it explains, so that this begins when it no longer holds."""

    def __init__(self, rank: int, *reaches: Reach, begins_at_a_moment: bool = False, by_its_end: bool = False) -> None:
        """Give a rank and the reaches of a rule."""
        object.__setattr__(self, "rank", rank)
        object.__setattr__(self, "reaches", reaches)
        object.__setattr__(self, "begins_at_a_moment", begins_at_a_moment)
        object.__setattr__(self, "by_its_end", by_its_end)


WRONG_NETWORK = frozenset({"wrong-network"})
ITS_DATA_ELSEWHERE = (
    Reach(ELSEWHERE, rules=frozenset({"undeclared-universe"}), causes=WRONG_NETWORK, only=WRONG_NETWORK),
    Reach(ELSEWHERE, rules=frozenset({"flooded-groups"}), causes=WRONG_NETWORK),
)
"""What a loss explains whose data arrives on a network where it is not declared."""
NOTHING = Explains(1_000_000)
