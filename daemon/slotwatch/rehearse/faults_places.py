"""Faults of houses with two networks: what arrives on the wrong one, and a listener whose own leads are swapped."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import backup_desk, main_desk, media_server, moves, ns, rests, second_desk, seen
from slotwatch.rehearse.looks import Look
from slotwatch.rehearse.packets import DISCOVERY_UNIVERSE, Sent, group
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import SECOND, on_both, second_address, two_networks, written
from slotwatch.wire.observation import LinkSeen

LOSSES = ("universe-lost", "universe-missing", "source-absent", "backup-absent", "unexpected-source")
NOBODY = ("went silent", "power, crash", "power or crash", "no longer reaches", "lost from")


def leads_swapped(items: Iterator[Item], at_s: float) -> Iterator[Item]:
    """From a moment on, each packet comes in by the other interface."""
    for item in items:
        if isinstance(item, Sent) and item.t_ns >= ns(at_s):
            yield replace(item, network=1 - item.network)
        else:
            yield item


def links_flap(from_s: float, to_s: float) -> Iterator[Item]:
    """Both of the listener's leads are pulled, and plugged in again."""
    addresses = ("192.0.2.200",), ("192.0.2.201",)
    down = [LinkSeen(ns(from_s + n / 5), n, False, (), f"eth{n + 1}", None) for n in range(2)]
    up = [LinkSeen(ns(to_s + n / 5), n, True, addresses[n], f"eth{n + 1}", 1000) for n in range(2)]
    return seen(*down, *up)


def _swapped_apart(
    name: str, first: Sequence[int], second: Sequence[int], at_s: float, look: Callable[[int], Look], from_start: bool
) -> None:
    """Each desk has a network of its own: main on A, house lights on B."""
    truth = Truth(
        "networks-swapped",
        1.5 if from_start else at_s + 3.0,
        (),
        "",
        "warning",
        "high",
        0.0 if from_start else at_s - 1.0,
        explains=LOSSES,
        says=("networks A and B have been swapped", '"main desk" (192.0.2.10)', "arrives on network B"),
        unsaid=NOBODY,
        # With frames that move it is known at once, at rest with the next keep-alive of each source.
        early_s=2.5,
    )
    on = dict.fromkeys(first, "A") | dict.fromkeys(second, "B")

    def items() -> Iterator[Item]:
        main = main_desk(first, look=look)
        lights = replace(second_desk(second, look=look), network=SECOND, address=second_address("192.0.2.12"))
        return leads_swapped(mixed(main.sends(), lights.sends()), 0.0 if from_start else at_s)

    items.__name__ = name
    when = "from the start" if from_start else "during the show"
    title = f"the listener's two leads are swapped {when}: each network's desk arrives on the other one"
    paper = two_networks((*first, *second), sources=("main", "second"), on=on)
    scenario("F103", title, at_s + 34, truth, paper, live=False)(items)


_swapped_apart("listener_leads_swapped", (1, 2, 3), (11,), 10.0, moves, False)
_swapped_apart("listener_leads_swapped_at_rest", (4, 5), (11,), 12.0, rests, False)
_swapped_apart("listener_leads_swapped_from_the_start", (1, 2), (11,), 10.0, moves, True)


def _swapped_together(name: str, numbers: Sequence[int], at_s: float, flap: bool) -> None:
    """Both desks send the same universes to both networks: nothing is lost, addresses change places."""
    truth = Truth(
        "networks-swapped",
        at_s + (5.5 if flap else 3.0),
        (),
        "",
        "warning",
        "high",
        at_s,
        also=("link-down",),
        explains=(*LOSSES, "identity-changed"),
        says=("networks A and B have been swapped", "was heard on network A and arrives on network B"),
        unsaid=NOBODY,
        # With frames that move it is known at once, at rest with the next keep-alive of each source.
        early_s=2.5,
    )

    def items() -> Iterator[Item]:
        show = mixed(on_both(main_desk(numbers)), on_both(backup_desk(numbers)))
        if not flap:
            return leads_swapped(show, at_s)
        return mixed(links_flap(at_s, at_s + 3.0), leads_swapped(stage.cut(show, at_s, at_s + 3.4), at_s + 1.0))

    items.__name__ = name
    title = "main and backup are on both networks, and the listener's two leads are swapped" + (
        " by hand, one after the other" if flap else ""
    )
    scenario("F103", title, at_s + 34, truth, two_networks(numbers, sources=("main", "backup")), live=False)(items)


_swapped_together("listener_leads_swapped_with_both_desks_on_both", (1, 2, 3), 10.0, False)
_swapped_together("listener_leads_swapped_by_hand", (7, 8), 10.0, True)


