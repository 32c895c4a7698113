"""Two daemons with one history file: the second watches without one, says so, and goes on in it after the first."""

from __future__ import annotations

import json
import subprocess
import sys
import urllib.error
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.daemon import HEARD, Daemon, Ports, desk, ended, house_text, start
from tests.patience import PATIENCE_S, until
from tests.test_restart import power_cut


def history(daemon: Daemon) -> Any:
    return daemon.api("/api/v1/house")["listener"]["history"]


def open_incident(daemon: Daemon, is_wanted: Callable[[Any], bool]) -> Any:
    return next(filter(is_wanted, daemon.get("/api/v1/incidents?state=open") or []), None)


def lost(daemon: Daemon) -> Any:
    return open_incident(daemon, lambda one: one["rule"] == "universe-lost")


def marked(file: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "report", "-c", str(file), "--json"],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    return [one["text"] for one in json.loads(done.stdout)["marks"] if one["by"] != "slotwatch"]


def test_the_second_daemon_watches_without_a_history_and_goes_on_in_it_after_the_first_was_killed(
    tmp_path: Path,
) -> None:
    ports, files = (Ports(), Ports()), (tmp_path / "one.toml", tmp_path / "two.toml")
    for file, own in zip(files, ports, strict=True):
        file.write_text(house_text(own))
    playing = ExitStack()
    # It plays before its daemon starts, or what is late on a busy computer would be missing before it is lost.
    playing.enter_context(desk(ports[1], range(1, 2)))
    with playing, ended(start(files[0], ports[0])) as first, ended(start(files[1], ports[1])) as second:
        until(lambda: not history(second)["ok"])
        assert history(first)["ok"], history(first)
        told = history(second)["text"]
        assert f"another slotwatch (process {first.process.pid} on " in told and "name another file" in told
        second.says(told)
        assert told in second.api("/api/v1/house")["listener"]["trouble"]
        until(lambda: second.universe("e131/1").get("state") in HEARD)
        playing.close()
        found = until(lambda: lost(second))
        assert found["id"] > 10_000, "its numbers are none of the first one's"
        assert first.order("POST", "/api/v1/marks", {"text": "of the first"})["stored"]
        assert not second.order("POST", "/api/v1/marks", {"text": "of the second"})["stored"]
        with pytest.raises(urllib.error.HTTPError) as refused:
            second.api("/api/v1/report")
        with refused.value as answer:
            assert answer.code == 503 and told in answer.read().decode()
        assert marked(files[1]) == ["of the first"], "a reader needs no lock"
        shared = until(lambda: open_incident(first, lambda one: "e131/1" in one["universes"]))
        power_cut(first)
        until(lambda: history(second)["ok"])
        until(lambda: second.order("POST", "/api/v1/marks", {"text": "after the first"})["stored"])
        assert set(marked(files[0])) == {"of the first", "after the first"}
        # What both found goes on as the kept one once judging was told what is kept, after the history is open.
        until(lambda: (lost(second) or {}).get("id") == shared["id"])
        assert second.stop() == 0, second.log()
