"""Every piece of a house file that the documents show is taken by the loader, with what it refers to."""

from __future__ import annotations

import re
from datetime import date

import pytest

from slotwatch.house.load import load_house
from tests.documents import Block, blocks

BASE = {
    "listen": '[listen]\ninterfaces = ["eth1"]\nprotocols = ["e131", "artnet"]\n',
    "universes": '[[universes]]\nprotocol = "e131"\nnumber = 12\n',
    "profiles": '[[profiles]]\nname = "lamp"\nslots = ["intensity"]\nload_w = 60\n',
    "patch": '[patch]\nfile = "patch.csv"\n',
}
"""What a piece may refer to. A section that the piece has itself is left out."""
PATCH = "fixture,universe,address,profile,label\n1,{},1,lamp,ghost light\n"
HOUSES = [one for one in blocks() if one.kind == "house"]


def read(name: str, files: dict[str, str]) -> bytes:
    return files[name.rsplit("/", 1)[-1]].encode()


@pytest.mark.parametrize("block", HOUSES, ids=str)
def test_the_loader_takes_it(block: Block) -> None:
    own = set(re.findall(r"^\[+(\w+)\]+$", block.text, re.M))
    around = "".join(text for name, text in BASE.items() if name not in own)
    universe = "e131/1" if "universes" in own else "e131/12"
    files = {"house.toml": f"{around}\n{block.text}", "patch.csv": PATCH.format(universe)}
    house = load_house("house.toml", lambda name: read(name, files), date(2026, 11, 27))
    assert house.universes and own


def test_the_fixture_list_is_a_patch() -> None:
    (shown,) = (one for one in blocks() if one.text.startswith("fixture,universe"))
    universes = '[listen]\ninterfaces = ["eth1"]\n[[universes]]\nprotocol = "e131"\nnumber = 1\n'
    files = {"house.toml": f'{universes}[patch]\nfile = "patch.csv"\n', "patch.csv": shown.text}
    house = load_house("house.toml", lambda name: read(name, files), date(2026, 11, 27))
    assert [one.label for one in house.fixtures][:2] == ["Front left", "Front right"]


def test_every_other_block_is_known() -> None:
    """What is neither typed, nor loaded, nor a program is a sample of output, or a list that another test reads."""
    others = {one.page: one.text.split()[0] for one in blocks() if one.kind == "other"}
    assert others == {
        "patch.md": "fixture,universe,address,footprint,label",
        "references.md": "3",
        "switches.md": "user",
        "usual.md": "Frames",
    }
