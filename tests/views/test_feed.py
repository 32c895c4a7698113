"""Events: what changed and nothing else, in few octets, and always enough to rebuild what the API says."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from typing import Any

import numpy as np

from slotwatch.snapshot import Snapshot, UniverseState
from slotwatch.snapshot.columns import STREAM_COLUMNS, UNIVERSE_COLUMNS
from slotwatch.views import api
from slotwatch.views.feed import CHANGING, Changes, Event, UniverseChanges, encode, everything
from slotwatch.views.sheet import Sheet
from tests.views.fabricate import SECOND_NS, house, incident, snapshot


def house_answer(snapshot: Snapshot) -> dict[str, Any]:
    return api.house(snapshot, house())


def later(before: Snapshot, passed_ns: int = SECOND_NS // 4, **changes: Any) -> Snapshot:
    """A copy of a snapshot some time on, its columns free to be changed."""
    found = replace(before, now_ns=before.now_ns + passed_ns, sequence=before.sequence + 1, **changes)
    found.universes = copy.deepcopy(before.universes)
    return found


class Listener:
    """What a page would hold after merging."""

    def __init__(self) -> None:
        self.house: dict[str, Any] = {}
        self.universes: dict[str, dict[str, Any]] = {}
        self.incidents: dict[int, dict[str, Any]] = {}

    def hear(self, events: list[Event]) -> list[str]:
        for name, data in events:
            if name == "house":
                self.house |= data
            elif name == "incident":
                self.incidents[data["id"]] = data
            else:
                for row in data["rows"]:
                    one = dict(zip(data["columns"], row, strict=True))
                    self.universes.setdefault(one["universe"], {}).update(one)
                for gone in data.get("gone", ()):
                    del self.universes[gone]
        return [name for name, _ in events]


def start(taken: Snapshot) -> tuple[Listener, Changes]:
    listener, changes = Listener(), Changes()
    listener.hear(everything(Sheet(taken), house_answer(taken)))
    assert changes.take(Sheet(taken), house_answer(taken)) == []
    return listener, changes


def test_everything_is_what_the_api_says() -> None:
    taken = snapshot(5)
    listener, _ = start(taken)
    assert list(listener.universes.values()) == api.universes(taken)
    assert listener.house == house_answer(taken) and list(listener.incidents) == [7]


def test_nothing_new_says_nothing_within_a_second() -> None:
    taken = snapshot(5)
    _, changes = start(taken)
    following = later(taken)
    following.universes["frames"] += 11
    following.universes["last_frame_ns"] += SECOND_NS // 4
    following.universes["refresh_hz"] += 0.2  # jitter
    assert changes.take(Sheet(following), house_answer(following)) == []


def test_the_snapshots_moment_goes_out_each_second() -> None:
    taken = snapshot(5)
    listener, changes = start(taken)
    following = later(taken, SECOND_NS)
    assert "house" in listener.hear(changes.take(Sheet(following), house_answer(following)))
    assert listener.house == house_answer(following)


def test_a_loss_goes_out_at_once_with_its_incident() -> None:
    taken = snapshot(5)
    listener, changes = start(taken)
    following = later(taken, incidents=(*taken.incidents, incident(8, universes=("e131/3",))))
    following.universes["state"][2] = UniverseState.LOST
    following.universes["winning_stream"][2] = -1
    heard = changes.take(Sheet(following), house_answer(following))
    rows = next(data for name, data in heard if name == "universes")
    # The incident explains something of e131/2, so that universe names it as well.
    assert rows["columns"] == list(CHANGING) and [row[0] for row in rows["rows"]] == ["e131/2", "e131/3"]
    listener.hear(heard)
    assert listener.universes["e131/3"]["state"] == "lost" and listener.universes["e131/3"]["incidents"] == [8]
    assert listener.universes["e131/3"] == api.universe(following, 2)
    assert listener.incidents[8]["state"] == "open"


def test_an_incident_is_reported_again_only_when_revised_or_closed() -> None:
    taken = snapshot()
    _, changes = start(taken)
    assert changes.take_incidents(taken) == []
    wider = replace(taken, incidents=(incident(revision=2, universes=("e131/1", "e131/2")),))
    assert [data["universes"] for _, data in changes.take_incidents(wider)] == [["e131/1", "e131/2"]]
    closed = replace(taken, incidents=(incident(revision=3, closed_ns=taken.now_ns),))
    assert [data["state"] for _, data in changes.take_incidents(closed)] == ["closed"]
    assert changes.take_incidents(closed) == []


def test_a_slow_drift_of_rate_is_followed() -> None:
    """Quantising compares with what was sent, not with the last snapshot: small steps cannot hide a fall."""
    taken = snapshot(5)
    listener, changes = start(taken)
    for _ in range(40):
        taken = later(taken, SECOND_NS // 100)
        taken.universes["refresh_hz"][0] -= 0.4
        listener.hear(changes.take(Sheet(taken), house_answer(taken)))
    assert abs(listener.universes["e131/1"]["refresh_hz"] - float(taken.universes["refresh_hz"][0])) <= 0.9


def test_universes_that_come_and_go() -> None:
    taken = snapshot(3)
    listener, changes = start(taken)
    more = replace(snapshot(4), now_ns=taken.now_ns + SECOND_NS // 4)
    listener.hear(changes.take(Sheet(more), house_answer(more)))
    listener.hear(changes.take(Sheet(more), house_answer(more)))
    assert listener.universes == {row["universe"]: row for row in api.universes(more)}
    fewer = replace(snapshot(3), now_ns=more.now_ns + SECOND_NS // 4)
    listener.hear(changes.take(Sheet(fewer), house_answer(fewer)))
    assert set(listener.universes) == set(fewer.universe_names)


def test_slow_columns_come_round_in_ten_seconds() -> None:
    taken = snapshot(512)
    listener, changes = start(taken)
    for _ in range(44):
        taken = later(taken)
        taken.universes["frames"] += 11
        listener.hear(changes.take(Sheet(taken), house_answer(taken)))
    behind = [taken.universes["frames"][row] - one["frames"] for row, one in enumerate(listener.universes.values())]
    assert max(behind) <= 11 * 42


def test_512_universes_at_44_hz_stay_under_20_kilobytes_a_second() -> None:
    """The bound of the description: every universe's counters move, rates jitter, one in fifty changes its rate."""
    taken = snapshot(512)
    _, changes = start(taken)
    random = np.random.default_rng(1)
    octets, seconds = 0, 30
    for _ in range(4 * seconds):
        taken = later(taken)
        taken.universes["frames"] += 11
        taken.universes["last_frame_ns"] += SECOND_NS // 4
        taken.universes["last_change_ns"] += SECOND_NS // 4
        taken.universes["refresh_hz"][:] = 44 + random.normal(0, 0.15, 512)
        some = random.integers(0, 512, 2)
        taken.universes["refresh_hz"][some] = random.uniform(20, 44, 2)
        octets += len(encode(changes.take(Sheet(taken), house_answer(taken))))
    assert octets / seconds < 20_000
    assert octets / seconds > 1_000, "something must have been reported"


