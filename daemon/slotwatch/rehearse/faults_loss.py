"""Faults in which something stopped (F01 to F15): what stopped together says why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import packets, stage
from slotwatch.rehearse.cast import (
    backup_desk,
    main_desk,
    media_server,
    paper,
    second_desk,
)
from slotwatch.rehearse.desk import LISTENER, Desk
from slotwatch.rehearse.looks import changed_at, held, moving
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed

TWO = paper((1, 2, 3, 11), sources=("main", "second"), more={11: 'label = "House lights"\n'})
WITH_BACKUP = paper(sources=("main", "backup"))
MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")


def stopped(desk: Desk, universe: int, stop_s: float, **options: object) -> Desk:
    """The same desk, one universe of which ends."""
    return replace(
        desk,
        outputs=tuple(replace(each, stop_s=stop_s) if each.number == universe else each for each in desk.outputs),
        **options,  # type: ignore[arg-type]
    )


@scenario(
    "F01",
    "the main desk closes its show: three terminated packets on every universe",
    14,
    Truth("universe-lost", 8.0, MAIN_UNIVERSES, "stream-terminated", "warning", began_s=8.0),
    TWO,
)
def clean_stop() -> Iterator[Item]:
    return mixed(main_desk(stop_s=8, closes=True).sends(), second_desk().sends())


@scenario(
    "F01",
    "the main desk closes its show, and its terminated packets have numbers that do not fit",
    14,
    Truth(
        "universe-lost",
        10.5,
        MAIN_UNIVERSES,
        "source-lost",
        "critical",
        began_s=7.9,
        early_s=0.2,
        says=("A packet with the stream-terminated bit came for universes e131/1", "number does not fit"),
    ),
    TWO,
)
def closes_with_unfit_numbers() -> Iterator[Item]:
    return mixed(_with_unfit_ends(main_desk(stop_s=8, closes=True).sends()), second_desk().sends())


@scenario(
    "F01",
    "every second packet of the main desk announces the end of its stream, and it goes on",
    20,
    Truth("false-end", 8.3, MAIN_UNIVERSES, began_s=8.0, also=("slow-refresh",)),
    TWO,
)
def ends_announced_falsely() -> Iterator[Item]:
    return mixed(_with_false_ends(main_desk().sends(), 8 * 10**9), second_desk().sends())


@scenario(
    "F01",
    "somebody announces the end of the main desk's streams in its name, and again as it loses power",
    14,
    Truth(
        "universe-lost",
        10.5,
        MAIN_UNIVERSES,
        "source-lost",
        "critical",
        "medium",
        began_s=8.0,
        says=("came for universes e131/1 to e131/3", "so these are not believed"),
        unsaid=("announced the end",),
    ),
    TWO,
)
def ends_forged() -> Iterator[Item]:
    desk = list(main_desk(stop_s=8, closes=True).sends(8.1))
    ends = [one for one in desk if len(one.payload) == 638 and one.payload[112] & packets.TERMINATED]
    earlier_ns = 4 * 10**9
    # At 40 frames a second its numbers were 160 lower then.
    before = [_numbered(replace(one, t_ns=one.t_ns - earlier_ns), one.payload[111] - 160) for one in ends]
    return mixed(iter(desk), iter(before), second_desk().sends())


def _numbered(one: Sent, number: int) -> Sent:
    return replace(one, payload=one.payload[:111] + bytes((number & 0xFF,)) + one.payload[112:])


def _with_false_ends(items: Iterator[Item], from_ns: int) -> Iterator[Item]:
    """The same with the stream-terminated bit in every second data packet of a universe."""
    for item in items:
        if isinstance(item, Sent) and item.t_ns >= from_ns and len(item.payload) == 638 and item.payload[111] % 2:
            options = bytes((item.payload[112] | packets.TERMINATED,))
            item = replace(item, payload=item.payload[:112] + options + item.payload[113:])
        yield item


def _with_unfit_ends(items: Iterator[Item]) -> Iterator[Item]:
    """The same with other sequence numbers in terminated packets (bytes 111 and 112: ANSI E1.31-2018 table 4-1)."""
    for item in items:
        if isinstance(item, Sent) and len(item.payload) > 113 and item.payload[112] & packets.TERMINATED:
            item = _numbered(item, item.payload[111] + 100)
        yield item


@scenario(
    "F01",
    "the main desk closes one universe and continues with the others",
    14,
    Truth("universe-lost", 8.0, ("e131/2",), "stream-terminated", "warning", began_s=8.0),
    TWO,
)
def one_universe_closed() -> Iterator[Item]:
    desk = main_desk()
    outputs = tuple(replace(each, stop_s=8.0, closes=True) if each.number == 2 else each for each in desk.outputs)
    return mixed(replace(desk, outputs=outputs).sends(), second_desk().sends())


@scenario(
    "F01",
    "the main desk announces the end of universe 1 and falls silent on universe 2, which has fixtures",
    14,
    # What was announced is a note until silence itself would count.
    Truth(
        "universe-lost",
        8.0,
        ("e131/1", "e131/2"),
        "source-lost",
        "critical",
        "medium",
        began_s=8.0,
        says=("announced the end of universe e131/1 in the same second",),
    ),
    paper((1, 2, 11), sources=("main", "second"), patch="fixture,universe,address,footprint\nwash,e131/2,1,20\n"),
)
def closed_in_part() -> Iterator[Item]:
    desk = main_desk((1, 2), stop_s=8.0)
    outputs = tuple(replace(each, stop_s=8.0, closes=each.number == 1) for each in desk.outputs)
    return mixed(replace(desk, outputs=outputs).sends(), second_desk().sends())


@scenario(
    "F02",
    "the main desk loses its power while another source continues",
    34,
    Truth("universe-lost", 10.5, MAIN_UNIVERSES, "source-lost", "critical", "high", began_s=8.0),
    TWO,
)
def source_died() -> Iterator[Item]:
    return mixed(main_desk(stop_s=8).sends(), second_desk().sends())


@scenario(
    "F02",
    "the only source of the network dies: desk or network, which cannot be distinguished here",
    34,
    Truth(
        "universe-lost",
        10.5,
        MAIN_UNIVERSES,
        "source-lost",
        "critical",
        "medium",
        began_s=8.0,
        causes=("network-lost",),
    ),
)
def only_source_died() -> Iterator[Item]:
    return main_desk(stop_s=8).sends()


@scenario(
    "F02",
    "the main desk dies and its backup, in step and sending, takes over",
    34,
    Truth(
        "source-absent",
        14.5,
        MAIN_UNIVERSES,
        began_s=12.0,
        also=("backup-in-control",),
        instead=("backup-in-control",),
    ),
    WITH_BACKUP,
)
def main_died_backup_sends() -> Iterator[Item]:
    return mixed(main_desk(stop_s=12).sends(), backup_desk().sends())


@scenario(
    "F39",
    "the main desk dies and a silent backup starts to send 1.5 s later",
    34,
    Truth(
        "backup-in-control",
        14.5,
        MAIN_UNIVERSES,
        began_s=12.0,
        also=("source-absent",),
        instead=("source-absent",),
    ),
    paper(sources=("main", "silent-backup")),
)
def silent_backup_takes_over() -> Iterator[Item]:
    return mixed(main_desk(stop_s=12).sends(), backup_desk(start_s=13.5).sends())


@scenario(
    "F02",
    "one of two main sources of a shared universe goes silent; the other keeps the universe alive",
    24,
    Truth("source-absent", 14.5, ("e131/1",), began_s=12.0),
    paper((1,), sources=("main", "second"), more={1: "shared = true\n"}),
)
def one_of_two_main_sources_silent() -> Iterator[Item]:
    return mixed(main_desk((1,), stop_s=12).sends(), second_desk((1,)).sends())


@scenario(
    "F03",
    "one universe of a living desk stops here, and its discovery still lists it",
    44,
    Truth("universe-lost", 14.5, ("e131/2",), "path-or-sender", "critical", "low", began_s=12.0),
    TWO,
)
def one_universe_stops_listed() -> Iterator[Item]:
    desk = stopped(main_desk(), 2, 12.0, listed=lambda t_s: [1, 2, 3])
    return mixed(desk.sends(), second_desk().sends())


@scenario(
    "F03",
    "one universe of a living desk stops, and its discovery drops it: the desk withdrew it",
    44,
    Truth("universe-lost", 14.5, ("e131/2",), "universe-withdrawn", "critical", "high", began_s=12.0),
    TWO,
)
def universe_withdrawn() -> Iterator[Item]:
    return mixed(stopped(main_desk(), 2, 12.0).sends(), second_desk().sends())


@scenario(
    "F03",
    "one of three universes that come by the same unicast stops: the path is the same, so the sender withdrew it",
    34,
    Truth("universe-lost", 14.5, ("e131/2",), "universe-withdrawn", "critical", "high", began_s=12.0),
    TWO,
)
def unicast_universe_stops() -> Iterator[Item]:
    desk = main_desk(to=LISTENER, discovery=False)
    return mixed(stopped(desk, 2, 12.0).sends(), second_desk().sends())


@scenario(
    "F07",
    "a gateway sends a static look only every 4 s: receivers find it lost each time",
    60,
    Truth(
        "universe-lost",
        8.7,
        ("e131/1",),
        "path-or-sender",
        "critical",
        "medium",
        began_s=6.0,
        says=("The newest frame came 4.0 s after the one before it",),
    ),
    paper((1, 11), sources=("main", "second")),
)
def keep_alive_too_slow() -> Iterator[Item]:
    desk = main_desk((1,), lambda _: changed_at((0, moving()), (6, held())), keep_alive_s=4.0)
    return mixed(desk.sends(), second_desk().sends())


@scenario(
    "F08",
    "Art-Net goes silent in a static look and returns with the next change",
    40,
    Truth("universe-lost", 13.2, ("artnet/0",), severity="critical", began_s=3.0, confidence="high"),
    paper((11,), (0,), sources=("second", "media")),
)
def art_net_without_keep_alive() -> Iterator[Item]:
    look = changed_at((0, moving()), (3, held()), (30, moving()))
    return mixed(media_server(look=lambda _: look, keep_alive_s=1e6).sends(), second_desk().sends())


@scenario(
    "F10",
    "the main desk comes back from a power cut with only two of its three universes",
    60,
    Truth(
        "universe-lost", 10.5, MAIN_UNIVERSES, "source-lost", "critical", "high", 8.0, causes=("universe-withdrawn",)
    ),
    TWO,
)
def not_all_back() -> Iterator[Item]:
    back = main_desk((1, 2), start_s=20.0, first_sequence=100)
    return mixed(main_desk(stop_s=8).sends(), back.sends(), second_desk().sends())


@scenario(
    "F05",
    "every source ends at once and the listener's own link stays up",
    40,
    Truth(
        "universe-lost",
        12.5,
        (*MAIN_UNIVERSES, "e131/11", "artnet/0"),
        "network-lost",
        "critical",
        "medium",
        began_s=10.0,
    ),
    paper((1, 2, 3, 11), (0,), sources=("main", "second", "media")),
)
def all_sources_end() -> Iterator[Item]:
    show = mixed(main_desk().sends(), second_desk().sends(), media_server().sends())
    return stage.cut(show, 10.0)
