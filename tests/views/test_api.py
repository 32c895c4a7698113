"""The API's objects of a snapshot, against schemas of its description and against the snapshot's own numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from slotwatch.bridge.declared import declare_own
from slotwatch.house.schema import House, Route
from slotwatch.model.legs import one_source_each
from slotwatch.snapshot import SourceRow
from slotwatch.snapshot.health import LinkRow, ListenerHealth
from slotwatch.snapshot.readiness import AcceptedReason, ExceptionInForce, Readiness, Reason
from slotwatch.snapshot.stage import ReceiverRow
from slotwatch.views import api
from slotwatch.views.incidents import chosen
from slotwatch.views.moments import iso_wall, read_iso
from slotwatch.views.sheet import Sheet
from slotwatch.wire.universe import Protocol, UniverseId
from tests.views import fabricate
from tests.views.api_schemas import fits
from tests.views.fabricate import CID, NOW_NS, SECOND_NS, WALL_OFFSET_NS, house, snapshot, sources

E131_1 = UniverseId(Protocol.E131, 1)


def test_every_universe_fits_its_schema() -> None:
    for found in api.universes(snapshot(5)):
        fits("universe", found)


def test_a_steady_universe_says_its_numbers() -> None:
    found = api.universe(snapshot(), 0)
    assert found["universe"] == "e131/1" and found["state"] == "steady" and found["refresh_hz"] == 44.0
    assert found["interval_ms"] == {"p50": 22.7, "p95": 23.5, "p99": 24.0, "max": 31.25}
    assert (
        found["winning_source"] == str(CID) and found["winning_name"] == "main desk" and found["sources"] == [str(CID)]
    )
    assert found["last_frame_at"] == "2025-12-31T23:59:59.980Z"


def test_a_lost_universe_names_its_incident_and_who_sent_it() -> None:
    found = api.universe(snapshot(), 1)
    assert found["state"] == "lost" and found["refresh_hz"] is None and found["winning_source"] is None
    # As documented: `priority` belongs to `winning_source`; 0 would be a priority (E1.31-2018 6.2.3)
    assert found["priority"] is None
    assert found["incidents"] == [7] and found["sources"] == [str(CID)]


def test_what_was_never_heard_has_no_moment() -> None:
    found = api.universe(snapshot(), 2)
    assert found["universe"] == "artnet/0" and found["last_frame_at"] is None and found["priority"] is None


def test_detail_says_whose_each_slot_is() -> None:
    taken = snapshot()
    each = np.zeros((1, 512), np.int16)
    each[0, 3:5] = -1
    taken.slot_owners.shared, taken.slot_owners.each = np.zeros(1, np.int32), each
    found = api.universe_detail(taken, 0, house())
    fits("universe_detail", found)
    assert found["levels"][:4] == [255, 128, 0, 1] and len(found["levels"]) == 512
    # As documented: "its winning `levels`, `slot_sources` and `streams`"; a source is named by its CID
    whose = str(CID)
    assert found["slot_sources"][:6] == [whose, whose, whose, None, None, whose]
    assert found["slot_source_names"] == ["main desk"]
    assert [one["fixture"] for one in found["fixtures"]] == ["101", "102"]
    assert found["streams"][0]["refresh_1s_hz"] == 44.0 and found["streams"][0]["state"] == "live"


@pytest.mark.parametrize(
    ("address", "routed", "is_own"),
    [
        ("10.20.0.30", ("artnet/0 to 10.20.0.41", "serial:/dev/ttyUSB0"), True),
        ("10.20.0.30", ("artnet/0",), True),
        ("10.20.0.30", ("artnet/1", "e131/1"), False),  # nothing that a route feeds
        ("10.20.0.31", ("artnet/0",), False),  # somebody else who sends that universe
        ("10.20.0.30", (), False),
    ],
)
def test_art_net_of_the_own_bridge_is_known_by_address_and_routes(
    address: str, routed: tuple[str, ...], is_own: bool
) -> None:
    """Art-Net frames name no sender (ArtDmx has no such field)."""
    taken = snapshot(3, routes=tuple(fabricate.route(to, to) for to in routed))
    taken.house.listener = ListenerHealth(links=(LinkRow("eth1", "eth1", True, (address,), None, ""),))
    assert [one["own_bridge"] for one in api.sources(taken)] == [False, is_own, False]


def test_e131_of_the_own_bridge_is_known_by_its_cid() -> None:
    """The bridge declares itself with its CID, so nobody else is declared as it."""
    own = declare_own(House(routes=(Route("tower", E131_1, target=UniverseId(Protocol.E131, 3)),)), CID.bytes)
    taken = snapshot(3)
    rows = (replace(taken.sources[0], declared_as=own.sources[0].name), *taken.sources[1:])
    found = api.sources(replace(taken, sources=rows))
    assert [one["own_bridge"] for one in found] == [True, False, False]
    assert not any(one["own_bridge"] for one in api.sources(taken))


def test_sources_fit_the_schemas() -> None:
    found = api.sources(snapshot(4))
    for one in found:
        fits("source", one)
    assert found[0]["cid"] == str(CID) and found[0]["universes"] == ["e131/1", "e131/2", "e131/3"]
    assert found[0]["listed"] == ["e131/1", "e131/2"] and found[0]["live_universes"] == 2
    assert found[1]["source"] == "10.20.0.30" and found[2]["source"] == "10.20.0.30:2", "physical port tells them apart"


def test_a_clone_is_one_source_by_its_cid_with_two_addresses() -> None:
    twin = replace(sources()[0], address="10.20.0.11")
    taken = snapshot(1, sources=(*sources(), twin))
    taken.streams["source"][0] = 3
    found = api.sources(taken)
    assert [one["cid"] for one in found] == [str(CID), None, None]
    assert [leg["address"] for leg in found[0]["legs"]] == ["10.20.0.10", "10.20.0.11"]
    assert api.universe(taken, 0)["sources"] == [str(CID)]


def test_a_source_on_two_networks_is_one_object_with_two_legs() -> None:
    """One object per source, with its legs."""
    leg = replace(sources()[0], address="10.21.0.10", network=1, mac="02:00:00:00:00:0a")
    taken = snapshot(2, sources=(*sources(), leg))
    taken.house = replace(taken.house, networks=("A", "B"))
    taken.streams["source"][1], taken.streams["network"][1] = 3, 1
    desk = api.sources(taken)[0]
    assert len(api.sources(taken)) == len(sources())
    assert [(one["network"], one["address"], one["mac"]) for one in desk["legs"]] == [
        ("A", "10.20.0.10", None),
        ("B", "10.21.0.10", "02:00:00:00:00:0a"),
    ]
    assert set(desk["legs"][0]) == {"network", "address", "mac", "state", "last_frame_at", "universes", "place"}
    assert desk["legs"][1]["universes"] == [taken.universe_names[1]] and desk["legs"][1]["place"] is None


def test_the_same_name_and_universes_on_two_networks_are_one_source() -> None:
    """Common practice, no source: Art-Net has no identity, and some desks have a CID for each interface."""
    own = SourceRow(Protocol.ARTNET, bytes(16), "10.20.0.30", 0, "Media")
    rows = {0: own, 1: replace(own, address="10.21.0.30", network=1)}
    same, other = frozenset({(2, 0), (2, 1)}), frozenset({(2, 9)})
    assert one_source_each(rows, lambda row: same) == {0: 0, 1: 0}
    assert one_source_each(rows, lambda row: (same, other)[row]) == {0: 0, 1: 1}
    # Two of one name on one network: nothing shows which of them the other one is.
    assert one_source_each(rows | {2: replace(own, address="10.20.0.31")}, lambda row: same) == {0: 0, 1: 1, 2: 2}
    named = {row: replace(source, declared_as="media server") for row, source in rows.items()}
    assert one_source_each(named) == {0: 0, 1: 0}


def test_incidents_fit_the_schemas() -> None:
    for found in api.incidents(snapshot()):
        fits("incident", found)
    closed, is_open = api.incidents(snapshot())
    assert closed["state"] == "closed" and closed["acknowledged"] == {
        "by": "Ann",
        "at": "2025-12-31T23:59:20.000Z",
        "note": "seen",
    }
    assert is_open["explains"] == [{"rule": "source-absent", "universes": ["e131/2"]}]
    assert is_open["began_at"] == "2025-12-31T23:59:50.000Z" and is_open["opened_at"] == "2025-12-31T23:59:53.000Z"


def test_incidents_are_chosen_by_state_time_and_number() -> None:
    every = list(snapshot().incidents)
    assert [one.id for one in chosen(every, "all", None, 10)] == [7, 3]
    assert [one.id for one in chosen(every, "open", None, 10)] == [7]
    assert [one.id for one in chosen(every, "closed", None, 10)] == [3]
    assert [one.id for one in chosen(every, "all", None, 1)] == [7]
    assert [one.id for one in chosen(every, "all", NOW_NS + WALL_OFFSET_NS - 10 * SECOND_NS, 10)] == [7]


def test_house_and_readiness_fit_the_schemas() -> None:
    found = api.house(snapshot(), house(), "rack-pc", {"history": {"ok": True}})
    fits("house", found)
    assert found["uptime_s"] == 100 and found["host"] == "rack-pc" and found["listener"]["history"]["ok"]
    assert found["counts"]["universes"]["lost"] == 1 and found["counts"]["incidents"]["critical"] == 1


def test_readiness_fits_the_description() -> None:
    call = Readiness(
        reasons=(Reason("universe-lost", "Universe e131/2 is lost.", ("e131/2",)),),
        accepted=(AcceptedReason("universe-lost", "Lost.", ("e131/3",), "not built yet", "2026-03-01", "Ann"),),
        exceptions=(ExceptionInForce("universe-lost", (), "dark today", None, None, None),),
        not_visible=("artnet/3",),
    )
    ready = api.readiness(snapshot(readiness=call))
    fits("readiness", ready)
    assert not ready["ready"] and ready["reasons"] == [
        {"rule": "universe-lost", "text": "Universe e131/2 is lost.", "universes": ["e131/2"]}
    ]
    assert ready["accepted"][0]["reason"] == "not built yet" and ready["accepted"][0]["by"] == "Ann"
    assert ready["exceptions"][0]["incident"] is None and ready["not_visible"] == ["artnet/3"]
    assert api.readiness(snapshot(readiness=Readiness()))["ready"]
    silent = (ReceiverRow("Rack 1", "10.20.1.1", (), "hold", "not-known", None),)
    assert api.readiness(snapshot(readiness=Readiness(), receivers=silent))["receivers_not_known"] == ["Rack 1"]


def test_a_house_that_declares_no_universe_is_not_called_ready_while_nothing_arrives() -> None:
    """A script that waits for "ready" would begin with a lead that is not plugged in."""
    missed = "No universe is declared, so slotwatch cannot say that one is missing."
    found = snapshot(readiness=Readiness())
    assert missed not in api.readiness(found)["trouble"]
    found.universes["declared"][:] = False
    heard = api.readiness(found)
    assert heard["ready"] and missed in heard["trouble"]
    found.universes["streams"][:] = 0
    silent = api.readiness(found)
    assert not silent["ready"] and silent["reasons"][0]["text"].startswith("No universe is declared and")


def test_the_half_hour_call_mentions_a_refused_house_file() -> None:
    """Somebody whose corrected file was refused would believe that the new one is in force."""
    mistakes = (
        "house.toml:4: phase: shwo - one of dark, show is expected",
        "house.toml:9: universes: a list is expected",
    )
    for count, more in ((1, ""), (2, " (and 1 more)")):
        refused = snapshot(readiness=Readiness())
        refused.house.house_problems = mistakes[:count]
        call = api.readiness(refused, trouble=("the disk is full",))
        said = "The house file on disk was refused; the one read before still runs."
        assert call["ready"] and call["trouble"] == [
            "the disk is full",
            f"{said} First mistake: {mistakes[0]}{more}.",
        ]


def test_fixtures_show_the_levels_that_reach_them() -> None:
    found = api.fixtures(snapshot(), house())
    assert [slot["level"] for slot in found[0]["slots"]] == [255, 128, 0, 1]
    assert found[0]["levels"] == {"intensity": 255, "red": 128, "green": 0, "blue": 1} and found[0]["lit"]
    assert found[1]["levels"] == {"intensity": 0, "pan": 0, "tilt": 0} and not found[1]["lit"]
    short = snapshot()
    short.universes["slots"][0] = 511
    assert [slot["level"] for slot in api.fixtures(short, house())[1]["slots"]] == [0, 0, None]


def test_patch_says_what_is_free_and_what_collides() -> None:
    found = api.patch(house())
    assert found["universes"][0] == {
        "universe": "e131/1",
        "label": "Label 1",
        "fixtures": 2,
        "used": 7,
        "free_slots": 505,
        "free": [[5, 509]],
        "unsized": 0,
    }
    assert {one["kind"] for one in found["conflicts"]} == {"unknown-profile"}, "the made-up house declares no profile"
    twice = replace(house(), fixtures=(*house().fixtures, replace(house().fixtures[0], name="103", address=3)))
    (one,) = [one for one in api.patch(twice)["conflicts"] if one["kind"] == "overlap"]
    assert one["universe"] == "e131/1" and set(one["fixtures"]) == {"101", "103"} and one["severity"] == "warning"


def test_names_with_networks_are_found() -> None:
    one, two = snapshot(2), snapshot(2)
    two.house.networks = ("A", "B")
    two = replace(two, universe_names=("e131/1@A", "e131/1@B"))
    assert (
        Sheet(two).row_of("e131/1@B") == 1 and Sheet(two).row_of("e131/1") == 0 and Sheet(two).row_of("e131/9") is None
    )
    assert Sheet(one).row_of("e131/1@eth1") == 0 and Sheet(one).row_of("e131/1@C") is None


def test_moments_go_both_ways() -> None:
    wall_ns = 1_772_393_400_250_000_000  # 2026-03-01T19:30:00.250Z, by `date -d`
    assert iso_wall(wall_ns) == "2026-03-01T19:30:00.250Z" and read_iso("2026-03-01T19:30:00.250Z") == wall_ns
    assert read_iso("2026-03-01T20:30:00.250+01:00") == read_iso("2026-03-01T19:30:00.250") == wall_ns
    with pytest.raises(ValueError, match="is not a time; write 2026"):
        read_iso("half past seven")


def test_hostile_names_stay_text() -> None:
    row = SourceRow(
        Protocol.E131, bytes(range(16)), "10.0.0.1", 0, "<script>\x00\ud800".encode("utf-8", "replace").decode()
    )
    found = api.source(snapshot(1, sources=(row,)), 0)
    fits("source", found)
    assert found["universes"] == ["e131/1"] and not np.isnan(found["refresh_hz"])
