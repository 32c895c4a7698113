"""Reference levels by the API: on the disk before the answer, compared, part of readiness; and levels after a loss."""

from __future__ import annotations

import csv
import io
import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest

from slotwatch.edge.front import references as module
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import ReferenceRow, Store
from slotwatch.house.occasions import ReadinessTerms, ReferenceTerms
from slotwatch.house.schema import House
from slotwatch.snapshot import Snapshot
from slotwatch.snapshot.readiness import Readiness
from tests.edge.front_house import Running, running
from tests.patience import PATIENCE_S, happens
from tests.views.fabricate import NOW_NS, SECOND_NS, WALL_OFFSET_NS, house, incident, snapshot

PATH = "/api/v1/references"


@pytest.fixture(autouse=True)
def no_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "AFTER_S", 0.0)


def lit(seconds: float = 0.0, levels: dict[int, int] | None = None, **changes: Any) -> Snapshot:
    """Fixture 101 has slots 1 to 4 (intensity, red, green, blue), 102 has 510 to 512 (pan, tilt, intensity)."""
    made = snapshot(**{"now_ns": NOW_NS + round(seconds * SECOND_NS), "incidents": (), **changes})
    held = np.zeros((3, 512), np.uint8)
    for slot, value in (levels or {}).items():
        held[0, slot - 1] = value
    made.levels = held
    return made


async def keep(run: Running, status: int = 201, **given: Any) -> Any:
    async with run.client.post(PATH, json={"name": "act 1 opening", **given}) as response:
        assert response.status == status, await response.text()
        return await response.json()


async def read(run: Running, path: str, status: int = 200) -> Any:
    async with run.client.get(path) as response:
        assert response.status == status, await response.text()
        return await response.json() if "json" in response.content_type else await response.text()


async def test_levels_are_on_the_disk_before_the_answer(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 153})) as run:
        kept = await keep(run, by="Ann")
        # Another reader of the file, as after a power cut: what was committed is there.
        found = Archive(tmp_path / "history.db").reference("act 1 opening")
        assert kept["stored"] is True and found is not None
        assert found.at_wall_ns == NOW_NS + WALL_OFFSET_NS
        assert (kept["fixtures"], kept["by"], kept["automatic"], kept["at"]) == (
            2,
            "Ann",
            False,
            "2026-01-01T00:00:00.000Z",
        )
        (row,) = await read(run, PATH)
        assert row == {key: value for key, value in kept.items() if key != "stored"}


async def test_what_differs_is_reported_with_was_and_is(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 153, 512: 255})) as run:
        await keep(run)
        same = await read(run, f"{PATH}/act%201%20opening/compare")
        assert (same["differ"], same["text"]) == (0, "2 fixtures are as in act 1 opening.")
        run.show(lit(levels={512: 255}))
        found = await read(run, f"{PATH}/act%201%20opening/compare")
        assert found["text"] == "1 fixture differs from act 1 opening: 101 is at 0 %, was 60 %."
        assert found["groups"][0]["differences"][0]["roles"] == [
            {"role": "intensity", "was_percent": 60.0, "now_percent": 0.0}
        ]
        assert "never sent" in found["caution"]
        loose = await read(run, f"{PATH}/act%201%20opening/compare?tolerance_percent=61")
        assert loose["differ"] == 0
        table = list(csv.reader(io.StringIO(await read(run, f"{PATH}/act%201%20opening/compare?format=csv"))))
        assert table[1] == ["101", "", "", "", "e131/1", "1", "intensity", "60.0", "0.0", "differs"]


async def test_what_is_kept_can_be_read_by_fixture_and_as_a_table(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 153, 512: 255})) as run:
        await keep(run)
        found = await read(run, f"{PATH}/act%201%20opening")
        assert found["levels"][0]["levels"][0] == {"role": "intensity", "percent": 60.0, "moving": False}
        assert found["levels"][0]["slots"] == [153, 0, 0, 0]
        table = list(csv.DictReader(io.StringIO(await read(run, f"{PATH}/act%201%20opening?format=csv"))))
        assert [(row["fixture"], row["role"]) for row in table if float(row["percent"])] == [
            ("101", "intensity"),
            ("102", "intensity"),
        ]


