"""How a snapshot crosses from one process to another: a typed header and the bytes of its arrays.

Nothing in it can run: the header is MessagePack, read strictly by the types of `Snapshot`, and an array is its
place among the parts, its dtype and its shape. A header of another format is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from slotwatch.errors import FormatError
from slotwatch.snapshot import Snapshot

FORMAT = 15
"""Raised with every change of what a snapshot holds."""
KINDS = "biuf"
"""Kinds of numpy dtypes that an array may have: truth values and numbers."""


def to_parts(snapshot: Snapshot) -> list[memoryview]:
    """Return the header, then the bytes of each array. Arrays are not copied if they are contiguous."""
    arrays: list[memoryview] = []

    def out_of_band(value: object) -> object:
        if isinstance(value, np.ndarray):
            arrays.append(np.ascontiguousarray(value).reshape(-1).view(np.uint8).data)
            return len(arrays) - 1, value.dtype.str, value.shape
        if isinstance(value, np.generic):
            return value.item()
        raise TypeError(f"a snapshot cannot hold a {type(value).__name__}")

    header = msgspec.msgpack.Encoder(enc_hook=out_of_band).encode((FORMAT, snapshot))
    return [memoryview(header), *arrays]


def from_parts(parts: Sequence[memoryview]) -> Snapshot:
    """Read what `to_parts` made. Its arrays are views into the parts. FormatError if it is of another program."""
    if not parts:
        raise FormatError("a snapshot without a header", "restart slotwatch")
    arrays = parts[1:]

    def placed(kind: type, value: object) -> object:
        return _array(arrays, value)

    try:
        number = msgspec.msgpack.Decoder(tuple[int, msgspec.Raw]).decode(parts[0])[0]
        if number != FORMAT:
            raise FormatError(f"a snapshot has format {number}, this program reads {FORMAT}", "restart slotwatch")
        return msgspec.msgpack.Decoder(tuple[int, Snapshot], dec_hook=placed).decode(parts[0])[1]
    except msgspec.DecodeError as error:
        raise FormatError(f"a snapshot cannot be read: {error}", "restart slotwatch") from None


def _array(parts: Sequence[memoryview], value: object) -> NDArray[np.generic]:
    """Return one array. ValueError, which the decoder reports with its place, if it does not fit."""
    try:
        place, kind, shape = msgspec.convert(value, tuple[int, str, tuple[int, ...]])
        dtype = np.dtype(kind)
    except (msgspec.ValidationError, TypeError):
        raise ValueError("not an array") from None
    if dtype.kind not in KINDS or not 0 <= place < len(parts):
        raise ValueError("not an array of numbers")
    if min(shape, default=0) < 0 or math.prod(shape) * dtype.itemsize != parts[place].nbytes:
        raise ValueError("its size is not that of its shape")
    flat: NDArray[np.generic] = np.frombuffer(parts[place], dtype) if parts[place].nbytes else np.empty(0, dtype)
    return flat.reshape(shape)
