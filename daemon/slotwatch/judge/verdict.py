"""What is said of the cause of a loss."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from operator import attrgetter

from slotwatch.durations import NEVER_NS
from slotwatch.snapshot import Confidence

AND_ALSO = "; "
"""Between the parts of a verdict's sentence."""


def at_most(confidence: Confidence, ceiling: Confidence) -> Confidence:
    """Give a confidence, lowered to a ceiling. `Confidence` lists the highest first."""
    return max(confidence, ceiling, key=list(Confidence).index)


@dataclass(slots=True)
class Verdict:
    """The cause of a loss, with its evidence, the next likeliest causes, and what to look at."""

    cause: str
    confidence: Confidence
    sentence: str
    evidence: list[str] = field(default_factory=list)
    also_possible: list[str] = field(default_factory=list)
    still_working: list[str] = field(default_factory=list)
    next_checks: list[str] = field(default_factory=list)
    provisional: bool = False
    """Whether more evidence is still to come."""
    settles_ns: int = NEVER_NS
    """When that ends by itself, if nothing but time changes until then."""
    rests_on: tuple[int, ...] = ()
    """Rows of sources on other networks. The verdict holds while one of them is heard."""
    rests_on_streams: tuple[int, ...] = ()
    """The same for single streams: rows of the stream table."""
    returned_as: frozenset[int] = frozenset()
    """Rows of the streams as which all that stopped seems to be back, under another identity."""
    speaks_of: tuple[int, ...] = ()
    """Rows of the sources that the sentence is about; empty: all that stopped, or none."""
    of_others: str = ""
    """What it ends with about other sources that stopped: all that is left of it once those it speaks of are back."""
    parts: tuple[tuple[str, frozenset[str]], ...] = ()
    """Parts of its sentence, each with the names of those that it is about: left out once all of those are back."""
    checks_of: tuple[tuple[str, frozenset[str]], ...] = ()
    """Some of its next checks, each with the names of those that it is about: left out once all of those are back."""
    once_back: str = ""
    """The sentence to show once some of the sources that it names are back, where the first would then be wrong."""
    since_then: str = ""
    """Which sources are back, and what is not known now. Not kept in the record, which describes the fault while it
    lasted."""
    repeats: bool = False
    """Whether it is known by its coming again and again: then what was over before had this cause too."""
    as_found: str = ""
    """The sentence for the record, where the present one says what has changed since."""
    once_silent: tuple[str, str, str] = ("", "", "")
    """Once all that it rests on has stopped too: the new sentence, a line of the evidence, and what replaces it."""

    def await_evidence(self, now_ns: int, until_ns: int) -> None:
        """Take evidence until then."""
        self.provisional, self.settles_ns = now_ns < until_ns, until_ns

    def reword(self, sentence: str, speaks_of: tuple[int, ...] = ()) -> None:
        """Give it another sentence, and which sources that one is about."""
        self.sentence, self.speaks_of = sentence, speaks_of

    def add_of_others(self, sentence: str) -> None:
        """End its sentence with what is said of other sources than those it speaks of."""
        self.sentence += f" {sentence}"
        self.of_others += f" {sentence}" if self.of_others else sentence

    def copy(self) -> Verdict:
        """The same, to be changed by itself."""
        copied = Verdict(*_values_of(self))
        copied.evidence, copied.also_possible = [*self.evidence], [*self.also_possible]
        copied.still_working, copied.next_checks = [*self.still_working], [*self.next_checks]
        return copied

    def settle(self, now_ns: int) -> None:
        """End with the time for evidence, where nothing else has changed since it was weighed."""
        self.provisional &= now_ns < self.settles_ns


_values_of = attrgetter(*(one.name for one in fields(Verdict)))
