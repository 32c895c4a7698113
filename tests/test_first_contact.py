"""`serve --interface` without a house file: what arrives is judged, and becomes a house file that raises nothing."""

from __future__ import annotations

import json
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from slotwatch import cli
from tests.daemon import HEARD, STUTTERS, Daemon, Ports, desk, ended, start
from tests.patience import PATIENCE_S, until


def options(ports: Ports, state: Path, interface: str = "lo") -> list[str]:
    return [
        *("--interface", interface, "--page", f"127.0.0.1:{ports.page}", "--state", str(state)),
        *("--e131-port", str(ports.e131), "--artnet-port", str(ports.artnet)),
    ]


def text(daemon: Daemon, path: str) -> tuple[str, str]:
    with urllib.request.urlopen(f"http://127.0.0.1:{daemon.ports.page}{path}", timeout=PATIENCE_S) as answer:
        return answer.headers["Content-Type"], answer.read().decode()


def alarms(daemon: Daemon) -> list[Any]:
    found = daemon.api("/api/v1/incidents?state=all")
    more = [one for one in found if one["severity"] != "note" and one["rule"] not in STUTTERS]
    return [(one["rule"], one["summary"]) for one in more]


def test_what_is_heard_is_judged_and_becomes_a_house_file_that_raises_nothing(tmp_path: Path) -> None:
    state, ports = tmp_path / "state", Ports()
    with ended(start(tmp_path / "none.toml", ports, words=options(ports, state))) as daemon:
        daemon.says("nothing is declared yet")
        house = until(lambda: daemon.get("/api/v1/house"))
        assert house["declares_nothing"] is True and house["networks"] == ["lo"]
        with desk(daemon, range(3, 6)):
            until(lambda: len(daemon.get("/api/v1/universes") or []) == 3)
            until(lambda: daemon.universe("e131/5").get("frames", 0) > 100)  # a universe is one after 2 s
            kind, draft = text(daemon, "/api/v1/house/draft")
            _, plain = text(daemon, "/plain")
            assert alarms(daemon) == []
        until(lambda: "universe-lost" in {rule for rule, _ in alarms(daemon)})
        assert daemon.stop() == 0, daemon.log()
    assert kind.startswith("text/plain")
    assert "Nothing is declared yet" in plain and "/api/v1/house/draft" in plain
    assert (state / "slotwatch.db").is_file()
    file = tmp_path / "house.toml"
    file.write_text(f'{draft}\n[http]\nlisten = "127.0.0.1:{ports.page}"\n')
    assert cli.main(["check", "-c", str(file)]) == 0
    # It plays before the daemon starts, or what is late on a busy computer would be missing.
    with desk(ports, range(3, 6)), ended(start(file, ports)) as daemon:
        assert until(lambda: daemon.get("/api/v1/house"))["declares_nothing"] is False
        until(lambda: daemon.universe("e131/5").get("state") in HEARD)
        until(lambda: daemon.api("/api/v1/house")["uptime_s"] >= 11)  # universes are missing after 10 s
        assert alarms(daemon) == []
        declared = {one["universe"]: one["declared"] for one in daemon.api("/api/v1/universes")}
        assert declared == {"e131/3": True, "e131/4": True, "e131/5": True}
        assert daemon.stop() == 0


def test_an_undeclared_house_reloads_as_what_it_is(tmp_path: Path) -> None:
    ports = Ports()
    with ended(start(tmp_path / "none.toml", ports, words=options(ports, tmp_path / "state"))) as daemon:
        until(lambda: daemon.get("/api/v1/house"))
        assert daemon.order("POST", "/api/v1/house/reload")["reloaded"] is True
        assert daemon.api("/api/v1/house")["declares_nothing"] is True
        assert daemon.stop() == 0


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([], "neither a house file nor a network is named"),
        (["-c", "house.toml", "--interface", "eth1"], "-c and --interface cannot be used together"),
        (["--interface", "lo", "--universes", "64-1"], "the lower one first"),
        (["--interface", "lo", "--universes", "0-5"], "universes go from 1 to 63999"),
        (["--interface", "lo", "--universes", "1-63999"], "names more than 4096 universes"),
        (["--interface", "lo", "--universes", "a"], "is not a list of universes such as 1-64"),
        (["--interface", "lo", "--page", "8580x"], "is not an address such as 127.0.0.1:8580"),
        (["--interface", "lo", "--state", "/dev/null/x"], "cannot be made: Not a directory"),
    ],
)
def test_wrong_words_are_one_line(words: list[str], sentence: str, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        status = cli.main(["serve", *words])
    except SystemExit as left:
        status = int(left.code or 0)
    err = capsys.readouterr().err
    assert status == 2 and sentence in err and err.count("\n") == 1


def test_a_network_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    ports = Ports()
    words = options(ports, tmp_path, "no-such-port")
    with ended(start(tmp_path / "none.toml", ports, ready=False, words=words)) as daemon:
        assert daemon.process.wait(PATIENCE_S) == 2
        assert "no-such-port does not exist" in daemon.log()


def test_universe_ranges() -> None:
    from slotwatch.verbs.universe_ranges import universes

    assert universes("1-3,7, 5-6") == (1, 2, 3, 5, 6, 7)
    assert json.dumps(universes("63999")) == "[63999]"
