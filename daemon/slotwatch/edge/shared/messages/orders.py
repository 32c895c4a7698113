"""Orders that the front process sends to judging, and their results.

Those that the judge itself carries out are in `judge.orders`.
"""

from __future__ import annotations

import msgspec

from slotwatch.edge.shared.messages import Done, ProcessMessage, Refusal, Request
from slotwatch.judge.orders import Order, OrderResult
from slotwatch.wire.observation import ListenerSeen, SwitchSeen, UsualSeen


class WatchPage(ProcessMessage, frozen=True):
    """Somebody looks at the page: publish more often for a while. Sent again every 5 s."""


class Look(ProcessMessage, frozen=True):
    """Somebody wants a snapshot of now."""


class AskFixtures(ProcessMessage, frozen=True):
    """A person wants fixtures to be asked."""

    seconds: float = 0.0
    """How long; 0: as long as is usual."""
    confirm: bool = False
    """Whether the person knows what asking does."""


class StopAsking(ProcessMessage, frozen=True):
    """A person wants no more fixtures to be asked."""


class TakeListener(ProcessMessage, frozen=True):
    """The result of a request to another listener."""

    seen: ListenerSeen


class TakeSwitch(ProcessMessage, frozen=True):
    """The result of a poll of a switch."""

    seen: SwitchSeen


class TakeUsual(ProcessMessage, frozen=True):
    """What is usual, worked out of the history."""

    seen: UsualSeen


FrontOrder = Order | WatchPage | Look | AskFixtures | StopAsking | TakeListener | TakeSwitch | TakeUsual


class Noted(ProcessMessage, frozen=True):
    """There is no further result."""


class AskingBegun(ProcessMessage, frozen=True):
    """Fixtures are being asked."""

    asking: bool = True


class AskingEnded(ProcessMessage, frozen=True):
    """No fixture is asked any more."""

    stopped: bool = True


FrontResult = OrderResult | Noted | AskingBegun | AskingEnded

FRONT_REQUEST: msgspec.msgpack.Decoder[Request[FrontOrder]] = msgspec.msgpack.Decoder(Request[FrontOrder])
FRONT_ANSWER: msgspec.msgpack.Decoder[Done[FrontResult] | Refusal] = msgspec.msgpack.Decoder(
    Done[FrontResult] | Refusal
)
