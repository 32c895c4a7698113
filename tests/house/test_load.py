"""House files: every fault at once at its line, the exact sentence, and what a good file means."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from slotwatch.errors import HouseFileError
from slotwatch.house.load import load_house
from slotwatch.house.rule_names import RULE_NAMES
from slotwatch.house.schema import House, Limits, Phase, Profile
from slotwatch.house.sections import SECTIONS
from slotwatch.wire.universe import Protocol, UniverseId

from .reading import TODAY, faults_of, house_of, reader

INVALID = sorted((Path(__file__).parent / "invalid").glob("*.toml"))
U1 = '[[universes]]\nprotocol = "e131"\nnumber = 1\n'


@pytest.mark.parametrize("path", INVALID, ids=lambda path: path.stem)
def test_invalid_file_says_exactly_what_is_wrong(path: Path) -> None:
    """One tiny file per rule; its wanted lines are comments: `# wants :line: …`."""
    text = path.read_text()
    wanted = [line.removeprefix("# wants ") for line in text.splitlines() if line.startswith("# wants ")]
    with pytest.raises(HouseFileError) as raised:
        load_house(path.name, reader({path.name: text}), TODAY)
    assert [line.removeprefix(path.name) for line in raised.value.lines] == wanted
    assert wanted


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ('label = "Rack', 'a text ends with a quote as it began: "…"'),
        ("label = “Rack”", 'a text stands in straight quotes: "…"'),
        ('names = ["Rack", “Rack 2”]', 'a text stands in straight quotes: "…"'),
        ('label = "Anna’s rack', 'a text ends with a quote as it began: "…"'),
        ("number = 07  # the stage’s", "a number is written without zeros in front"),
        ("label = Rack 1", 'a text stands in quotes: "…"'),
        ('label = "C:\\Users"', "in double quotes a backslash is written twice; in single quotes once"),
        ("expected = True", "write true or false, in lower case and without quotes"),
        ("expected = yes  # at last", "write true or false, in lower case and without quotes"),
        ("loss_timeout_s = 2,5", "decimals are written with a point, as in 2.5"),
        ("loss_timeout_s = 2.5s", "a number is written without its unit"),
        ("number = 07", "a number is written without zeros in front"),
        ("at = 18:55", 'a time of day stands in quotes: "18:55"'),
        ("address = 10.20.0.10", 'an address stands in quotes: "10.20.0.10"'),
        ("label: 1", 'between a key and its value stands =, as in name = "…"'),
        ("label = # later", "after = comes a value; to leave a key out, begin the line with #"),
        ('protocol = "e131"', "this key stands above already, in the same section"),
        ("[universes]", "each entry begins with [[universes]], in double brackets"),
        ("[house]", "a section may stand only once: put its keys together"),
    ],
)
def test_a_line_that_is_not_toml_says_what_is_meant(line: str, meant: str) -> None:
    """What TOML 1.0.0 wants of strings, booleans, numbers and tables, in words for somebody who does not know it."""
    (said,) = faults_of(f'[house]\nname = "a"\n[[universes]]\nprotocol = "e131"\n{line}\n')
    assert said.startswith(f"house.toml:5: {line.strip()[:60]} - this is not TOML: ") and said.endswith(f"; {meant}")


@pytest.mark.parametrize("line", ["number = [1, 2", "= 3", 'label = "a" number = 1'])
def test_where_it_is_not_clear_what_is_meant_nothing_is_guessed(line: str) -> None:
    (said,) = faults_of(f"[[universes]]\n{line}\n")
    assert "this is not TOML: " in said and ";" not in said


@pytest.mark.parametrize(
    ("written", "name"),
    [
        # Unicode 15, chapter 23.2: U+202E turns the direction of writing, U+200F marks it, U+200D joins.
        ("\u202eevil 2", "evil 2"),
        ("מסך\u200f 1", "מסך 1"),
        ("👩\u200d🎤 bar", "👩🎤 bar"),
        ("جسر", "جسر"),
    ],
)
def test_names_are_what_they_look_like_in_house_file_and_circuits_alike(written: str, name: str) -> None:
    """A rack with such a sign in its name had no circuit: the list's was read without it."""
    rack = f'[[racks]]\nname = "{written}"\nuniverse = "e131/1"\naddress = 1\nways = 2\n'
    text = f'{U1}{rack}[circuits]\nfile = "circuits.csv"\n'
    house = house_of(text, circuits_csv=f"circuit,rack,way\n1,{written},1\n")
    assert [rack.name for rack in house.racks] == [name]
    assert [one.rack for one in house.circuits] == [name]


