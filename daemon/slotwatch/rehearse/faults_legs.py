"""Faults of houses with two networks: one lead of a source, one switch, a source that is really gone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import MAIN, backup_desk, main_desk, media_server, moves, paper, rests, second_desk
from slotwatch.rehearse.looks import Look
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import NEVER_S, media_on_both, on_both, second_address, two_networks, written

Numbers = Sequence[int]
LOSSES = ("universe-lost", "source-absent")
DEAD = ("power, crash", "power or crash", "went silent", "went completely silent")
"""What a source that another network still hears must not be called."""


def _lead_of_main(
    name: str, numbers: Numbers, at_s: float, lost: int, look: Callable[[int], Look], names: tuple[str, str]
) -> None:
    """The main desk alone; house lights on 11 continue on both networks."""
    there, elsewhere = names[lost], names[1 - lost]
    # At rest, which universe is reported first depends on when its last frame came: up to a second and a half apart.
    due_s, early_s = (at_s + 2.5, 1.0) if look is moves else (at_s + 3.5, 1.6)
    truth = Truth(
        "universe-lost",
        due_s,
        written(numbers, there),
        "leg-lost",
        "critical",
        "high",
        at_s - 1.0,
        says=(f"lead on network {there} down, network {elsewhere} continues",),
        unsaid=DEAD,
        early_s=early_s,
    )

    def items() -> Iterator[Item]:
        main, other = main_desk(numbers, look=look), second_desk(look=look)
        return mixed(on_both(main, at_s, lost=lost), on_both(other))

    items.__name__ = name
    title = f"the main desk's lead on network {there} comes out, and its other one carries {len(numbers)} universes on"
    house = two_networks((*numbers, 11), sources=("main", "second"), names=names)
    scenario("F30", title, at_s + 34, truth, house, live=False)(items)


_lead_of_main("lead_of_main_on_first_network", (1, 2, 3), 10.0, 0, moves, ("A", "B"))
_lead_of_main("lead_of_main_on_second_network", (4, 7), 12.0, 1, moves, ("stage", "gallery"))
_lead_of_main("lead_of_main_at_rest", (20, 21, 22, 23, 24, 25), 14.0, 0, rests, ("north", "south"))


def _lead_of_covered(
    name: str, whose: str, numbers: Numbers, at_s: float, lost: int, names: tuple[str, str], back_s: float
) -> None:
    """Main and backup on both networks; one of the two loses one lead."""
    there, elsewhere = names[lost], names[1 - lost]
    is_main = whose == "main"
    truth = Truth(
        "source-absent" if is_main else "backup-absent",
        at_s + 2.5,
        written(numbers, there),
        "leg-lost",
        "warning",
        "high",
        at_s - 0.1,
        also=("backup-in-control",),
        says=(f"lead on network {there} down, network {elsewhere} continues",),
        unsaid=DEAD,
    )

    def items() -> Iterator[Item]:
        main, backup = main_desk(numbers), backup_desk(numbers)
        lost_leg, whole = (main, backup) if is_main else (backup, main)
        return mixed(on_both(lost_leg, at_s, back_s, lost), on_both(whole))

    items.__name__ = name
    title = f"the {whose} desk's lead on network {there} comes out; the other desk and the other network continue"
    house = two_networks(numbers, sources=("main", "backup"), names=names)
    scenario("F30", title, at_s + 34, truth, house, live=False)(items)


_lead_of_covered("lead_of_main_with_backup", "main", (1, 2, 3), 10.0, 0, ("A", "B"), NEVER_S)
_lead_of_covered("lead_of_main_with_backup_comes_back", "main", (5, 6), 11.0, 1, ("show", "spare"), 24.0)
_lead_of_covered("lead_of_backup", "backup", (1, 2, 3, 4), 10.0, 0, ("A", "B"), NEVER_S)


@scenario(
    "F26",
    "the main desk's lead on network A is out, and then its lead on network B loses every tenth frame",
    46,
    Truth(
        "packet-loss",
        23.0,
        written((1, 2), "B"),
        "",
        "warning",
        "high",
        20.0,
        also=("source-absent", "backup-in-control"),
        unsaid=DEAD,
        early_s=3.0,
    ),
    two_networks((1, 2), sources=("main", "backup")),
    live=False,
)
def lead_out_on_one_network_and_losses_on_the_other() -> Iterator[Item]:
    main = stage.lossy(on_both(main_desk((1, 2)), 10.0), 0.1, 7, 20.0, match=stage.sender(second_address(MAIN)))
    return mixed(main, on_both(backup_desk((1, 2))))


@scenario(
    "F26",
    "one output of the main desk stopped, and another of its universes loses every tenth frame",
    46,
    Truth(
        "packet-loss",
        23.0,
        ("e131/2",),
        "",
        "warning",
        "high",
        20.0,
        also=("source-absent", "backup-in-control"),
        unsaid=DEAD,
        early_s=3.0,
    ),
    paper((1, 2, 3), sources=("main", "backup")),
    live=False,
)
def output_stopped_and_losses_on_another() -> Iterator[Item]:
    of_main = stage.cut(main_desk((1, 2, 3)).sends(), 10.0, 1e6, stage.universes(1))
    return mixed(stage.lossy(of_main, 0.1, 7, 20.0, match=stage.universes(2)), backup_desk((1, 2, 3)).sends())


def _switch_dead(name: str, numbers: Numbers, sources: Numbers | Sequence[str], at_s: float, media: bool) -> None:
    """Everything of one network ends, and every desk is heard on the other one."""
    universes = written((*numbers, 11), "A") + (("artnet/0@A",) if media else ())
    truth = Truth(
        "universe-lost",
        at_s + 2.5,
        universes,
        "network-lost",
        "critical",
        "high",
        at_s - 0.1,
        says=("Network A no longer reaches this port", "on network B"),
        unsaid=("power, crash", "power or crash"),
    )
    roles = tuple(str(each) for each in sources)

    def items() -> Iterator[Item]:
        desks = [main_desk(numbers), second_desk()] + ([backup_desk(numbers)] if "backup" in roles else [])
        shows = [on_both(desk, at_s) for desk in desks]
        return mixed(*shows, *([stage.cut(media_server().sends(), at_s)] if media else []))

    items.__name__ = name
    title = "the switch of network A loses power, and everything continues on network B"
    house = two_networks(
        (*numbers, 11), (0,) if media else (), sources=(*roles, *(("media",) if media else ())), artnet_on="first"
    )
    scenario("F05", title, at_s + 34, truth, house, live=False)(items)


_switch_dead("switch_of_one_network_dead", (1, 2, 3), ("main", "backup", "second"), 10.0, False)
_switch_dead("switch_of_one_network_dead_without_backup", (8, 9), ("main", "second"), 13.0, False)
_switch_dead("switch_of_one_network_dead_with_media", (1, 2), ("main", "second"), 10.0, True)


def _desk_dead_on_both(name: str, numbers: Numbers, at_s: float, look: Callable[[int], Look], late_s: float) -> None:
    """The desk itself dies: both networks lose it, and it is named once."""
    truth = Truth(
        "universe-lost",
        at_s + late_s,
        written(numbers, "A") + written(numbers, "B"),
        "source-lost",
        "critical",
        "high",
        at_s - 1.0,
        says=('lost from "main desk" (192.0.2.10 and 198.51.100.10)', "It went completely silent on networks A and B"),
        unsaid=("main desk and main desk", "themselves", "lead on network"),
    )

    def items() -> Iterator[Item]:
        return mixed(on_both(main_desk(numbers, look=look, stop_s=at_s)), on_both(second_desk(look=look)))

    items.__name__ = name
    title = "the main desk loses power, and both networks lose it at once; house lights continue"
    house = two_networks((*numbers, 11), sources=("main", "second"))
    scenario("F02", title, at_s + 34, truth, house, live=False)(items)


_desk_dead_on_both("desk_dead_on_both_networks", (1, 2, 3), 10.0, moves, 2.5)
_desk_dead_on_both("desk_dead_on_both_networks_at_rest", (30, 31), 12.0, rests, 2.5)


def _media_lead(name: str, numbers: Numbers, at_s: float) -> None:
    """An Art-Net server with an address on each network, declared by both."""
    truth = Truth(
        "universe-lost",
        at_s + 10.0,
        tuple(f"artnet/{number}@A" for number in numbers),
        "leg-lost",
        "critical",
        "high",
        at_s - 0.1,
        says=("lead on network A down, network B continues",),
        unsaid=DEAD,
    )

    def items() -> Iterator[Item]:
        return mixed(media_on_both(numbers, at_s), on_both(main_desk((1,))))

    items.__name__ = name
    title = "the media server's lead on network A comes out; its other one continues"
    house = two_networks((1,), numbers, sources=("main", "media"))
    scenario("F30", title, at_s + 34, truth, house, live=False)(items)


_media_lead("lead_of_media_server", (0,), 10.0)
_media_lead("lead_of_media_server_of_four", (4, 5, 6, 7), 11.0)


@scenario(
    "F30",
    "a desk is on two networks and declared on the first alone, where its lead comes out",
    44,
    Truth(
        "universe-lost",
        12.5,
        ("e131/1@A", "e131/2@A"),
        "leg-lost",
        "critical",
        "high",
        9.9,
        says=("lead on network A down, network B continues",),
        # It was on both networks from the start.
        unsaid=(*DEAD, "has sent", "may be wrong", "may be meant for"),
    ),
    two_networks((1, 2, 11), sources=("main", "second"), on={1: "A", 2: "A", 11: "A"}),
    live=False,
)
def lead_of_declared_network_alone() -> Iterator[Item]:
    return mixed(on_both(main_desk((1, 2)), 10.0), second_desk().sends())


@scenario(
    "F02",
    "in one moment the main desk's lead on network A comes out, and the house lights' desk dies",
    46,
    Truth(
        "universe-lost",
        12.5,
        written((11,), "A") + written((11,), "B"),
        "source-lost",
        "critical",
        "high",
        9.9,
        also=("source-absent", "backup-in-control"),
        says=("It went completely silent on networks A and B",),
        unsaid=("lead on networks", "stopped on network"),
    ),
    two_networks((1, 2, 11), sources=("main", "backup", "second")),
    live=False,
)
def lead_out_and_another_desk_dead_at_once() -> Iterator[Item]:
    desks = mixed(on_both(main_desk((1, 2)), 10.0), on_both(backup_desk((1, 2))))
    return mixed(desks, on_both(second_desk(stop_s=10.0)))


@scenario(
    "F02",
    "a media server that only network A has loses power, and both desks continue on both networks",
    46,
    Truth(
        "universe-lost",
        20.0,
        ("artnet/0@A",),
        "source-lost",
        "critical",
        "high",
        9.9,
        says=('from "media server" (192.0.2.30)', "It went completely silent"),
        unsaid=("lead on network A down",),
    ),
    two_networks((1, 2), (0,), sources=("main", "backup", "media"), artnet_on="first"),
    live=False,
)
def media_server_of_one_network_dead() -> Iterator[Item]:
    desks = mixed(on_both(main_desk((1, 2))), on_both(backup_desk((1, 2))))
    return mixed(desks, stage.cut(media_server().sends(), 10.0))


@scenario(
    "F26",
    "the main desk is dead, and the backup that carries on loses every tenth frame",
    46,
    Truth(
        "packet-loss",
        23.0,
        ("e131/1", "e131/2"),
        "",
        "warning",
        "high",
        20.0,
        also=("source-absent", "backup-in-control"),
        early_s=3.0,
    ),
    paper((1, 2), sources=("main", "backup")),
    live=False,
)
def main_dead_and_losses_of_the_backup() -> Iterator[Item]:
    backup = stage.lossy(backup_desk((1, 2)).sends(), 0.1, 7, 20.0)
    return mixed(stage.cut(main_desk((1, 2)).sends(), 10.0), backup)
