"""`check` and `patch`: exit status, what is printed, and one line for each thing that is wrong."""

from __future__ import annotations

import json
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import UUID

import pytest

from slotwatch.cli import main
from slotwatch.edge.shared.files import beside, load_house
from slotwatch.edge.shared.shipped import directory
from slotwatch.errors import HouseFileError

DEMO = str(directory("config") / "harbour-street" / "house.toml")
EXAMPLES = sorted((directory("config") / "examples").glob("*.toml"))

NOBODY = 65534
"""The user without rights (common practice, no source)."""

HOUSE = """[house]
name = "Small hall"
[[universes]]
protocol = "e131"
number = 1
[[profiles]]
name = "par"
slots = ["intensity", "red", "green", "blue"]
[patch]
file = "patch.csv"
"""


@pytest.fixture
def hall(tmp_path: Path) -> Path:
    (tmp_path / "house.toml").write_text(HOUSE)
    (tmp_path / "patch.csv").write_text("fixture,universe,address,profile,position\n1,1,1,par,Bar\n2,1,4,par,Bar\n")
    return tmp_path / "house.toml"


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(words)
    out, err = capsys.readouterr()
    return status, out, err


def test_demo_house_is_well(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "check", "-c", DEMO)
    assert status == 0 and not err
    assert out.startswith("Harbour Street Playhouse: 1 network, 3 sources, 14 universes, 225 fixtures, 144 circuits")
    assert "not a measurement; the electrician responsible and the local code decide" in out
    assert out.endswith("No fault found.\n")


@pytest.mark.parametrize("path", [path for path in EXAMPLES if path.stem != "tour"], ids=lambda path: path.stem)
def test_example_houses_are_well(capsys: pytest.CaptureFixture[str], path: Path, tmp_path: Path) -> None:
    """Once the secrets are made that they name."""
    shutil.copytree(path.parent, tmp_path, dirs_exist_ok=True)
    for name in ("duty.url", "building.key"):
        (tmp_path / name).write_text("mailtos://mail.example")
    assert run(capsys, "check", "-c", str(tmp_path / path.name))[0] == 0


def test_a_rack_without_a_declared_load_is_not_said_to_draw_nothing(
    capsys: pytest.CaptureFixture[str], hall: Path
) -> None:
    rack = '[[racks]]\nname = "Rack 1"\nuniverse = "e131/1"\naddress = 1\nways = 12\n'
    hall.write_text(HOUSE.replace("[patch]", f"{rack}[patch]"))
    out = run(capsys, "check", "-c", str(hall))[1]
    assert "Rack 1: its current is not estimated: no circuits are declared; list them with their load_w" in out
    assert "0 A" not in out and "0 kW" not in out