def test_every_fault_is_reported_at_once() -> None:
    """Twelve different faults in one file are twelve lines, in the order of the file."""
    texts = [path.read_text() for path in INVALID if path.stem in ("cid", "universe-zero", "profile-role")]
    lines = faults_of("[listen]\ne131_port = 0\n" + "".join(texts) + "[limits]\nmin_refresh_hz = 0\n")
    assert [line.split(": ")[1].split(" ")[0] for line in lines] == [
        "listen.e131_port",
        "sources.cid",
        "profiles.slots",
        "universes.number",
        "limits.min_refresh_hz",
    ]
    numbers = [int(line.split(":")[1]) for line in lines]
    assert numbers == sorted(numbers)


def test_defaults_are_the_schemas_own() -> None:
    """A file that says nothing gives what the schema gives; the table of keys and the schema cannot drift apart."""
    house = house_of('[house]\nname = "x"\n')
    plain = House(name="x", file="house.toml")
    assert house == plain


def test_every_key_has_a_sentence_and_a_range_in_which_its_default_lies() -> None:
    for section in SECTIONS:
        assert section.sentence.endswith(".")
        for key in section.keys:
            assert key.sentence.endswith("."), key
            if key.low is not None and isinstance(key.default, int | float):
                assert key.low <= key.default <= (key.high or 0), key


def test_limits_come_from_the_universe_then_its_protocol_then_all() -> None:
    house = house_of(
        "[limits]\nmin_refresh_hz = 15\nloss_timeout_s = 2\n[limits.artnet]\nloss_timeout_s = 8\n"
        + U1
        + '[[universes]]\nprotocol = "artnet"\nnumber = 0\n[[universes]]\nprotocol = "e131"\nnumber = 2\n'
        + "loss_timeout_s = 1\n"
    )
    assert [universe.limits for universe in house.universes] == [Limits(15, 2), Limits(15, 8), Limits(15, 1)]
    assert house.limits[Protocol.LINE] == Limits(15, 1)


def test_artnet_address_is_net_subnet_universe() -> None:
    """net << 8 | subnet << 4 | universe: the 15-bit port-address of the Art-Net 4 specification."""
    house = house_of('[[universes]]\nprotocol = "artnet"\nnet = 127\nsubnet = 15\nuniverse = 15\n')
    assert house.universes[0].id == UniverseId(Protocol.ARTNET, 32767)


def test_networks_are_named_or_are_their_interfaces() -> None:
    text = '[listen]\ninterfaces = ["eth1", "eth2"]\n[[networks]]\nname = "B"\ninterface = "eth2"\n'
    house = house_of(text + U1 + 'networks = ["eth2", "eth1", "B"]\n')
    assert [(network.name, network.interface) for network in house.networks] == [("eth1", "eth1"), ("B", "eth2")]
    assert house.universes[0].networks == (1, 0)


def test_names_of_lines_are_universes() -> None:
    house = house_of(
        U1
        + '[[lines]]\nname = "feed"\nport = "/dev/ttyUSB1"\ncompare_with = "e131/1"\n'
        + '[[routes]]\nname = "in"\nfrom = "line/feed"\nto = "e131/9"\n'
    )
    assert house.routes[0].source == UniverseId(Protocol.LINE, 1)
    assert house.lines[0].compare_with == UniverseId(Protocol.E131, 1)


def test_unicast_of_a_universe_to_somebody_else_is_no_loop() -> None:
    """A multicast universe sent on by unicast to an old node is a wanted bridge."""
    route = '[[routes]]\nname = "r"\nfrom = "e131/1"\nto = "e131/1"\nto_address = "10.20.0.41"\n'
    assert house_of(U1 + route).routes[0].to_address == "10.20.0.41"


def test_same_universe_on_another_network_is_no_loop() -> None:
    text = '[listen]\ninterfaces = ["eth1", "eth2"]\n' + U1
    route = '[[routes]]\nname = "r"\nfrom = "e131/1@eth1"\nto = "e131/1"\nto_network = "eth2"\n'
    assert house_of(text + route).routes[0].to_network == 1
    assert faults_of(text + route.replace('"eth2"', '"eth1"'))


