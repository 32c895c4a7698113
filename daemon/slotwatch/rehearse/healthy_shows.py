"""Healthy shows that look suspicious because of what a desk plays or how its standard lets it send."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import packets, stage
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
)
from slotwatch.rehearse.desk import LISTENER, cid_of
from slotwatch.rehearse.faults_patch import HEAD, PROFILES, RACK, at, house, lamps, level, loads, play
from slotwatch.rehearse.looks import changed_at, chased, faded, fixed, flashed, held, late, moving
from slotwatch.rehearse.packets import PREVIEW, Sent
from slotwatch.rehearse.registry import healthy
from slotwatch.rehearse.stage import Item, mixed

ONE = paper((1,))
TWO = paper((1, 2, 3, 11), sources=("main", "second"))
WITH_BACKUP = paper(sources=("main", "backup"))


@healthy("a static look on keep-alive: about one packet a second", 60, TWO, fault="F07")
def static_look() -> Iterator[Item]:
    return mixed(main_desk(look=rests).sends(), second_desk(look=rests).sends())


@healthy("a static look with the longest lawful keep-alive, one packet a second", 60, ONE, fault="F07")
def static_look_slowest() -> Iterator[Item]:
    return main_desk((1,), rests, keep_alive_s=1.0).sends()


@healthy("a static look, one keep-alive of which is lost: a gap of 1.8 s", 60, ONE, fault="F07")
def static_look_one_lost() -> Iterator[Item]:
    return stage.cut(main_desk((1,), rests).sends(), 20.2, 21.1, lambda sent: len(sent.payload) > 600)


@healthy("a slow fade over a minute that is sent only when a level changes", 70, ONE, fault="F66")
def slow_fade() -> Iterator[Item]:
    return main_desk((1,), lambda _: faded(2, 60, 0, 200)).sends()


@healthy("a chase of one step a second, with no frames between the steps", 40, ONE, fault="F66")
def slow_chase() -> Iterator[Item]:
    return main_desk((1,), lambda _: chased(1.0)).sends()


@healthy("cues with rests between: fades, holds, a bump", 60, ONE, fault="F70")
def cues_and_rests() -> Iterator[Item]:
    look = changed_at(
        (0, held(40)), (5, faded(5, 3, 40, 180)), (12, held(180)), (12.6, held(0)), (20, moving()), (30, held(90)),
        (31, held(95)), (32.5, moving()), (33.1, held(60)), (40, faded(40, 8, 60, 0)),
    )  # fmt: skip
    return main_desk((1,), lambda _: look).sends()


@healthy("a blackout: zeros at the usual rate, then at rest, and back", 40, TWO, fault="F01")
def blackout() -> Iterator[Item]:
    look = changed_at((0, moving()), (10, fixed(bytes(512))), (25, moving()))
    return mixed(main_desk(look=lambda _: look).sends(), second_desk(look=rests).sends())


@healthy("a desk of 25 Hz", 60, ONE, fault="F66")
def desk_of_25_hz() -> Iterator[Item]:
    return main_desk((1,), hz=25).sends()


@healthy("a desk that is always at 44 Hz, resting or not", 40, ONE, fault="F67")
def desk_of_44_hz() -> Iterator[Item]:
    return main_desk((1,), rests, hz=44, continuous=True).sends()


@healthy("24 slots at 200 Hz: lawful for so few slots", 20, ONE, fault="F67")
def few_slots_fast() -> Iterator[Item]:
    return main_desk((1,), lambda _: moving(slots=24), hz=200, continuous=True).sends()


@healthy("per-slot priorities once a second, sharing the universe's sequence", 30, ONE, fault="F58")
def slot_priorities() -> Iterator[Item]:
    return main_desk((1,), slot_priorities=held(100)).sends()


@healthy("per-slot priorities that leave some slots to nobody (zeros)", 30, ONE, fault="F44")
def slot_priorities_with_zeros() -> Iterator[Item]:
    return main_desk((1,), slot_priorities=fixed(bytes((100,)) * 256 + bytes(256))).sends()


@healthy("an Art-Net controller synchronises its universes", 30, paper((), (0, 1)), fault="F63")
def art_net_synchronized() -> Iterator[Item]:
    return media_server((0, 1), sync_hz=40).sends()


@healthy("synchronized frames with their sync packets", 30, paper((1, 2)), fault="F63")
def synchronized() -> Iterator[Item]:
    return main_desk((1, 2), sync_address=7000, sync_hz=40).sends()


@healthy("Art-Net with its keep-alive of 4 s in a static look", 60, paper((), (0,), sources=("media",)), fault="F08")
def art_net_at_rest() -> Iterator[Item]:
    return media_server((0,), rests).sends()


@healthy("Art-Net whose sequence is always 0: lawful, loss cannot be measured", 30, paper((), (0,), sources=("media",)),
         fault="F62")  # fmt: skip
def art_net_without_sequence() -> Iterator[Item]:
    return media_server((0,), sequenced=False).sends()


@healthy("a preview stream for the visualiser beside the live one", 30, ONE, fault="F45")
def preview_beside_live() -> Iterator[Item]:
    blind = main_desk((1,), lambda _: held(10), options=PREVIEW, cid=cid_of("Visual"), address="192.0.2.10", seed=7)
    return mixed(main_desk((1,)).sends(), replace(blind, name="Desk A", discovery=False).sends())


@healthy("a backup that sends in step at its lower priority", 40, WITH_BACKUP, fault="F40")
def backup_in_step() -> Iterator[Item]:
    return mixed(main_desk().sends(), backup_desk().sends())


@healthy("a backup at the main's own priority, in step, 60 ms behind", 40, paper(sources=("main", "equal-backup")),
         fault="F36")  # fmt: skip
def equal_backup_in_step() -> Iterator[Item]:
    behind = backup_desk(look=lambda number: late(moves(number), 0.06), priority=100)
    return mixed(main_desk().sends(), behind.sends())


@healthy("a silent backup is never heard", 30, paper(sources=("main", "silent-backup")), fault="F11")
def backup_silent() -> Iterator[Item]:
    return main_desk().sends()


@healthy("several sources on a universe that is declared shared", 30,
         paper((1,), sources=("main", "second"), more={1: "shared = true\n"}), fault="F36")  # fmt: skip
def shared_universe() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), second_desk((1,), lambda _: held(77)).sends())


def _start_codes() -> Iterator[Sent]:
    """Text (0x17), test (0x55) and system information (0xCF) packets of a desk, each second."""
    for second in range(40):
        for place, code in enumerate((0x17, 0x55, 0xCF)):
            payload = packets.e131_data(cid_of("Texts"), "Texts", 9, 3 * second + place, bytes(96), start_code=code)
            yield Sent(ns(second + 0.2 + place * 0.1), 0, "192.0.2.10", 50001, packets.group(9), 5568, payload)


@healthy("other start codes on a universe: counted by code, never levels", 30,
         paper((1, 9), more={9: "expected = false\n"}, anyone=True), fault="F58")  # fmt: skip
def other_start_codes() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), _start_codes())


@healthy("a universe whose levels have not changed for four minutes while its siblings move", 250,
         paper((1, 2)), fault="F13")  # fmt: skip
def frozen_levels() -> Iterator[Item]:
    return mixed(main_desk((1,), rests).sends(), main_desk((2,), lambda _: chased(2.0), discovery=False).sends())


@healthy("a fade of a non-dim circuit passes through its middle in a second", 24,
         house("hot power,e131/1,5,switched-circuit,5,\n" + lamps(6, 12), RACK, loads((5, "switched", 500))),
         fault="F80")  # fmt: skip
def non_dim_fades_through() -> Iterator[Item]:
    return play(at((5, faded(10, 1.0, 255, 0, 1)), (6, level(90, 7))))


STROBE_ACCEPTED = """[[accepted]]
rule = "flash-rate"
universes = ["e131/1"]
reason = "designed effect in the second act, signed on the warning notice"
"""


@healthy("a designed flash effect that the house has accepted, with its reason", 24,
         paper((1,), patch=HEAD + "blinder 1,e131/1,1,blinder,,yes\n", extra=f"{PROFILES}\n{STROBE_ACCEPTED}"),
         fault="F87")  # fmt: skip
def accepted_flashes() -> Iterator[Item]:
    return play(at((1, changed_at((0, level(0)), (8, flashed(6)), (14, level(0))))))


@healthy("a blinder pulses twice a second: under the guidance", 24,
         paper((1,), patch=HEAD + "blinder 1,e131/1,1,blinder,,yes\n", extra=PROFILES), fault="F87")  # fmt: skip
def slow_pulses() -> Iterator[Item]:
    return play(at((1, flashed(2))))


@healthy("an Art-Net universe that goes to a node by unicast is not visible from this port", 40,
         paper((1,), (5,), sources=("main", "media")), fault="F53")  # fmt: skip
def not_visible_from_here() -> Iterator[Item]:
    polls = Sent(ns(1), 0, "192.0.2.30", 6454, "192.0.2.255", 6454, packets.art_poll(), 64)
    reply = Sent(ns(1.5), 0, NODE, 6454, LISTENER, 6454, packets.art_poll_reply(NODE, "Node", [5]), 64)
    return mixed(main_desk((1,)).sends(), [polls, reply])


@healthy("two main sources may send a universe and only one of them does", 30,
         paper((1,), sources=("main", "second")), fault="F02")  # fmt: skip
def one_of_two_allowed() -> Iterator[Item]:
    return main_desk((1,)).sends()


@healthy("an effect that ends: movement, then rest on keep-alive", 40, paper((1, 2)), fault="F66")
def effect_ends() -> Iterator[Item]:
    look = changed_at((0, moving()), (12, held(120)), (20, moving()), (22, held(10)))
    return main_desk((1, 2), lambda _: look).sends()
