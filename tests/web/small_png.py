"""A screenshot as a small PNG: few colours, which a page of text has anyway, as a palette (PNG specification, W3C)."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

SIGNATURE = b"\x89PNG\r\n\x1a\n"
TRUE_COLOUR, WITH_ALPHA, PALETTE = 2, 6, 3
MOST_COLOURS = 256


def small(png: bytes) -> bytes:
    """Return the same picture with its 256 most frequent colours; the others become the nearest of these."""
    pixels = _pixels(png)
    height, width, _ = pixels.shape
    every, places, counts = np.unique(pixels.reshape(-1, 3), axis=0, return_inverse=True, return_counts=True)
    colours = every[np.argsort(-counts, kind="stable")[:MOST_COLOURS]]
    away = np.abs(every[:, None, :].astype(np.int64) - colours[None, :, :].astype(np.int64)).sum(axis=2)
    places = away.argmin(axis=1)[places.reshape(-1)]
    rows = np.zeros((height, width + 1), np.uint8)
    rows[:, 1:] = places.reshape(height, width)
    header = struct.pack(">IIBBBBB", width, height, 8, PALETTE, 0, 0, 0)
    chunks = (
        (b"IHDR", header),
        (b"PLTE", colours.tobytes()),
        (b"IDAT", zlib.compress(rows.tobytes(), 9)),
        (b"IEND", b""),
    )
    return SIGNATURE + b"".join(_written(kind, body) for kind, body in chunks)


def _written(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _chunks(png: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(SIGNATURE)
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        yield png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        at += 12 + length


def _pixels(png: bytes) -> NDArray[np.uint8]:
    """Return the colours of a screenshot, (height, width, 3). Its filters are undone row by row (section 9.2)."""
    width, height, depth, kind, _, _, interlace = struct.unpack(">IIBBBBB", dict(_chunks(png))[b"IHDR"])
    if depth != 8 or kind not in (TRUE_COLOUR, WITH_ALPHA) or interlace:
        raise ValueError(f"a screenshot of depth {depth}, kind {kind}")
    step = 3 if kind == TRUE_COLOUR else 4
    packed = zlib.decompress(b"".join(body for name, body in _chunks(png) if name == b"IDAT"))
    lines = np.frombuffer(packed, np.uint8).reshape(height, 1 + width * step)
    found = np.zeros((height, width, step), np.uint8)
    above = np.zeros((width, step), np.uint8)
    for line, row in zip(lines, found, strict=True):
        row[:] = _unfiltered(int(line[0]), line[1:].reshape(width, step), above)
        above = row
    return found[:, :, :3]


def _unfiltered(kind: int, line: NDArray[np.uint8], above: NDArray[np.uint8]) -> NDArray[np.uint8]:
    if kind == 0:
        return line
    if kind == 1:
        return np.cumsum(line, axis=0, dtype=np.uint8)
    if kind == 2:
        return line + above
    row = np.zeros(line.shape, np.int64)
    left = corner = np.zeros(line.shape[1], np.int64)
    for at, (own, up) in enumerate(zip(line.astype(np.int64), above.astype(np.int64), strict=True)):
        if kind == 3:
            guess = (left + up) // 2
        else:
            nearness = np.abs([up - corner, left - corner, left + up - 2 * corner])
            guess = np.where(
                (nearness[0] <= nearness[1]) & (nearness[0] <= nearness[2]),
                left,
                np.where(nearness[1] <= nearness[2], up, corner),
            )
        left, corner = (own + guess) % 256, up
        row[at] = left
    return row.astype(np.uint8)
