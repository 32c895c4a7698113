"""Whether something opens often enough in a short time to be one thing that comes and goes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from slotwatch.durations import ns_from_s
from slotwatch.judge.parameters import RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule


@dataclass(frozen=True, slots=True)
class FlappingParameters(RuleParameters):
    off_delay_s: float = number(60.0, "time without a return before a flapping incident closes")
    openings: int = number(4, "openings that make it flapping")
    window_s: float = number(120.0, "time in which openings are counted")
    quiet_s: float = number(60.0, "time without a return that ends it")
    reopen_s: float = number(60.0, "time within which what returns is the same incident")

    def rows(self) -> tuple[Threshold, ...]:
        """Give all but the on-delay, which nothing reads: what flaps was raised before."""
        return tuple(row for row in RuleParameters.rows(self) if row.name != "on_delay_s")


MOST_OPENINGS = 64
"""Openings of one case or incident that are kept."""


@dataclass(frozen=True, slots=True)
class Flapping:
    """The numbers of the rule `flapping`, as judging uses them. Times are nanoseconds."""

    parameters: FlappingParameters = field(default_factory=FlappingParameters)

    @classmethod
    def of(cls, rules: Iterable[Rule]) -> Flapping:
        """Return the numbers that these rules have; the published ones if `flapping` is not among them."""
        found = (rule.parameters for rule in rules)
        return cls(next((one for one in found if isinstance(one, FlappingParameters)), FlappingParameters()))

    @property
    def off_ns(self) -> int:
        return ns_from_s(self.parameters.off_delay_s)

    @property
    def quiet_ns(self) -> int:
        return ns_from_s(self.parameters.quiet_s)

    @property
    def reopen_ns(self) -> int:
        return ns_from_s(self.parameters.reopen_s)

    def opens_often(self, opened_ns: Sequence[int]) -> bool:
        """Whether the newest openings lie within the window. Times are monotonic nanoseconds, oldest first."""
        openings = self.parameters.openings
        if len(opened_ns) < openings:
            return False
        return opened_ns[-1] - opened_ns[-openings] <= ns_from_s(self.parameters.window_s)

    def lasts(self, opened_ns: Sequence[int], now_ns: int) -> bool:
        """Whether something that opened at these times opens often and was not quiet for long enough since."""
        # Asked for thousands of cases, which opened once.
        if len(opened_ns) < self.parameters.openings or not self.opens_often(opened_ns):
            return False
        return now_ns - opened_ns[-1] < self.ends_after_ns

    @property
    def ends_after_ns(self) -> int:
        """How long after its last opening something flaps no more."""
        return ns_from_s(self.parameters.window_s) + self.quiet_ns
