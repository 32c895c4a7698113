"""Faults in which something never came, came as somebody else, or no longer answers (F09 to F15, F42, F49, F50)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import packets
from slotwatch.rehearse.cast import (
    NODE,
    backup_desk,
    main_desk,
    media_server,
    moves,
    ns,
    paper,
    rests,
    second_desk,
    seen,
)
from slotwatch.rehearse.desk import LISTENER, cid_of
from slotwatch.rehearse.looks import moving
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import NeighbourSeen

TWO = paper((1, 2, 3, 11), sources=("main", "second"), more={11: 'label = "House lights"\n'})
WITH_BACKUP = paper(sources=("main", "backup"))
MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")


def _replies(address: str, listed: list[tuple[float, list[int]]], until_s: float) -> Iterator[Sent]:
    """A node's poll replies every 2.8 s, with the output ports that it lists from a moment on."""
    t_s = 0.4
    while t_s < until_s:
        ports = [ports for start_s, ports in listed if start_s <= t_s][-1]
        reply = packets.art_poll_reply(address, "Stage node", ports)
        yield Sent(ns(t_s), 0, address, 6454, LISTENER, 6454, reply, 64)
        t_s += 2.8


FOUR_WITH_LAMPS = paper(
    (1, 4),
    patch="fixture,universe,address,footprint\n" + "".join(f"lamp {n},e131/4,{n},1\n" for n in range(1, 25)),
)


def _lamps_on(universe: int) -> Iterator[Item]:
    """Have the main desk send what fits the patch of universe 4 on another one, beside universe 1."""
    look = moving(slots=24)
    return main_desk(
        (1, universe), lambda number: moves(1) if number == 1 else lambda t_s: look(t_s) + bytes(488)
    ).sends()


THREE_OUTPUTS = f"""[[receivers]]
name = "Stage node"
address = "{NODE}"
universes = ["artnet/0", "artnet/1", "artnet/2"]

"""


@scenario(
    "F09",
    "one Art-Net universe ends after its node came back without that port (seen at a mirror port)",
    40,
    Truth("universe-lost", 22.0, ("artnet/1",), "universe-withdrawn", "critical", "high", began_s=12.0),
    paper((), (0, 1, 2), sources=("media",), listen='vantage = "mirror"\n', extra=THREE_OUTPUTS),
)
def node_port_not_listed() -> Iterator[Item]:
    server = media_server((0, 1, 2), to=NODE, polls=True)
    outputs = tuple(replace(each, stop_s=12.0) if each.number == 1 else each for each in server.outputs)
    replies = _replies(NODE, [(0.0, [0, 1, 2]), (11.0, [0, 2])], 40)
    return mixed(replace(server, outputs=outputs).sends(), replies)


@scenario(
    "F11",
    "a declared universe is never heard",
    20,
    Truth("universe-missing", 10.0, ("e131/4",), severity="critical", began_s=5.0),
    paper((1, 2, 3, 4)),
)
def never_seen() -> Iterator[Item]:
    return main_desk().sends()


@scenario(
    "F65",
    "a declared universe is never heard; its desk lists another number instead, which nobody declared",
    20,
    Truth(
        "universe-missing",
        10.0,
        ("e131/11",),
        severity="critical",
        began_s=5.0,
        says=(
            "does not name this one",
            "lists e131/110, which the house file does not declare",
        ),
    ),
    paper((1, 2, 11)),
)
def listed_under_another_number() -> Iterator[Item]:
    return main_desk((1, 2), listed=lambda t_s: [1, 2, 110]).sends()


@scenario(
    "F65",
    "a declared universe is never heard and no discovery list names it; nobody is declared as its sender",
    20,
    Truth(
        "universe-missing",
        10.0,
        ("e131/40",),
        severity="critical",
        began_s=5.0,
        says=("No discovery list names it", "lists e131/400, which"),
    ),
    paper((1, 2, 40), anyone=True),
)
def listed_by_nobody() -> Iterator[Item]:
    return main_desk((1, 2), listed=lambda t_s: [1, 2, 400]).sends()


@scenario(
    "F49",
    "a declared universe is never heard, and its neighbour, one higher, carries what looks like it",
    20,
    Truth("universe-missing", 10.0, ("e131/4",), severity="critical", began_s=5.0),
    FOUR_WITH_LAMPS,
)
def universe_off_by_one() -> Iterator[Item]:
    return _lamps_on(5)


@scenario(
    "F12",
    "someone sends a universe that the house does not declare",
    14,
    Truth("undeclared-universe", 3.1, ("e131/40",), severity="note", began_s=2.0),
)
def undeclared_universe() -> Iterator[Item]:
    return mixed(main_desk().sends(), second_desk((40,), to=LISTENER, start_s=2).sends())


@scenario(
    "F50",
    "an Art-Net address was split wrongly: net 1 arrives as universe 0",
    20,
    Truth("universe-missing", 10.0, ("artnet/256",), severity="critical", began_s=5.0),
    paper((1,), (256,), sources=("main", "media"), listen="artnet_subscribe = true\n"),
)
def art_net_address_split_wrong() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), media_server((0,)).sends())


@scenario(
    "F02",
    "the backup, which sends all the time, falls silent",
    24,
    Truth("backup-absent", 14.5, MAIN_UNIVERSES, began_s=12.0),
    WITH_BACKUP,
)
def backup_falls_silent() -> Iterator[Item]:
    return mixed(main_desk().sends(), backup_desk(stop_s=12).sends())


