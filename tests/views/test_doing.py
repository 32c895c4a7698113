"""What this computer itself does (asks, sends, counts) as page and API get it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from slotwatch.model.cadence import BIN_EDGES_MS
from slotwatch.snapshot.rig_check import RigCheckRow, RigDone, RigFixture
from slotwatch.snapshot.routes import AskedRow, AskingRow
from slotwatch.views import api
from slotwatch.views.feed import Changes, everything
from slotwatch.views.sheet import Sheet
from tests.views import fabricate

ASKING = AskingRow(
    running=True,
    ends_in_s=95.0,
    ends_ns=fabricate.NOW_NS + 95_000_000_000,
    requests=34,
    rows=(AskedRow("right", "artnet/1", uid="7ff0:00000001"), AskedRow("missing", "artnet/1", fixture="704")),
)


def asking() -> Sheet:
    snapshot = fabricate.snapshot(3)
    listener = replace(snapshot.house.listener, asking=ASKING)
    return Sheet(replace(snapshot, house=replace(snapshot.house, listener=listener)))


def test_the_end_of_a_window_of_asking_is_a_time_of_day() -> None:
    sheet = asking()
    answer = api.house(sheet)["listener"]["asking"]
    assert answer["ends_at"] == sheet.iso(ASKING.ends_ns)
    assert "ends_ns" not in answer
    assert [(row["verdict"], row.get("uid")) for row in answer["rows"]] == [
        ("right", "7ff0:00000001"),
        ("missing", None),
    ]


def test_the_stream_carries_the_window_but_not_its_rows() -> None:
    """Up to 4096 rows belong into an answer that is asked for, not into every word about the house."""
    sheet = asking()
    house = api.house(sheet)
    changes = Changes()
    changes.take(sheet, {**house, "phase": "dark"})
    for events in (everything(sheet, house), changes.take(sheet, house)):
        data = next(data for name, data in events if name == "house")
        assert data["listener"]["asking"]["requests"] == 34
        assert "rows" not in data["listener"]["asking"]
    assert len(house["listener"]["asking"]["rows"]) == 2, "the house itself keeps them"


def test_time_that_passes_is_no_change_but_another_request_is() -> None:
    sheet = asking()
    changes = Changes()
    house = api.house(sheet)
    changes.take(sheet, house)

    def after(**changed: Any) -> list[Any]:
        moved = {**house["listener"]["asking"], **changed}
        events = changes.take(sheet, {**house, "listener": {**house["listener"], "asking": moved}})
        return [data for name, data in events if name == "house"]

    assert after(ends_in_s=94.0) == []
    assert [data["listener"]["asking"]["requests"] for data in after(requests=35)] == [35]


def test_only_routes_that_put_out_frames_count_as_sending() -> None:
    states = ("waiting", "listening", "running", "undecided", "holding", "zero", "stopped", "loop")
    rows = tuple(fabricate.route(state, f"e131/{n}", state=state) for n, state in enumerate(states, 1))
    assert api.house(replace(fabricate.snapshot(3), routes=rows))["sends"] == ["e131/3", "e131/5", "e131/6"]


def test_subscribing_is_reported_as_the_house_file_has_it() -> None:
    house = fabricate.house(3)
    assert api.house(fabricate.snapshot(3), house)["subscribes"] is False
    subscribing = replace(house, listen=replace(house.listen, artnet_subscribe=True))
    assert api.house(fabricate.snapshot(3), subscribing)["subscribes"] is True


def test_the_distribution_of_the_winning_stream_comes_with_a_universe() -> None:
    snapshot = fabricate.snapshot(3)
    assert api.universe_detail(snapshot, 0)["interval_histogram"] == [], "not known"
    bins = np.zeros((len(snapshot.streams["state"]), len(BIN_EDGES_MS) + 1), np.uint16)
    stream = int(snapshot.universes["winning_stream"][0])
    bins[stream, [5, -1]] = 500, 3
    answer = api.universe_detail(replace(snapshot, interval_bins=bins), 0)["interval_histogram"]
    assert [one for one in answer if one[2]] == [(22, 24, 500), (1000, None, 3)]
    assert answer[0] == (0, 5, 0)


def test_a_rig_check_says_when_it_began() -> None:
    done = RigDone(RigFixture("1", "", "e131/1", 1, "", ""), fabricate.NOW_NS, no_light=False)
    check = RigCheckRow(True, fabricate.NOW_NS, 0, 1, (done,), (), (), (), ())
    snapshot = replace(fabricate.snapshot(3), rig_check=check)
    answer = api.rig_check(snapshot)
    assert answer["started_at"] == answer["done"][0]["at"] == Sheet(snapshot).iso(fabricate.NOW_NS)
    assert "started_ns" not in answer
