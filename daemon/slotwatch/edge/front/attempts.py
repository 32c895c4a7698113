"""Slows down guessing of the token, by address. Time is an argument; the table is bounded."""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from dataclasses import dataclass

FREE_ATTEMPTS = 5
"""Wrong tokens that cause no delay: a person may mistype."""
FIRST_WAIT_NS = 1_000_000_000
LONGEST_WAIT_NS = 60_000_000_000
FORGET_NS = 900_000_000_000
"""An address that sent no wrong token for this long starts again."""
MOST_ADDRESSES = 4096


@dataclass(slots=True)
class _Guesser:
    wrong: int = 0
    last_ns: int = 0
    free_ns: int = 0
    """Until then no token from there is compared."""


class WrongTokens:
    """Counts wrong tokens by address. Each one after the first FREE_ATTEMPTS doubles the wait, up to a minute."""

    def __init__(self, most: int = MOST_ADDRESSES) -> None:
        self._most = most
        self._guessers: OrderedDict[str, _Guesser] = OrderedDict()

    def __len__(self) -> int:
        return len(self._guessers)

    def wait_ns(self, address: str, now_ns: int) -> int:
        """How long this address has to wait before a token of its own is compared; 0: not at all."""
        found = self._guessers.get(guessing_place(address))
        return 0 if found is None else max(0, found.free_ns - now_ns)

    def note_wrong(self, address: str, now_ns: int) -> None:
        """Count one wrong token."""
        place = guessing_place(address)
        found = self._guessers.pop(place, None)
        if found is None or now_ns - found.last_ns > FORGET_NS:
            found = _Guesser()
        found.wrong += 1
        found.last_ns = now_ns
        beyond = found.wrong - FREE_ATTEMPTS
        if beyond > 0:
            found.free_ns = now_ns + min(LONGEST_WAIT_NS, FIRST_WAIT_NS << min(beyond - 1, 10))
        self._guessers[place] = found
        while len(self._guessers) > self._most:
            self._guessers.popitem(last=False)

    def note_right(self, address: str) -> None:
        """A right token came from there: its count starts again."""
        self._guessers.pop(guessing_place(address), None)


def guessing_place(address: str) -> str:
    """What counts as one guesser: an IPv4 address, or the /64 that an IPv6 host can choose its addresses from."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
