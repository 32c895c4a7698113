"""What is routine, and what brings a change. Packets: of the standards (tests.model.packets), of the `sacn` package.

All is asked of numpy and of the compiled look, and what both say of random packets is compared.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from sacn.messages.data_packet import DataPacket

from slotwatch.edge.shared.compiled import load_looking
from slotwatch.wire.batch import Batch
from slotwatch.wire.novelty import FORGET_NS, Routine
from slotwatch.wire.universe import Protocol
from tests.compiling import Built
from tests.model.packets import MS, START, Sent, artnet, artnet_sync, batch_of, cid, e131, e131_discovery, e131_sync

FRAME_MS = 25
Make = Callable[[], Routine]


@pytest.fixture(params=["numpy", "compiled"])
def make(request: pytest.FixtureRequest, built: Built) -> Make:
    """Makes what looks for changes, each of both kinds in turn."""
    compiled = built(load_looking) if request.param == "compiled" else None
    return lambda: Routine(compiled)


def desk(frame: int, **more: object) -> Sent:
    """The next frame of a desk, its levels moving."""
    octets = e131([frame % 251] * 512, sequence=frame % 256, **more)  # type: ignore[arg-type]
    return Sent(START + frame * FRAME_MS * MS, octets, "10.0.0.1", dst="239.255.0.1")


def controller(frame: int, count: bool = True) -> Sent:
    octets = artnet([frame % 251] * 512, sequence=frame % 255 + 1 if count else 0)
    return Sent(START + frame * FRAME_MS * MS, octets, "10.0.0.2", protocol=Protocol.ARTNET)


def after(make: Make, *packets: Sent, known: int = 4) -> bool:
    """Whether these bring a change after the desk's first frames."""
    routine = make()
    assert routine.brings_change(batch_of([desk(frame) for frame in range(known)])), "a stream that begins"
    return routine.brings_change(batch_of(list(packets)))


def test_frames_that_go_on_are_routine_whatever_their_levels(make: Make) -> None:
    assert not after(make, *(desk(frame) for frame in range(4, 600)))


def test_art_net_goes_on_from_255_to_1_and_may_not_count_at_all(make: Make) -> None:
    for count in (True, False):
        routine = make()
        routine.brings_change(batch_of([controller(0, count)]))
        assert not routine.brings_change(batch_of([controller(frame, count) for frame in range(1, 600)]))


def test_several_streams_in_one_batch_are_reported_apart(make: Make) -> None:
    routine = make()
    frames = [[desk(frame), desk(frame, universe=2), controller(frame)] for frame in range(20)]
    routine.brings_change(batch_of(frames[0]))
    assert not routine.brings_change(batch_of([packet for three in frames[1:] for packet in three]))


def test_synchronization_that_goes_on_is_routine(make: Make) -> None:
    """E1.31 6.6.1 numbers synchronization packets for themselves; ArtSync has no number."""
    routine = make()

    def show(frame: int) -> list[Sent]:
        at_ns = START + frame * FRAME_MS * MS
        sync = Sent(at_ns, e131_sync(7, sequence=(frame + 99) % 256), "10.0.0.1", dst="239.255.0.7")
        return [desk(frame, sync=7), sync, controller(frame), Sent(at_ns, artnet_sync(), "10.0.0.2", protocol=2)]

    routine.brings_change(batch_of(show(0)))
    assert not routine.brings_change(batch_of([packet for frame in range(1, 300) for packet in show(frame)]))


@pytest.mark.parametrize(
    ("what", "packet"),
    [
        ("one is missing", desk(5)),
        ("one came twice", desk(3)),
        ("another priority", desk(4, priority=101)),
        ("the preview flag", desk(4, options=0x80)),
        ("the last of a stream", desk(4, options=0x40)),
        ("a start code", desk(4, start_code=0xDD)),
        ("a synchronization address", desk(4, sync=7)),
        ("a name", desk(4, name=b"Desk B")),
        ("another identity", desk(4, source=cid(2))),
        ("another universe", desk(4, universe=2)),
        ("another address", replace(desk(4), src="10.0.0.9")),
        ("another destination", replace(desk(4), dst="239.255.0.2")),
        ("another network", replace(desk(4), network=1)),
        ("fewer slots", replace(desk(4), data=desk(4).data[:-2])),
        ("it comes after a silence", replace(desk(4), t_ns=desk(3).t_ns + FORGET_NS + 1)),
        ("a discovery list", Sent(START + 100 * MS, e131_discovery([1]), "10.0.0.1")),
        ("rubbish", Sent(START + 100 * MS, b"\xff" * 638, "10.0.0.1")),
    ],
)
def test_everything_else_counts_as_new(make: Make, what: str, packet: Sent) -> None:
    assert after(make, packet), what


