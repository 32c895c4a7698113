"""What a test gets from the computer and its user, made alike everywhere, for this process and all that it starts.

`tests/conftest.py` calls `fix` before anything else. What cannot be made alike a test makes for itself: a directory
(`tmp_path`), a port (`tests.ports`), a network (`tests.net.namespace`).
"""

from __future__ import annotations

import contextlib
import os
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
GIVEN = {
    "LC_ALL": "C.UTF-8",  # tools and the C library complain in one language
    "WIRESHARK_CONFIG_DIR": str(HERE / "data" / "no-settings"),  # tshark reads a user's own preferences
}
NOT_GIVEN = (
    *("LANGUAGE", "COLUMNS", "LINES", "FORCE_COLOR"),
    *("PYTHONOPTIMIZE", "PYTHONWARNINGS", "PYTHONSAFEPATH", "PYTHONNOUSERSITE", "PYTHONPYCACHEPREFIX"),
    # Of a service of systemd (systemd.exec(5), sd_notify(3)): a runner may be one.
    *("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "STATE_DIRECTORY", "RUNTIME_DIRECTORY", "JOURNAL_STREAM"),
    *("LISTEN_FDS", "LISTEN_PID", "INVOCATION_ID", "SSLKEYLOGFILE", "XDG_STATE_HOME", "SLOTWATCH_TRACEBACK"),
)
NEAR = ("127.0.0.1", "localhost", "::1")
"""No proxy of the surroundings is asked for these."""


def fix() -> None:
    os.umask(0o022)
    for name in NOT_GIVEN:
        os.environ.pop(name, None)
    os.environ.update(GIVEN)
    for name in ("no_proxy", "NO_PROXY"):
        named = os.environ.get(name, "").split(",")
        os.environ[name] = ",".join(filter(None, dict.fromkeys((*named, *NEAR))))
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        # As what a script starts in its background: what tests start is to be ended by Ctrl-C all the same.
        signal.signal(signal.SIGINT, signal.default_int_handler)
    refuse_known_ports()


def refuse_known_ports() -> None:
    place = str(HERE / "own_ports")
    paths = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, dict.fromkeys((place, *paths))))
    os.environ.setdefault("SLOTWATCH_TESTS_NETWORK", str(Path("/proc/self/ns/net").readlink()))
    from tests.own_ports import sitecustomize  # noqa: F401 - from here on it refuses them to this process


@contextlib.contextmanager
def short_directory() -> Iterator[Path]:
    """A directory for sockets: the name of one has 107 octets at most (unix(7)), and `tmp_path` may have more."""
    with tempfile.TemporaryDirectory(prefix="slotwatch-", dir="/tmp") as place:
        yield Path(place)
