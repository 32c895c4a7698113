"""`slotwatch notify --test`: a marked message through the real way, and what came back."""

from __future__ import annotations

import asyncio
import json
import socket
from pathlib import Path

import pytest

from slotwatch.cli import main
from tests.daemon import Daemon, Ports, ended, house_text, start
from tests.edge.front.receivers import building, mailbox
from tests.patience import until
from tests.ports import free_port

HOUSE = """
[[notify]]
name = "duty phone"
url_file = "duty.url"

[[webhooks]]
name = "building"
url = "{}"
secret_file = "building.key"
"""


async def test_all_or_one_are_sent_a_test(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with mailbox() as box, building() as there:
        house = tmp_path / "house.toml"
        nobody = f'[http]\nlisten = "127.0.0.1:{free_port(socket.SOCK_STREAM)}"\n'
        house.write_text(nobody + HOUSE.format(there.url))
        (tmp_path / "duty.url").write_text(box.url)
        (tmp_path / "building.key").write_text("key")
        assert await asyncio.to_thread(main, ["notify", "--test", "-c", str(house)]) == 0
        printed = capsys.readouterr()
        assert printed.out.splitlines() == [
            "duty phone: sent; check whether it arrived.",
            "building: sent; check whether it arrived.",
        ]
        assert "no daemon answers" in printed.err and "sends the test itself" in printed.err
        assert str(box.mails[0]["Subject"]).startswith("Test: ") and "Nothing is wrong" in box.texts()[0]
        there.status = 500
        assert await asyncio.to_thread(main, ["notify", "--test", "building", "-c", str(house), "--json"]) == 1
        (one,) = json.loads(capsys.readouterr().out)
        assert one["name"] == "building" and not one["sent"] and "500" in one["text"] and len(box.mails) == 1


def _sent(daemon: Daemon) -> dict[str, int]:
    receivers = daemon.api("/api/v1/house")["listener"]["notifications"]["receivers"]
    return {one["name"]: one["sent"] for one in receivers}


async def test_a_running_daemon_sends_the_test_and_counts_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with mailbox() as box, building() as there:
        ports = Ports()
        house = tmp_path / "house.toml"
        # It declares no universe: on a busy computer one would be missing before the test is over, and sent too.
        house.write_text(house_text(ports, range(0), more=HOUSE.format(there.url)))
        (tmp_path / "duty.url").write_text(box.url)
        (tmp_path / "building.key").write_text("key")
        with ended(await asyncio.to_thread(start, house, ports)) as daemon:
            assert await asyncio.to_thread(main, ["notify", "--test", "-c", str(house)]) == 0
            printed = capsys.readouterr()
            assert printed.out.splitlines()[1] == "building: sent; check whether it arrived." and not printed.err
            assert len(box.mails) == 1 and len(there.taken) == 1
            # The page's snapshot has it a moment later.
            await asyncio.to_thread(until, lambda: _sent(daemon) == {"duty phone": 1, "building": 1})
            there.status = 500
            assert await asyncio.to_thread(main, ["notify", "--test", "building", "-c", str(house)]) == 1
            assert "building: not sent: " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words", "printed"),
    [
        ('[house]\nname = "x"\n[listen]\n', ["--test"], "declares no recipient of messages"),
        (
            HOUSE.format("http://127.0.0.1:9/"),
            ["--test", "porter"],
            "there is no recipient 'porter'; known: duty phone, building",
        ),
        ("", [], "--test"),
    ],
)
def test_nobody_to_send_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: list[str], printed: str
) -> None:
    house = tmp_path / "house.toml"
    house.write_text(text)
    try:
        status = main(["notify", *words, "-c", str(house)])
    except SystemExit as ended:
        status = int(str(ended.code))
    assert status == 2 and printed in capsys.readouterr().err
