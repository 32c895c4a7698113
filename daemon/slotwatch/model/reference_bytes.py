"""Reference levels as bytes, for the history."""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict
from typing import Any

import numpy as np

from slotwatch.model.reference_levels import KeptFixture, Reference, UniverseLevels
from slotwatch.wire.universe import SLOTS

FORMAT = 1
LARGEST_BYTES = 256 << 20
"""No reference takes more when it is unpacked: 65,536 universes and their fixtures take 60 MiB."""


def pack(reference: Reference) -> bytes:
    """Write a reference: a line of JSON, then 512 levels and 64 bytes of moving slots of each universe; compressed."""
    head = {
        "format": FORMAT,
        "name": reference.name,
        "at_wall_ns": reference.at_wall_ns,
        "by": reference.by,
        "fixtures": [asdict(one) for one in reference.fixtures],
        "universes": [[name, one.slots] for name, one in reference.universes.items()],
        "left_out": reference.left_out,
    }
    parts = [json.dumps(head, separators=(",", ":")).encode(), b"\n"]
    for one in reference.universes.values():
        parts += [one.levels.tobytes(), np.packbits(one.moving).tobytes()]
    return zlib.compress(b"".join(parts), 6)


def unpack(raw: bytes) -> Reference:
    """Read what `pack` wrote. ValueError with a sentence if it is something else."""
    try:
        reader = zlib.decompressobj()
        text = reader.decompress(raw, LARGEST_BYTES)
        line, _, body = text.partition(b"\n")
        head: dict[str, Any] = json.loads(line)
        if head["format"] != FORMAT or not reader.eof:
            raise ValueError("of another format")
        step = SLOTS + SLOTS // 8
        if len(body) != step * len(head["universes"]):
            raise ValueError("cut off")
        rows = np.frombuffer(body, np.uint8).reshape(-1, step)
        universes = {
            str(name): UniverseLevels(row[:SLOTS], int(slots), np.unpackbits(row[SLOTS:]).astype(np.bool_))
            for (name, slots), row in zip(head["universes"], rows, strict=True)
        }
        fixtures = tuple(KeptFixture(**{**one, "slots": tuple(one["slots"])}) for one in head["fixtures"])
        if any(
            one.universe not in universes or not 1 <= one.address <= one.last_slot + 1 <= SLOTS + 1 for one in fixtures
        ):
            raise ValueError("a fixture is outside")
        return Reference(
            head["name"], int(head["at_wall_ns"]), head["by"], fixtures, universes, tuple(head["left_out"])
        )
    except (zlib.error, KeyError, TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"these reference levels cannot be read: {error}") from None
