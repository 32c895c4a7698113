"""A received DMX512 line as the kernel hands it over: bytes with breaks and faults marked (PARMRK).

With PARMRK set and neither IGNBRK, BRKINT nor IGNPAR, the terminal layer writes a break as FF 00 00, a byte
that arrived with a framing or parity fault as FF 00 X, and a true FF as FF FF (termios(3)).
USB adapters deliver in lumps of about 16 ms, so times here say when bytes were read, not when they were
on the wire: good for refresh and silence, never for break lengths.
"""

from __future__ import annotations

from dataclasses import dataclass, field

MOST_BYTES = 513
"""Start code and 512 slots (ANSI E1.11)."""
MARK = 0xFF


@dataclass(frozen=True, slots=True)
class LineFrame:
    """What stood between two breaks."""

    t_ns: int
    """Monotonic time at which its break was read."""
    data: bytes
    """Start code and slots, at most 513 bytes; empty if two breaks followed each other."""
    faults: int
    """Bytes with a framing fault, or more than fit into a frame."""

    @property
    def slots(self) -> int:
        return max(0, len(self.data) - 1)


@dataclass(slots=True)
class LineDecoder:
    """Turns the marked bytes of one port into frames. Any bytes at all are taken; nothing raises.

    A full frame is handed out with its 513th byte, a shorter one with the next break. What stood before the first
    break is dropped, since its beginning is not known. Bytes beyond the 513th are faults, also there.
    """

    breaks: int = 0
    faults: int = 0
    received: int = 0
    """Bytes, faulty ones among them."""
    misframed: int = 0
    """Bytes with a framing fault."""
    _held: bytes = b""
    _started_ns: int = 0
    _data: bytearray = field(default_factory=bytearray)
    _frame_faults: int = 0
    _given: bool = True
    """Whether what stands now is not to be handed out: it was, or its beginning is not known."""

    def begin_anew(self) -> None:
        """Forget what was begun: the port was opened again, and brings the end of another frame first."""
        self._held, self._given = b"", True
        self._data.clear()

    def feed(self, raw: bytes, t_ns: int) -> list[LineFrame]:
        """Take bytes that were read at this monotonic time; return the frames they completed."""
        frames: list[LineFrame] = []
        text = self._held + raw
        place, end = 0, len(text)
        while place < end:
            mark = text.find(MARK, place)
            if mark < 0:
                mark = end
            self._plain(text[place:mark], frames)
            place = mark
            if place == end:
                break
            step = self._marked(text, place, t_ns, frames)
            if not step:
                break  # the sequence continues in the next bytes
            place += step
        self._held = text[place:]
        return frames

    def _marked(self, text: bytes, place: int, t_ns: int, frames: list[LineFrame]) -> int:
        """Read the sequence that begins with FF; return its length, 0 if it is not complete yet."""
        left = len(text) - place
        if left < 2:
            return 0
        if text[place + 1] == MARK:
            self._plain(b"\xff", frames)
            return 2
        if text[place + 1] != 0:
            # The kernel never writes this; a port without PARMRK would. Take the FF as data, lose nothing.
            self._plain(b"\xff", frames)
            return 1
        if left < 3:
            return 0
        if text[place + 2] == 0:
            self._break(t_ns, frames)
        else:
            self._fault(text[place + 2 : place + 3], frames)
        return 3

    def _plain(self, raw: bytes, frames: list[LineFrame]) -> None:
        self.received += len(raw)
        room = MOST_BYTES - len(self._data)
        self._data += raw[:room]
        if len(raw) > room:
            self._frame_faults += len(raw) - room
            self.faults += len(raw) - room
        if len(self._data) == MOST_BYTES and not self._given:
            self._give(frames)

    def _fault(self, faulty: bytes, frames: list[LineFrame]) -> None:
        self.faults += 1
        self.misframed += 1
        self._frame_faults += 1
        if len(self._data) < MOST_BYTES:
            self._plain(faulty, frames)
        else:  # it would be a fault once more, as what is too many
            self.received += 1

    def _break(self, t_ns: int, frames: list[LineFrame]) -> None:
        self.breaks += 1
        if not self._given:
            self._give(frames)
        self._started_ns = t_ns
        self._data.clear()
        self._frame_faults = 0
        self._given = False

    def _give(self, frames: list[LineFrame]) -> None:
        frames.append(LineFrame(self._started_ns, bytes(self._data), self._frame_faults))
        self._given = True
