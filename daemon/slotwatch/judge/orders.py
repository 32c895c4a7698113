"""Orders that a person gives to judging, or the history after a restart, and their results.

Each is a frozen value. Numbers are those of incidents.
"""

from __future__ import annotations

import msgspec

from slotwatch.house.schema import Phase
from slotwatch.snapshot import Incident, MadeException, PhaseMemory
from slotwatch.snapshot.rig_check import RigCheckMemory
from slotwatch.snapshot.stage import LampHours
from slotwatch.wire.observation import LastShowSeen


class JudgeOrder(msgspec.Struct, frozen=True, tag=True, tag_field="kind", forbid_unknown_fields=True):
    """Base of all orders and results. Its class name is its kind."""


class Acknowledge(JudgeOrder, frozen=True):
    """A person takes an incident on."""

    id: int
    by: str
    note: str = ""


class Unacknowledge(JudgeOrder, frozen=True):
    """The acknowledgement of an incident is taken back."""

    id: int


class Accept(JudgeOrder, frozen=True):
    """A person accepts an incident's rule where the incident is, for some time."""

    id: int
    reason: str
    by: str
    until_wall_ns: int


class Unaccept(JudgeOrder, frozen=True):
    """The exception that was made from an incident ends."""

    id: int
    by: str = ""


class SetPhase(JudgeOrder, frozen=True):
    """A person sets the phase."""

    phase: Phase
    confirm: bool = False
    """Whether the person knows that alerts become less severe while sources still send."""


class PutMark(JudgeOrder, frozen=True):
    """A person marks this moment."""

    text: str
    by: str = ""


class ChangeRigCheck(JudgeOrder, frozen=True):
    """Begin a rig check again, end the one that runs, or note which fixture gave no light (or does after all)."""

    stop: bool = False
    no_light: str = ""
    light: str = ""


class ChangeLamp(JudgeOrder, frozen=True):
    """A lamp was changed: reset the hours of a circuit or of a fixture."""

    circuit: str = ""
    fixture: str = ""


class Absence(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A time before this judgement in which slotwatch did not listen."""

    from_wall_ns: int
    reason: str
    """Word of the interval that was not judged."""


class Resume(JudgeOrder, frozen=True):
    """What an earlier judgement knew. Times of incidents are of this computer's monotonic clock."""

    next_id: int = 1
    """Lowest number that the next incident may get."""
    incidents: tuple[Incident, ...] = ()
    exceptions: tuple[MadeException, ...] = ()
    phase: PhaseMemory | None = None
    away: Absence | None = None
    last_show: LastShowSeen | None = None
    heard: tuple[tuple[str, int], ...] = ()
    """Universes that were heard lately, each with the wall clock's nanosecond at which that minute began."""
    homes: tuple[tuple[str, str, str], ...] = ()
    """Declared sources that were heard on one network alone: its name, the source's, and the address there."""
    switches: tuple[tuple[str, int, int], ...] = ()
    """Switches that answered since this computer was started, each with the wall clock's nanosecond of its last answer
    and its up time then, in hundredths of a second."""


class Restore(JudgeOrder, frozen=True):
    """What an earlier judgement had counted of lamps, and its rig check."""

    hours: tuple[LampHours, ...] = ()
    rig_check: RigCheckMemory | None = None


JudgedOrder = (
    Acknowledge | Unacknowledge | Accept | Unaccept | SetPhase | ChangeRigCheck | ChangeLamp | Resume | Restore
)
"""Those that the judge carries out."""
Order = JudgedOrder | PutMark


class OfIncident(JudgeOrder, frozen=True):
    """The incident that was acknowledged or accepted, or for which that was taken back."""

    id: int


class PhaseSet(JudgeOrder, frozen=True):
    """The phase that is in force."""

    phase: Phase


class MarkPut(JudgeOrder, frozen=True):
    """The mark, as the journal has it."""

    text: str
    t_ns: int


class RigCheckBegun(JudgeOrder, frozen=True):
    """A rig check runs."""

    running: bool
    total: int
    """Fixtures that it looks for."""


class RigCheckEnded(JudgeOrder, frozen=True):
    """No rig check runs."""

    running: bool
    left: tuple[str, ...]
    """Names of fixtures that were not brought up."""


class LightNoted(JudgeOrder, frozen=True):
    """Fixtures of the rig check that gave no light."""

    no_light: tuple[str, ...]


class LampChanged(JudgeOrder, frozen=True):
    """Whose hours begin again."""

    lamp: str
    """circuit | fixture."""
    name: str


class Resumed(JudgeOrder, frozen=True):
    """The number that the next incident gets."""

    next_id: int


class Restored(JudgeOrder, frozen=True):
    """Whether the counts were taken up: they are once after a start."""

    restored: bool


OrderResult = (
    OfIncident | PhaseSet | MarkPut | RigCheckBegun | RigCheckEnded | LightNoted | LampChanged | Resumed | Restored
)