@scenario(
    "F31",
    "the main desk was plugged into network B and is declared on A",
    30,
    Truth(
        "universe-missing",
        10.5,
        ("e131/1@A", "e131/2@A"),
        "wrong-network",
        "critical",
        "certain",
        9.9,
        says=("arrives on network B", '"main desk" (198.51.100.10)'),
    ),
    two_networks((1, 2, 11), sources=("main", "second"), on={1: "A", 2: "A", 11: "A"}),
    live=False,
)
def desk_on_the_wrong_network() -> Iterator[Item]:
    main = replace(main_desk((1, 2)), network=SECOND, address="198.51.100.10")
    return mixed(main.sends(), second_desk().sends())


def _moved(name: str, numbers: Sequence[int], at_s: float, keeps_address: bool) -> None:
    """A desk's lead is moved from a socket of A to one of B."""
    truth = Truth(
        "universe-lost",
        at_s + 2.5,
        written(numbers, "A"),
        "wrong-network",
        "critical",
        "high",
        at_s - 0.1,
        says=("arrives on network B instead", '"main desk"'),
        unsaid=("power, crash", "went silent"),
    )

    def items() -> Iterator[Item]:
        address = "192.0.2.10" if keeps_address else "198.51.100.10"
        main = main_desk(numbers, stop_s=at_s)
        after = main_desk(numbers, address=address, network=SECOND, start_s=at_s + 1.0, first_sequence=90)
        return mixed(main.sends(), after.sends(), second_desk().sends())

    items.__name__ = name
    title = "the main desk's lead is moved from a socket of network A to one of B" + (
        "" if keeps_address else ", where it gets a new address"
    )
    paper = two_networks((*numbers, 11), sources=("main", "second"), on=dict.fromkeys((*numbers, 11), "A"))
    scenario("F31", title, at_s + 34, truth, paper, live=False)(items)


_moved("desk_moved_to_the_wrong_network", (1, 2, 3), 10.0, True)
_moved("desk_moved_to_the_wrong_network_with_a_new_address", (5,), 11.0, False)


@scenario(
    "F31",
    "the main desk was plugged into network B, where a switch passes on its discovery list alone",
    30,
    Truth(
        "universe-missing",
        10.5,
        ("e131/1@A", "e131/2@A"),
        "wrong-network",
        "critical",
        "certain",
        9.9,
        says=("is heard on network B alone, and its discovery list there names what is missing here",),
    ),
    two_networks((1, 2, 11), sources=("main", "second"), on={1: "A", 2: "A", 11: "A"}),
    live=False,
)
def desk_listed_on_the_wrong_network() -> Iterator[Item]:
    main = replace(main_desk((1, 2)), network=SECOND, address="198.51.100.10")
    return mixed(_lists_alone(main.sends()), second_desk().sends())


@scenario(
    "F31",
    "the main desk's lead is moved to network B, where a switch passes on its discovery list alone",
    50,
    Truth(
        "universe-lost",
        12.5,
        ("e131/1@A", "e131/2@A"),
        "wrong-network",
        "critical",
        "high",
        9.9,
        says=('"main desk" runs but came up on network B instead of network A',),
    ),
    two_networks((1, 2, 11), sources=("main", "second"), on={1: "A", 2: "A", 11: "A"}),
    live=False,
)
def desk_moved_and_listed_on_the_wrong_network() -> Iterator[Item]:
    after = replace(main_desk((1, 2), address="198.51.100.10", start_s=14.0), network=SECOND)
    return mixed(main_desk((1, 2), stop_s=10.0).sends(), _lists_alone(after.sends()), second_desk().sends())


def _lists_alone(items: Iterator[Sent]) -> Iterator[Sent]:
    """What a snooping switch passes on to a port that joined the discovery group alone (RFC 4541 2.1)."""
    discovery = group(DISCOVERY_UNIVERSE)
    return (sent for sent in items if sent.dst == discovery)


@scenario(
    "F31",
    "one Art-Net universe of the media server arrives on B, where nobody declared it; "
    "on A it could be unicast, which is not visible here",
    20,
    Truth(
        "undeclared-universe",
        1.5,
        ("artnet/1@B",),
        "wrong-network",
        "note",
        says=("The house file has it on network A",),
    ),
    two_networks((1,), (0, 1), sources=("main", "media"), artnet_on="first"),
    live=False,
)
def art_net_universe_on_the_wrong_network() -> Iterator[Item]:
    stray = replace(media_server((1,)), network=SECOND, address=second_address("192.0.2.30"))
    return mixed(on_both(main_desk((1,))), media_server((0,)).sends(), stray.sends())
