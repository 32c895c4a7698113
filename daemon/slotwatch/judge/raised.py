"""One case of a rule from the moment it is raised until it is over."""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.judge.binding import Finding, Key
from slotwatch.judge.flapping import MOST_OPENINGS, Flapping
from slotwatch.judge.rule import Rule


@dataclass(slots=True)
class Raised:
    """One case that has outlasted its on-delay and not yet its off-delay."""

    rule: Rule
    key: Key
    finding: Finding
    raised_ns: int
    last_true_ns: int
    described_ns: int
    holds: bool = True
    missed_ns: int = 0
    """The first look that found that it holds no longer: the off-delay counts from it."""
    edges: list[int] = field(default_factory=list)
    """The newest times at which the condition came back after having gone for a second or more, the first included."""
    reported_in: int | None = None
    """The incident that it belongs to, or belonged to."""
    explained_by: int | None = None
    """Incident that accounts for it."""
    stays_explained: bool = False
    """Whether the end of that incident's fault made it, so that it holds long after."""
    over: bool = False
    """Whether its fault is over and only its off-delay runs: of an absence at once, else after a second."""
    is_unheard: bool = False
    """Whether it is kept only because this listener cannot know now whether it lasts."""
    is_visited: bool = False
    """Whether it is kept because what arrives there may come from another network, through swapped leads."""
    was_visited: bool = False
    """Whether `is_visited` was true, and its own sources have not come since."""
    is_mixed_up: bool = False
    """Whether it is certain that this listener's own networks are swapped."""
    was_mixed_up: bool = False
    """Whether `is_mixed_up` was true at any time since it was raised."""
    leaves_traces: bool = False
    """Whether its rule counts over a window, and so still holds for a while after its fault is over."""
    flapping: Flapping = field(default_factory=Flapping)

    def came(self, now_ns: int) -> None:
        """Note that the condition became true."""
        self.edges.append(now_ns)
        del self.edges[:-MOST_OPENINGS]

    @property
    def came_ns(self) -> int:
        """When its condition last became true after a second or more in which it was not."""
        return self.edges[-1] if self.edges else self.raised_ns

    @property
    def visits(self) -> tuple[bool, bool, bool, bool]:
        """What is known of visitors on its universes: it changes what is said, though the case holds as before."""
        return self.is_visited, self.was_visited, self.is_mixed_up, self.was_mixed_up

    def is_flapping(self, now_ns: int) -> bool:
        """Whether it opened so often and has not been quiet for long enough since."""
        return self.flapping.lasts(self.edges, now_ns)
