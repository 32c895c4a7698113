"""What the house expects at certain times: levels before curtain, lights that stay on in the dark."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from slotwatch.house.keys import Key, Kind, Section, number, text, texts, yes_no
from slotwatch.wire.universe import UniverseId

LONGEST_REFERENCE_NAME = 80


@dataclass(frozen=True, slots=True)
class ReferenceTerms:
    """How reference levels are kept and compared."""

    keep_curtain_up: bool = False
    tolerance_percent: float = 2.0
    """A difference of more than this share of full scale is reported."""


@dataclass(frozen=True, slots=True)
class ReadinessTerms:
    """What the half-hour call checks besides the universes."""

    reference: str = ""
    """Name of the reference levels that are expected before curtain; empty: none are."""


@dataclass(frozen=True, slots=True)
class DarkTerms:
    """What is expected while the house is dark."""

    expected_on: tuple[str, ...] = ()
    """Names or labels of fixtures that stay on, such as a ghost light."""
    universes: tuple[UniverseId, ...] = ()
    """Universes that go on with whatever is on them, such as house lights that are in no patch."""
    of_fixtures: tuple[UniverseId, ...] = ()
    """Where the expected fixtures are: a desk that closes still sends them."""

    @property
    def going_on(self) -> frozenset[UniverseId]:
        """Universes whose end nothing waits for."""
        return frozenset((*self.universes, *self.of_fixtures))


SECTIONS: tuple[Section, ...] = (
    Section(
        "references",
        False,
        "Reference levels: what the levels were at a moment, kept to be compared with.",
        (
            yes_no("keep_curtain_up", "Keep the levels automatically whenever the phase becomes show.", False),
            number("tolerance_percent", "A level differs if it is further away than this.", 2, 0.2, 50, unit="%"),
        ),
    ),
    Section(
        "readiness",
        False,
        "What the half-hour call checks besides the universes.",
        (text("reference", "Name of the reference levels that are expected before curtain."),),
    ),
    Section(
        "dark",
        False,
        "What is expected while the house is dark.",
        (
            texts(
                "expected_on",
                "Fixtures that stay on, by name or label, such as a ghost light. "
                "The timetable does not wait for their universes to end.",
            ),
            Key(
                "universes",
                Kind.UNIVERSES_ON_NETWORKS,
                "Universes that go on, such as house lights that are in no patch. The timetable does not wait for them "
                "to end, and none of their fixtures is reported as left on.",
                (),
            ),
        ),
    ),
)


def unknown_fixtures(names: Iterable[str], known: Iterable[str]) -> list[tuple[int, str]]:
    """Those of the names that no fixture has, each with its place in the list."""
    held = set(known)
    return [(index, name) for index, name in enumerate(names) if name not in held]