def test_every_octet_of_the_header_counts_but_the_number(make: Make) -> None:
    """As the `sacn` package composes it; 111 is the sequence number (E1.31 table 4-1), the slots begin at 126."""
    octets = bytes(DataPacket(tuple(cid(1)), "desk", 1, (9,) * 512, sequence=5).getBytes())
    first = Sent(START, octets[:111] + b"\4" + octets[112:], "10.0.0.1")
    plain = Sent(START + MS, octets, "10.0.0.1")
    for at in range(638):
        routine = make()
        routine.brings_change(batch_of([first]))
        changed = replace(plain, data=octets[:at] + bytes([octets[at] ^ 1]) + octets[at + 1 :])
        assert routine.brings_change(batch_of([changed])) is (at < 126), at


def test_what_is_remembered_is_bounded(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slotwatch.wire.novelty.MOST_KNOWN", 64)
    routine = make()
    numbers = range(1, 1000)
    for number in numbers:
        routine.brings_change(batch_of([replace(desk(0, source=cid(number)), t_ns=START + number)]))
    # Those that are not remembered are so now; none of them is asked about twice.
    asked = [
        routine.brings_change(batch_of([replace(desk(1, source=cid(number)), t_ns=START + 2000 - number)]))
        for number in reversed(numbers)
    ]
    assert 0 < asked.count(False) <= 64
    assert not any(asked[: asked.count(False)]), "the newest are remembered"


def test_any_bytes_at_all_have_an_answer(make: Make) -> None:
    chance = np.random.default_rng(1)
    routine = make()
    for length in range(0, 1216, 31):
        for protocol in Protocol:
            octets = chance.integers(0, 256, length, np.uint8).tobytes()
            assert routine.brings_change(batch_of([Sent(START + length, octets, "10.0.0.1", protocol=protocol)])) in (
                True,
                False,
            )


def random_packets(chance: np.random.Generator, at: int, count: int) -> Batch:
    """Frames of 90 desks and controllers and synchronization, most of them in their order, some rubbish among them."""
    made = []
    for number in range(at, at + count):
        which, frame = int(chance.integers(0, 90)), number // 60
        frame += int(chance.choice([0, 0, 0, 0, 1, 7]))
        kind = which % 4
        if kind == 0:
            packet = controller(frame, count=which % 8 > 0)
        elif kind == 1:
            packet = Sent(0, e131_sync(which, sequence=frame % 256), "10.0.0.1", dst="239.255.0.7")
        elif kind == 2 and chance.random() < 0.1:
            packet = Sent(0, chance.integers(0, 256, int(chance.integers(0, 700)), np.uint8).tobytes(), "10.0.0.3")
        else:
            packet = desk(frame, universe=which, source=cid(which))
        silence_ns = FORGET_NS * (number // 4000)
        made.append(replace(packet, t_ns=START + number * MS + silence_ns, src=f"10.0.1.{which}"))
    return batch_of(made)


@pytest.mark.parametrize("most", [16, 64, 4096])
def test_the_compiled_look_says_the_same_as_numpy(built: Built, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    looking = built(load_looking)
    monkeypatch.setattr("slotwatch.wire.novelty.MOST_KNOWN", most)
    reference, compiled = Routine(), Routine(looking)
    chance = np.random.default_rng(most)
    at, said = 0, []
    while at < 6000:
        count = int(chance.integers(1, 4))
        batch = random_packets(chance, at, count)
        said.append(reference.brings_change(batch))
        assert compiled.brings_change(batch) is said[-1], at
        at += count
    assert 0 < sum(said) < len(said) - 20, "both answers were given"


def test_rows_of_a_larger_batch_are_looked_at_where_they_lie(make: Make) -> None:
    routine = make()
    frames = batch_of([desk(frame) for frame in range(40)])
    assert [routine.brings_change(frames, at, at + 4) for at in range(0, 40, 4)] == [True, *[False] * 9]
    assert routine.brings_change(frames, 36, 40), "they came before"