def test_overlay_adds_until_its_last_day() -> None:
    text = 'include = ["tour.toml"]\n' + U1 + '[[sources]]\nname = "desk"\nsource_name = "Desk A"\n'
    tour = 'until = 2026-11-25\n[[sources]]\nname = "tour desk"\naddress = "10.20.0.20"\n'
    tour += '[[universes]]\nprotocol = "e131"\nnumber = 9\n'
    on = house_of(text, date(2026, 11, 25), tour_toml=tour)
    assert [source.name for source in on.sources] == ["desk", "tour desk"]
    assert len(on.universes) == 2 and not on.notes
    after = house_of(text, date(2026, 11, 26), tour_toml=tour)
    assert len(after.universes) == 1
    assert after.notes == ("tour.toml is ignored: its last day was 2026-11-25",)


def test_overlay_may_not_change_the_house() -> None:
    lines = faults_of('include = ["tour.toml"]\n' + U1, tour_toml='[listen]\ninterfaces = ["eth9"]\n')
    assert lines == ["tour.toml:1: listen: an overlay may not hold this section; it belongs in the house file"] or (
        "an overlay may not hold this section" in lines[0] and lines[0].startswith("tour.toml:1:")
    )


def test_faults_of_an_overlay_name_its_own_lines() -> None:
    lines = faults_of('include = ["tour.toml"]\n' + U1, tour_toml='[[sources]]\nname = "t"\npriority = 300\n')
    assert lines == ["tour.toml:3: sources.priority: 300 - a value from 0 to 200 is expected"]


def test_times_are_in_the_houses_zone() -> None:
    house = house_of(
        '[house]\ntime_zone = "Europe/Berlin"\nphase = "show"\n'
        '[[quiet]]\nfrom = 2026-12-01T09:00:00\nto = "2026-12-01T13:00:00+00:00"\n'
        '[[timetable]]\ndays = ["sat", "mon"]\nat = 18:55:00\nphase = "pre-show"\n'
    )
    assert house.quiet[0].start == datetime(2026, 12, 1, 9, tzinfo=ZoneInfo("Europe/Berlin"))
    assert house.quiet[0].end == datetime(2026, 12, 1, 13, tzinfo=UTC)
    assert house.timetable[0].days == (0, 5) and house.timetable[0].at == time(18, 55)
    assert house.timetable[0].phase is Phase.PRE_SHOW and house.phase is Phase.SHOW


def test_profiles_keep_their_strobe_and_load() -> None:
    house = house_of('[[profiles]]\nname = "p"\nslots = ["intensity", "strobe"]\nstrobe_hz = [0.5, 18]\nload_w = 120\n')
    assert house.profiles == (Profile("p", ("intensity", "strobe"), (0.5, 18.0), 120.0, 1),)


def test_windows_line_ends_and_byte_order_mark_are_text() -> None:
    """The line numbers are those an editor shows."""
    text = "\ufeff[house]\r\nname = 3\r\n"
    assert faults_of(text) == ['house.toml:2: house.name: 3 - write a text in quotes: "…"']


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        (b"", "house.toml: it is empty; at least [house] and [listen] are expected"),
        (b" \n\n", "house.toml: it is empty; at least [house] and [listen] are expected"),
        (b"\x7fELF\0\0", "house.toml: it is a binary file, not text"),
        (b"\xff\xfe[\0", "house.toml: it is UTF-16; save it again as UTF-8"),
        (
            b'[house]\nname = "caf\xe9"\n',
            "house.toml:2: byte 0xe9 - the text is not UTF-8; save the file again as UTF-8",
        ),
        (b"#" * (5 << 20), "house.toml: it is larger than 4 MiB, so it cannot be such a file"),
        (b"a=" + b"[" * 100_000, "house.toml: lists and tables are nested too deeply"),
    ],
)
def test_what_is_no_house_file_is_one_line(data: bytes, wanted: str) -> None:
    with pytest.raises(HouseFileError) as raised:
        load_house("house.toml", reader({"house.toml": data}), TODAY)
    assert raised.value.lines == [wanted]


def test_rule_names_are_the_rule_tables() -> None:
    """The names that exceptions may use are those of the rule table."""
    from slotwatch.judge.catalog import CATALOG

    # "flapping" is how an incident is, and no condition that could be accepted.
    assert set(CATALOG) - {"flapping"} == RULE_NAMES


