"""Marked bytes of a serial line become frames; real lines' recordings decode to what their descriptions name."""

from __future__ import annotations

import itertools
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire.line import LineDecoder

DATA = Path(__file__).parent.parent / "data" / "lines"
BREAK = b"\xff\x00\x00"


def marked(raw: bytes) -> bytes:
    """As the kernel writes true bytes with PARMRK set (termios(3))."""
    return raw.replace(b"\xff", b"\xff\xff")


def test_a_full_frame_comes_with_its_last_slot() -> None:
    decoder = LineDecoder()
    slots = bytes(range(256)) * 2
    frames = decoder.feed(BREAK + marked(b"\0" + slots), 7)
    assert [(f.t_ns, f.data, f.faults) for f in frames] == [(7, b"\0" + slots, 0)]
    assert decoder.feed(BREAK, 8) == []


def test_a_short_frame_comes_with_the_next_break() -> None:
    decoder = LineDecoder()
    assert decoder.feed(BREAK + b"\0\1\2", 1) == []
    (frame,) = decoder.feed(BREAK, 2)
    assert (frame.t_ns, frame.data, frame.slots) == (1, b"\0\1\2", 2)


def test_bytes_before_the_first_break_are_dropped() -> None:
    decoder = LineDecoder()
    assert decoder.feed(b"\5\6\7" + BREAK + b"\0\1" + BREAK, 1)[0].data == b"\0\1"


def test_more_bytes_without_a_break_than_a_frame_has_are_faults() -> None:
    """E1.11: a start code and at most 512 slots after each break. A port that is opened in a frame reads less."""
    decoder = LineDecoder()
    assert decoder.feed(b"\1" * 513, 1) == [] and decoder.faults == 0
    assert decoder.feed(b"\1" * 87, 2) == [] and decoder.faults == 87
    assert decoder.breaks == 0
    assert (decoder.received, decoder.misframed) == (600, 0)


def test_bytes_with_framing_faults_are_counted_apart_from_those_that_are_too_many() -> None:
    """termios(3): a byte with a framing fault is FF 00 X with PARMRK set."""
    decoder = LineDecoder()
    decoder.feed(BREAK + b"\0" + b"\xff\0\x07" * 600 + b"\1" * 3, 1)
    assert (decoder.received, decoder.misframed, decoder.faults) == (604, 600, 603)


def test_a_port_that_is_opened_again_continues_no_frame() -> None:
    """What it brings first is the end of a frame: it belongs to none that was begun before, and is no fault."""
    decoder = LineDecoder()
    decoder.feed(BREAK + b"\1" * 300, 1)
    decoder.begin_anew()
    assert decoder.feed(b"\1" * 512 + BREAK + b"\0\2" + BREAK, 2)[0].data == b"\0\2"
    assert decoder.faults == 0


def test_faulty_octets_are_kept_and_counted() -> None:
    decoder = LineDecoder()
    (frame,) = decoder.feed(BREAK + b"\0\1\xff\x00\x42\3" + BREAK, 1)
    assert (frame.data, frame.faults) == (b"\0\1\x42\3", 1)


def test_a_faulty_byte_past_the_513th_is_one_fault() -> None:
    decoder = LineDecoder()
    decoder.feed(b"\1" * 513 + b"\xff\x00\x42" * 10, 1)
    assert decoder.faults == 10


def test_octets_past_the_513th_are_faults() -> None:
    decoder = LineDecoder()
    frames = decoder.feed(BREAK + bytes(600).replace(b"\0", b"\1"), 1)
    assert len(frames) == 1
    assert decoder.faults == 87


@given(st.binary(max_size=2000), st.lists(st.integers(0, 2000), max_size=8))
def test_any_bytes_in_any_lumps_give_the_same_frames(raw: bytes, cuts: list[int]) -> None:
    whole = LineDecoder().feed(raw, 0)
    lumps = LineDecoder()
    edges = [0, *sorted(cuts), len(raw)]
    parts = [frame for a, b in itertools.pairwise(edges) for frame in lumps.feed(raw[a:b], 0)]
    assert parts == whole


def kernel_view(path: Path) -> bytes:
    """What a UART and the kernel would make of a sampled line (1 MHz, bit 0 is DMX+): PARMRK bytes.

    250 kbit/s is 4 samples a bit; a start bit and nine more low bits with a low stop bit are a break.
    """
    with zipfile.ZipFile(path) as archive:
        names = sorted((n for n in archive.namelist() if n.startswith("logic-1")), key=lambda n: int(n.split("-")[-1]))
        line = b"".join(archive.read(name) for name in names)
    bits = bytes(sample & 1 for sample in line)
    out, place = bytearray(), bits.find(b"\1")
    while True:
        start = bits.find(b"\0", place)
        if start < 0 or start + 44 > len(bits):
            return bytes(out)
        one = sum(bits[start + 6 + 4 * bit] << bit for bit in range(8))
        stop = bits[start + 6 + 32]
        if stop:
            out += marked(bytes([one]))
            place = start + 38
        elif one == 0:
            out += BREAK
            place = bits.find(b"\1", start)
        else:
            out += b"\xff\x00" + bytes([one])
            place = bits.find(b"\1", start + 38)
        if place < 0:
            return bytes(out)


# (recording, fewest and most breaks in its 1 s, slots), from the recordings' own notes.
RECORDINGS = [
    ("line-30hz-ramp.sr", 29, 31, 512),
    ("line-39hz-ramp.sr", 37, 40, 512),
    ("line-256-slots-short-mark.sr", 29, 32, 256),
]


@pytest.mark.parametrize(("name", "fewest", "most", "slots"), RECORDINGS)
def test_real_lines_decode_to_their_described_slots(name: str, fewest: int, most: int, slots: int) -> None:
    decoder = LineDecoder()
    frames = decoder.feed(kernel_view(DATA / name), 0)
    assert fewest <= decoder.breaks <= most
    whole = [frame for frame in frames if frame.slots == slots]
    assert len(whole) >= len(frames) - 2
    assert all(frame.data[0] == 0 for frame in whole), "start code 0x00"
    if "ramp" in name:
        # "Roughly in order": up to slot 211 each holds about its own number; past that this sender mixes its tens.
        assert all(abs(frame.data[n] - n) <= 2 for frame in whole for n in range(1, 212))


def test_a_line_with_illegal_breaks_still_decodes() -> None:
    """This sender's breaks are mostly about 52 us, under the 88 us a receiver must accept (E1.11), yet longer than an
    byte of 44 us: a serial port takes them for breaks and cannot tell. The slots are whole all the same."""
    decoder = LineDecoder()
    frames = decoder.feed(kernel_view(DATA / "line-irregular.sr"), 0)
    assert decoder.breaks == 42
    assert {frame.slots for frame in frames} == {512}
