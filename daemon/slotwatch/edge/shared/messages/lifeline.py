"""Messages between the parent and each of its processes. The parent imports them, so they import nothing large."""

from __future__ import annotations

import msgspec

from slotwatch.edge.shared.messages import Done, ProcessMessage, Refusal, Request


class Ready(ProcessMessage, frozen=True):
    """The process does its work from now on."""


class Alive(ProcessMessage, frozen=True):
    """Front and routes still turn; each second. Intake and judging show it in shared memory."""


class CouldNotRun(ProcessMessage, frozen=True):
    """The process ends: what it needs is not there."""

    lines: tuple[str, ...]
    """Sentences for the person who started the daemon."""


class InternalFault(ProcessMessage, frozen=True):
    """The process ends by a fault of this program."""

    lines: tuple[str, ...]


class Loaded(ProcessMessage, frozen=True):
    """The house file was read, and the house left in memory."""

    name: str
    page: str
    """URL of the page."""
    has_routes: bool
    """Whether the routes process is needed."""
    subscribes: bool
    """Whether this program is an Art-Net node."""
    ways_mark: int
    """Differs where the routes process has to be restarted to take the house."""
    networks: tuple[str, ...]
    """The interface of each network, in the order of their numbers."""
    first_number: int
    """Lowest number that the next incident may get, as the history has it."""
    notes: tuple[str, ...]
    """Sentences for the journal."""


class StatusText(ProcessMessage, frozen=True):
    """One line for the service manager."""

    text: str


class HouseTaken(ProcessMessage, frozen=True):
    """The process runs by the new house."""

    number: int | None
    """The change's number, as in `TakeHouse`."""
    publication: int | None = None
    """Number of judging's newest snapshot then: later ones show the new house."""


class HouseNotTaken(ProcessMessage, frozen=True):
    """The process cannot run by the new house, and waits for the old one again."""

    number: int | None
    lines: tuple[str, ...]


class ReadHouseFile(ProcessMessage, frozen=True):
    """The order to read the house file again."""


class HouseFileRead(ProcessMessage, frozen=True):
    """The new house runs."""

    name: str


class TakeHouse(ProcessMessage, frozen=True):
    """Run by the house that is in memory now."""

    number: int | None = None
    """Of the change that wants an answer; None: the old house again, or routes, which do not answer."""


class HouseProblems(ProcessMessage, frozen=True):
    """Why the house file on disk is not the one that runs."""

    lines: tuple[str, ...]


class Stop(ProcessMessage, frozen=True):
    """End now."""


FromChild = (
    Ready
    | Alive
    | CouldNotRun
    | InternalFault
    | Loaded
    | StatusText
    | HouseTaken
    | HouseNotTaken
    | Request[ReadHouseFile]
)
ToChild = TakeHouse | HouseProblems | Stop | Done[HouseFileRead] | Refusal

FROM_CHILD: msgspec.msgpack.Decoder[FromChild] = msgspec.msgpack.Decoder(FromChild)
TO_CHILD: msgspec.msgpack.Decoder[ToChild] = msgspec.msgpack.Decoder(ToChild)
