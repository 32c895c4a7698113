"""A gzipped capture, read as far as it goes."""

from __future__ import annotations

import zlib
from typing import BinaryIO

GZIP = b"\x1f\x8b"
PACKED_BYTES = 1 << 18


class Unpacking:
    """Reads a gzipped file as far as it goes: unlike `gzip`, it keeps everything before a cut or damage."""

    def __init__(self, packed: BinaryIO) -> None:
        self._packed = packed
        self._stream = zlib.decompressobj(31)
        self.cut_off = False

    def read(self, size: int) -> bytes:
        """Unpack up to `size` bytes; none at the end. zlib.error where the stream is damaged."""
        while True:
            held = self._stream.unconsumed_tail or self._stream.unused_data or self._packed.read(PACKED_BYTES)
            if self._stream.eof:
                if not held.startswith(GZIP):
                    return b""  # the end, or padding behind it
                self._stream = zlib.decompressobj(31)
            if not held:
                self.cut_off = True
                return b""
            raw = self._stream.decompress(held, size)
            if raw:
                return raw

    def close(self) -> None:
        self._packed.close()
