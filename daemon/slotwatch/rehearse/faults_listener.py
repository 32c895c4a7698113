"""The listener's own faults (F04, F101 to F109): reported first, and nothing else is accused."""

from __future__ import annotations

from collections.abc import Iterator

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import MAIN, backup_desk, main_desk, ns, paper, second_desk, seen
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import healthy, scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import on_both, two_networks
from slotwatch.wire.observation import DropsSeen, JoinSeen, LinkSeen, PortSeen

TWO = paper((1, 2, 3, 11), sources=("main", "second"))
LOSS = ("universe-lost", "universe-missing", "source-absent", "backup-absent")


def link(t_s: float, up: bool, network: int = 0) -> LinkSeen:
    return LinkSeen(ns(t_s), network, up, ("192.0.2.200",) if up else (), f"eth{network + 1}", 1000 if up else None)


@scenario(
    "F04",
    "the listener's own lead is out for ten seconds",
    40,
    Truth("link-down", 10.0, (), severity="critical", began_s=10.0, explains=LOSS),
    TWO,
    live=False,
)
def own_link_down() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    return mixed(seen(link(10, False), link(20, True)), stage.cut(show, 9.99, 20.05))


@scenario(
    "F103",
    "the listener was started on an interface without a lead",
    30,
    Truth("link-down", 0.1, (), severity="critical", explains=LOSS),
    paper(sources=("main", "backup")),
    live=False,
    own_start=True,
)
def wrong_interface() -> Iterator[Item]:
    return seen(link(0, False), *(JoinSeen(0, 0, number, True) for number in (1, 2, 3)))


def announced(switch: str, port: str, from_s: float, to_s: float, every_s: float = 5.0) -> Iterator[PortSeen]:
    """What a switch says of the port that this listener's lead is in, until the lead leaves it."""
    t_s = from_s
    while t_s < to_s:
        yield PortSeen(ns(t_s), 0, f"chassis of {switch}", port, 20, f"Box {port}", switch)
        t_s += every_s


@scenario(
    "F24",
    "after the curtain somebody put the listener's lead into another switch port",
    60,
    Truth(
        "neighbour-changed",
        42.4,
        (),
        "moved",
        "note",
        began_s=36.0,
        early_s=1.0,
        says=("on port 7 of switch Stage", "it was on port 14 of switch FOH"),
    ),
    TWO,
    live=False,
)
def listeners_lead_was_moved() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    # The first port's last word holds for 20 s more.
    return mixed(announced("FOH", "14", 1.0, 18.0), announced("Stage", "7", 19.0, 1e9), show)


@scenario(
    "F24",
    "a small switch lies between, and passes on the announcements of two switches",
    60,
    Truth("two-neighbours", 18.0, (), "shared", "note", began_s=1.0, early_s=17.0, says=("FOH", "Stage")),
    TWO,
    live=False,
)
def lead_has_two_neighbours() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    return mixed(announced("FOH", "14", 1.0, 1e9), announced("Stage", "7", 3.5, 1e9), show)


@healthy(
    "the listener's lead is moved to another port and back before the switches have forgotten it",
    90,
    TWO,
    fault="F24",
    live=False,
)
def listeners_lead_there_and_back() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    first = mixed(announced("FOH", "14", 1.0, 20.0), announced("FOH", "14", 29.0, 1e9))
    return mixed(first, announced("Stage", "7", 21.0, 27.0), show)


@scenario(
    "F101",
    "the kernel dropped packets before they were read: frames of every source are missing",
    40,
    Truth("host-overrun", 10.1, (), began_s=10.0, explains=("packet-loss", "uneven-refresh", *LOSS)),
    TWO,
    live=False,
)
def receive_buffer_overrun() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    drops = [DropsSeen(ns(10 + n / 2), 16 * (n + 1)) for n in range(20)]
    return mixed(seen(*drops), stage.lossy(show, 0.2, 31, 10.0, 20.0))


@scenario(
    "F101",
    "a burst overflows the receive buffer and three seconds of packets are gone",
    40,
    Truth("host-overrun", 10.1, (), began_s=10.0, explains=("packet-loss", "uneven-refresh", *LOSS)),
    TWO,
    live=False,
)
def receive_buffer_hole() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    return mixed(seen(DropsSeen(ns(10.05), 40), DropsSeen(ns(13.0), 480)), stage.cut(show, 10.0, 13.0))


