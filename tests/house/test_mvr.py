"""MVR and GDTF: written by pymvr's own writer, footprints by pygdtf, and hostile archives refused in one line."""

from __future__ import annotations

import io
import re
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pygdtf
import pymvr
import pytest

from slotwatch.errors import HouseFileError
from slotwatch.house.archive import repacked
from slotwatch.house.cells import Addressing
from slotwatch.house.gdtf import read_gdtf, role
from slotwatch.house.mvr import read_mvr
from slotwatch.house.patch import Patch
from slotwatch.house.schema import Profile
from slotwatch.wire.universe import Protocol, UniverseId
from tests.steps import built_in_calls, steps

WIRE = Addressing(None, {"1": UniverseId(Protocol.E131, 11), "2": UniverseId(Protocol.ARTNET, 0)})


def channel(offset: str, attribute: str, geometry: str = "Body", dmx_break: str = "1", function: str = "") -> str:
    return (
        f'<DMXChannel DMXBreak="{dmx_break}" Offset="{offset}" Geometry="{geometry}">'
        f'<LogicalChannel Attribute="{attribute}"><ChannelFunction Name="f" Attribute="{attribute}" {function}/>'
        "</LogicalChannel></DMXChannel>"
    )


def description(modes: str, geometries: str = '<Geometry Name="Body"/>') -> bytes:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><GDTF DataVersion="1.2"><FixtureType Name="Invented" '
        'Manufacturer="Nobody" FixtureTypeID="00000000-0000-0000-0000-000000000001" Description="">'
        f"<Geometries>{geometries}</Geometries><DMXModes>{modes}</DMXModes></FixtureType></GDTF>"
    ).encode()


def mode(name: str, *channels: str) -> str:
    return f'<DMXMode Name="{name}" Geometry="Body"><DMXChannels>{"".join(channels)}</DMXChannels></DMXMode>'


WASH = description(
    mode(
        "Standard",
        channel("1,2", "Dimmer"),
        channel("3", "Shutter1Strobe", function='PhysicalFrom="0.5" PhysicalTo="18"'),
        channel("4,5", "Pan"),
        channel("6,7", "Tilt"),
        channel("8", "ColorAdd_R"),
        channel("10", "Control1"),
    )
    + mode("Two parts", channel("1", "Dimmer"), channel("2", "Pan"), channel("1", "ColorAdd_R", "Body", "2"))
)


