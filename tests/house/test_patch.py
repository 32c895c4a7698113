"""The patch from real paperwork: any column names and order, and nothing ambiguous is guessed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.errors import HouseFileError
from slotwatch.house.cells import Addressing, amount, yes
from slotwatch.house.circuits import read_circuits
from slotwatch.house.patch import Patch, read_patch
from slotwatch.house.schema import Profile
from slotwatch.wire.universe import Protocol, UniverseId

E131 = Addressing(Protocol.E131)
BOTH = Addressing(None)
PROFILES = [Profile("dimmer", ("intensity",)), Profile("led-par", ("intensity", "red", "green", "blue"))]
HEAD = "fixture,universe,address,profile\n"


def read(text: str, addressing: Addressing = E131) -> Patch:
    return read_patch("patch.csv", text.encode(), addressing, PROFILES)


def places(text: str, addressing: Addressing = E131) -> list[tuple[str, int]]:
    patch = read(text, addressing)
    assert not patch.problems, [str(problem) for problem in patch.problems]
    return [(str(fixture.universe), fixture.address) for fixture in patch.fixtures]


@pytest.mark.parametrize(
    "text",
    [
        "fixture,universe,address,profile\n7,e131/1,101,led-par\n",
        "Address;Profile;FIXTURE;Universe\r\n101;LED Par;7;1\r\n",
        "Plan of the grid\n\nfixture\tuniv\tdmx address\tmode\tgel\n# spare row\n7\t1\t101\tled_par\tL201\n\n",
        "\ufefffixture,address,profile\n7,1/101,led-par\n",
        'fixture,address,profile\n"7","1.101","led-par"\n',
        "Chan;Universe/Address;Mode\n7;1/101;led-par\n",
        "fixture,address,footprint\n7,e131/1.101,4\n",
        'Fixture No.,Univ.,Start Address,Slots\n7,1,"101,00",4\n',
        "fixture,universe,address,profile\n7,1.0,101.0,led-par\n",
        "fixture,universe,address,profile\n7,E131/1,1/101,led-par\n",
    ],
)
def test_paperwork_of_many_hands_means_the_same(text: str) -> None:
    patch = read(text)
    assert not patch.problems, [str(problem) for problem in patch.problems]
    fixture = patch.fixtures[0]
    assert (fixture.name, str(fixture.universe), fixture.address, fixture.footprint) == ("7", "e131/1", 101, 4)


def test_reading_of_every_column_is_reported() -> None:
    patch = read("Univ;Gel;DMX;Mode;Channel;univ\n1;L201;5;dimmer;7;\n")
    assert patch.notes == [
        "patch.csv: columns read: universe from 'Univ', address from 'DMX', profile from 'Mode', "
        "fixture from 'Channel'; not used: 'Gel', 'univ'"
    ]


def test_row_numbers_are_the_files_lines_also_after_quoted_line_ends() -> None:
    text = 'fixture,universe,address,profile,label\n1,1,1,dimmer,"two\nlines"\n\n# no\n2,1,0,dimmer,\n'
    assert [str(p) for p in read(text).problems] == ["patch.csv:6: address: 0 - an address from 1 to 512 is expected"]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (HEAD + ",1,1,dimmer\n", "patch.csv:2: fixture: an empty cell - each row needs the fixture's name or number"),
        (
            HEAD + "1,1,1,dimmer\n1,1,2,dimmer\n",
            "patch.csv:3: fixture: 1 - this fixture is in row 2 already; each may be listed once",
        ),
        (HEAD + "1,1,513,dimmer\n", "patch.csv:2: address: 513 - an address from 1 to 512 is expected"),
        (
            HEAD + "1,1,A1,dimmer\n",
            "patch.csv:2: address: A1 - an address from 1 to 512 is expected, "
            "or universe and address as 1/101 or 1.101",
        ),
        (
            HEAD + "1,0,1,dimmer\n",
            "patch.csv:2: universe: 0 - 'e131/0' is outside e131/1 to e131/63999",
        ),
        (
            HEAD + "1,2,1/101,dimmer\n",
            "patch.csv:2: universe: 2 - the address names e131/1, but the universe column says 2",
        ),
        (
            "fixture,address,profile\n1,101,dimmer\n",
            "patch.csv:2: address: 101 - "
            "no universe is given; for absolute addresses write absolute_from under [patch]",
        ),
        (HEAD + "1,1,1,\n", "patch.csv:2: footprint: an empty cell - give the fixture's profile or its footprint"),
        (
            "fixture,universe,address,profile,footprint\n1,1,1,dimmer,2\n",
            "patch.csv:2: footprint: 2 - profile dimmer has 1 slots; the two must agree",
        ),
        (
            "fixture,universe,address,profile,audience\n1,1,1,dimmer,maybe\n",
            "patch.csv:2: faces_audience: maybe - yes or an empty cell is expected",
        ),
    ],
)
def test_wrong_row_says_its_cell(text: str, wanted: str) -> None:
    assert [str(problem) for problem in read(text).problems] == [wanted]


def test_bare_number_is_refused_where_there_are_two_protocols() -> None:
    problems = read(HEAD + "1,1,1,dimmer\n", BOTH).problems
    assert [problem.wanted for problem in problems] == ["this house has two protocols: write e131/1 or artnet/0"]
    assert places(HEAD + "1,artnet/0,1,dimmer\n", BOTH) == [("artnet/0", 1)]
    problems = read(HEAD + "1,e131/1,1.1,dimmer\n", BOTH).problems
    assert [str(problem) for problem in problems] == [
        "patch.csv:2: address: 1.1 - this house has two protocols: write 1 alone, the universe has its own column"
    ], "its universe is right"


def test_absolute_addresses() -> None:
    """universe = (absolute - 1) // 512 + 1, address = (absolute - 1) % 512 + 1; 513 is 2.1 and 1024 is 2.512.

    Source: MVR, DIN SPEC 15801 section Addresses; the check values are in pymvr's source too.
    """
    absolute = Addressing(Protocol.E131, absolute_from=UniverseId(Protocol.E131, 1))
    rows = "".join(f"{n},{n},dimmer\n" for n in (1, 512, 513, 1024, 32768))
    assert places("fixture,address,profile\n" + rows, absolute) == [
        ("e131/1", 1),
        ("e131/1", 512),
        ("e131/2", 1),
        ("e131/2", 512),
        ("e131/64", 512),
    ]
    wrong = read("fixture,address,profile\n1,32769,dimmer\n", absolute).problems
    assert wrong[0].wanted == "an absolute address from 1 to 32768 is expected"


def test_declared_table_says_what_a_universe_is() -> None:
    table = Addressing(None, {"1": UniverseId(Protocol.ARTNET, 0), "B": UniverseId(Protocol.E131, 7)})
    assert places(HEAD + "1,1,1,dimmer\n2,B,2,dimmer\n3,01,3,dimmer\n", table) == [
        ("artnet/0", 1),
        ("e131/7", 2),
        ("artnet/0", 3),
    ]


def test_zeros_that_a_spreadsheet_cut_are_asked_for() -> None:
    """In a column that writes 1.001, a 1.1 was 1.100 or 1.1: nobody can know."""
    patch = read("fixture,address,profile\n1,1.001,dimmer\n2,1.1,dimmer\n3,1.101,dimmer\n")
    assert [problem.line for problem in patch.problems] == [3]
    assert "may have been cut by a spreadsheet" in patch.problems[0].wanted
    assert len(patch.fixtures) == 2


def test_unknown_profile_is_kept_with_its_footprint() -> None:
    fixtures = read("fixture,universe,address,profile,footprint\n1,1,1,who,6\n2,1,9,who,\n").fixtures
    assert [(fixture.profile, fixture.footprint) for fixture in fixtures] == [("who", 6), ("who", 1)]


@pytest.mark.parametrize(
    ("text", "value"),
    [("1000", 1000), ("0,5 kW", 500), ("12.5 A", 12.5), ("500 mA", 0.5), ("2.25", 2.25), ("0.250", 0.25)],
)
def test_amounts(text: str, value: float) -> None:
    assert amount(text, 1e6) == pytest.approx(value)


@pytest.mark.parametrize("text", ["1,200", "1.200", "12.000"])
def test_amount_that_may_be_thousands_is_asked_for(text: str) -> None:
    """1,200 W read as 1.2 W would hide an overload."""
    with pytest.raises(ValueError, match="write it without a separator"):
        amount(text, 1e6)


def test_circuits() -> None:
    text = "Circ;Rack;Way;Type;Load;Breaker;Lamp life\n001;Rack 1;1;;1 kW;10;400\n002;Rack 1;2;relay;500;;\n"
    read = read_circuits("circuits.csv", text.encode())
    assert not read.problems
    one, two = read.circuits
    assert (one.name, one.way, one.module, one.load_w, one.curve, one.limit_a) == (
        "001",
        1,
        "dimmer",
        1000,
        "linear",
        10,
    )
    assert one.rated_life_h == 400
    assert (two.module, two.curve, two.limit_a) == ("switched", "switched", None)


def test_circuits_faults_are_reported_at_their_cells() -> None:
    text = "circuit,rack,way,module,load_w\n1,R,0,dimmer,10\n1,R,2,dimmer,10\n,,3,steam,-1\n"
    assert [str(problem) for problem in read_circuits("c.csv", text.encode()).problems] == [
        "c.csv:2: way: 0 - a whole number from 1 to 512 is expected",
        "c.csv:3: circuit: 1 - this circuit is in row 2 already; each may be listed once",
        "c.csv:4: circuit: an empty cell - give the circuit's name or number",
        "c.csv:4: rack: an empty cell - give the rack",
        "c.csv:4: module: steam - one of these is expected: dimmer, switched, unswitched",
        "c.csv:4: load_w: -1 - a number is expected, such as 1000 or 12.5",
    ]


@pytest.mark.parametrize(
    "text", ["", " \n", "\0\0", "just words\nno table\n", "universe,profile\n1,dimmer\n", '"a\n' * 3]
)
def test_what_is_no_patch_is_refused_in_few_lines(text: str) -> None:
    with pytest.raises(HouseFileError) as raised:
        read(text)
    assert 1 <= len(raised.value.lines) <= 2
    assert all(line.startswith("patch.csv") for line in raised.value.lines)


@given(st.text('1.,/e3 -x\t;"#\n', max_size=80))
def test_any_cells_give_rows_or_problems(text: str) -> None:
    try:
        patch = read(HEAD + text)
    except HouseFileError as error:
        assert error.lines
        return
    for fixture in patch.fixtures:
        assert 1 <= fixture.address <= 512 and fixture.universe.is_valid


def test_yes_is_understood_and_nonsense_is_not() -> None:
    assert yes("Yes") and yes("x") and not yes("") and not yes("no")
    with pytest.raises(ValueError):
        yes("perhaps")


def test_names_of_paperwork_can_be_printed_whatever_their_cells_hold() -> None:
    """A cell of two lines, a no-break space, and a terminal's escape sequence (ECMA-48 CSI): one plain line each."""
    patch = read(HEAD.rstrip() + ',label\n"7\x1b[2J",1,1,dimmer,"Front\nwash"\n8,1,2,dimmer,Front\xa0wash\n')
    assert [(one.name, one.label) for one in patch.fixtures] == [("7 [2J", "Front wash"), ("8", "Front wash")]


