"""Faults of switches, multicast and media (F16 to F34)."""

from __future__ import annotations

from collections.abc import Iterator

from slotwatch.rehearse import packets, stage
from slotwatch.rehearse.cast import (
    MAIN,
    main_desk,
    media_server,
    ns,
    paper,
    rests,
    second_desk,
    seen,
)
from slotwatch.rehearse.desk import LISTENER
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import MembershipSeen, NeighbourSeen, QuerierWatchSeen, QuerySeen

MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")
TWO = paper((1, 2, 3, 11), sources=("main", "second"))


def query(t_s: float, querier: str = "192.0.2.1", version: str = "igmp2") -> QuerySeen:
    return QuerySeen(ns(t_s), 0, querier, version, 10.0, 125.0 if version == "igmp3" else None)


@scenario(
    "F16",
    "multicast ends on every group while one universe of the same desk, sent by unicast, continues",
    40,
    Truth("universe-lost", 12.5, MAIN_UNIVERSES, "multicast-lost", "critical", "high", began_s=10.0),
    paper((1, 2, 3, 4)),
)
def multicast_stops_unicast_goes_on() -> Iterator[Item]:
    groups = main_desk((1, 2, 3), listed=lambda t_s: [1, 2, 3, 4])
    unicast = main_desk((4,), to=LISTENER, discovery=False)
    return mixed(stage.cut(groups.sends(), 10.0), unicast.sends())


@scenario(
    "F16",
    "the querier fell silent, and when the switch's memberships aged out every group ended",
    300,
    Truth(
        "universe-lost",
        268.1,
        (*MAIN_UNIVERSES, "e131/11"),
        "multicast-lost",
        "critical",
        "high",
        began_s=264.0,
        also=("querier-absent",),
    ),
    TWO,
    live=False,
)
def querier_lost_groups_end() -> Iterator[Item]:
    show = mixed(main_desk(look=rests).sends(), second_desk(look=rests).sends())
    return mixed(seen(QuerierWatchSeen(0, 0, True), query(5.0)), stage.cut(show, 266.0))


@scenario(
    "F16",
    "no querier was ever heard, and the memberships of this port run out one after the other",
    50,
    Truth("universe-lost", 12.5, (*MAIN_UNIVERSES, "e131/11"), "multicast-lost", "critical", "medium", began_s=10.0),
    TWO,
)
def groups_end_one_by_one() -> Iterator[Item]:
    shows = [main_desk((2,)), main_desk((1,)), main_desk((3,)), second_desk()]
    return mixed(*(stage.cut(show.sends(), 10.0 + 2.7 * nth) for nth, show in enumerate(shows)))


@scenario(
    "F16",
    "a querier was heard and has been silent for 260 s; nothing is lost yet",
    275,
    Truth("querier-absent", 265.0, (), severity="warning", began_s=259.0),
    TWO,
    live=False,
)
def querier_silent() -> Iterator[Item]:
    show = mixed(main_desk(look=rests).sends(), second_desk(look=rests).sends())
    return mixed(seen(QuerierWatchSeen(0, 0, True), query(5.0)), show)


@scenario(
    "F16",
    "no querier was ever heard on this network",
    300,
    Truth("querier-absent", 260.1, (), severity="note"),
    paper((1,)),
    live=False,
)
def no_querier_ever() -> Iterator[Item]:
    return mixed(seen(QuerierWatchSeen(0, 0, True)), main_desk((1,), rests).sends())


@scenario(
    "F17",
    "a second querier with a lower address takes over",
    200,
    Truth("querier-changed", 141.0, (), severity="note", began_s=139.0),
    paper((1,)),
    live=False,
)
def querier_changed() -> Iterator[Item]:
    queries = [query(5.0, "192.0.2.9"), query(130.0, "192.0.2.9"), query(140.0, "192.0.2.2"), query(171.0, "192.0.2.2")]
    return mixed(seen(QuerierWatchSeen(0, 0, True), *queries), main_desk((1,), rests).sends())


@scenario(
    "F19",
    "groups arrive that nobody here joined: the switch floods",
    30,
    Truth("flooded-groups", 11.0, (), severity="note"),
    paper((1,)),
    live=False,
)
def groups_flooded() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), second_desk((50, 51, 52)).sends())


@scenario(
    "F20",
    "the last joined groups end while the others of the same desk continue: a group table is full",
    44,
    Truth("universe-lost", 14.5, ("e131/11", "e131/12"), "path-or-sender", "critical", "low", began_s=12.0),
    paper(tuple(range(1, 13))),
)
def group_table_full() -> Iterator[Item]:
    return stage.cut(main_desk(range(1, 13)).sends(), 12.0, match=stage.universes(11, 12))


@scenario(
    "F22",
    "a neighbour behind the same small switch leaves a group and this port loses it, until the next query",
    70,
    Truth("universe-lost", 14.5, ("e131/2",), "path-or-sender", "critical", "medium", began_s=12.0),
    TWO,
    live=False,
)
def neighbour_leaves_group() -> Iterator[Item]:
    leave = MembershipSeen(ns(11.9), 0, "192.0.2.77", packets.group(2), False, "igmp2")
    show = mixed(main_desk().sends(), second_desk().sends())
    watch = seen(QuerierWatchSeen(0, 0, True), query(1.0), leave, query(60.0))
    return mixed(watch, stage.cut(show, 12.0, 61.0, stage.universes(2)))


