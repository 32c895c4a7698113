"""Healthy shows that look suspicious because of the day, the path, or the listener's own clock."""

from __future__ import annotations

from collections.abc import Iterator

from slotwatch.rehearse import packets, stage
from slotwatch.rehearse.cast import backup_desk, main_desk, media_server, moves, ns, paper, rests, second_desk, seen
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import LISTENER, cid_of
from slotwatch.rehearse.looks import changed_at, held
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import healthy
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import media_on_both, on_both, two_networks
from slotwatch.wire.observation import ClockStepSeen, MembershipSeen, QuerierWatchSeen, QuerySeen, StallSeen

ONE = paper((1,))
TWO = paper((1, 2, 3, 11), sources=("main", "second"))


@healthy("one packet in five hundred goes missing: too few to report", 60, TWO, fault="F26")
def lossy_but_fine() -> Iterator[Item]:
    return stage.lossy(mixed(main_desk().sends(), second_desk().sends()), 0.002, 41)


@healthy("a packet overtakes another now and then", 40, ONE, fault="F61")
def rare_overtaking() -> Iterator[Item]:
    return stage.swapped(main_desk((1,)).sends(), 0.004, 0.03, 42)


@healthy("arrivals jitter by up to 8 ms on a busy switch", 40, ONE, fault="F69")
def jitter() -> Iterator[Item]:
    chance = Chance(43)
    return stage.delayed(main_desk((1,)).sends(), lambda sent: chance.between(0, 0.008), 0.008)


@healthy("a single gap of 1.2 s in an effect", 40, ONE, fault="F06")
def single_gap() -> Iterator[Item]:
    return main_desk((1,), paused=lambda t_s: 20 <= t_s < 21.2).sends()


@healthy("the desk closes, restarts with its own identity and is back within two seconds", 30, TWO, fault="F10")
def quick_restart() -> Iterator[Item]:
    again = main_desk(start_s=11.0)
    show = mixed(main_desk(stop_s=10).sends(), again.sends())
    return mixed(show, second_desk().sends())


@healthy("the sequence starts again, more than 20 away: a lawful restart", 30, ONE, fault="F61")
def lawful_sequence_restart() -> Iterator[Item]:
    again = main_desk((1,), start_s=10.0, first_sequence=20, discovery=False)
    return mixed(main_desk((1,), stop_s=10).sends(), again.sends())


@healthy("hand-over: main and backup overlap at one priority for two seconds with different levels", 30,
         paper(sources=("main", "equal-backup")), fault="F36")  # fmt: skip
def short_overlap() -> Iterator[Item]:
    backup = backup_desk(look=lambda n: changed_at((0, moves(n)), (10, held(40)), (12, moves(n))), priority=100)
    return mixed(main_desk().sends(), backup.sends())


@healthy("a dark house: the desks are switched off at night", 60,
         paper((1, 2, 3, 11), (0,), sources=("main", "second", "media"), phase="dark"), fault="F02")  # fmt: skip
def dark_house() -> Iterator[Item]:
    return mixed(main_desk(stop_s=10).sends(), second_desk(stop_s=17).sends(), media_server(stop_s=12).sends())


@healthy("get-in: sources come and go, leads are pulled", 80,
         paper((1, 2, 3, 11), sources=("main", "second"), phase="get-in"), fault="F02")  # fmt: skip
def get_in() -> Iterator[Item]:
    shows = [main_desk(start_s=s, stop_s=s + 9, first_sequence=s * 3 & 0xFF) for s in (3, 18, 40, 60)]
    return mixed(*(each.sends() for each in shows), second_desk(start_s=20, stop_s=50).sends())


@healthy("post-show: everything closes in order", 40,
         paper((1, 2, 3, 11), sources=("main", "second"), phase="post-show"), fault="F01")  # fmt: skip
def ordered_shutdown() -> Iterator[Item]:
    return mixed(main_desk(stop_s=10, closes=True).sends(), second_desk(stop_s=14, closes=True).sends())


@healthy("the wall clock is set forward by an hour", 40, TWO, fault="F110", live=False)
def clock_step() -> Iterator[Item]:
    step = ClockStepSeen(ns(15), 3_600_000_000_000)
    return mixed(seen(step), main_desk().sends(), second_desk().sends())


@healthy("judging was delayed by 0.4 s; the packets arrived on time", 40, TWO, fault="F109", live=False)
def scheduling_stall() -> Iterator[Item]:
    return mixed(seen(StallSeen(ns(15.4), 400_000_000)), main_desk().sends(), second_desk().sends())


@healthy("two networks carry the same universes, each from its own port of the desk", 30,
         paper((1, 2), networks=("eth1", "eth2"), more=dict.fromkeys((1, 2), 'networks = ["eth1", "eth2"]\n')),
         fault="F41", live=False)  # fmt: skip
def redundant_networks() -> Iterator[Item]:
    return mixed(main_desk((1, 2)).sends(), main_desk((1, 2), network=1).sends())


@healthy("a declared universe that this production does not use is silent", 30,
         paper((1, 2), more={2: "expected = false\n"}), fault="F11")  # fmt: skip
def unused_universe() -> Iterator[Item]:
    return main_desk((1,)).sends()