def test_two_rows_that_ran_together_are_a_fault_with_their_line_and_no_dropped_fixture() -> None:
    patch = read("fixture,universe,address,footprint\n1,e131/1,1,5\n2,e131/1,6,5,3,e131/1,11,5\n4,e131/1,16,5,,\n")
    assert [fixture.name for fixture in patch.fixtures] == ["1", "4"]
    assert [str(problem) for problem in patch.problems] == [
        "patch.csv:3: 8 cells, the header has 4; the first one too many is '3' - each fixture or circuit needs a row "
        "of its own, and a cell that contains the delimiter needs quotes"
    ]
    circuits = read_circuits("circuits.csv", b"circuit,rack,way\nA,R,1,B,R,2\n")
    assert circuits.circuits == [] and [problem.line for problem in circuits.problems] == [2]


@pytest.mark.parametrize("title", ["Cct", "Ckt", "CCT"])
def test_short_names_of_a_circuit_are_understood(title: str) -> None:
    """Common practice, no source."""
    patch = read(f"fixture,universe,address,footprint,{title}\n1,e131/1,1,5,C12\n")
    assert patch.fixtures[0].circuit == "C12"
    assert read_circuits("c.csv", f"{title},rack,way\nC12,R,1\n".encode()).circuits[0].name == "C12"