def test_one_event_of_universes_at_a_time_and_nothing_lost() -> None:
    """As documented: "batched …, at most 4 a second", with 4 batches a second; also where universes come and go."""
    taken = snapshot(60)
    listener, changes = start(taken)
    for turn in range(40):
        taken = later(taken)
        taken.universes["frames"] += 11
        taken.universes["refresh_hz"][turn % 60] = 20 + turn
        if turn == 20:
            fewer = snapshot(40)
            taken = replace(fewer, now_ns=taken.now_ns, incidents=(incident(9, universes=("e131/3",)),))
        heard = listener.hear(changes.take(Sheet(taken), house_answer(taken)))
        assert heard.count("universes") <= 1
    listener.hear(changes.take(Sheet(later(taken)), house_answer(taken)))
    for row in api.universes(taken):
        held = listener.universes[row["universe"]]
        assert (held["refresh_hz"], held["incidents"]) == (row["refresh_hz"], row["incidents"])
    assert min(one["frames"] for one in listener.universes.values()) > 0


def test_one_universe_sends_levels_only_when_they_change() -> None:
    taken = snapshot()
    watched = UniverseChanges("e131/1")
    assert [name for name, _ in watched.everything(Sheet(taken), house())] == ["universe", "levels"]
    assert [name for name, _ in watched.take(Sheet(taken), house())] == ["universe", "levels"]
    following = later(taken)
    assert watched.take(Sheet(following), house()) == []
    following = later(following, levels=taken.levels.copy())
    following.levels[0, 9] = 77
    ((name, data),) = watched.take(Sheet(following), house())
    assert name == "levels" and data["levels"][9] == 77 and "slot_sources" not in data
    assert UniverseChanges("e131/77").take(Sheet(taken), house()) == []


def test_text_of_the_network_cannot_break_the_stream() -> None:
    hostile = incident(summary='line\nevent: house\ndata: {"name":"x"}\n\n\r\n\u2028')
    text = encode([("incident", api.incident(snapshot(), hostile))]).decode()
    assert text.count("\n") == 3 and json.loads(text.split("data: ", 1)[1])["summary"] == hostile.summary


def test_a_house_in_which_nothing_was_heard_yet_is_reported_as_well() -> None:
    empty = replace(
        snapshot(3),
        universe_names=(),
        universe_labels=(),
        universes={name: np.zeros(0, kind) for name, kind in UNIVERSE_COLUMNS},
        streams={name: np.zeros(0, kind) for name, kind in STREAM_COLUMNS},
        incidents=(),
    )
    listener, changes = start(empty)
    assert changes.take(Sheet(later(empty)), house_answer(empty)) == []
    heard = later(snapshot(3), 5 * SECOND_NS)
    listener.hear(changes.take(Sheet(heard), house_answer(heard)))
    assert list(listener.universes.values()) == api.universes(heard)
