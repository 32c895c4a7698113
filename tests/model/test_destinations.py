"""What kind of address a stream is sent to."""

from __future__ import annotations

from ipaddress import ip_address

import numpy as np
import pytest

from slotwatch.model.destinations import Destination, destination, is_multicast


@pytest.mark.parametrize(
    ("address", "universe", "expected"),
    [
        # ANSI E1.31-2018 9.3.1: 239.255.hi.lo.
        ("239.255.0.7", 7, (Destination.OWN_GROUP, 7)),
        ("239.255.1.4", 260, (Destination.OWN_GROUP, 260)),
        ("239.255.1.4", 261, (Destination.OTHER_GROUP, 260)),
        # 9.3.2: ff18::8300:hhll.
        ("ff18::8300:104", 260, (Destination.OWN_GROUP, 260)),
        ("ff18::8300:104", 4, (Destination.OTHER_GROUP, 260)),
        # Any other multicast: RFC 5771 (224/4), RFC 4291 2.7 (ff00::/8).
        ("224.0.0.1", 7, (Destination.OTHER_GROUP, 0)),
        ("239.254.0.7", 7, (Destination.OTHER_GROUP, 0)),
        ("ff02::1", 7, (Destination.OTHER_GROUP, 0)),
        # RFC 919: the limited broadcast. A directed one looks like unicast without the mask.
        ("255.255.255.255", 7, (Destination.BROADCAST, 0)),
        ("10.255.255.255", 7, (Destination.UNICAST, 0)),
        ("10.0.0.9", 7, (Destination.UNICAST, 0)),
        ("fd00::9", 7, (Destination.UNICAST, 0)),
    ],
)
def test_each_kind_of_address(address: str, universe: int, expected: tuple[Destination, int]) -> None:
    given = ip_address(address)
    packed = given.packed if given.version == 6 else ip_address(f"::ffff:{address}").packed
    assert destination(packed, universe) == expected
    assert is_multicast(np.array([expected[0]], np.uint8)).tolist() == [given.is_multicast]


def test_an_address_that_is_not_known() -> None:
    assert destination(bytes(16), 7) == (Destination.UNKNOWN, 0)
    assert not is_multicast(np.array([Destination.UNKNOWN], np.uint8)).any()