def zipped(entries: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", method) as archive:
        for name, held in entries.items():
            archive.writestr(name, held)
    return made.getvalue()


def fixture(number: str, addresses: list[tuple[int, int, int]], mode_name: str = "Standard") -> pymvr.Fixture:
    made = [pymvr.Address(dmx_break=b, universe=u, address=a) for b, u, a in addresses]
    return pymvr.Fixture(
        name=f"Wash {number}",
        fixture_id=number,
        gdtf_spec="Wash.gdtf",
        gdtf_mode=mode_name,
        addresses=pymvr.Addresses(addresses=made),
    )


def scene(tmp_path: Path, *fixtures: pymvr.Fixture, wash: bytes | None = WASH) -> bytes:
    """An MVR file as pymvr writes it."""
    layer = pymvr.Layer(name="Grid", child_list=pymvr.ChildList(fixtures=list(fixtures)))
    writer = pymvr.GeneralSceneDescriptionWriter()
    writer.serialize_scene(pymvr.Scene(layers=pymvr.Layers(layers=[layer])))
    if wash is not None:
        (tmp_path / "Wash.gdtf").write_bytes(zipped({"description.xml": wash}))
        writer.files_list = [(str(tmp_path / "Wash.gdtf"), "Wash.gdtf")]
    writer.write_mvr(str(tmp_path / "show.mvr"))
    return (tmp_path / "show.mvr").read_bytes()


def read(data: bytes, profiles: list[Profile] | None = None) -> Patch:
    return read_mvr("show.mvr", data, WIRE, profiles or [], ("Audience",))


def test_an_address_below_1_is_named_and_no_universe_is_asked_for(tmp_path: Path) -> None:
    """MVR (DIN SPEC 15801) counts absolute addresses from 1."""
    patch = read(scene(tmp_path, fixture("101", [(0, -1, 5)])))
    assert [(one.key, one.holds) for one in patch.problems] == [("101 address", "-1019")]
    assert patch.problems[0].wanted == "an absolute address from 1 is expected"


def test_one_is_counted_as_one(tmp_path: Path) -> None:
    patch = read(scene(tmp_path, fixture("101", [(0, 1, 1)]), fixture("101", [(0, 2, 1)]), fixture("9", [])))
    assert patch.notes == [
        "show.mvr: 2 addresses of 1 fixture type",
        "show.mvr: 1 fixture has no address and is not patched",
        "show.mvr: 1 fixture shares its number with another and is counted #2",
    ]


def test_scene_of_pymvrs_writer_loads(tmp_path: Path) -> None:
    patch = read(scene(tmp_path, fixture("101", [(0, 1, 101)]), fixture("102", [(0, 2, 1)])))
    assert not patch.problems
    assert [(f.name, str(f.universe), f.address, f.position, f.label) for f in patch.fixtures] == [
        ("101", "e131/11", 101, "Grid", "Wash 101"),
        ("102", "artnet/0", 1, "Grid", "Wash 102"),
    ]
    assert patch.fixtures[0].slots == (
        *("intensity", "intensity-fine", "strobe", "pan", "pan-fine", "tilt", "tilt-fine", "red", "", "control"),
    )
    assert patch.profiles[0].strobe_hz == (0.5, 18.0)


def test_footprints_are_pygdtfs(tmp_path: Path) -> None:
    """The slots of every break are as many as pygdtf counts, gaps included."""
    read_by_us = read_gdtf("Wash.gdtf", zipped({"description.xml": WASH})).modes
    (tmp_path / "Wash.gdtf").write_bytes(zipped({"description.xml": WASH}))
    with pygdtf.FixtureType(str(tmp_path / "Wash.gdtf")) as theirs:
        for one in theirs.dmx_modes:
            ours = read_by_us[one.name].breaks
            assert sum(len(slots) for slots in ours.values()) == one.dmx_channels_count
            assert {b.dmx_break: b.channels_count for b in one.dmx_breaks} == {n: len(s) for n, s in ours.items()}


@pytest.mark.parametrize("breaks", [(1, 2), (0, 1)], ids=["from 1", "from 0"])
def test_breaks_of_one_fixture_lie_apart(tmp_path: Path, breaks: tuple[int, int]) -> None:
    """MVR numbers breaks from 0 by default and GDTF from 1 (DIN SPEC 15801 and 15800): both are understood."""
    patch = read(scene(tmp_path, fixture("7", [(breaks[0], 1, 1), (breaks[1], 2, 9)], "Two parts")))
    assert [(f.name, str(f.universe), f.address, f.slots) for f in patch.fixtures] == [
        ("7", "e131/11", 1, ("intensity", "pan")),
        (f"7 break {breaks[1]}", "artnet/0", 9, ("red",)),
    ]


def test_addresses_that_fit_no_break_name_the_fixture_and_what_its_mode_has(tmp_path: Path) -> None:
    """It was said as "104 breaks: 0, 1", which reads as a count of 104."""
    found = read(scene(tmp_path, fixture("104", [(0, 1, 1), (1, 2, 9)])))
    assert [str(problem) for problem in found.problems] == [
        "show.mvr: fixture 104: addresses for the breaks 0, 1 - "
        "mode Standard of Wash.gdtf has break 1; one address for each is expected"
    ]


def test_geometry_references_repeat_their_channels() -> None:
    """A bar of three cells: each reference moves the channel by its DMXOffset (DIN SPEC 15800, Break)."""
    cells = "".join(
        f'<GeometryReference Name="C{n}" Geometry="Cell"><Break DMXOffset="{n}" DMXBreak="1"/></GeometryReference>'
        for n in (1, 2, 3)
    )
    data = description(
        mode("Cells", channel("1", "Dimmer", "Cell", "Overwrite")),
        f'<Geometry Name="Body">{cells}</Geometry><Geometry Name="Cell"/>',
    )
    assert read_gdtf("bar.gdtf", zipped({"description.xml": data})).modes["Cells"].breaks == {1: ("intensity",) * 3}


def test_universe_that_nobody_maps_is_asked_for_once(tmp_path: Path) -> None:
    patch = read(scene(tmp_path, fixture("1", [(0, 3, 1)]), fixture("2", [(0, 3, 20)]), fixture("3", [(0, 1, 1)])))
    assert [str(problem) for problem in patch.problems] == [
        "show.mvr: patch.universes: MVR universe 3 with 2 addresses - "
        'declare which universe it is: [patch] universes = { 3 = "e131/…" }'
    ]


def test_universes_that_nobody_maps_are_one_table_to_write(tmp_path: Path) -> None:
    """TOML 1.0.0, Table: a table may not be defined twice, so a line for each could not be copied."""
    patch = read(scene(tmp_path, *(fixture(str(n), [(0, n, 1)]) for n in (4, 3, 1))))
    assert [str(problem) for problem in patch.problems] == [
        "show.mvr: patch.universes: MVR universes 3, 4 with 2 addresses - "
        'declare which universe each is: [patch] universes = { 3 = "e131/…", 4 = "e131/…" }'
    ]
    many = read(scene(tmp_path, *(fixture(str(n), [(0, n, 1)]) for n in range(3, 20))))
    assert str(many.problems[0]).count("e131/…") == 12 and "17 addresses" in str(many.problems[0])


def test_address_that_is_none_is_not_patched(tmp_path: Path) -> None:
    """pymvr reads an empty address or 0 as universe 1, address 1; here it means "not patched"."""
    data = scene(tmp_path, fixture("1", [(0, 1, 5)]))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        text = archive.read("GeneralSceneDescription.xml").replace(b">5</Address>", b">0</Address>")
    patch = read(zipped({"GeneralSceneDescription.xml": text}))
    assert not patch.fixtures and patch.notes[1] == "show.mvr: 1 fixture has no address and is not patched"


def test_many_addresses_that_are_none_cost_by_their_number(tmp_path: Path) -> None:
    """800,000 of them, in an archive of 16 kB, took minutes."""
    count = 2000
    whole = b"<Addresses>" + b"<Address/>" * count + b"</Addresses>"
    archive = zipfile.ZipFile(io.BytesIO(scene(tmp_path, fixture("1", [(0, 1, 1)]))))
    text = re.sub(rb"<Addresses>.*?</Addresses>", whole, archive.read("GeneralSceneDescription.xml"), flags=re.S)
    with steps() as ran, built_in_calls() as called:
        assert read(zipped({"GeneralSceneDescription.xml": text})).notes
    assert count < ran.count < 20 * count, "each is looked at"
    assert called["remove"] == 0, "what is removed one by one moves all that follow it, each time"


def test_fixture_types_of_one_scene_share_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """60 types of 900,000 elements each, a file of 39 kB, took more than a minute. A bound of our own, no source."""
    monkeypatch.setattr("slotwatch.house.archive.MAX_TYPE_ELEMENTS", 500)
    first, second = fixture("1", [(1, 1, 1)]), fixture("2", [(1, 1, 101)])
    second.gdtf_spec = "Other.gdtf"
    padded = WASH.replace(b"</GDTF>", b"<x/>" * 300 + b"</GDTF>")
    with zipfile.ZipFile(io.BytesIO(scene(tmp_path, first, second, wash=None))) as made:
        entries = {name: made.read(name) for name in made.namelist()}
    of_type = zipped({"description.xml": padded})
    patch = read(zipped({**entries, "Wash.gdtf": of_type, "Other.gdtf": of_type}))
    assert [(one.file, one.wanted) for one in patch.problems] == [
        ("show.mvr/Other.gdtf", "description.xml in it has too many elements, with the fixture types before it")
    ]
    assert [one.name for one in patch.fixtures] == ["1", "2"]


def test_shared_numbers_are_counted_and_reported(tmp_path: Path) -> None:
    patch = read(scene(tmp_path, fixture("5", [(0, 1, 1)]), fixture("5", [(0, 1, 11)])))
    assert [f.name for f in patch.fixtures] == ["5", "5 #2"]
    assert "1 fixture shares its number" in patch.notes[-1]


def test_unknown_mode_is_kept_without_roles(tmp_path: Path) -> None:
    patch = read(scene(tmp_path, fixture("5", [(0, 1, 1)], "Nonsense"), wash=None))
    assert [(f.profile, f.slots, f.is_size_known) for f in patch.fixtures] == [("Wash Nonsense", ("",), False)]
    assert "Wash.gdtf is not in the archive" in patch.notes[1]


def test_the_houses_own_profile_wins_over_the_archives(tmp_path: Path) -> None:
    own = [Profile("wash standard", ("intensity", "strobe"))]
    patch = read(scene(tmp_path, fixture("5", [(0, 1, 1)])), own)
    assert patch.fixtures[0].slots == ("intensity", "strobe") and not patch.profiles


def test_roles_of_attributes() -> None:
    assert [role(name, 0) for name in ("Dimmer", "Shutter1", "Shutter1Strobe", "FixtureGlobalReset", "Gobo1Pos")] == [
        *("intensity", "strobe", "strobe", "control", "gobo1-pos"),
    ]
    assert role("Pan", 1) == "pan-fine" and role("NoFeature", 1) == ""


def _bomb() -> bytes:
    return zipped({"GeneralSceneDescription.xml": b"<a>" + b" " * (65 << 20) + b"</a>"})


def _entities() -> bytes:
    lol = '<!DOCTYPE a [<!ENTITY x "lol">' + "".join(f'<!ENTITY x{n} "&x;&x;&x;&x;">' for n in range(9)) + "]>"
    return zipped({"GeneralSceneDescription.xml": f"<?xml version='1.0'?>{lol}<a>&x8;</a>".encode()})


def _twice() -> bytes:
    data = zipped({"GeneralSceneDescription.xml": b"<a/>", "GeneralSceneDescription.xmL": b"<b/>"})
    return data.replace(b"xmL", b"xml")


def _many() -> bytes:
    return zipped({f"{n}": b"" for n in range(20_001)}, zipfile.ZIP_STORED)


def _directory() -> bytes:
    data = bytearray(zipped({"GeneralSceneDescription.xml": b"<a/>"}))
    at = data.rfind(b"PK\5\6")
    data[at + 12 : at + 16] = struct.pack("<I", 5 << 20)
    return bytes(data)


def _encrypted() -> bytes:
    data = bytearray(zipped({"GeneralSceneDescription.xml": b"<a/>"}))
    data[data.rfind(b"PK\1\2") + 8] |= 1
    return bytes(data)


HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "bomb": (_bomb, "GeneralSceneDescription.xml in it unpacks to more than 200 times its size"),
    "many elements": (
        lambda: zipped({"GeneralSceneDescription.xml": b"<a>" + b"<b/>" * 1_000_001 + b"</a>"}),
        "has too many elements or is nested too deeply",
    ),
    "too long": (
        lambda: zipped({"GeneralSceneDescription.xml": b"<a>" + b" " * (64 << 20) + b"</a>"}, zipfile.ZIP_STORED),
        "GeneralSceneDescription.xml in it unpacks to more than 64 MiB",
    ),
    "entities": (_entities, "declares a DTD or entities, which such a file never needs"),
    "traversal": (lambda: zipped({"../../etc/cron.d/x": b""}), "it holds an entry that points outside of it"),
    "absolute": (lambda: zipped({"/etc/x": b""}), "it holds an entry that points outside of it"),
    "drive": (lambda: zipped({"C:\\x": b""}), "it holds an entry that points outside of it"),
    "entry twice": (_twice, "it holds 'GeneralSceneDescription.xml' twice"),
    "many entries": (_many, "it holds more than 20000 entries"),
    "large directory": (_directory, "its list of entries is larger than 4 MiB"),
    "encrypted": (_encrypted, "it is encrypted"),
    "other method": (lambda: zipped({"x": b"1" * 99}, zipfile.ZIP_LZMA), "packed by a method"),
    "cut short": (lambda: zipped({"x": b"1" * 999})[:-30], "it may be cut short"),
    "no archive": (lambda: b"a text", "it is not a zip archive"),
    "no scene": (lambda: zipped({"x": b""}), "so it is not an MVR file"),
    "a spreadsheet": (lambda: zipped({"[Content_Types].xml": b"", "xl/workbook.xml": b""}), "save the list as CSV"),
    "another spreadsheet": (lambda: zipped({"META-INF/manifest.xml": b"", "content.xml": b""}), "save the list as CSV"),
    "no xml": (lambda: zipped({"GeneralSceneDescription.xml": b"hello"}), "is not XML"),
    "deep": (
        lambda: zipped({"GeneralSceneDescription.xml": b"<a>" * 300 + b"</a>" * 300}),
        "has too many elements or is nested too deeply",
    ),
    "nonsense number": (
        lambda: zipped(
            {
                "GeneralSceneDescription.xml": b"<G><Scene><Layers><Layer><ChildList><Fixture><UnitNumber>x"
                b"</UnitNumber></Fixture></ChildList></Layer></Layers></Scene></G>"
            }
        ),
        "pymvr cannot read it: ValueError",
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_archive_is_one_line(name: str) -> None:
    make, wanted = HOSTILE[name]
    with pytest.raises(HouseFileError) as raised:
        read(make())
    assert len(raised.value.lines) == 1 and wanted in raised.value.lines[0]


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        (description(mode("m", channel("2147483647", "Dimmer"))), "a channel has the offset '2147483647'"),
        (description(mode("m", channel("1,2,3,4,5", "Dimmer"))), "a channel has the offset"),
        (description(mode("m", channel("1", "Dimmer", "Body", "9999999"))), "a channel has the break '9999999'"),
        (
            description(
                mode("m", channel("1", "Dimmer")),
                '<Geometry Name="Body"><GeometryReference Geometry="Body"/></Geometry>',
            ),
            "its geometries refer to themselves",
        ),
        (
            description(
                mode("m", channel("1", "Dimmer")),
                "".join(
                    f'<Geometry Name="G{n}">' + f'<GeometryReference Geometry="G{n + 1}"/>' * 10 + "</Geometry>"
                    for n in range(9)
                ),
            ),
            "or to too many others",
        ),
    ],
)
def test_hostile_fixture_type_is_one_line(data: bytes, wanted: str) -> None:
    with pytest.raises(HouseFileError) as raised:
        read_gdtf("x.gdtf", zipped({"description.xml": data}))
    assert len(raised.value.lines) == 1 and wanted in raised.value.lines[0]


def test_fixtures_cost_by_their_number(tmp_path: Path) -> None:
    data = scene(tmp_path, fixture("N", [(0, 1, 5)]))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    text = entries["GeneralSceneDescription.xml"].decode()
    first, last = text.index("<Fixture "), text.index("</Fixture>") + len("</Fixture>")
    one = text[first:last]

    def load(count: int) -> None:
        several = "".join(one.replace("FixtureID>N<", f"FixtureID>{n}<") for n in range(count))
        entries["GeneralSceneDescription.xml"] = (text[:first] + several + text[last:]).encode()
        assert len({fixture.name for fixture in read(zipped(entries)).fixtures}) == count

    with steps() as few:
        load(500)
    with steps() as many:
        load(2000)
    assert many.count < 5 * few.count
    load(10_000)


def test_repacked_archive_holds_only_the_checked_document() -> None:
    from xml.etree.ElementTree import fromstring

    with zipfile.ZipFile(repacked("a.xml", fromstring("<a b='c'/>"))) as archive:
        assert archive.namelist() == ["a.xml"]
