"""A survey of a playing house gives a house file that loads, keyed by what stays, and raises nothing on that house."""

from __future__ import annotations

import itertools
import socket
import threading
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from sacn.messages.data_packet import DataPacket

from slotwatch.cli import main
from slotwatch.edge.shared.files import load_house
from slotwatch.edge.tools.captures import open_capture
from slotwatch.edge.tools.demo import harbour_house
from slotwatch.edge.tools.replaying import Replay
from slotwatch.engine import Engine
from slotwatch.house.load import load_house as load_text
from slotwatch.house.schema import House, Phase
from slotwatch.house.service import Listen
from slotwatch.rehearse import harbour
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import mixed
from slotwatch.snapshot import Severity
from slotwatch.views.sheet import Sheet
from slotwatch.views.survey import Survey, announcement, house_file, merged, survey_of, text
from tests.ports import free_port
from tests.rehearse.theatre import BASE_NS, STEP_NS, WALL_OFFSET_NS, batch_of
from tests.wire.tshark import CAPTURES


def play(house: House, seconds: float) -> Engine:
    """The Harbour Street show without a fault, judged in phase show by this house."""
    declared = harbour_house()
    desks = (harbour.main_desk(declared), harbour.backup_desk(declared), harbour.media_server(declared))
    engine = Engine(house, now_ns=BASE_NS, wall_offset_ns=WALL_OFFSET_NS, phase=Phase.SHOW)
    end_ns, waiting = STEP_NS, []
    for item in itertools.takewhile(lambda i: i.t_ns < seconds * 1e9, mixed(*(desk.sends() for desk in desks))):
        while item.t_ns >= end_ns:
            if waiting:
                engine.ingest(batch_of(waiting))
                waiting = []
            engine.tick(BASE_NS + end_ns)
            end_ns += STEP_NS
        assert isinstance(item, Sent)
        waiting.append(item)
    return engine


@pytest.mark.slow
def test_the_written_house_loads_and_raises_nothing_on_the_same_show() -> None:
    heard = play(House(), 20)
    found = survey_of(Sheet(heard.snapshot(heard.now_ns)), Listen(interfaces=("lo",)), 20)
    written = house_file(found, "2026-11-25")
    house = load_text("/x/house.toml", lambda _: written.encode(), date(2026, 11, 25))
    assert len(house.universes) == 14
    assert {source.name for source in house.sources} >= {"main desk", "backup desk"} or len(house.sources) == 3
    assert [source.role for source in house.sources].count("backup") == 1, "the desk of lower priority"
    again = play(house, 40)
    alarms = [i for i in again.snapshot(again.now_ns).incidents if i.severity > Severity.NOTE]
    assert alarms == []
    undeclared = [i for i in again.snapshot(again.now_ns).incidents if i.rule == "undeclared-universe"]
    assert undeclared == []


def a_source(**fields: object) -> dict[str, object]:
    source = {"source": "a", "protocol": "e131", "cid": "11112222-3333-4444-5555-666677778888", "address": "10.0.0.1"}
    return {**source, "source_name": "Desk", "priority": 100, "universes": [], **fields}


def a_survey(*sources: dict[str, object]) -> Survey:
    universe = {"universe": "e131/1", "sources": [source["source"] for source in sources], "slots": 512, "frames": 9}
    return Survey(("eth1",), 24.0, (universe,), sources)


def read(survey: Survey) -> House:
    written = house_file(survey, "2026-11-25")
    return load_text("/x/house.toml", lambda _: written.encode(), date(2026, 11, 25))


def test_a_source_with_a_name_of_its_own_is_known_by_it() -> None:
    (source,) = read(a_survey(a_source())).sources
    assert (source.source_name, source.cid, source.address) == ("Desk", None, None)


def test_sources_of_one_name_are_known_by_their_cid_and_a_person_is_asked() -> None:
    twins = a_survey(a_source(), a_source(source="b", cid="99992222-3333-4444-5555-666677778888", address="10.0.0.2"))
    first, second = read(twins).sources
    assert first.cid != second.cid
    assert first.source_name is None
    assert "confirm: another source has the same name" in house_file(twins, "2026-11-25")


def test_doubtful_sources_are_marked() -> None:
    zero = a_source(cid="00000000-0000-0000-0000-000000000000", address="169.254.7.7")
    written = house_file(a_survey(zero), "2026-11-25")
    assert "confirm: it sends a CID of zeros" in written
    assert "confirm: 169.254.7.7 is a fallback address" in written
    assert read(a_survey(zero)).sources[0].address == "169.254.7.7"


def test_two_sources_of_one_priority_are_shared_until_a_person_says_otherwise() -> None:
    both = a_survey(a_source(), a_source(source="b", source_name="Other", cid="9" * 8 + "-3333-4444-5555-666677778888"))
    assert read(both).universes[0].shared


@pytest.mark.parametrize("name", ['quote " and \\ and \n line', "\x7f\u202e", "ünïcode 灯", '"""', "# no comment"])
def test_any_name_from_the_network_gives_a_file_that_loads(name: str) -> None:
    assert read(a_survey(a_source(source_name=name))).sources


