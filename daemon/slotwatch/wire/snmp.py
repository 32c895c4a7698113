"""The head of an SNMP message: the number by which an answer belongs to its request.

The whole message is decoded by a library. That costs milliseconds, so it is done for answers that were asked for only.
"""

from __future__ import annotations

_INTEGER, _TEXT, _SEQUENCE = 0x02, 0x04, 0x30
_PDUS = range(0xA0, 0xA9)
"""Tags of the kinds of requests and answers (RFC 3416 3)."""
_VERSION_3 = 3
_MOST_OCTETS = 8
"""Of an integer. Four hold each number (RFC 3416 3); some encoders write octets before it that say nothing."""


def message_number(message: bytes) -> int | None:
    """The request-id (RFC 3416 3), or msgID of version 3 (RFC 3412 6). None: the bytes do not begin as such a message.

    Lengths are definite (RFC 3417 8).
    """
    try:
        place, _ = _content(message, 0, range(_SEQUENCE, _SEQUENCE + 1))
        version, place = _integer(message, place)
        if version == _VERSION_3:
            place, _ = _content(message, place, range(_SEQUENCE, _SEQUENCE + 1))
        else:
            _, place = _content(message, place, range(_TEXT, _TEXT + 1))
            place, _ = _content(message, place, _PDUS)
        return _integer(message, place)[0]
    except (IndexError, ValueError):
        return None


def _integer(message: bytes, place: int) -> tuple[int, int]:
    """An integer and where it ends. ValueError where none is there."""
    begin, end = _content(message, place, range(_INTEGER, _INTEGER + 1))
    if not 1 <= end - begin <= _MOST_OCTETS or end > len(message):
        raise ValueError
    return int.from_bytes(message[begin:end], "big", signed=True), end


def _content(message: bytes, place: int, tags: range) -> tuple[int, int]:
    """Where the content of what is at a place begins and ends. ValueError where it has another tag."""
    if message[place] not in tags:
        raise ValueError
    length, place = message[place + 1], place + 2
    if length < 0x80:
        return place, place + length
    octets = length & 0x7F
    if not 1 <= octets <= 4:
        raise ValueError
    return place + octets, place + octets + int.from_bytes(message[place : place + octets], "big")
