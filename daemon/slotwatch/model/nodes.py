"""Art-Net nodes as their poll replies describe them: one row a bind index, and the outputs of a whole node."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.names import PollReply

LISTED_NS = 20 * NANOSECONDS
"""A page outputs what its replies listed within this time of its own newest one: six polls, which Art-Net 4 wants every
2.5 to 3 s. Some nodes use one bind index for several replies, so an output that one reply leaves out may be in the
next."""
PAUSE_NS = 10 * NANOSECONDS
"""After so long without a reply a node counts as started anew: three polls and a reply's own delay."""
MOST_LISTED = 32
"""Outputs that are kept for each bind index, the last ones that it listed: one reply lists four."""
NO_ADDRESS = "0.0.0.0"

Output = tuple[int, bool]
"""Port-address, and whether the output takes E1.31 instead of Art-Net."""


@dataclass(slots=True)
class Node:
    """An Art-Net node as its last poll reply describes it. Times are monotonic nanoseconds."""

    network: int
    sender: str
    reply: PollReply
    first_ns: int
    last_ns: int
    replies: int = 0
    steady_since_ns: int = 0
    """Since when its replies have come without a pause of PAUSE_NS."""
    listed_ns: dict[Output, int] = field(default_factory=dict)
    """When a reply listed each output last."""
    is_cut: bool = False
    """Whether an output that it listed, or another page of its node, had to make room: what is left is not all."""

    def hear(self, reply: PollReply, t_ns: int) -> None:
        """Take one reply."""
        if not self.replies or t_ns - self.last_ns > PAUSE_NS:
            self.steady_since_ns = t_ns
        self.reply, self.last_ns = reply, max(self.last_ns, t_ns)
        self.replies += 1
        for port in reply.ports:
            if port.output:
                output = port.output_address, port.output_from_e131
                self.listed_ns.pop(output, None)  # so that it goes to the end
                self.listed_ns[output] = self.last_ns
        while len(self.listed_ns) > MOST_LISTED:
            oldest = next(iter(self.listed_ns))
            self.is_cut |= self._lists(oldest)
            del self.listed_ns[oldest]

    @property
    def listed(self) -> set[Output]:
        """The outputs of its newest replies: this page may be polled or lost apart from the others of its node."""
        return {output for output in self.listed_ns if self._lists(output)}

    @property
    def addresses(self) -> set[str]:
        """Where its replies come from, and the root of its device where they name one."""
        return {self.sender, self.reply.bind_address} - {NO_ADDRESS}

    def _lists(self, output: Output) -> bool:
        return self.last_ns - self.listed_ns[output] <= LISTED_NS


@dataclass(frozen=True, slots=True)
class NodeOutputs:
    """What the outputs of a node are set to, by all of its replies."""

    name: str
    """By which it answers."""
    since_ns: int
    """Since when it has answered without a pause."""
    last_ns: int
    """Its newest reply."""
    artnet: frozenset[int]
    """Port-addresses of outputs that take Art-Net."""
    takes_e131: bool
    """Whether an output takes E1.31: its reply does not say what it outputs."""
    is_cut: bool
    """Whether it listed more than was kept."""
    left_ns: Mapping[int, int]
    """Port-addresses that it listed before and no longer does, and when last."""


def outputs_of(address: str, nodes: Iterable[Node]) -> NodeOutputs | None:
    """Join the replies of a node, which may come from several addresses and on several networks; None: none came.

    nodes: some of all that were heard. Those of this address count, and those that name it as the root of their device.
    """
    own = [one for one in nodes if address in one.addresses]
    if not own:
        return None
    last_ns = max(one.last_ns for one in own)
    fresh = [one for one in own if last_ns - one.last_ns <= LISTED_NS]
    listed = {output for one in own for output in one.listed}
    artnet = frozenset(number for number, is_e131 in listed if not is_e131)
    left_ns: dict[int, int] = {}
    for one in own:
        for (number, _), listed_ns in one.listed_ns.items():
            if number not in artnet:
                left_ns[number] = max(listed_ns, left_ns.get(number, 0))
    first = min(own, key=lambda one: one.reply.bind_index).reply
    return NodeOutputs(
        first.long_name or first.short_name,
        min(one.steady_since_ns for one in fresh),
        last_ns,
        artnet,
        takes_e131=any(is_e131 for _, is_e131 in listed),
        is_cut=any(one.is_cut for one in own),
        left_ns=left_ns,
    )