@healthy("a querier at work: queries every 125 s, reports and leaves of others", 280, ONE, fault="F16", live=False)
def querier_at_work() -> Iterator[Item]:
    queries = [QuerySeen(ns(t_s), 0, "192.0.2.1", "igmp2", 10.0) for t_s in (5, 130, 255)]
    others = [
        MembershipSeen(ns(7 + n), 0, f"192.0.2.{70 + n}", packets.group(n + 1), n % 3 > 0, "igmp2") for n in range(9)
    ]
    return mixed(seen(QuerierWatchSeen(0, 0, True), *queries, *others), main_desk((1,), rests).sends())


@healthy("the discovery list names universes that were never sent", 40, ONE, fault="F65")
def listed_but_silent() -> Iterator[Item]:
    return main_desk((1,), listed=lambda t_s: [1, 40, 41]).sends()


@healthy("an old desk that sends no discovery at all", 40, ONE, fault="F65")
def no_discovery() -> Iterator[Item]:
    return main_desk((1,), discovery=False).sends()


@healthy("the same universes by unicast to this listener instead of by group", 30, ONE, fault="F53")
def unicast_desk() -> Iterator[Item]:
    return main_desk((1,), to=LISTENER).sends()


@healthy("a sender puts too short a name and odd option bits into its packets", 30, ONE, fault="F54")
def odd_but_understood() -> Iterator[Item]:
    return main_desk((1,), options=0x03).sends()


def _three_bad() -> Iterator[Item]:
    for n in range(3):
        yield Sent(ns(5 + n), 0, "192.0.2.99", 40000, LISTENER, 5568, bytes((n,)) * 40, 64)


@healthy("three packets of another program arrive on the port in half a minute", 30, ONE, fault="F54")
def few_bad_packets() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), _three_bad())


@healthy("main, backup and media server are on two networks, each with an address of its own there", 30,
         two_networks((1, 2, 3), (0, 1), sources=("main", "backup", "media")), fault="F41", live=False)  # fmt: skip
def everyone_on_two_networks() -> Iterator[Item]:
    desks = mixed(on_both(main_desk()), on_both(backup_desk()))
    return mixed(desks, media_on_both((0, 1)))


@healthy("a desk is on two networks, and the house declares it on the first alone", 30,
         two_networks((1, 2), sources=("main",), on={1: "A", 2: "A"}), fault="F31", live=False)  # fmt: skip
def second_network_is_not_declared() -> Iterator[Item]:
    return on_both(main_desk((1, 2)))


@healthy("the desk's priority is lower than usual but as declared for nobody else", 30,
         paper((1,), sources=("main",)), fault="F38")  # fmt: skip
def lower_priority() -> Iterator[Item]:
    return main_desk((1,), priority=80).sends()


@healthy("a discovery packet comes twice in one interval after the list changed", 40, ONE, fault="F65")
def extra_discovery() -> Iterator[Item]:
    page = packets.e131_discovery(cid_of("Desk A"), "Desk A", [1])[0]
    more = [
        Sent(ns(t_s), 0, "192.0.2.10", 50000, packets.group(packets.DISCOVERY_UNIVERSE), 5568, page)
        for t_s in (12.0, 22.0)
    ]
    return mixed(main_desk((1,)).sends(), more)


@healthy("Art-Net by broadcast with polls and replies of three nodes", 40,
         paper((), (0, 1), sources=("media",)), fault="F54")  # fmt: skip
def art_net_with_nodes() -> Iterator[Item]:
    replies = [
        Sent(ns(0.5 + n * 2.8 + k * 0.2), 0, f"192.0.2.{41 + k}", 6454, LISTENER, 6454,
             packets.art_poll_reply(f"192.0.2.{41 + k}", f"Node {k}", [0, 1]), 64)
        for n in range(14)
        for k in range(3)
    ]  # fmt: skip
    return mixed(media_server((0, 1), polls=True).sends(), replies)


NODES = "".join(
    f'[[receivers]]\nname = "{name}"\naddress = "192.0.2.{number}"\nuniverses = ["artnet/{universe}"]\n\n'
    for name, number, universe in (("Two pages", 41, 1), ("One index", 42, 0), ("Takes E1.31", 43, 1))
)


@healthy("nodes with more outputs than declared, on two pages, one of them late or lost; one restarts, one takes E1.31",
         70, paper((), (0, 1), sources=("media",), extra=NODES), fault="F49")  # fmt: skip
def nodes_in_pages() -> Iterator[Item]:
    def reply(t_s: float, number: int, outputs: list[int], index: int, good_output: int = 0x80) -> Sent:
        address = f"192.0.2.{number}"
        data = packets.art_poll_reply(address, "Node", outputs, bind_index=index, good_output=good_output)
        return Sent(ns(t_s), 0, address, 6454, LISTENER, 6454, data, 64)

    replies = []
    for poll in range(24):
        t_s = 0.5 + poll * 2.8
        # It starts anew: for three polls it does not answer, and then with its first page alone.
        if not 30 <= t_s < 45:
            replies.append(reply(t_s, 41, [4, 5, 6, 7], 1))
        if not 30 <= t_s < 48 and poll % 4 == 1:
            replies.append(reply(t_s + 0.3, 41, [0, 1, 2, 3], 2))
        # Every reply of this one has the same index.
        replies += [reply(t_s, 42, [0], 0), reply(t_s + 0.1, 42, [16], 0)]
        replies.append(reply(t_s, 43, [5], 1, 0x81))
    return mixed(media_server((0, 1), polls=True).sends(), sorted(replies, key=lambda each: each.t_ns))