async def test_what_moves_while_it_is_kept_is_marked(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={510: 10})) as run:
        run.show(lit(1, {510: 200}))
        kept = await keep(run)
        assert kept["moving"] == 1
        run.show(lit(2, {510: 10}))
        assert (await read(run, f"{PATH}/act%201%20opening/compare"))["differ"] == 0


async def test_a_reference_of_which_all_moved_is_not_as_it_was(tmp_path: Path) -> None:
    async with running(
        tmp_path, expecting("act 1 opening"), lit(levels=dict.fromkeys((*range(1, 5), 510, 511, 512), 10))
    ) as run:
        run.show(lit(1, dict.fromkeys((*range(1, 5), 510, 511, 512), 200)))
        await keep(run)
        found = await read(run, f"{PATH}/act%201%20opening/compare")
        assert (found["text"], found["fixtures"]) == ("No fixture can be compared with act 1 opening.", 0)
        assert {one["reason"] for one in found["not_compared"]} == {"moving"}
        (reason,) = await reasons(run, 4, {1: 200})
        assert reason.startswith("Not all of act 1 opening can be compared: 101: all of it moved")


async def test_a_name_is_replaced_only_when_that_is_asked_for(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 10})) as run:
        await keep(run)
        refused = await keep(run, status=409)
        assert "are kept already" in refused["error"]
        run.show(lit(levels={1: 200}))
        await keep(run, replace=True)
        assert (await read(run, f"{PATH}/act%201%20opening"))["levels"][0]["slots"][0] == 200


async def test_a_name_may_hold_any_sign(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 10})) as run:
        name = "1/2 & ¾? #1"
        await keep(run, name=name)
        async with run.client.get(f"{PATH}/{quote(name, safe='')}") as response:
            assert (await response.json())["name"] == name


async def test_what_is_deleted_is_gone_from_the_disk(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 10})) as run:
        await keep(run)
        async with run.client.delete(f"{PATH}/act%201%20opening") as response:
            assert await response.json() == {"name": "act 1 opening", "deleted": True, "stored": True}
        assert Archive(tmp_path / "history.db").reference("act 1 opening") is None
        assert "No reference levels" in (await read(run, f"{PATH}/act%201%20opening", 404))["error"]
        async with run.client.delete(f"{PATH}/act%201%20opening") as response:
            assert response.status == 404


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"name": ""}, '"name" must be a text'),
        ({"name": "x" * 81}, "longer than 80"),
        ({"positions": "Bar 1"}, '"positions" must be a list'),
        ({"replace": 1}, "true or false"),
        ({"slots": [1]}, "is not known here"),
    ],
)
async def test_a_wrong_order_is_refused(tmp_path: Path, given: dict[str, Any], sentence: str) -> None:
    async with running(tmp_path, snapshot=lit()) as run:
        assert sentence in (await keep(run, status=400, **given))["error"]


async def test_nothing_is_kept_where_nothing_arrives(tmp_path: Path) -> None:
    dead = lit()
    dead.universes["streams"][:] = 0
    async with running(tmp_path, snapshot=dead) as run:
        assert (await keep(run, status=409))["error"] == "Nothing was kept: no levels arrive that could be kept."


async def test_at_most_so_many_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_REFERENCES", 2)
    async with running(tmp_path, snapshot=lit(levels={1: 10})) as run:
        for name in ("one", "two"):
            await keep(run, name=name)
        assert "At most 2 are kept" in (await keep(run, status=409, name="three"))["error"]
        await keep(run, name="two", replace=True)


async def test_damaged_levels_are_reported_and_can_be_deleted(tmp_path: Path) -> None:
    store = Store(tmp_path / "history.db")
    store.write(module_pending("act 1 opening", b"damaged"))
    store.close()
    async with running(tmp_path, snapshot=lit()) as run:
        assert "cannot be read" in (await read(run, f"{PATH}/act%201%20opening", 409))["error"]
        async with run.client.delete(f"{PATH}/act%201%20opening") as response:
            assert response.status == 200


def module_pending(name: str, body: bytes) -> Any:
    from slotwatch.edge.front.history_store import Pending

    about = {"fixtures": 0, "universes": 0, "moving": 0, "left_out": [], "automatic": False, "bytes": len(body)}
    return Pending(references={name: ReferenceRow(1, "", about, body)})