@scenario(
    "F27",
    "one packet in twenty arrives with a wrong checksum: the kernel drops it, and this computer is not at fault",
    40,
    Truth(
        "damaged-packets",
        11.0,
        (),
        "damaged",
        confidence="high",
        began_s=10.0,
        explains=("packet-loss", "host-overrun", *LOSS),
        says=(
            "had a wrong UDP checksum",
            "This computer's receive buffers were not full",
            'of "main desk" (192.0.2.10)',
        ),
    ),
    TWO,
    live=False,
)
def packets_arrive_damaged() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    # Four universes at 40 Hz: of 160 packets a second one in twenty is 8.
    drops = [DropsSeen(ns(10 + n / 4), 0, 0, 2 * (n + 1)) for n in range(60)]
    return mixed(seen(*drops), stage.lossy(show, 0.05, 31, 10.0, 25.0))


@scenario(
    "F27",
    "all packets of the main desk arrive damaged: its universes are lost, and it sends",
    40,
    Truth(
        "universe-lost",
        12.5,
        ("e131/1", "e131/2", "e131/3"),
        "path-or-sender",
        "critical",
        "medium",
        began_s=10.0,
        also=("damaged-packets",),
        says=("probably still sends", "a wrong UDP checksum"),
        unsaid=("went completely silent",),
    ),
    TWO,
    live=False,
)
def every_packet_of_the_desk_is_damaged() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    drops = [DropsSeen(ns(10 + n / 20), 0, 0, 6 * (n + 1)) for n in range(600)]
    return mixed(seen(*drops), stage.cut(show, 10.0, match=stage.sender(MAIN)))


@scenario(
    "F102",
    "the group of one declared universe could not be joined: the system's limit was reached",
    30,
    Truth("join-failed", 0.2, ("e131/3",), severity="critical", explains=LOSS),
    paper((1, 2, 3)),
    live=False,
    own_start=True,
)
def join_failed() -> Iterator[Item]:
    reason = "the limit of group memberships was reached; sysctl net.ipv4.igmp_max_memberships=64"
    joins = [JoinSeen(0, 0, 1, True), JoinSeen(0, 0, 2, True), JoinSeen(0, 0, 3, False, reason)]
    return mixed(seen(link(0, True), *joins), main_desk((1, 2)).sends())


@scenario(
    "F24",
    "after its own lead was back, the switch port waited 30 s before it let anything through",
    70,
    Truth("link-down", 10.0, (), severity="critical", began_s=10.0, also=("universe-lost", "universe-missing")),
    TWO,
    live=False,
)
def port_start_delay() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends())
    return mixed(seen(link(10, False), link(12, True)), stage.cut(show, 9.99, 42.0))


@scenario(
    "F04",
    "one of two networks loses the listener's link; the other one carries the show on",
    40,
    Truth("link-down", 10.0, (), severity="critical", began_s=10.0, explains=LOSS),
    paper((1, 2), networks=("eth1", "eth2"), more=dict.fromkeys((1, 2), 'networks = ["eth1", "eth2"]\n')),
    live=False,
)
def one_of_two_links_down() -> Iterator[Item]:
    first = stage.cut(main_desk((1, 2)).sends(), 9.99, 25.05)
    second = main_desk((1, 2), network=1).sends()
    return mixed(seen(link(10, False), link(25, True)), first, second)


@scenario(
    "F04",
    "the listener's link to network B is down, and then both desks stop on network A",
    30,
    Truth(
        "universe-lost",
        17.5,
        ("e131/1@A", "e131/2@A", "e131/3@A"),
        "source-lost",
        "critical",
        "low",
        began_s=15.0,
        also=("link-down",),
        says=("This listener's own link to network B is down",),
        unsaid=("went completely silent",),
    ),
    two_networks((1, 2, 3, 11), sources=("main", "backup", "second"), on={11: "A"}),
    live=False,
)
def link_down_and_losses_on_the_other_network() -> Iterator[Item]:
    desks = stage.cut(mixed(on_both(main_desk()), on_both(backup_desk())), 15.0, 1e6, _on_first_network)
    shows = stage.cut(mixed(desks, second_desk().sends()), 9.99, 1e6, lambda sent: sent.network == 1)
    return mixed(seen(link(0, True), link(0, True, 1), link(10, False, 1)), shows)


def _on_first_network(sent: Sent) -> bool:
    return sent.network == 0


@scenario(
    "F111",
    "a mirror port shows both directions: every packet arrives twice, microseconds apart",
    20,
    Truth("repeated-packets", 0.2, ()),
    paper(sources=("main", "backup"), listen='vantage = "mirror"\n'),
)
def mirror_of_both_directions() -> Iterator[Item]:
    return stage.doubled(mixed(main_desk().sends(), backup_desk().sends()), 1, 0.00002)
