"""Names, lists and replies of packets, whatever bytes they hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire import names
from tests.wire import vectors
from tests.wire.vectors import patched


def test_vectors() -> None:
    assert names.source_name(vectors.E131_DATA) == "desk"
    assert names.source_name(np.frombuffer(vectors.E131_APPENDIX_B, np.uint8)) == "Source_A"
    page = names.discovery_page(vectors.E131_DISCOVERY, 128)
    assert (page.page, page.last, page.universes) == (0, 0, (1, 2, 7, 300))


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        (b"desk\0garbage", "desk"),
        (b"d" * 64, "d" * 64),
        (b"\xff\xfedesk", "\ufffd\ufffddesk"),
        ("Bühne".encode(), "Bühne"),
        (b"a\x1b[31mb\r\nc\x00", "a[31mbc"),
        ("x\u202eevil\u200b".encode(), "xevil"),  # turns the writing round, hides
        (b"  desk  ", "desk"),
        (b"", ""),
    ],
)
def test_names_are_fit_to_be_shown(raw: bytes, shown: str) -> None:
    assert names.text(raw) == shown


@given(st.binary(max_size=64))
def test_any_name_is_short_and_prints(raw: bytes) -> None:
    shown = names.text(raw)
    assert len(shown) <= 64 and "\n" not in shown and "\0" not in shown and "\x1b" not in shown
    shown.encode()


def test_a_list_never_reads_past_its_packet() -> None:
    """The list claims 512 universes; four were sent, and others follow them in the row."""
    lying = patched(vectors.E131_DISCOVERY, 112, b"\x74\x08") + b"\x12\x34" * 400
    assert names.discovery_page(lying, 128).universes == (1, 2, 7, 300)
    assert names.discovery_page(patched(vectors.E131_DISCOVERY, 120, b"\0\0\xff\xff"), 128).universes == (7, 300)
    with pytest.raises(ValueError, match="at least 120"):
        names.discovery_page(lying, 119)


@given(st.binary(min_size=120, max_size=1216), st.integers(120, 1216))
def test_any_bytes_make_some_list(raw: bytes, length: int) -> None:
    page = names.discovery_page(raw, min(length, len(raw)))
    assert len(page.universes) <= 512 and all(1 <= universe <= 63999 for universe in page.universes)


@given(st.binary(min_size=198, max_size=400))
def test_any_bytes_make_some_reply(raw: bytes) -> None:
    reply = names.poll_reply(raw, len(raw))
    assert len(reply.ports) <= 4 and all(0 <= port.output_address <= 32767 for port in reply.ports)


def test_an_old_short_reply_reads_as_far_as_it_goes() -> None:
    """Nodes of earlier revisions send fewer bytes; 198 are enough."""
    raw = b"Art-Net\0\x00\x21" + bytes((10, 0, 0, 7)) + bytes(184)
    reply = names.poll_reply(raw, 198)
    assert (reply.address, reply.mac, reply.bind_index, reply.ports) == ("10.0.0.7", "", 0, ())
    with pytest.raises(ValueError, match="at least 198"):
        names.poll_reply(raw, 197)


def test_addresses() -> None:
    mapped = bytes(10) + b"\xff\xff" + bytes((10, 20, 0, 1))
    assert names.address_text(np.frombuffer(mapped, np.uint8)) == "10.20.0.1"
    assert names.address_text(b"\xfe\x80" + bytes(13) + b"\x01") == "fe80::1"
    assert names.address_text(bytes(16)) == ""
