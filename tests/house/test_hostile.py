"""Any bytes at all are a house or lines that say what is wrong; never another exception."""

from __future__ import annotations

import random
import re

from hypothesis import given, settings
from hypothesis import strategies as st

from slotwatch.edge.shared.shipped import directory
from slotwatch.errors import HouseFileError
from slotwatch.house.conflicts import conflicts
from slotwatch.house.load import load_house
from slotwatch.house.schema import House

from .reading import TODAY, reader
from .test_mvr import WASH, description, mode, read_gdtf, zipped

EXAMPLES = [path.read_text() for path in sorted((directory("config") / "examples").glob("*.toml"))]
FILES: dict[str, str | bytes] = {path.name: path.read_bytes() for path in (directory("config") / "examples").iterdir()}
VALUES = (
    *(
        "0",
        "-1",
        "1",
        "512",
        "513",
        "65536",
        "1e400",
        "nan",
        "inf",
        '""',
        '"x"',
        '"e131/1"',
        '"line/x"',
        '"serial:/dev/x"',
    ),
    *("[]", "[1]", '["a"]', "[[1], [2]]", "{}", "{ a = 1 }", "true", "2026-01-01", "07:00:00", "2026-01-01T00:00:00Z"),
    *("0x7fffffffffffffff", "-9223372036854775808", '"\\u0000"', '"../../x"', "[1, 2, 3]", "[3, 1]", "[0.5, 18]"),
)


def load(text: str | bytes, files: dict[str, str | bytes]) -> House | list[str]:
    try:
        return load_house("house.toml", reader({**files, "house.toml": text}), TODAY)
    except HouseFileError as error:
        assert error.lines and all("\n" not in line for line in error.lines)
        return error.lines


@given(st.binary(max_size=300))
def test_any_bytes_are_a_house_or_a_line(data: bytes) -> None:
    load(data, {})


@given(st.integers(0, 1 << 32))
@settings(max_examples=300, deadline=None)
def test_any_value_in_any_place_is_a_house_or_a_line(seed: int) -> None:
    """Values of shipped houses are replaced by others of every kind, whole lines are dropped or doubled."""
    chance = random.Random(seed)
    lines = chance.choice(EXAMPLES).splitlines()
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(lines))
        if chance.random() < 0.2:
            lines[at] = ""
        elif chance.random() < 0.1:
            lines.insert(at, lines[chance.randrange(len(lines))])
        else:
            lines[at] = re.sub(r"= .*", lambda _: f"= {chance.choice(VALUES)}", lines[at])
    found = load("\n".join(lines), FILES)
    if isinstance(found, House):
        conflicts(found)


@given(st.integers(0, 1 << 32))
@settings(max_examples=150, deadline=None)
def test_any_damage_to_a_fixture_type_is_modes_or_a_line(seed: int) -> None:
    chance = random.Random(seed)
    data = bytearray(chance.choice([WASH, description(mode("m"))]))
    for _ in range(chance.randint(1, 8)):
        at = chance.randrange(len(data))
        if chance.random() < 0.5:
            data[at] = chance.randrange(32, 127)
        else:
            del data[at : at + chance.randint(1, 12)]
    packed = bytearray(zipped({"description.xml": bytes(data)}))
    if chance.random() < 0.3:
        packed[chance.randrange(len(packed))] = chance.randrange(256)
    try:
        modes = read_gdtf("x.gdtf", bytes(packed)).modes
    except HouseFileError as error:
        assert len(error.lines) == 1
        return
    assert all(len(slots) <= 512 for one in modes.values() for slots in one.breaks.values())
