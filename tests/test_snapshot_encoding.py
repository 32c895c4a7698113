"""A snapshot crosses as typed values and bytes of arrays; whatever else is in the memory is refused."""

from __future__ import annotations

from dataclasses import fields, replace

import msgspec
import numpy as np
import pytest

from slotwatch.errors import FormatError
from slotwatch.snapshot import Snapshot
from slotwatch.snapshot.counters import Counters, LagHistogram
from slotwatch.snapshot.encoding import FORMAT, from_parts, to_parts
from tests.views.fabricate import snapshot


def crossed(made: Snapshot) -> Snapshot:
    return from_parts([memoryview(bytes(part)) for part in to_parts(made)])


def test_every_field_crosses_whole() -> None:
    counters = Counters(
        packets={"e131": 3}, rejected={("e131", "too-short"): 1}, judging_lag=LagHistogram((0.1,), (2, 1), 0.3)
    )
    made = snapshot(5, counters=counters)
    again = crossed(made)
    for field in fields(Snapshot):
        before, after = getattr(made, field.name), getattr(again, field.name)
        if field.name in ("universes", "streams"):
            assert list(before) == list(after)
            assert all(
                np.array_equal(before[name], after[name], equal_nan=before[name].dtype.kind == "f") for name in before
            )
            assert all(before[name].dtype == after[name].dtype for name in before)
        elif isinstance(before, np.ndarray):
            assert np.array_equal(before, after) and before.dtype == after.dtype, field.name
        else:
            assert before == after, field.name


def test_a_snapshot_without_universes_crosses() -> None:
    made = snapshot(1, incidents=())
    made.levels = made.levels[:0]
    made.universes = {name: column[:0] for name, column in made.universes.items()}
    again = crossed(made)
    assert again.levels.shape == (0, 512) and len(again.universes["state"]) == 0


def test_an_array_that_is_not_contiguous_crosses() -> None:
    made = snapshot(4)
    made.levels = np.asfortranarray(np.arange(4 * 512, dtype=np.uint8).reshape(4, 512))
    assert np.array_equal(crossed(made).levels, made.levels)


def test_another_format_is_refused_in_one_sentence() -> None:
    with pytest.raises(FormatError) as refused:
        from_parts([memoryview(msgspec.msgpack.encode((FORMAT - 1, {"a": 1})))])
    assert refused.value.lines == [
        f"a snapshot has format {FORMAT - 1}, this program reads {FORMAT}; restart slotwatch"
    ]


@pytest.mark.parametrize(
    "header",
    [b"", b"\x80", b"junk", msgspec.msgpack.encode((FORMAT, 5)), msgspec.msgpack.encode((FORMAT, {"sequence": "x"}))],
)
def test_what_is_no_snapshot_is_refused(header: bytes) -> None:
    with pytest.raises(FormatError, match="cannot be read"):
        from_parts([memoryview(header)])
    with pytest.raises(FormatError, match="without a header"):
        from_parts([])


@pytest.mark.parametrize(
    ("array", "why"),
    [
        ((0, "|O", (1,)), "not an array of numbers"),
        ((99, "|u1", (1,)), "not an array of numbers"),
        ((0, "|u1", (10**12,)), "its size is not that of its shape"),
        ((0, "|u1", (-1,)), "its size is not that of its shape"),
        ((0, "no type", (1,)), "not an array"),
        ("levels", "not an array"),
    ],
)
def test_an_array_that_does_not_fit_is_refused(array: object, why: str) -> None:
    """Objects, places past the end and sizes that would read other memory."""
    parts = [memoryview(bytes(part)) for part in to_parts(snapshot(2))]
    number, held = msgspec.msgpack.decode(parts[0])
    parts[0] = memoryview(msgspec.msgpack.encode((number, held | {"levels": array})))
    with pytest.raises(FormatError, match=why):
        from_parts(parts)


def test_what_is_not_a_value_cannot_be_written() -> None:
    made = snapshot(1)
    made.house.listener = replace(made.house.listener, counted={"thing": object()})  # type: ignore[dict-item]
    with pytest.raises(TypeError, match="a snapshot cannot hold a object"):
        to_parts(made)
