"""Messages between intake and judging: what intake observes other than packets, and what judging asks of it."""

from __future__ import annotations

import msgspec

from slotwatch.edge.shared.messages import ProcessMessage
from slotwatch.snapshot.health import IntakeReport
from slotwatch.wire.observation import JoinSeen, LeaveSeen, LinkSeen


class LinksSeen(ProcessMessage, frozen=True):
    """Links whose state changed; all of them when judging asks for the state."""

    links: tuple[LinkSeen, ...]


class JoinsSeen(ProcessMessage, frozen=True):
    """Outcomes of joining groups that changed, and groups that were left; all outcomes when judging asks for them."""

    joins: tuple[JoinSeen, ...]
    leaves: tuple[LeaveSeen, ...] = ()


class IntakeHealth(ProcessMessage, frozen=True):
    """Intake's own health, every 10 s, and every 0.5 s where lines are tapped."""

    report: IntakeReport


class IntakeWoke(ProcessMessage, frozen=True):
    """Intake no longer idles, because many packets came at once."""


FromIntake = LinksSeen | JoinsSeen | IntakeHealth | IntakeWoke


class StateWanted(ProcessMessage, frozen=True):
    """Judging has just started, or found a new intake: it wants all links, joins and the health."""


class Idle(ProcessMessage, frozen=True):
    """Whether intake may idle between tenths of a second."""

    may_idle: bool


class SyncGroups(ProcessMessage, frozen=True):
    """Universes of synchronization addresses whose groups are to be joined, by network. Replaces what was before."""

    groups: dict[int, tuple[int, ...]]


class ListedGroups(ProcessMessage, frozen=True):
    """Universes that discovery lists name, to be joined where no house file declares any, by network. Replaces too."""

    groups: dict[int, tuple[int, ...]]


ToIntake = StateWanted | Idle | SyncGroups | ListedGroups

FROM_INTAKE: msgspec.msgpack.Decoder[FromIntake] = msgspec.msgpack.Decoder(FromIntake)
TO_INTAKE: msgspec.msgpack.Decoder[ToIntake] = msgspec.msgpack.Decoder(ToIntake)
