"""Art-Net nodes as their poll replies describe them: one row a bind index, and the outputs of a whole node."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.names import PollReply

LISTED_NS = 20 * NANOSECONDS
"""A page outputs what its replies listed within this time of its own newest one: six polls, which Art-Net 4 wants every
2.5 to 3 s. Some nodes use one bind index for several replies, so an output that one reply leaves out may be in the
next."""
PAUSE_NS = 10 * NANOSECONDS
"""After so long without a reply a node counts as started anew: three polls and a reply's own delay."""
GONE_NS = 60 * NANOSECONDS
"""A page that has left polls for every output unanswered for so long, while other pages answered them, is there no
longer: about 20 polls."""
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
    cut_ns: int = 0
    """When an output that it still listed had to make room last."""
    page_left_ns: int = 0
    """When another page of its node had to make room last."""
    exchanged_ns: int = 0
    """When its replies began to name another hardware address."""

    def hear(self, reply: PollReply, t_ns: int) -> None:
        """Take one reply."""
        if not self.replies or t_ns - self.last_ns > PAUSE_NS:
            self.steady_since_ns = t_ns
        if reply.mac and self.reply.mac and reply.mac != self.reply.mac:
            self.exchanged_ns = t_ns
        self.reply, self.last_ns = reply, max(self.last_ns, t_ns)
        self.replies += 1
        for port in reply.ports:
            if port.output:
                output = port.output_address, port.output_from_e131
                self.listed_ns.pop(output, None)  # so that it goes to the end
                self.listed_ns[output] = self.last_ns
        while len(self.listed_ns) > MOST_LISTED:
            oldest = next(iter(self.listed_ns))
            if self._lists(oldest):
                self.cut_ns = t_ns
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


@dataclass(slots=True)
class Poller:
    """An address that sends Art-Net polls."""

    network: int
    sender: str
    first_ns: int
    last_ns: int
    polls: int = 0
    whole_since_ns: int = 0
    """Since when its polls have come without a pause of PAUSE_NS and each asked for every port-address; 0: the last one
    asked for some only (Art-Net 4, ArtPoll, Flags bit 5): other pages of a node need not answer it."""

    def hear(self, t_ns: int, *, is_targeted: bool) -> None:
        if is_targeted:
            self.whole_since_ns = 0
        elif not self.whole_since_ns or t_ns - self.last_ns > PAUSE_NS:
            self.whole_since_ns = t_ns
        self.last_ns = max(self.last_ns, t_ns)
        self.polls += 1

    @property
    def is_targeted(self) -> bool:
        return not self.whole_since_ns


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
    """Whether it may list more than was kept or heard."""
    left_ns: Mapping[int, int]
    """Port-addresses that it listed before and no longer does, and when last."""


def outputs_of(address: str, nodes: Iterable[Node], pollers: Collection[Poller]) -> NodeOutputs | None:
    """Join the replies of a node, which may come from several addresses and on several networks; None: none came.

    nodes: some of all that were heard. Those of this address count, and those that name it as the root of their device.
    pollers: all that were heard. They tell a page that was not asked for from one that the node no longer has.
    """
    own = [one for one in nodes if address in one.addresses]
    if not own:
        return None
    last_ns = max(one.last_ns for one in own)
    since_ns = min(one.steady_since_ns for one in own if last_ns - one.last_ns <= LISTED_NS)

    def is_answered(network: int, from_ns: int) -> bool:
        """Whether the node then answered polls for every output of it for GONE_NS."""
        asked = (one for one in pollers if one.network == network and one.whole_since_ns)
        return any(min(one.last_ns, last_ns) - max(one.whole_since_ns, since_ns, from_ns) >= GONE_NS for one in asked)

    pages = [
        one for one in own if not _is_of_another_device(one, own, last_ns) and not is_answered(one.network, one.last_ns)
    ]
    listed = {output for one in pages for output in one.listed}
    artnet = frozenset(number for number, is_e131 in listed if not is_e131)
    left_ns: dict[int, int] = {}
    for one in own:
        for (number, _), listed_ns in one.listed_ns.items():
            if number not in artnet:
                left_ns[number] = max(listed_ns, left_ns.get(number, 0))
    first = min(pages, key=lambda one: one.reply.bind_index).reply
    has_gap = _has_gap({one.reply.bind_index for one in pages})
    return NodeOutputs(
        first.long_name or first.short_name,
        since_ns,
        last_ns,
        artnet,
        takes_e131=any(is_e131 for _, is_e131 in listed),
        is_cut=any(one.cut_ns and one.last_ns - one.cut_ns <= LISTED_NS for one in pages)
        or any((has_gap or one.page_left_ns) and not is_answered(one.network, one.page_left_ns) for one in pages),
        left_ns=left_ns,
    )


def _is_of_another_device(page: Node, own: Iterable[Node], last_ns: int) -> bool:
    """Whether a device with another hardware address has taken over the address that this page came from."""
    return last_ns - page.last_ns > LISTED_NS and any(
        one.exchanged_ns > page.last_ns
        and (one.network, one.sender) == (page.network, page.sender)
        and one.reply.mac != page.reply.mac
        for one in own
    )


def _has_gap(indices: set[int]) -> bool:
    """Whether the bind indices of a node's pages show that one was never heard: its root is 1, or 0 on older nodes."""
    return min(indices) > 1 or max(indices) - min(indices) >= len(indices)