def test_files_that_cannot_be_used_are_named(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    """A certificate without which nothing starts is a fault; a bad secret is a note, and a pipe is never read."""
    (hall.parent / "patch.csv").write_text("fixture,universe,address,profile,position\n1,1,1,par,Bar\n")
    hall.write_text(
        HOUSE
        + """[tls]
certificate_file = "cert.pem"
key_file = "key.pem"
[mqtt]
host = "127.0.0.1"
password_file = "mqtt.password"
[[switches]]
name = "FOH"
address = "10.20.0.2"
version = "2c"
credentials_file = "foh.snmp"
[[webhooks]]
name = "building"
url = "https://building.example/alarms"
secret_file = "building.key"
"""
    )
    os.mkfifo(hall.parent / "mqtt.password")
    (hall.parent / "foh.snmp").write_text("watcher")
    (hall.parent / "foh.snmp").chmod(0o604)
    (hall.parent / "building.key").write_text("a key")
    status, out, _ = run(capsys, "check", "-c", str(hall))
    assert status == 1
    assert out.endswith("1 fault found; slotwatch does not start with it.\n")
    found = [line.strip() for line in out.splitlines() if "house.toml: " in line]
    assert [line.split(" ", 1)[0] for line in found] == ["warning", "note", "note"]
    assert "The page cannot be opened: cannot use the certificate cert.pem: cert.pem does not exist." in found[0]
    assert '[[switches]] "FOH": ' in found[1] and "may be read by everybody on this computer" in found[1]
    assert found[2].endswith("mqtt.password is not an ordinary file.") and "[mqtt]: " in found[2]


def test_a_circuit_list_without_a_circuit_is_a_warning(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    """A header alone: no circuit of the patch is checked, and no current is estimated."""
    hall.write_text(HOUSE + '[circuits]\nfile = "circuits.csv"\n')
    (hall.parent / "circuits.csv").write_text("circuit,rack,way\n")
    (hall.parent / "patch.csv").write_text("fixture,universe,address,profile\n1,1,1,par\n")
    status, out, _ = run(capsys, "check", "-c", str(hall))
    assert "  warning  circuits.csv: This circuit list has a header and no circuits.\n" in out
    assert status == 1 and out.endswith("1 fault found; the house can be used all the same.\n")


@pytest.mark.parametrize("declared", ["", '[[universes]]\nprotocol = "e131"\nnumber = 1\n'])
def test_a_house_that_declares_no_universe_is_noted(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, declared: str
) -> None:
    """A survey of a silent network writes such a file."""
    house = tmp_path / "house.toml"
    house.write_text('[house]\nname = "Hall"\n' + declared)
    status, out, _ = run(capsys, "check", "-c", str(house))
    assert status == 0
    assert ("No universe is declared, so slotwatch cannot say that one is missing." in out) == (not declared)


@pytest.mark.parametrize(("sign", "is_warned"), [(f'cid = "{UUID(int=1)}"', True), ('address = "10.0.0.3"', False)])
def test_a_cid_that_art_net_cannot_have_is_a_warning(
    capsys: pytest.CaptureFixture[str], hall: Path, sign: str, is_warned: bool
) -> None:
    """Art-Net 4, ArtDmx: the packet has no field for an identity."""
    hall.write_text(
        f'{HOUSE.partition("[[profiles]]")[0]}[[sources]]\nname = "server"\n{sign}\n'
        '[[universes]]\nprotocol = "artnet"\nnumber = 3\nsources = ["server"]\n'
    )
    status, out, _ = run(capsys, "check", "-c", str(hall))
    assert (status, 'artnet/3 names the source "server", which is declared with a CID.' in out) == (
        is_warned,
        is_warned,
    )


@pytest.mark.parametrize(("phases", "is_noted"), [("show", True), ("pre-show show", True), ("show post-show", False)])
def test_a_timetable_that_never_leaves_show_is_noted(
    capsys: pytest.CaptureFixture[str], hall: Path, phases: str, is_noted: bool
) -> None:
    rows = [
        f'[[timetable]]\ndays = ["daily"]\nat = "1{n}:55"\nphase = "{one}"\n' for n, one in enumerate(phases.split())
    ]
    hall.write_text(HOUSE + "".join(rows))
    _, out, _ = run(capsys, "check", "-c", str(hall))
    assert ("  note     the timetable has no phase after show: " in out) is is_noted


def test_a_universe_without_a_fixture_is_not_called_a_house_without_a_patch(
    capsys: pytest.CaptureFixture[str], hall: Path
) -> None:
    hall.write_text(HOUSE + '[[universes]]\nprotocol = "e131"\nnumber = 2\n')
    assert run(capsys, "patch", "-c", str(hall), "--universe", "e131/2")[1] == "No fixture is patched here.\n"


@pytest.mark.parametrize("rows", ["", "# 1,1,1,par,Bar\n\n"])
def test_a_patch_without_a_fixture_is_a_warning(capsys: pytest.CaptureFixture[str], hall: Path, rows: str) -> None:
    """A header alone: nothing of the patch is checked, and no rule of fixtures judges anything."""
    (hall.parent / "patch.csv").write_text("fixture,universe,address,profile,position\n" + rows)
    status, out, _ = run(capsys, "check", "-c", str(hall))
    assert "  warning  patch.csv: This patch file holds no patched fixtures.\n" in out
    assert status == 1 and out.endswith("1 fault found; the house can be used all the same.\n")
    status, out, err = run(capsys, "patch", "-c", str(hall))
    assert (status, out) == (0, "No fixture is patched here.\n")
    assert err == "slotwatch patch: warning: patch.csv holds no patched fixtures\n"
    status, out, err = run(capsys, "patch", "-c", str(hall), "--json")
    assert json.loads(out) == [] and "holds no patched fixtures" in err


def test_a_recipient_whose_secret_is_missing_is_a_warning(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    """Nobody would be told. A heartbeat's or a broker's secret may still have to be made: a note."""
    (hall.parent / "patch.csv").write_text("fixture,universe,address,profile,position\n1,1,1,par,Bar\n")
    hall.write_text(
        HOUSE
        + """[[notify]]
name = "duty"
url_file = "duty.url"
[[webhooks]]
name = "building"
url = "https://building.example/alarms"
secret_file = "building.key"
[heartbeat]
url_file = "beat.url"
"""
    )
    status, out, _ = run(capsys, "check", "-c", str(hall))
    found = [line.strip() for line in out.splitlines() if "house.toml: " in line]
    assert [line.split(" ", 1)[0] for line in found] == ["warning", "warning", "note"], out
    assert '[[notify]] "duty": ' in found[0] and '[[webhooks]] "building": ' in found[1]
    assert status == 1 and out.endswith("2 faults found; the house can be used all the same.\n")
    (hall.parent / "duty.url").write_text("mailtos://mail.example")
    (hall.parent / "building.key").write_text("a key")
    assert run(capsys, "check", "-c", str(hall))[0] == 0


def test_overlap_is_exit_1_at_its_row(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    status, out, _ = run(capsys, "check", "-c", str(hall))
    assert status == 1
    assert "  warning  patch.csv:3: 2 overlaps 1 (row 2) on e131/1, slot 4\n" in out
    assert out.endswith("1 fault found; the house can be used all the same.\n")
    status, out, _ = run(capsys, "check", "-c", str(hall), "--json")
    assert status == 1 and json.loads(out)["conflicts"][0]["slots"] == [4, 4]


def test_faults_are_exit_2_and_one_line_each(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    hall.write_text(HOUSE.replace("number = 1", "number = 0").replace("name = ", "nmae = ", 1))
    status, out, err = run(capsys, "check", "-c", str(hall))
    assert status == 2 and not out
    lines = err.splitlines()
    assert (
        lines[0]
        == f'slotwatch check: {hall}:2: house.nmae: "Small hall" - not a known key of [house]; the nearest is name'
    )
    assert len(lines) == 2 and all("Traceback" not in line for line in lines)
    status, out, err = run(capsys, "check", "-c", str(hall), "--json")
    assert status == 2 and len(json.loads(out)["problems"]) == 2 and len(err.splitlines()) == 2


@pytest.mark.parametrize("column", ["fixture", "universe", "address", "profile", "footprint", "label"])
@pytest.mark.parametrize("count", [900, 5000])
def test_a_long_cell_is_never_printed_whole(
    capsys: pytest.CaptureFixture[str], hall: Path, column: str, count: int
) -> None:
    cells = {"fixture": "1", "universe": "1", "address": "1", "profile": "par", "footprint": "4", "label": ""}
    rows = [cells | {column: "9" * count}, cells | {column: "9" * count, "address": "2"}]
    (hall.parent / "patch.csv").write_text("\n".join([",".join(cells), *(",".join(row.values()) for row in rows)]))
    for words in (("check",), ("check", "--json")):
        _, out, err = run(capsys, *words, "-c", str(hall))
        assert out or err
        assert max(map(len, (out + err).splitlines())) <= 2000
    if count == 5000:
        assert "at most 1000 letters are expected" in err
        assert max(map(len, err.splitlines())) < 400


def test_a_long_column_name_is_never_printed_whole(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    (hall.parent / "patch.csv").write_text("fixture,universe,address,profile," + "x" * 5000 + "\n1,1,1,par,\n")
    _, out, _ = run(capsys, "check", "-c", str(hall))
    assert "not used: 'xxx" in out
    assert max(map(len, out.splitlines())) < 400


def test_patch_by_universe_fixture_and_free_space(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    _, out, _ = run(capsys, "patch", "-c", str(hall))
    assert out.splitlines() == [
        "universe  address  last  fixture  profile  label  position  circuit",
        "e131/1    1        4     1        par             Bar",
        "e131/1    4        7     2        par             Bar",
    ]
    assert run(capsys, "patch", "-c", str(hall), "--by", "fixture")[1].splitlines()[1].startswith("1        e131/1")
    assert json.loads(run(capsys, "patch", "-c", str(hall), "--by", "free", "--json")[1]) == [
        {"universe": "e131/1", "label": "", "fixtures": 2, "used": 7, "free": [[8, 512]], "unsized": 0}
    ]


def test_a_fixture_without_its_mode_is_not_said_to_have_one_slot(
    capsys: pytest.CaptureFixture[str], hall: Path
) -> None:
    """Only a mode says how many slots a fixture answers to (DIN SPEC 15800): without it, what follows may be taken."""
    rows = "1,1,1,Odd mode,\n2,1,9,Odd mode,6\n"
    (hall.parent / "patch.csv").write_text(f"fixture,universe,address,profile,footprint\n{rows}")
    _, out, err = run(capsys, "patch", "-c", str(hall))
    lines = [line.split("  ") for line in out.splitlines()]
    assert [[cell.strip() for cell in line if cell][2] for line in lines] == ["last", "not known", "14"]
    assert err == (
        "slotwatch patch: warning: the number of slots of 1 fixture is not known, for neither a declared "
        "profile nor the patch file gives it: slots that are listed as free may be taken\n"
    )
    assert run(capsys, "patch", "-c", str(hall), "--find", "5")[1:] == ("e131/1  2\n", err)
    rows = json.loads(run(capsys, "patch", "-c", str(hall), "--json")[1])
    assert [(row["last"], row["footprint"]) for row in rows] == [(None, None), (14, 6)]
    (free,) = json.loads(run(capsys, "patch", "-c", str(hall), "--by", "free", "--json")[1])
    assert (free["used"], free["unsized"]) == (7, 1)


def test_patch_finds_free_addresses(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    assert run(capsys, "patch", "-c", str(hall), "--find", "10", "--count", "2")[1].split() == [
        "e131/1",
        "8",
        "e131/1",
        "18",
    ]
    status, out, _ = run(capsys, "patch", "-c", str(hall), "--find", "506")
    assert status == 1 and out == "Found 0 of 1: nowhere else are 506 slots in a row free.\n"
    status, _, err = run(capsys, "patch", "-c", str(hall), "--find", "513")
    assert status == 2 and err == "slotwatch patch: --find: a footprint from 1 to 512 is expected\n"
    status, _, err = run(capsys, "patch", "-c", str(hall), "--find", "5", "--count", "-1")
    assert status == 2 and err == "slotwatch patch: --count: a number of fixtures, 1 or more, is expected\n"
    status, _, err = run(capsys, "patch", "-c", str(hall), "--count", "3")
    assert status == 2 and "--count: give --find too" in err
    status, _, err = run(capsys, "patch", "-c", str(hall), "--universe", "e131/9")
    assert status == 2 and "neither declared nor patched" in err


@pytest.mark.parametrize("name", ["", "house.toml/x", "missing.toml"])
def test_what_cannot_be_read_is_one_line(tmp_path: Path, name: str) -> None:
    (tmp_path / "house.toml").write_text(HOUSE)
    with pytest.raises(HouseFileError) as raised:
        load_house(tmp_path / name)
    assert len(raised.value.lines) == 1


def test_files_are_found_beside_the_house_file(hall: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/")
    house = load_house(hall)
    assert len(house.fixtures) == 2 and beside(house, "token") == hall.parent / "token"
    assert house.fixtures[0].file == "patch.csv"


def test_secrets_are_named_and_never_shown(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    """The house file names files with secrets; `check` prints none of them."""
    (hall.parent / "token").write_text("s3cret")
    hall.write_text(HOUSE + '[http]\ntoken_file = "token"\n[mqtt]\nhost = "broker"\npassword_file = "token"\n')
    _, out, err = run(capsys, "check", "-c", str(hall), "--json")
    assert "s3cret" not in out + err


def test_a_page_for_others_without_its_token_is_a_warning(capsys: pytest.CaptureFixture[str], hall: Path) -> None:
    page = '[http]\nlisten = "{}:8580"\ntoken_file = "token"\n'
    hall.write_text(page.format("0.0.0.0"))
    status, out, err = run(capsys, "check", "-c", str(hall))
    token = hall.parent / "token"
    assert (status, err) == (1, "")
    assert out.splitlines()[-2:] == [
        f"  warning  house.toml: The page at 0.0.0.0:8580 can be read only. The token file {token} cannot be read "
        "(No such file or directory): nothing can be changed with it.",
        "1 fault found; the house can be used all the same.",
    ]
    token.write_text(" \n")
    assert "is empty" in run(capsys, "check", "-c", str(hall))[1]
    token.write_text("secret")
    assert run(capsys, "check", "-c", str(hall))[0] == 0
    token.unlink()
    hall.write_text(page.format("127.0.0.1"))
    assert run(capsys, "check", "-c", str(hall))[0] == 1, "a declared token is asked for on loopback too"


def test_a_universe_out_of_range_is_reported_the_range_of_its_protocol(hall: Path) -> None:
    """ANSI E1.31-2018, 6.2.7: 1 to 63999; Art-Net 4: a Port-Address has 15 bits (both from memory)."""
    for protocol, number, low, high in (
        ("e131", 64000, 1, 63999),
        ("e131", -1, 1, 63999),
        ("artnet", 1 << 40, 0, 32767),
    ):
        hall.write_text(f'[[universes]]\nprotocol = "{protocol}"\nnumber = {number}\n')
        with pytest.raises(HouseFileError) as found:
            load_house(hall)
        assert [line.partition(" - ")[2] for line in found.value.lines] == [
            f"a whole number from {low} to {high} is expected for {protocol}"
        ]


@contextmanager
def closed_to_this_user(*files: Path) -> Iterator[None]:
    """Nobody may read the files; who runs the tests as root is another user meanwhile."""
    for file in files:
        file.chmod(0)
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)


def test_a_file_that_only_this_user_may_not_read_is_said_to_be_not_checked(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Who asks is seldom the service's own user, and its key and passwords are for that one alone."""
    with tempfile.TemporaryDirectory() as place:  # every directory above pytest's own is closed to others
        house = Path(place) / "house.toml"
        house.parent.chmod(0o755)
        words = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost"]
        subprocess.run([*words, "-keyout", "key.pem", "-out", "cert.pem"], cwd=place, check=True, capture_output=True)
        (house.parent / "token").write_text("secret")
        (house.parent / "password").write_text("secret")
        tls = '[http]\ntoken_file = "token"\n[tls]\ncertificate_file = "cert.pem"\nkey_file = "key.pem"\n'
        universe = '[[universes]]\nprotocol = "e131"\nnumber = 1\n'
        house.write_text(tls + '[mqtt]\nhost = "127.0.0.1"\npassword_file = "password"\n' + universe)
        assert run(capsys, "check", "-c", str(house))[0] == 0
        with closed_to_this_user(*(house.parent / name for name in ("key.pem", "token", "password"))):
            status, out, err = run(capsys, "check", "-c", str(house))
            user = pwd.getpwuid(os.geteuid()).pw_name
    assert (status, err) == (0, "")
    found = [line.strip() for line in out.splitlines() if "house.toml: " in line]
    assert len(found) == 3 and all(line.startswith("note ") and f"the user {user}" in line for line in found), out
    assert "does not start" not in out and "[http] token_file was not checked: " in found[0]
    assert out.splitlines()[-1] == (
        "No fault found. Files that you may not read were not checked: run this as root, or as a member of their group."
    )
