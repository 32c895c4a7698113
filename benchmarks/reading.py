"""How long the largest house files take to read, and a flood of newcomers where many sources are declared:
`python -m benchmarks.reading`. Processor seconds of one process; that cost grows with size alone is shown by tests."""

from __future__ import annotations

import io
import re
import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

from slotwatch.house.conflicts import conflicts
from slotwatch.house.schema import DeclaredSource, House
from tests.house.reading import house_of
from tests.house.test_conflicts import large_house
from tests.house.test_loops import in_loops
from tests.house.test_mvr import fixture, read, scene, zipped
from tests.model.packets import MS, START, Bench, Sent, cid, e131

SCENE = "GeneralSceneDescription.xml"


def show(what: str, work: Callable[[], object]) -> None:
    began_s = time.process_time()
    work()
    print(f"{what}: {time.process_time() - began_s:.2f} s")


def mvr(pattern: bytes, replace: Callable[[bytes], bytes]) -> bytes:
    """A scene of one fixture in which a part is replaced."""
    with tempfile.TemporaryDirectory() as directory:
        data = scene(Path(directory), fixture("N", [(0, 1, 5)]))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    entries[SCENE] = re.sub(pattern, lambda found: replace(found[0]), entries[SCENE], flags=re.DOTALL)
    return zipped(entries)


def flood(declared: int) -> None:
    sources = tuple(DeclaredSource(f"{i}", address=f"10.30.{i >> 8}.{i & 255}") for i in range(declared))
    sent = [Sent(START + i * MS, e131(b"\1", source=cid(i), universe=1 + i), "10.9.0.1") for i in range(1000)]
    Bench(House(sources=sources)).feed_split(sent, [64])


def main() -> None:
    text, patch = large_house(512)
    show("a patch of 19,968 fixtures, with its conflicts", lambda: conflicts(house_of(text, patch_csv=patch)))
    many = mvr(
        rb"<Fixture .*</Fixture>",
        lambda one: b"".join(one.replace(b"FixtureID>N<", b"FixtureID>%d<" % n) for n in range(10_000)),
    )
    show("an MVR file of 10,000 fixtures", lambda: read(many))
    none = mvr(rb"<Addresses>.*</Addresses>", lambda _: b"<Addresses>" + b"<Address/>" * 800_000 + b"</Addresses>")
    show("one with 800,000 addresses that are none", lambda: read(none))
    chain = [(number, number + 1, False) for number in range(1, 1000)]
    show("a chain of 1,000 routes", lambda: in_loops(chain))
    for declared in (8, 800):
        show(f"1,000 newcomers where {declared} sources are declared", lambda declared=declared: flood(declared))


if __name__ == "__main__":
    main()