def expecting(name: str) -> House:
    return replace(house(), readiness=ReadinessTerms(name))


async def reasons(run: Running, seconds: float, levels: dict[int, int]) -> list[str]:
    """What the half-hour call says once a snapshot so many seconds on is here."""
    run.show(lit(seconds, levels, readiness=Readiness()))
    found = await read(run, "/api/v1/readiness")
    assert found["ready"] is (not found["reasons"])
    assert {one["rule"] for one in found["reasons"]} <= {"reference-levels"}
    return [one["text"] for one in found["reasons"]]


async def test_differences_from_the_expected_reference_are_reasons(tmp_path: Path) -> None:
    async with running(tmp_path, expecting("act 1 opening"), lit(levels={1: 153})) as run:
        await keep(run)
        assert await reasons(run, 2, {1: 153}) == []
        assert await reasons(run, 4, {}) == ["1 fixture differs from act 1 opening: 101 is at 0 %, was 60 %."]
        assert await reasons(run, 6, {1: 153}) == []


async def test_a_reference_that_is_expected_and_not_kept_is_a_reason(tmp_path: Path) -> None:
    async with running(tmp_path, expecting("overture"), lit(levels={1: 153})) as run:
        await keep(run)  # the history's file is there
        seconds, until_s = 2.0, time.monotonic() + PATIENCE_S
        while not (found := await reasons(run, seconds, {1: 153})) and time.monotonic() < until_s:
            seconds += 2
        assert found == ["No reference levels are kept under the name overture."]


async def test_levels_are_kept_at_curtain_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = replace(house(), references=ReferenceTerms(keep_curtain_up=True))
    before = lit(levels={1: 153})
    before.house.phase = "pre-show"
    async with running(tmp_path, wanted, before) as run:
        assert await read(run, PATH) == []
        await keep(run, name="a")
        run.show(lit(1, {1: 153}))
        archive = Archive(tmp_path / "history.db")
        await happens(lambda: len(archive.references()) == 2)
        run.show(lit(2, {1: 153}))  # it continues
        found = next(row for row in await read(run, PATH) if row["name"] != "a")
        assert found["automatic"] is True and found["name"].startswith("curtain up 20")


async def test_nothing_is_kept_at_curtain_up_unless_the_house_wants_it(tmp_path: Path) -> None:
    before = lit(levels={1: 153})
    before.house.phase = "pre-show"
    async with running(tmp_path, house(), before) as run:
        run.show(lit(1, {1: 153}))
        await keep(run, name="a")  # whatever began before is done
        assert [row["name"] for row in await read(run, PATH)] == ["a"]


def loss(number: int = 9, **changes: Any) -> Any:
    began_ns = NOW_NS + 10 * SECOND_NS
    return incident(
        number,
        universes=("e131/1",),
        began_ns=began_ns,
        opened_ns=began_ns + 3 * SECOND_NS,
        **changes,
    )


async def test_after_a_loss_the_incident_shows_the_last_good_levels(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit()) as run:
        for second in range(11):
            made = lit(second, {1: 153})
            made.universes["last_frame_ns"][0] = made.now_ns
            run.show(made)
        dead = lit(14, incidents=(loss(),))
        dead.universes["streams"][0] = 0
        run.show(dead)
        found = (await read(run, "/api/v1/incidents/9"))["last_good_levels"]
        first = found["fixtures"][0]
        assert (first["fixture"], first["levels"][0]["percent"]) == ("101", 60.0)
        assert found["at"] == "2026-01-01T00:00:10.000Z" and "never sent" in found["caution"]
        # Another reader of the file, as after a restart.
        opened_ms = (loss().opened_ns + WALL_OFFSET_NS) // 1_000_000

        def kept() -> Any:
            return Archive(tmp_path / "history.db").last_good(9, opened_ms)

        assert await happens(lambda: kept() == found)
        assert found["universes"] == ["e131/1"]


async def test_an_incident_that_is_no_loss_has_no_last_good_levels(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=lit(levels={1: 153})) as run:
        run.show(lit(14, {1: 153}, incidents=(loss(rule="slow-refresh"),)))
        assert (await read(run, "/api/v1/incidents/9"))["last_good_levels"] is None