def test_what_will_be_sent_is_reported_with_the_universes_that_were_asked_for() -> None:
    lines = "\n".join(announcement(("eth1", "eth2"), (1, 2, 3, 9)))
    assert "on eth1, eth2 this sends requests to join" in lines and "and of e131/1-3, 9\n" in lines
    assert "do not survey during a show" in lines


def test_what_could_not_be_checked_is_reported() -> None:
    lines = "\n".join(text(replace(a_survey(a_source()), not_swept=(7, 8))))
    assert "not looked at, for want of time (give more --seconds): e131/7-8" in lines
    assert 'from "Desk" (10.0.0.1)' in lines


def test_a_live_survey_writes_a_file_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Real packets of the sacn package's composer over loopback."""
    port, over = free_port(socket.SOCK_DGRAM), threading.Event()

    def send() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            frame = 0
            while not over.wait(0.025):
                packet = DataPacket(tuple(b"survey-test-desk"), "Desk A", 7, (frame % 256,) * 512, sequence=frame % 256)
                sock.sendto(bytes(packet.getBytes()), ("127.0.0.1", port))
                frame += 1

    thread = threading.Thread(target=send)
    thread.start()
    target = tmp_path / "house.toml"
    options = ["--interface", "lo", "--e131-port", str(port), "--artnet-port", str(free_port(socket.SOCK_DGRAM))]
    options += ["--url", f"http://127.0.0.1:{free_port(socket.SOCK_STREAM)}", "--write", str(target)]
    try:
        assert main(["survey", "--seconds", "3", *options]) == 0
    finally:
        over.set()
        thread.join()
    shown = capsys.readouterr()
    assert "e131/7" in shown.out
    first, *rest = shown.err.splitlines()
    assert first.startswith("on lo this sends requests to join multicast groups (IGMP, and MLD on IPv6)")
    said_before = rest[: next(n for n, line in enumerate(rest) if line.startswith("listening "))]
    assert "it sends no show data and asks no device anything" in " ".join(said_before)
    assert [str(universe.id) for universe in load_house(target).universes] == ["e131/7"]
    assert main(["survey", "--seconds", "3", *options]) == 2
    assert "never overwrites" in capsys.readouterr().err


def test_it_refuses_what_it_cannot_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", "--seconds", "1"]) == 2
    assert "give 2 to 3600" in capsys.readouterr().err
    nobody = f"http://127.0.0.1:{free_port(socket.SOCK_STREAM)}"
    assert main(["survey", "--seconds", "2", "--interface", "no-such-port", "--url", nobody]) == 2
    assert "no-such-port does not exist" in capsys.readouterr().err


def judged(path: Path, declared: House | None) -> tuple[Replay, set[str]]:
    house = declared or House()
    capture = open_capture(str(path), house.listen, house.networks if declared else ())
    if declared is None:
        house = replace(house, networks=capture.networks)
    run = Replay(capture, house, Phase.SHOW)
    return run, {one.rule for one in run.run().incidents if one.severity > Severity.NOTE}


@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*.pcapng")), ids=lambda path: path.name)
def test_a_draft_of_others_recordings_raises_nothing_that_was_not_there(path: Path) -> None:
    """Senders that nobody here wrote: what the house made of them adds no fault on the same packets."""
    run, before = judged(path, None)
    sheet = Sheet(run.engine.snapshot(run.engine.now_ns))
    interfaces = tuple(network.interface for network in run.engine.house.networks)
    written = house_file(survey_of(sheet, Listen(interfaces=interfaces), 60), "2026-11-25")
    house = load_text("/x/house.toml", lambda _: written.encode(), date(2026, 11, 25))
    assert {str(one.id) for one in house.universes} == {
        name for name, frames in zip(sheet.snapshot.universe_names, sheet.universes["frames"], strict=True) if frames
    }
    assert judged(path, house)[1] <= before


def test_what_is_heard_on_two_networks_is_declared_once() -> None:
    one_desk = a_source(network="eth1")
    heard = {"slots": 512, "frames": 9, "sources": ["a"], "stopped": False}
    universes = (
        {**heard, "universe": "e131/1@eth1", "network": "eth1"},
        {**heard, "universe": "e131/2@eth1", "network": "eth1"},
        {**heard, "universe": "e131/1@eth2", "network": "eth2"},
        {**heard, "universe": "e131/9@eth2", "network": "eth2", "stopped": True},
    )
    house = read(Survey(("eth1", "eth2"), 24.0, merged(universes), (one_desk,)))
    assert [(str(one.id), one.networks, one.expected) for one in house.universes] == [
        ("e131/1", (0, 1), True),
        ("e131/2", (0,), True),
        ("e131/9", (1,), False),
    ]
    assert [one.name for one in house.sources] == ["Desk"]


def test_what_was_asked_for_and_not_heard_is_reported_and_what_cannot_be_seen() -> None:
    lines = "\n".join(text(replace(a_survey(a_source()), asked=(1, 2, 3, 9), not_swept=(9,))))
    assert "asked for and nothing heard: e131/2-3\n" in lines
    assert "Not visible from this port: streams sent unicast to other devices" in lines