def test_every_value_of_the_schema_can_be_declared() -> None:
    """A field that is added to the schema without a key in the table would never be read."""
    from dataclasses import fields

    from slotwatch.house import outgoing, schema, service
    from slotwatch.house.sections import BY_NAME

    made = {
        "listen": (service.Listen, set()),
        "history": (service.HistoryTerms, set()),
        "recorder": (service.RecorderTerms, set()),
        "alerts": (outgoing.Alerts, set()),
        "mqtt": (outgoing.Mqtt, set()),
        "sources": (schema.DeclaredSource, {"line", "other_addresses"}),
        "universes": (schema.DeclaredUniverse, {"line", "id", "limits"}),
        "profiles": (schema.Profile, {"line"}),
        "racks": (schema.Rack, {"line"}),
        "receivers": (schema.Receiver, {"line"}),
        "lines": (schema.Line, {"line", "number"}),
        "routes": (schema.Route, {"line", "source", "source_network", "target", "target_serial"}),
        "accepted": (schema.Accepted, {"line", "networks"}),
        "quiet": (schema.Quiet, {"line", "start", "end"}),
        "timetable": (schema.TimetableRow, {"line"}),
        "excluded": (schema.Excluded, {"line"}),
    }
    for name, (kind, otherwise) in made.items():
        keys = {key.name for key in BY_NAME[name].keys}
        assert {one.name for one in fields(kind)} - otherwise <= keys, name


def test_universes_of_receivers_and_exceptions_may_name_their_network() -> None:
    # As documented: "Where the house has several networks, `e131/12@A`"
    house = house_of(
        '[listen]\ninterfaces = ["eth1", "eth2"]\n[[networks]]\nname = "A"\ninterface = "eth1"\n'
        '[[universes]]\nprotocol = "e131"\nnumber = 12\nnetworks = ["A", "eth2"]\n'
        '[[receivers]]\nname = "node"\naddress = "10.20.1.1"\nuniverses = ["e131/12@A"]\n'
        '[[accepted]]\nrule = "fast-refresh"\nreason = "by design"\nuniverses = ["e131/12@eth2", "e131/40"]\n'
    )
    (accepted,) = house.accepted
    twelve, forty = accepted.universes
    assert house.receivers[0].universes == (twelve,)
    assert accepted.networks == (1, None)
    assert accepted.covers(twelve, 1) and not accepted.covers(twelve, 0) and accepted.covers(forty, 0)


def test_a_source_that_nothing_can_match_is_reported() -> None:
    # As documented: of a source "every field that is given must match"; one without any would be nobody
    house = house_of('[[sources]]\nname = "desk"\n[[sources]]\nname = "spare"\naddress = "10.20.0.11"\n')
    assert [note for note in house.notes if "recognised" in note] == [
        "nothing is recognised as source desk: give its cid, address or source_name"
    ]


def test_lights_that_are_expected_on_are_fixtures_of_the_patch() -> None:
    text = '[[universes]]\nprotocol = "e131"\nnumber = 1\n[patch]\nfile = "patch.csv"\n[dark]\nexpected_on = '
    patch = b"fixture,universe,address,footprint,label\n12,1,1,1,\n13,1,2,1,ghost light\n"
    dark = house_of(text + '["ghost light", "12"]\n', patch_csv=patch).dark
    assert dark.expected_on == ("ghost light", "12")
    assert (dark.universes, dark.of_fixtures) == ((), (UniverseId(Protocol.E131, 1),))
    (fault,) = faults_of(text + '["ghost light", "14"]\n', patch_csv=patch)
    assert "expected_on" in fault and "14" in fault and "a fixture of the patch is expected" in fault


def test_universes_that_go_on_in_the_dark_are_declared_ones() -> None:
    text = '[[universes]]\nprotocol = "e131"\nnumber = 11\n[dark]\nuniverses = '
    dark = house_of(text + '["e131/11"]\n').dark
    assert dark.universes == (UniverseId(Protocol.E131, 11),) and dark.going_on == {UniverseId(Protocol.E131, 11)}
    (fault,) = faults_of(text + '["e131/11", "e131/12"]\n')
    assert "e131/12 is not declared under [[universes]]" in fault and "5" in fault
