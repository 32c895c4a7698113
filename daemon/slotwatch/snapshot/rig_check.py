"""The rig check: which fixtures were brought up since it began. It sees commands, not light. Times are monotonic ns."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class RigFixture:
    """A patched fixture, as people find it."""

    fixture: str
    label: str
    universe: str
    address: int
    position: str
    circuit: str


@dataclass(frozen=True, slots=True)
class RigDone:
    """A fixture that was brought up."""

    fixture: RigFixture
    t_ns: int
    no_light: bool
    """Whether a person saw that it gave no light."""


@dataclass(frozen=True, slots=True)
class RigDark:
    """A fixture of which a person saw that it gave no light."""

    fixture: RigFixture
    t_ns: int


@dataclass(frozen=True, slots=True)
class RigPlace:
    """What is left at one position, in the order of the patch."""

    position: str
    fixtures: tuple[RigFixture, ...]


@dataclass(frozen=True, slots=True)
class RigFlag:
    """Fixtures that came up together."""

    fixtures: tuple[str, ...]
    """Their names."""
    text: str
    t_ns: int


@dataclass(frozen=True, slots=True)
class RigCheckRow:
    """The rig check that runs, or ran last."""

    running: bool
    started_ns: int
    started_wall_ms: int
    """The same moment, milliseconds since 1970 UTC."""
    total: int
    """Fixtures with an intensity."""
    done: tuple[RigDone, ...]
    """The latest first."""
    no_light: tuple[RigDark, ...]
    left: tuple[RigPlace, ...]
    circuits_left: tuple[str, ...]
    """Circuits of fixtures that are left."""
    flagged: tuple[RigFlag, ...]
    """The latest first."""
    note: str = "slotwatch sees the command, not the light."


@dataclass(frozen=True, slots=True)
class RigCheckMemory:
    """What is kept of a rig check over a restart. `started_ns` and the other times are of that run's clock."""

    running: bool
    started_ns: int
    started_wall_ms: int
    done: dict[str, int] = field(default_factory=dict)
    """Fixture's name: when it was brought up."""
    no_light: dict[str, int] = field(default_factory=dict)
    """Fixture's name: when a person saw that it gave no light."""
    flagged: tuple[RigFlag, ...] = ()
