"""Faults of what is in the packets (F51 to F64)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import count

from slotwatch.rehearse import packets, rewriting, stage
from slotwatch.rehearse.cast import (
    TOOL,
    main_desk,
    media_server,
    moves,
    ns,
    paper,
    second_desk,
)
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import BROADCAST, LISTENER, cid_of
from slotwatch.rehearse.looks import changed_at, moving, shortened
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed

ONE = ("e131/1",)
MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")
TWO = paper((1, 2, 3, 11), sources=("main", "second"))


def _bad(make: Callable[[int], bytes], per_s: float, port: int = 5568, start_s: float = 2.0) -> Iterator[Sent]:
    """Packets of somebody's faulty program, straight to the listener."""
    count = 0
    while True:
        yield Sent(ns(start_s + count / per_s), 0, TOOL, 40000, LISTENER, port, make(count), 64)
        count += 1


def _junk(count: int) -> bytes:
    good = packets.e131_data(cid_of("junk"), "Junk", 1, count, bytes(512))
    return good[:18] + b"\0\0\0\x63" + good[22:]


@scenario(
    "F54",
    "a faulty program sends packets with a root vector that does not exist",
    20,
    Truth("malformed-packets", 4.1, (), began_s=2.0),
    paper((1,)),
)
def malformed_vector() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), _bad(_junk, 5))


@scenario(
    "F54",
    "another program's packets arrive on the port of E1.31",
    20,
    Truth("malformed-packets", 4.1, (), began_s=2.0),
    paper((1,)),
)
def other_program_on_port() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), _bad(lambda count: b'{"temperature": %d}' % count, 5))


@scenario(
    "F57",
    "Art-Net packets whose length says 600 slots",
    20,
    Truth("malformed-packets", 4.1, (), began_s=2.0),
    paper((1,), (0,), sources=("main", "media")),
)
def art_net_length_wrong() -> Iterator[Item]:
    bad = _bad(lambda count: packets.art_dmx(0, count % 255 + 1, bytes(512), length=600), 5, 6454)
    return mixed(main_desk((1,)).sends(), media_server().sends(), bad)


@scenario(
    "F52",
    "a sender uses universe 0, which E1.31 reserves",
    20,
    Truth("malformed-packets", 4.1, (), began_s=2.0),
    paper((1,)),
)
def reserved_universe() -> Iterator[Item]:
    bad = _bad(lambda count: packets.e131_data(cid_of("zero"), "Zero", 0, count, bytes(512)), 5)
    return mixed(main_desk((1,)).sends(), bad)


@scenario(
    "F25",
    "a faulty controller sends 2,500 Art-Net polls a second",
    14,
    Truth("packet-flood", 7.2, (), began_s=4.0, says=("Art-Net polls", TOOL)),
    paper((1,)),
    live=False,
)
def poll_flood() -> Iterator[Item]:
    polls = (Sent(ns(4 + n / 2500), 0, TOOL, 6454, BROADCAST, 6454, packets.art_poll(), 64) for n in count())
    return mixed(main_desk((1,)).sends(), polls)


@scenario(
    "F25",
    "a faulty program sends 3,000 packets of levels a second, each on any universe",
    20,
    Truth(
        "packet-flood",
        5.6,
        (),
        began_s=4.0,
        also=("too-many-sources",),
        says=(TOOL,),
        explains=("universe-lost", "undeclared-universe"),
    ),
    paper((1,)),
    live=False,
)
def universes_invented() -> Iterator[Item]:
    chance = Chance(25)

    def levels(at: int) -> bytes:
        return packets.e131_data(cid_of("inventor"), "Inventor", 20 + chance.below(60_000), at & 0xFF, bytes(24))

    invented = (Sent(ns(4 + n / 3000), 0, TOOL, 5568, LISTENER, 5568, levels(n), 64) for n in count())
    return mixed(main_desk((1,)).sends(), invented)