@scenario(
    "F11",
    "a backup that should be sending was never heard",
    20,
    Truth("backup-absent", 10.0, MAIN_UNIVERSES, began_s=5.0),
    WITH_BACKUP,
)
def backup_never_came() -> Iterator[Item]:
    return main_desk().sends()


RECEIVER = f'[[receivers]]\nname = "Stage node"\naddress = "{NODE}"\nuniverses = ["e131/1"]\non_loss = "hold"\n'


@scenario(
    "F10",
    "a declared receiver is no longer in the neighbour table",
    90,
    Truth("receiver-silent", 60.2, (), began_s=40.0),
    paper((1,), extra=RECEIVER),
    live=False,
)
def receiver_gone() -> Iterator[Item]:
    mac = "02:00:c0:00:02:29"
    table = [NeighbourSeen(ns(t_s), 0, NODE, mac, True) for t_s in (1, 15, 30)]
    table += [NeighbourSeen(ns(t_s), 0, NODE, "", False) for t_s in (40, 55, 70, 85)]
    return mixed(seen(*table), main_desk((1,), rests).sends())


@scenario(
    "F09",
    "a declared node no longer answers polls",
    60,
    Truth("receiver-silent", 38.0, (), began_s=20.0),
    paper((1,), (0,), sources=("main", "media"), extra=RECEIVER),
)
def node_stops_answering() -> Iterator[Item]:
    replies = _replies(NODE, [(0.0, [0])], 20)
    return mixed(main_desk((1,), rests).sends(), media_server(polls=True).sends(), replies)


ART_RECEIVER = f'[[receivers]]\nname = "Stage node"\naddress = "{NODE}"\nuniverses = ["artnet/0", "artnet/1"]\n'


@scenario(
    "F49",
    "a node is set one universe too high: its poll replies list another one than the house declares for it",
    34,
    # Its first reply comes at 0.4 s, and the first one 20 s after that at 22.8 s.
    Truth(
        "receiver-differs",
        23.3,
        ("artnet/1",),
        confidence="high",
        says=("artnet/2 instead", "artnet/0 on this receiver", "Net 0, Sub-Net 0, Universe 1", "one apart"),
    ),
    paper((), (0, 1), sources=("media",), extra=ART_RECEIVER),
)
def node_one_universe_off() -> Iterator[Item]:
    replies = _replies(NODE, [(0.0, [0, 2])], 34)
    return mixed(media_server((0, 1), polls=True).sends(), replies)


@scenario(
    "F50",
    "somebody changes the Sub-Net of a node during the show: its poll replies list universes 16 higher",
    50,
    # Its last right reply comes at 11.6 s, and the first one 20 s after that at 34.0 s.
    Truth(
        "receiver-differs",
        35.0,
        ("artnet/0", "artnet/1"),
        confidence="high",
        began_s=11.5,
        says=("artnet/16 and artnet/17 instead", "Its replies listed artnet/0 until"),
    ),
    paper((), (0, 1), sources=("media",), extra=ART_RECEIVER),
)
def node_sub_net_changed() -> Iterator[Item]:
    replies = _replies(NODE, [(0.0, [0, 1]), (12.0, [16, 17])], 50)
    return mixed(media_server((0, 1), polls=True).sends(), replies)


@scenario(
    "F14",
    "the main desk comes back with a new identity: same name, same address, another CID",
    30,
    Truth("identity-changed", 13.5, (), severity="note", began_s=10.0),
    paper((1, 11), sources=("main", "second"), by_cid=False),
)
def identity_changed() -> Iterator[Item]:
    again = main_desk((1,), start_s=11, cid=bytes.fromhex("5f1c2a7011224b338c44556677889900"))
    return mixed(main_desk((1,), stop_s=10).sends(), again.sends(), second_desk().sends())


@scenario(
    "F15",
    "the main desk comes up on a fallback address: no address server answered",
    20,
    Truth("fallback-address", 2.0, (), severity="note"),
    paper((1,), by_address=False),
)
def fallback_address() -> Iterator[Item]:
    return main_desk((1,), address="169.254.7.7").sends()


@scenario(
    "F42",
    "a desk makes a new identity at each of its starts",
    44,
    Truth("identity-changed", 13.5, (), severity="note", began_s=10.0),
    paper((1, 11), sources=("main", "second"), by_cid=False),
)
def identity_new_at_each_start() -> Iterator[Item]:
    starts = [
        main_desk((1,), start_s=s, stop_s=s + 10, cid=cid_of(f"start at {s}"), first_sequence=s)
        for s in (0, 11, 22, 33)
    ]
    return mixed(*(each.sends() for each in starts), second_desk().sends())


@scenario(
    "F79",
    "right data, wrong universe: a port map sends universe 4's fixtures on the undeclared universe 20",
    20,
    Truth("universe-missing", 10.0, ("e131/4",), severity="critical", began_s=5.0),
    FOUR_WITH_LAMPS,
)
def universe_mapped_elsewhere() -> Iterator[Item]:
    return _lamps_on(20)


@scenario(
    "F106",
    "nothing at all arrives although the link is up: a host firewall, a wrong port or an empty network",
    20,
    Truth("universe-missing", 10.0, MAIN_UNIVERSES, severity="critical", began_s=5.0),
    live=False,
)
def nothing_arrives() -> Iterator[Item]:
    return iter(())
