"""Every request that reads, over a real socket, against schemas written from the API's description."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from slotwatch.snapshot.health import JudgingReport, ListenerHealth
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.snapshot.readiness import Readiness
from slotwatch.snapshot.stage import WayLoad
from slotwatch.wire import pcap, pcap_blocks
from tests.edge.front_house import Running, running
from tests.patience import happens
from tests.views.api_schemas import fits
from tests.views.fabricate import NOW_NS, SECOND_NS, WALL_OFFSET_NS, incident, listening, rack, snapshot
from tests.views.test_levels import sent


async def get(run: Running, path: str, status: int = 200) -> object:
    async with run.client.get(path) as response:
        assert response.status == status, f"{path}: {await response.text()}"
        return await response.json()


async def refused(run: Running, path: str, status: int) -> str:
    found = await get(run, path, status)
    assert isinstance(found, dict) and set(found) == {"error"}
    sentence = found["error"]
    assert isinstance(sentence, str) and sentence.endswith(".")
    return sentence


async def test_lists_and_single_objects_fit_the_schemas(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot(4)) as run:
        for path, schema in (("universes", "universe"), ("sources", "source"), ("incidents?state=all", "incident")):
            found = await get(run, f"/api/v1/{path}")
            assert isinstance(found, list) and found
            for one in found:
                fits(schema, one)
        fits("universe_detail", await get(run, "/api/v1/universes/e131/1"))
        fits("house", await get(run, "/api/v1/house"))
        fits("readiness", await get(run, "/api/v1/readiness"))
        one = await get(run, "/api/v1/incidents/7")
        fits("incident", one)
        assert isinstance(one, dict) and one["timeline"] and one["packets"] is False
        for path in ("receivers", "racks", "routes", "hours"):
            assert await get(run, f"/api/v1/{path}") == []
        assert await get(run, "/api/v1/rig-check") == {"running": False}
        assert len(await get(run, "/api/v1/fixtures")) == 2  # type: ignore[arg-type]


async def test_racks_list_their_ways_or_count_them(tmp_path: Path) -> None:
    """A house may have thousands of ways, and the page asks every second."""
    ways = (
        WayLoad(1, 1, "C1", "dimmer", 255, 10.5, 10.5, 10.0),
        WayLoad(2, 1, "C2", "dimmer", 0, 0.0, 5.0, 10.0),
        WayLoad(3, 1, "", "dimmer", 128, None, 0.0, None),
    )
    async with running(tmp_path, snapshot=snapshot(racks=(rack("Rack A/1", 10.5, ways),))) as run:
        found = await get(run, "/api/v1/racks?ways=counted")
        assert isinstance(found, list)
        (one,) = found
        assert "ways" not in one and one["supplies"][0]["estimated_a"] == 10.5
        counted = {name: one[name] for name in one if name.startswith("ways_")}
        assert counted == {"ways_declared": 3, "ways_above_zero": 2, "ways_judged": 2, "ways_over_limit": [1]}
        whole = await get(run, "/api/v1/racks/Rack%20A%2F1")
        assert isinstance(whole, dict)
        assert whole.pop("ways")[1] == {
            "way": 2, "supply": 1, "circuit": "C2", "module": "dimmer", "level": 0,
            "estimated_a": 0.0, "full_a": 5.0, "limit_a": 10.0,
        }  # fmt: skip
        assert whole == one
        (listed,) = await get(run, "/api/v1/racks")  # type: ignore[misc]
        assert [way["way"] for way in listed.pop("ways")] == [1, 2, 3] and listed == one
        assert await refused(run, "/api/v1/racks?ways=two", 400) == '"ways" must be listed or counted.'
        assert await refused(run, "/api/v1/racks/nowhere", 404) == "No rack nowhere is declared."


async def test_incidents_by_state_since_and_limit(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:

        async def ids(query: str) -> list[int]:
            found = await get(run, f"/api/v1/incidents{query}")
            assert isinstance(found, list)
            return [one["id"] for one in found]

        assert await ids("") == await ids("?state=open") == [7]
        assert await ids("?state=closed") == [3]
        assert await ids("?state=all&limit=1") == [7]
        assert await ids("?state=all&since=2025-12-31T23:59:45Z") == [7]
        assert await ids("?state=all&since=2026-01-01T00:59:45%2B01:00") == [7]
        assert "open, closed or all" in await refused(run, "/api/v1/incidents?state=big", 400)
        assert "is not a time" in await refused(run, "/api/v1/incidents?since=yesterday", 400)
        for wrong in ("0", "-3", "x", "nan", "99999999"):
            assert "a number over 0" in await refused(run, f"/api/v1/incidents?limit={wrong}", 400)


async def test_incidents_that_left_the_snapshot_come_from_the_history(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        run.show(snapshot(incidents=(incident(9),)))
        assert await run.history.mark("wait until it is written", "", 0)
        found = await get(run, "/api/v1/incidents?state=all")
        assert isinstance(found, list) and [one["id"] for one in found][-1] == 3 and found[0]["id"] == 9
        old = await get(run, "/api/v1/incidents/3")
        fits("incident", old)
        assert isinstance(old, dict) and old["closed_at"] == "2025-12-31T23:59:40.000Z"
        assert await refused(run, "/api/v1/incidents/4", 404) == "There is no incident 4."


async def test_minutes_of_a_universe(tmp_path: Path) -> None:
    minute = (NOW_NS + WALL_OFFSET_NS) // 60_000_000_000
    rows = tuple(MinuteRow(minute - n, "e131/1", 2640, 44.0, 31.6, 3, 2, 5, 1.5) for n in range(90))
    async with running(tmp_path, snapshot=snapshot(minutes=rows)) as run:
        assert await run.history.mark("wait until it is written", "", 0)
        found = await get(run, "/api/v1/universes/e131/1/history?hours=1&until=2026-01-01T00:00:00Z")
        assert isinstance(found, dict) and len(found["rows"]) == 61
        assert dict(zip(found["columns"], found["rows"][-1], strict=True)) == {
            "at": "2026-01-01T00:00:00.000Z",
            "frames": 2640,
            "refresh_hz": 44.0,
            "worst_gap_ms": 32.0,
            "lost_frames": 3,
            "sources": 2,
            "state": "faulty",
            "not_judged_s": 1.5,
            "moving_hz": None,
            "interval_p50_ms": None,
            "interval_p95_ms": None,
            "interval_p99_ms": None,
        }
        assert (await get(run, "/api/v1/universes/e131/2/history"))["rows"] == []  # type: ignore[index]


async def test_what_is_not_there_is_reported(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert "e131/99" in await refused(run, "/api/v1/universes/e131/99", 404)
        await refused(run, "/api/v1/universes/e131/99/history", 404)
        await refused(run, "/api/v1/incidents/999999999999999", 404)
        await refused(run, "/api/v1/nothing", 404)
        for what in ("packets", "levels"):
            assert "No packets are kept for incident 7" in await refused(run, f"/api/v1/incidents/7/{what}", 404)
            assert await refused(run, f"/api/v1/incidents/9/{what}", 404) == "There is no incident 9."
        await refused(run, "/nothing", 404)


async def test_before_the_first_snapshot_it_lives_but_is_not_ready(tmp_path: Path) -> None:
    async with running(tmp_path) as run:
        assert (await run.client.get("/healthz")).status == 200
        for path in ("/readyz", "/api/v1/universes", "/api/v1/house", "/metrics", "/api/v1/events", "/plain"):
            assert "Nothing has been judged yet" in await refused(run, path, 503)
        run.show(snapshot())
        assert "No port is open yet" in await refused(run, "/readyz", 503)
        run.show(listening())
        assert (await run.client.get("/readyz")).status == 200


async def test_it_is_not_ready_while_judging_hangs_and_a_pause_of_the_whole_computer_is_no_hang(tmp_path: Path) -> None:
    async with running(tmp_path) as run:

        def look(from_s: int, until_s: int) -> None:
            for at_s in range(from_s, until_s):
                run.front.look(NOW_NS + at_s * SECOND_NS)

        run.show(listening(), NOW_NS)
        look(1, 11)  # the parent ends a judging that hangs after 10 s; until then it may only be slow
        assert (await run.client.get("/readyz")).status == 200
        look(11, 12)
        assert await refused(run, "/readyz", 503) == "Judging has not reported for over 10 s."
        run.show(listening(), NOW_NS + 12 * SECOND_NS)
        assert (await run.client.get("/readyz")).status == 200
        look(60, 70)  # the computer was held for 48 s, and judging is not quicker than this process
        assert (await run.client.get("/readyz")).status == 200
        look(70, 72)
        assert (await run.client.get("/readyz")).status == 503


async def test_it_is_not_ready_while_receiving_hangs(tmp_path: Path) -> None:
    async with running(tmp_path) as run:
        for silent_s, status in ((9.9, 200), (10.1, 503), (0.1, 200)):
            shown = listening()
            shown.house.listener = replace(shown.house.listener, judging=JudgingReport(intake_silent_s=silent_s))
            run.show(shown)
            assert (await run.client.get("/readyz")).status == status


async def test_metrics_in_both_formats(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        async with run.client.get("/metrics") as response:
            assert response.content_type == "text/plain" and "slotwatch_universe_up" in await response.text()
        accept = {"Accept": "application/openmetrics-text; version=1.0.0"}
        async with run.client.get("/metrics", headers=accept) as response:
            assert response.content_type == "application/openmetrics-text"
            names = {family.name for family in text_string_to_metric_families(await response.text())}
        assert "slotwatch_packets_received" in names and "slotwatch_build" in names


async def test_packets_are_sent_as_a_file(tmp_path: Path) -> None:
    (tmp_path / "incident-7.pcapng").write_bytes(b"\x0a\x0d\x0d\x0a")
    async with running(tmp_path, snapshot=snapshot()) as run:
        async with run.client.get("/api/v1/incidents/7/packets") as response:
            assert response.status == 200 and await response.read() == b"\x0a\x0d\x0d\x0a"
            assert response.headers["Content-Disposition"] == 'attachment; filename="incident-7.pcapng"'
        assert (await get(run, "/api/v1/incidents/7"))["packets"] is True  # type: ignore[index]


async def test_large_answers_are_compressed(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot(512)) as run:
        async with run.client.get("/api/v1/universes") as response:
            assert response.headers["Content-Encoding"] in ("deflate", "gzip") and len(await response.json()) == 512
        async with run.client.get("/api/v1/rig-check") as response:
            assert "Content-Encoding" not in response.headers


async def test_the_plain_page_says_it_all_and_escapes_it(tmp_path: Path) -> None:
    hostile = snapshot(incidents=(incident(summary="<script>alert(1)</script>"),))
    async with running(tmp_path, snapshot=hostile) as run, run.client.get("/plain") as response:
        text = await response.text()
        assert response.content_type == "text/html" and "<script" not in text and "&lt;script&gt;" in text
        assert "main desk" in text and "e131/2" in text and "Not ready" in text


async def test_a_report_of_the_stored_show(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert await run.history.mark("wait until it is written", "Ann", NOW_NS + WALL_OFFSET_NS)
        span = "since=2025-12-31T23:00:00Z&until=2026-01-01T00:00:00Z"
        async with run.client.get(f"/api/v1/report?{span}") as response:
            assert "script" not in response.headers["Content-Security-Policy"]
            assert "Incidents: 2" in await response.text()
        found = await get(run, f"/api/v1/report?{span}&format=json")
        assert isinstance(found, dict) and [one["id"] for one in found["incidents"]] == [3, 7]
        async with run.client.get(f"/api/v1/report?{span}&format=csv") as response:
            assert response.content_type == "text/csv" and "universe-lost" in await response.text()
        await refused(run, "/api/v1/report?format=pdf", 400)
        await refused(run, "/api/v1/report?since=noon", 400)


async def test_judging_that_falls_silent_is_reported(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        run.front.look(NOW_NS + 2_100_000_000)
        found = await get(run, "/api/v1/house")
        assert isinstance(found, dict) and not found["listener"]["judging"]["ok"]
        assert "what you see is old" in found["listener"]["trouble"][0]
        await says_that_it_is_old(run, "Judging has not reported for over 2 s; what you see is old.")
        run.show(snapshot(), NOW_NS + 2_200_000_000)
        assert (await get(run, "/api/v1/house"))["listener"]["judging"]["ok"]  # type: ignore[index]


async def says_that_it_is_old(run: Running, sentence: str) -> None:
    """The first sentence and the half-hour call: neither may claim from old data that all is well."""
    async with run.client.get("/plain") as response:
        page = await response.text()
    assert f"<h1>{sentence}</h1>" in page and page.count(sentence) == 2, "at the top, and why it is not ready"
    ready = await get(run, "/api/v1/readiness")
    assert isinstance(ready, dict) and not ready["ready"]
    assert ready["reasons"][-1] == {"rule": "old-data", "text": sentence, "universes": []}


async def test_receiving_that_hangs_is_reported(tmp_path: Path) -> None:
    """Judging runs on and publishes, but of what was taken in before."""
    sentence = "No packet has been taken in for over 2 s, because receiving hangs; what you see is old."
    for silent_s, is_old in ((1.9, False), (2.1, True)):
        taken = snapshot(incidents=(), readiness=Readiness())
        taken.house.listener = ListenerHealth(judging=JudgingReport(intake_silent_s=silent_s))
        async with running(tmp_path, snapshot=taken) as run:
            ready = await get(run, "/api/v1/readiness")
            assert isinstance(ready, dict) and ready["ready"] == (not is_old)
            if is_old:
                await says_that_it_is_old(run, sentence)


async def test_a_recorder_in_trouble_is_reported_with_the_others(tmp_path: Path) -> None:
    taken = snapshot()
    report = JudgingReport(recorder="Packets cannot be written: the disk is full.")
    taken.house.listener = ListenerHealth(judging=report)
    async with running(tmp_path, snapshot=taken) as run:
        found = await get(run, "/api/v1/house")
        assert isinstance(found, dict)
        assert found["listener"]["trouble"] == ["Packets cannot be written: the disk is full."]


async def test_the_moment_of_failure_is_drawn_when_an_incident_opens(tmp_path: Path) -> None:
    calm = snapshot(incidents=())
    async with running(tmp_path, snapshot=calm) as run:
        assert (await get(run, "/api/v1/house"))["phase"] == "show"  # type: ignore[index]
        run.show(snapshot())
        found = await get(run, "/api/v1/incidents/7")
        assert isinstance(found, dict)
        streams = {row["universe"]: row for row in found["moment"]["streams"]}
        assert streams["e131/2"]["stopped"] and not streams["e131/1"]["stopped"]
        assert streams["e131/2"]["first_after_at"] is None
        back = snapshot()
        back.streams["last_frame_ns"][1] = NOW_NS
        run.show(back)
        found = await get(run, "/api/v1/incidents/7")
        assert isinstance(found, dict) and found["moment"]["streams"][0]["first_after_at"] == "2026-01-01T00:00:00.000Z"
        await happens(lambda: run.history.health()["ok"])


async def test_levels_around_an_incident_come_from_its_capture(tmp_path: Path) -> None:
    """E1.31 packets of another library, in a capture as the recorder writes it: raw IP, nanoseconds."""
    t_ns = 1_767_220_600_000_000_000
    frames = [pcap_blocks.packet(t_ns + n * 22_000_000, sent(3, bytes([n, 50]))) for n in range(100)]
    (tmp_path / "incident-7.pcapng").write_bytes(pcap_blocks.header([pcap.CaptureInterface(101)]) + b"".join(frames))
    async with running(tmp_path, snapshot=snapshot()) as run:
        found = await get(run, "/api/v1/incidents/7/levels?universe=e131/3")
        assert isinstance(found, dict)
        assert found["from"] == "2025-12-31T22:36:40.000Z"
        assert [row["slot"] for row in found["sources"][0]["slots"]] == [1, 2]
        await refused(run, "/api/v1/incidents/7/levels?universe=nonsense", 400)
        await refused(run, "/api/v1/incidents/8/levels?universe=e131/3", 404)


async def test_the_rules_are_read_with_their_pages(tmp_path: Path) -> None:
    async with running(tmp_path) as run:
        rows = await get(run, "/api/v1/rules")
        assert isinstance(rows, list)
        assert {"rule": "universe-lost", "page": "/rules/universe-lost"}.items() <= next(
            row for row in rows if row["rule"] == "universe-lost"
        ).items()
        async with run.client.get("/rules/universe-lost") as response:
            assert response.status == 200 and "text/html" in response.headers["Content-Type"]