@scenario(
    "F51",
    "universe 3 is sent to the group of universe 2: programs that read the universe field see it, gateways get nothing",
    20,
    Truth("wrong-group", 1.1, ("e131/3",)),
    paper((1, 2, 3)),
    live=False,
)
def wrong_group() -> Iterator[Item]:
    desk = main_desk()
    return replace(
        desk, outputs=tuple(replace(each, to=packets.group(2)) if each.number == 3 else each for each in desk.outputs)
    ).sends()


PATCH = "fixture,universe,address,footprint\n" + "".join(f"wash {n},e131/1,{n * 20 + 1},20\n" for n in range(25))


@scenario(
    "F55",
    "the desk trims its frames to 300 slots; fixtures are patched up to slot 500",
    24,
    Truth("short-frame", 15.1, ONE, severity="critical", began_s=10.0),
    paper((1,), patch=PATCH),
)
def frames_trimmed() -> Iterator[Item]:
    look = changed_at((0, shortened(moving(), 500)), (10, shortened(moving(), 300)))
    return main_desk((1,), lambda _: look).sends()


@scenario(
    "F56",
    "partial updates: after a while only frames of 24 slots come",
    24,
    Truth("short-frame", 15.1, ONE, severity="critical", began_s=10.0),
    paper((1,), patch=PATCH),
)
def partial_updates() -> Iterator[Item]:
    look = changed_at((0, shortened(moving(), 500)), (10, shortened(moving(), 24)))
    return main_desk((1,), lambda _: look).sends()


@scenario(
    "F56",
    "two threads of the desk send in turn: frames of 512 and of 24 slots",
    24,
    Truth("slots-vary", 11.9, ONE, severity="note", began_s=10.0),
    paper((1,)),
)
def slot_count_changes() -> Iterator[Item]:
    def in_turn(t_s: float) -> bytes:
        return moving()(t_s)[: 24 if t_s >= 10 and int(t_s * 4) % 2 else 512]

    return main_desk((1,), lambda _: in_turn).sends()


@scenario(
    "F59",
    "the sequence number stays at 0: conforming receivers discard nearly everything",
    24,
    Truth("sequence-unusable", 0.4, MAIN_UNIVERSES, explains=("universe-lost", "packet-loss")),
    TWO,
)
def sequence_stuck() -> Iterator[Item]:
    return mixed(main_desk(sequence="stuck").sends(), second_desk().sends())


@scenario(
    "F60",
    "one sequence for all universes: it steps by the number of universes",
    24,
    Truth("sequence-unusable", 0.3, MAIN_UNIVERSES, explains=("packet-loss",)),
    TWO,
)
def sequence_shared() -> Iterator[Item]:
    return mixed(main_desk(sequence="shared").sends(), second_desk().sends())


@scenario(
    "F41",
    "a copy of the desk's computer, with its address too, sends a series of its own beside it",
    24,
    Truth(
        "sequence-unusable",
        8.4,
        MAIN_UNIVERSES,
        "two-senders",
        confidence="medium",
        began_s=8.0,
        explains=("fast-refresh", "out-of-order", "packet-loss", "repeated-packets"),
        says=("as if two senders used this identity and address",),
    ),
    TWO,
)
def two_senders() -> Iterator[Item]:
    copy = main_desk(start_s=8.0, first_sequence=200, discovery=False, seed=9)
    return mixed(main_desk().sends(), copy.sends(), second_desk().sends())


@scenario(
    "F41",
    "a second program on the media server's computer sends the same universe, with numbers of its own",
    24,
    Truth(
        "sequence-unusable",
        8.4,
        ("artnet/0",),
        "two-senders",
        confidence="medium",
        began_s=8.0,
        explains=("fast-refresh", "packet-loss"),
        says=("as if two senders used this address",),
    ),
    paper((), (0,), sources=("media",)),
)
def two_programs() -> Iterator[Item]:
    return mixed(media_server().sends(), media_server(start_s=8.0, seed=9).sends())