def test_sixty_rows_that_are_wrong_alike_are_one_line_with_the_way_out() -> None:
    rows = "".join(f"{number},1,{number},dimmer\n" for number in range(1, 61))
    assert [str(problem) for problem in read(HEAD + rows, BOTH).problems] == [
        "patch.csv:2: universe: 1 - this house has two protocols: write e131/1 or artnet/0 (and in 59 more rows); "
        'or declare once what each number is: [patch] universes = { 1 = "e131/1" }'
    ]
    few = "".join(f"{number},1,{number},dimmer\n" for number in range(1, 4))
    assert [problem.line for problem in read(HEAD + few, BOTH).problems] == [2, 3, 4]


@pytest.mark.parametrize(
    ("own", "wanted"),
    [
        (
            ("circuit", "Dimer"),
            "patch.csv:3: circuit: Dimer - the house file names this column, but none is called so; columns read: "
            "fixture from 'Chan', address from 'DMX'; not used: 'Slots wide', 'Dimmer'",
        ),
        (
            ("ciruit", "Dimmer"),
            "patch.csv:3: ciruit: Dimmer - the house file names a column for this; only these are read: fixture, "
            "universe, address, profile, footprint, label, position, circuit, faces_audience, accepted_overlap",
        ),
    ],
)
def test_a_column_that_the_house_names_and_the_file_has_not_is_a_mistake(own: tuple[str, str], wanted: str) -> None:
    """Without it the circuits of all fixtures would be missing, and nobody would be told."""
    text = b"Spring hang;;;\n\nChan;DMX;Slots wide;Dimmer\n7;1/101;4;12\n"
    with pytest.raises(HouseFileError) as caught:
        read_patch("patch.csv", text, E131, PROFILES, (own,))
    assert [str(problem) for problem in caught.value.problems] == [wanted]


def test_a_missing_column_is_reported_at_the_line_of_the_header() -> None:
    with pytest.raises(HouseFileError) as caught:
        read("Spring hang\n\nChan;Where\n7;1.101\n")
    assert str(caught.value.problems[0]).startswith("patch.csv:3: address: no such column - ")
    assert str(caught.value.problems[0]).endswith('in the house file: columns = { address = "its title" }')
