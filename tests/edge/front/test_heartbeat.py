"""A heartbeat says that slotwatch judges; it stays away when it does not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from aiohttp import web

from slotwatch import clock
from slotwatch.edge.front.heartbeat import JUDGING_SILENT_NS, HeartbeatSender
from slotwatch.house.outgoing import Heartbeat
from tests.edge.front.receivers import Building, building
from tests.views import fabricate
from tests.views.fabricate import snapshot


def sender(place: Path, text: str | None) -> HeartbeatSender:
    if text is not None:
        (place / "beat.url").write_text(text)
    house = replace(fabricate.house(), file=str(place / "house.toml"), heartbeat=Heartbeat("beat.url"))
    return HeartbeatSender(house)


async def test_it_beats_while_judging_goes_on_and_only_then(tmp_path: Path) -> None:
    async with building() as there:
        beat = sender(tmp_path, there.url)
        assert not await beat.beat(clock.monotonic_ns()) and not there.methods, "nothing was judged yet"
        beat.note(snapshot())
        assert await beat.beat(clock.monotonic_ns()) and there.methods == ["GET"]
        assert beat.health() == {"ok": True, "text": "", "sent": 1, "failed": 0}
        assert not await beat.beat(clock.monotonic_ns() + 2 * JUDGING_SILENT_NS) and there.methods == ["GET"]
        assert "judging does not report" in beat.health()["text"]


async def test_an_address_that_takes_no_get_gets_a_post(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = Building.take

    async def posts_only(self: Building, request: web.Request) -> web.Response:
        if request.method == "GET":
            return web.Response(status=405)
        return await take(self, request)

    monkeypatch.setattr(Building, "take", posts_only)
    async with building() as there:
        beat = sender(tmp_path, there.url)
        beat.note(snapshot())
        assert await beat.beat(clock.monotonic_ns()) and there.methods == ["POST"]


async def test_a_redirect_to_somewhere_else_is_no_arrival_and_is_not_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Requests go only where the house says."""
    asked: list[str] = []

    async def sends_on(_building: Building, request: web.Request) -> web.Response:
        asked.append(request.method)
        return web.Response(status=302, headers={"Location": str(request.url)})

    monkeypatch.setattr(Building, "take", sends_on)
    async with building() as there:
        beat = sender(tmp_path, there.url)
        beat.note(snapshot())
        assert not await beat.beat(clock.monotonic_ns()) and asked == ["GET"]
        assert "answered 302: redirects are not followed" in beat.health()["text"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (None, "cannot be read"),
        ("mailto://x", "holds no http or https address"),
        ("http://127.0.0.1:1/secret", "Connection refused"),
    ],
)
async def test_what_is_wrong_is_shown_without_the_address(tmp_path: Path, text: str | None, reason: str) -> None:
    beat = sender(tmp_path, text)
    beat.note(snapshot())
    assert not await beat.beat(clock.monotonic_ns())
    health = beat.health()
    assert health["failed"] == 1 and reason in health["text"] and "secret" not in health["text"]
    assert "127.0.0.1" not in health["text"]