@scenario(
    "F61",
    "the desk restarts its sequence 15 back: half a second of frames is discarded",
    24,
    Truth("out-of-order", 10.2, ONE, severity="note", began_s=10.0),
    paper((1,)),
)
def sequence_restarted() -> Iterator[Item]:
    first = main_desk((1,), stop_s=10.0)
    again = main_desk((1,), start_s=10.05, first_sequence=(400 - 15) & 0xFF, discovery=False)
    return mixed(first.sends(), again.sends())


@scenario(
    "F61",
    "packets overtake each other on the way",
    30,
    Truth("out-of-order", 8.3, ONE, severity="note", began_s=5.0),
    paper((1,)),
)
def packets_overtake() -> Iterator[Item]:
    early, late = main_desk((1,), stop_s=6), main_desk((1,), start_s=6, first_sequence=240, discovery=False)
    return mixed(early.sends(), stage.swapped(late.sends(), 0.05, 0.03, 21))


@scenario(
    "F61",
    "a faulty program gives each frame a number in no order: what conforming receivers show of it is left to chance",
    30,
    Truth("sequence-unusable", 14.2, ONE, began_s=10.0, early_s=4.0, explains=("packet-loss",)),
    paper((1,)),
)
def sequence_in_no_order() -> Iterator[Item]:
    chance = Chance(11)
    return rewriting.changed(
        main_desk((1,)).sends(), lambda sent: rewriting.put(rewriting.SEQUENCE, bytes([chance.below(256)]))(sent), 10.0
    )


SYNCED = ("e131/1", "e131/2")


@scenario(
    "F63",
    "frames name a synchronization address, but no sync packet for it ever came",
    24,
    Truth("sync-missing", 2.6, SYNCED, severity="note"),
    paper((1, 2)),
)
def sync_never_came() -> Iterator[Item]:
    return main_desk((1, 2), sync_address=7000).sends()


@scenario(
    "F63",
    "sync packets stop and force-sync is 0: receivers that synchronise freeze",
    24,
    Truth("sync-missing", 14.6, SYNCED, severity="critical", began_s=12.0),
    paper((1, 2)),
)
def sync_stops() -> Iterator[Item]:
    return main_desk((1, 2), sync_address=7000, sync_hz=40, sync_stop_s=12.0).sends()


@scenario(
    "F36",
    "an Art-Net controller that nobody declared sends a universe of the media server",
    24,
    Truth("source-conflict", 11.1, ("artnet/0",), severity="critical", began_s=10.0, also=("unexpected-source",)),
    paper((), (0,), sources=("media",)),
)
def art_net_undeclared_controller() -> Iterator[Item]:
    other = media_server((0,), lambda _: moves(9), address=TOOL, start_s=10, seed=8)
    return mixed(media_server((0,)).sends(), other.sends())


@scenario(
    "F63",
    "sync packets stop and force-sync is set: receivers continue by themselves",
    24,
    Truth("sync-missing", 14.5, SYNCED, severity="note", began_s=12.0),
    paper((1, 2)),
)
def sync_stops_forced() -> Iterator[Item]:
    forced = packets.FORCE_SYNC
    return main_desk((1, 2), sync_address=7000, sync_hz=40, sync_stop_s=12.0, options=forced).sends()


@scenario(
    "F63",
    "an Art-Net controller stops its ArtSync and continues: nodes act at once and universes run apart",
    24,
    # Nodes leave synchronous mode after 4 s without it (Art-Net 4, ArtSync).
    Truth("sync-missing", 16.1, ("artnet/0", "artnet/1"), severity="note", cause="stopped", began_s=12.0),
    paper((), (0, 1)),
)
def art_sync_stops() -> Iterator[Item]:
    return media_server((0, 1), sync_hz=40, sync_stop_s=12.0).sends()
