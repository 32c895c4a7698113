"""`slotwatch notify --test`: a marked message through the real way, and what came back."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from slotwatch.cli import main
from tests.edge.front.receivers import building, mailbox

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
        house.write_text(HOUSE.format(there.url))
        (tmp_path / "duty.url").write_text(box.url)
        (tmp_path / "building.key").write_text("key")
        assert await asyncio.to_thread(main, ["notify", "--test", "-c", str(house)]) == 0
        assert capsys.readouterr().out.splitlines() == [
            "duty phone: sent; look whether it arrived.",
            "building: sent; look whether it arrived.",
        ]
        assert str(box.mails[0]["Subject"]).startswith("Test: ") and "Nothing is wrong" in box.texts()[0]
        there.status = 500
        assert await asyncio.to_thread(main, ["notify", "--test", "building", "-c", str(house), "--json"]) == 1
        (said,) = json.loads(capsys.readouterr().out)
        assert said["name"] == "building" and not said["sent"] and "500" in said["text"] and len(box.mails) == 1


@pytest.mark.parametrize(
    ("text", "words", "said"),
    [
        ('[house]\nname = "x"\n[listen]\n', ["--test"], "names nobody who gets messages"),
        (
            HOUSE.format("http://127.0.0.1:9/"),
            ["--test", "porter"],
            "there is no receiver 'porter'; known: duty phone, building",
        ),
        ("", [], "--test"),
    ],
)
def test_nobody_to_send_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: list[str], said: str
) -> None:
    house = tmp_path / "house.toml"
    house.write_text(text)
    try:
        status = main(["notify", *words, "-c", str(house)])
    except SystemExit as ended:
        status = int(str(ended.code))
    assert status == 2 and said in capsys.readouterr().err
