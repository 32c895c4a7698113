"""Runs inside the machine: does what the driver asks for over a virtio port, one JSON object a line each way.

It is started by a unit of its own at each boot, with the machine's own Python. It shares no code with slotwatch.
"""

from __future__ import annotations

import json
import os
import subprocess
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

PORT = Path("/dev/virtio-ports/rack")
PAGE = "http://127.0.0.1:8580"


def run(command: str, timeout_s: float) -> dict[str, object]:
    """Run a shell command. `status` is 124 if it did not end in time, as with timeout(1)."""
    try:
        done = subprocess.run(
            command, shell=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=timeout_s, cwd="/root"
        )
    except subprocess.TimeoutExpired as error:
        return {"status": 124, "output": (error.stdout or b"").decode("utf-8", "replace")}
    return {"status": done.returncode, "output": done.stdout.decode("utf-8", "replace")}


def ask(method: str, path: str, body: object, timeout_s: float) -> dict[str, object]:
    """Ask the page's server. `status` is 0 while nothing answers."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(PAGE + path, data, {"Content-Type": "application/json"}, method=method)
    try:
        with urllib.request.urlopen(request, timeout=timeout_s) as answer:
            return {"status": answer.status, "output": answer.read().decode()}
    except urllib.error.HTTPError as error:
        return {"status": error.code, "output": error.read().decode("utf-8", "replace")}
    except OSError as error:
        return {"status": 0, "output": str(error)}


class Agent:
    """The machine's side of the port."""

    def __init__(self, descriptor: int) -> None:
        self._port = descriptor
        self._lock = threading.Lock()

    def say(self, message: dict[str, object]) -> None:
        line = json.dumps(message).encode() + b"\n"
        with self._lock:
            while line:
                line = line[os.write(self._port, line) :]

    def serve(self) -> None:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        self.say({"hello": boot})
        rest = b""
        while True:
            read = os.read(self._port, 65_536)
            if not read:  # nobody is at the other end
                time.sleep(0.2)
                continue
            *lines, rest = (rest + read).split(b"\n")
            for line in lines:
                asked = json.loads(line)
                threading.Thread(target=self._answer, args=(asked,), daemon=True).start()

    def _answer(self, asked: dict[str, object]) -> None:
        what, within_s = asked["do"], float(str(asked.get("within_s", 30)))
        if what == "run":
            answer = run(str(asked["command"]), within_s)
        elif what == "ask":
            answer = ask(str(asked["method"]), str(asked["path"]), asked.get("body"), within_s)
        elif what == "write":
            path = Path(str(asked["path"]))
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(str(asked["text"]))
            answer = {"status": 0, "output": ""}
        elif what == "marks":
            threading.Thread(target=self._keep_marking, args=(str(asked["name"]),), daemon=True).start()
            answer = {"status": 0, "output": ""}
        elif what == "power-cut":
            Path("/proc/sys/kernel/sysrq").write_text("1")
            Path("/proc/sysrq-trigger").write_text("b")
            return
        else:
            answer = {"status": 127, "output": f"unknown: {what}"}
        self.say({"id": asked["id"], **answer})

    def _keep_marking(self, name: str) -> None:
        """Post marks one after the other; say of each that it was answered, once it was."""
        number = 0
        while True:
            number += 1
            text = f"{name} {number}"
            if ask("POST", "/api/v1/marks", {"text": text}, 30)["status"] in (200, 201):
                self.say({"answered": text})
            else:
                time.sleep(0.2)


def main() -> None:
    while not PORT.exists():
        time.sleep(0.2)
    Agent(os.open(PORT, os.O_RDWR)).serve()


if __name__ == "__main__":
    main()
