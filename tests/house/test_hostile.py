"""Any bytes at all are a house or lines that say what is wrong; never another exception."""

from __future__ import annotations

import random
import re
import tracemalloc

import pytest
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


LYING = {
    "a key of many parts": (
        ".".join(["a"] * 20_000) + " = 1\n",
        "house.toml:1: a.a.a.a.a.a.a.a.… - a key has at most 8",
    ),
    "a header of many parts": ("[" + ".".join(["a"] * 20_000) + "]\n", "a key has at most 8 parts"),
    "a long number": ("[limits]\nmin_refresh_hz = " + "9" * 5000, "house.toml:2: 999"),
    "a long hexadecimal number": ("[limits]\nmin_refresh_hz = 0x" + "f" * 50_000, "of more than 64 digits"),
    "a number that no computer counts": ("[limits]\nmin_refresh_hz = " + "9" * 60, "limits.min_refresh_hz"),
    "lists in lists": ("a = " + "[" * 19_000, "nested too deeply"),
    "many tables": ("[[universes]]\n" * 20_001, "it holds more than 20000 tables"),
    "a long text": ('[house]\nname = "' + "x" * 400_000 + '"\n', "one line of at most 4096"),
    "a text that does not end": ('[house]\nname = """' + "x" * 400_000, "unterminated string"),
    "many backslashes": ('[house]\nname = """' + "\\" * 2_000_000, "it holds more than 20000 backslashes"),
    "many values": ("[listen]\ninterfaces = [" + '"e",' * 200_001 + "]", "more than 200000 keys and values"),
}


@pytest.mark.parametrize("name", LYING)
def test_a_file_that_would_take_long_is_refused_before_it_does(name: str) -> None:
    """Memory measures the work: each of these took seconds or gigabytes once."""
    text, wanted = LYING[name]
    tracemalloc.start()
    try:
        found = load(text, {})
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert isinstance(found, list) and wanted in found[0]
    assert peak < 32 << 20


def test_texts_and_comments_hold_no_keys_and_no_numbers() -> None:
    text = '[house]\nname = "a.b.c.d.e.f.g.h.i.j.k"  # a.b.c.d.e.f.g.h.i.j\n[listen]\ninterfaces = ["lo"]\n'
    text += f"[http]\n# {'9' * 99}\ntoken_file = '{'f' * 99}'\n"
    found = load(text, {})
    assert isinstance(found, House) and found.name == "a.b.c.d.e.f.g.h.i.j.k"


@pytest.mark.parametrize("quotes", [3, 4, 5])
def test_a_text_of_several_lines_may_end_with_quotes_of_its_own(quotes: int) -> None:
    """TOML 1.0, String: up to two quotes may stand before the three that end it. What follows is read again."""
    found = load(f'[house]\nname = """a{chr(34) * quotes}\n{".".join(["a"] * 20)} = 1 # "\n', {})
    assert isinstance(found, list) and "a key has at most 8 parts" in found[0]


def test_of_many_problems_the_first_fifty_are_listed_and_the_others_are_counted() -> None:
    wrong = '[[universes]]\nprotocol = "e132"\nnumber = 1\n'
    found = load("[listen]\ninterfaces = ['lo']\n" + wrong * 60, {})
    assert isinstance(found, list) and len(found) == 51
    assert found[49].startswith("house.toml:") and found[50] == "house.toml: and 10 more problems"
    found = load("[listen]\ninterfaces = ['lo']\n" + wrong * 5000, {})
    assert isinstance(found, list) and len(found) == 51
    assert found[50] == "house.toml: and at least 950 more problems"


@pytest.mark.parametrize(("data", "wanted"), [(b"hello", "no zip archive"), (b"", "an MVR file is expected")])
def test_an_mvr_file_that_is_no_archive_is_not_read_as_a_list(data: bytes, wanted: str) -> None:
    """DIN SPEC 15801: an MVR file is a zip archive."""
    house = '[listen]\ninterfaces = ["eth1"]\n[patch]\nfile = "show.mvr"\n'
    (line,) = (line for line in load(house, {"show.mvr": data}) if line.startswith("show.mvr"))  # type: ignore[union-attr]
    assert wanted in line
