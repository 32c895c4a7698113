"""Devices of the network other than sources, as rows of a snapshot: receivers, switches, neighbours, other
listeners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from slotwatch.house.schema import House
from slotwatch.judge import elsewhere
from slotwatch.judge.binding import RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.listener import Listener
from slotwatch.judge.rule import Rule
from slotwatch.judge.rules.receiver_silent import ReceiverAnswers, ReceiverSilentParameters
from slotwatch.judge.switch_rows import SwitchRows
from slotwatch.snapshot import NeighbourRow
from slotwatch.snapshot.elsewhere import ListenerRow
from slotwatch.snapshot.stage import ReceiverRow
from slotwatch.snapshot.switches import SwitchRow


@dataclass(frozen=True, slots=True)
class NetworkRows:
    """All of them at one moment."""

    receivers: tuple[ReceiverRow, ...]
    """Each declared receiver and whether it answers, as of the last pass."""
    switches: tuple[SwitchRow, ...]
    """Each declared switch, as of the last pass."""
    neighbours: tuple[NeighbourRow, ...]
    """The switch ports that this listener is connected to."""
    listeners: tuple[ListenerRow, ...]
    """Each other listener of the house, and whether it is reached."""


def network_rows(
    house: House,
    rules: Sequence[Rule],
    listener: Listener,
    switches: SwitchRows,
    ctx: RuleContext | None,
    now_ns: int,
) -> NetworkRows:
    """Make the rows. ctx: the last pass; None: there was none."""
    receivers: tuple[ReceiverRow, ...] = ()
    if ctx is not None and house.receivers:
        numbers = RuleSetup(house, (rule.parameters for rule in rules)).parameters(ReceiverSilentParameters)
        receivers = ReceiverAnswers(house, numbers).rows(ctx)
    return NetworkRows(
        receivers,
        switches.rows(ctx),
        listener.ports.rows(now_ns, tuple(network.name for network in house.networks)),
        elsewhere.rows(listener.elsewhere, house.listeners, now_ns),
    )
