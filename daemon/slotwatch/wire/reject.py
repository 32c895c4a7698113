"""The three verdicts on a packet: fine, nonconforming but understood (`Odd`), rejected (`Reject`).

Every reason is counted under its own word; the words are metric labels and keys of `replay --json`, so
they are never renamed without one release that has both.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag
from functools import cache


class Reject(IntEnum):
    """Why a packet was not used at all. OK: it was used."""

    OK = 0
    TOO_SHORT = 1
    TOO_LONG = 2
    """Longer than any packet of its protocol, or truncated by the kernel."""
    NOT_THIS_PROTOCOL = 3
    """Neither protocol's identifier is at its place."""
    BAD_PREAMBLE = 4
    BAD_VECTOR = 5
    BAD_LENGTH = 6
    """A length field contradicts the bytes that arrived so that the slots cannot be found."""
    BAD_ADDRESSING = 7
    """E1.31 DMP address type, first address or increment is not what 7.3 to 7.5 demand."""
    BAD_SLOT_COUNT = 8
    """Property count outside 1 to 513, or Art-Net length outside 1 to 512."""
    BAD_UNIVERSE = 9
    BAD_PRIORITY = 10
    BAD_VERSION = 11
    UNKNOWN_OPCODE = 12
    BAD_START_CODE = 13
    """A start code that this packet kind must not carry (Art-Net Nzs with 0 or RDM)."""

    @property
    def word(self) -> str:
        return self.name.lower().replace("_", "-")

    @property
    def text(self) -> str:
        """The same for a person, as the end of `the last packet had …`."""
        return _TEXTS[self]


class Odd(IntFlag):
    """What was nonconforming but understood: the packet is used, the oddity is counted and shown."""

    NONE = 0
    FLAGS = 1 << 0
    """The flags nibble of an ACN length is not 7."""
    LENGTH_FIELDS = 1 << 1
    """An ACN length disagrees with the bytes that arrived, but the slots are all there."""
    TRAILING = 1 << 2
    """Bytes follow the last slot."""
    NAME_UNTERMINATED = 1 << 3
    NAME_NOT_UTF8 = 1 << 4
    RESERVED_BITS = 1 << 5
    """Option bits 4 to 0, or a reserved field, not zero."""
    ODD_LENGTH = 1 << 6
    """Art-Net length is odd or under 2."""
    NEWER_VERSION = 1 << 7
    ZERO_CID = 1 << 8
    PORT_ADDRESS_BIT_15 = 1 << 9
    DISCOVERY_UNSORTED = 1 << 10
    SYNC_ADDRESS_RESERVED = 1 << 11
    RESERVED_GROUP = 1 << 12
    """Sent to 239.255.255.0/24, which E1.31 9.1.1 forbids."""
    DISCOVERY_PAGES = 1 << 13
    """A discovery page whose number is beyond the last page."""
    NO_START_CODE = 1 << 14
    """A terminated E1.31 packet without any byte of data (property count 0)."""

    @property
    def words(self) -> tuple[str, ...]:
        return odd_words(int(self))


@cache
def odd_words(bits: int) -> tuple[str, ...]:
    """Words of all that is odd. A source's are asked for each time that it is looked at."""
    return tuple((flag.name or "").lower().replace("_", "-") for flag in Odd if flag in Odd(bits))


_TEXTS = {
    Reject.OK: "no fault",
    Reject.TOO_SHORT: "too few bytes",
    Reject.TOO_LONG: "too many bytes",
    Reject.NOT_THIS_PROTOCOL: "the form of another protocol",
    Reject.BAD_PREAMBLE: "a wrong preamble",
    Reject.BAD_VECTOR: "an unknown vector",
    Reject.BAD_LENGTH: "a wrong length field",
    Reject.BAD_ADDRESSING: "a wrong DMP address field",
    Reject.BAD_SLOT_COUNT: "an impossible number of slots",
    Reject.BAD_UNIVERSE: "a universe number that is not allowed",
    Reject.BAD_PRIORITY: "a priority over 200",
    Reject.BAD_VERSION: "an unknown protocol version",
    Reject.UNKNOWN_OPCODE: "an unknown opcode",
    Reject.BAD_START_CODE: "a start code that is not allowed",
}