@scenario(
    "F25",
    "a loop in the wiring: every packet arrives six times",
    24,
    Truth("repeated-packets", 8.3, (), began_s=8.0),
    TWO,
)
def wiring_loop() -> Iterator[Item]:
    return stage.doubled(mixed(main_desk().sends(), second_desk().sends()), 5, 0.0002, from_s=8.0)


@scenario(
    "F26",
    "a rate cap on the switch port: loss above a number of packets a second",
    30,
    Truth("packet-loss", 8.6, (), began_s=8.0),
    TWO,
)
def rate_cap() -> Iterator[Item]:
    return stage.capped(mixed(main_desk().sends(), second_desk().sends()), 120, from_s=8.0)


@scenario(
    "F27",
    "a saturated link: packets of every source go missing",
    30,
    Truth("packet-loss", 9.5, (*MAIN_UNIVERSES, "e131/11"), began_s=8.0),
    TWO,
)
def link_saturated() -> Iterator[Item]:
    return stage.lossy(mixed(main_desk().sends(), second_desk().sends()), 0.1, 11, from_s=8.0)


@scenario(
    "F06",
    "a bad lead to one desk: its packets go missing, those of others do not",
    30,
    Truth("packet-loss", 9.3, MAIN_UNIVERSES, began_s=8.0),
    TWO,
)
def bad_lead() -> Iterator[Item]:
    return mixed(stage.lossy(main_desk().sends(), 0.08, 12, from_s=8.0), second_desk().sends())


@scenario(
    "F28",
    "a wireless hop that wakes up every 204.8 ms: frames arrive in clumps",
    40,
    Truth("uneven-refresh", 21.0, MAIN_UNIVERSES, began_s=20.0),
    TWO,
)
def radio_clumps() -> Iterator[Item]:
    return mixed(stage.clumped(main_desk().sends(), 0.2048, from_s=20.0), second_desk().sends())


@scenario(
    "F30",
    "a flapping port: the main desk is away 3 s, again and again",
    70,
    Truth("universe-lost", 12.5, MAIN_UNIVERSES, "source-lost", "critical", "high", began_s=10.0),
    TWO,
)
def flapping_port() -> Iterator[Item]:
    show = main_desk().sends()
    for start_s in range(10, 60, 10):
        show = stage.cut(show, start_s, start_s + 3.0)  # type: ignore[assignment]
    return mixed(show, second_desk().sends())


@scenario(
    "F34",
    "two computers have one address: its hardware address in the neighbour table changes back and forth",
    40,
    Truth("duplicate-address", 10.0, (), severity="note", began_s=5.0),
    paper((1,)),
    live=False,
)
def duplicate_address() -> Iterator[Item]:
    macs = ("02:00:c0:00:02:0a", "02:00:00:00:00:99")
    table = [NeighbourSeen(ns(5 + 2 * n), 0, MAIN, macs[n % 2], True) for n in range(12)]
    return mixed(seen(*table), main_desk((1,)).sends())


@scenario(
    "F31",
    "the listener's port was moved to another VLAN: no source and no neighbour any more, link up",
    40,
    Truth(
        "universe-lost",
        12.5,
        (*MAIN_UNIVERSES, "e131/11"),
        "network-lost",
        "critical",
        "medium",
        began_s=10.0,
    ),
    TWO,
    live=False,
)
def port_in_another_vlan() -> Iterator[Item]:
    table = [NeighbourSeen(ns(1), 0, MAIN, "02:00:c0:00:02:0a", True), NeighbourSeen(ns(20), 0, MAIN, "", False)]
    show = mixed(main_desk().sends(), second_desk().sends())
    return mixed(seen(*table), stage.cut(show, 10.0))


@scenario(
    "F05",
    "all groups of both desks end here while Art-Net, sent by broadcast, continues",
    40,
    Truth(
        "universe-lost",
        12.5,
        (*MAIN_UNIVERSES, "e131/11"),
        "multicast-lost",
        "critical",
        "high",
        began_s=10.0,
        # Universe 77 came before the groups ended.
        unsaid=("has sent universe e131/77", "may have moved"),
    ),
    paper((1, 2, 3, 11), (0,), sources=("main", "second", "media")),
)
def all_groups_end_broadcast_goes_on() -> Iterator[Item]:
    groups = mixed(main_desk().sends(), second_desk().sends())
    unicast = main_desk((77,), to=LISTENER, discovery=False)
    return mixed(stage.cut(groups, 10.0), unicast.sends(), media_server().sends())


@scenario(
    "F23",
    "just after a link event somewhere, groups that nobody here joined arrive for twenty seconds",
    50,
    Truth("flooded-groups", 21.0, (), severity="note", began_s=10.0),
    paper((1,)),
    live=False,
)
def flooded_after_link_event() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), second_desk((50, 51, 52), start_s=10, stop_s=30).sends())
