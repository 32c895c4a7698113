"""One emulated computer: started, asked, cut off from its power, ended."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.rack.architecture import Architecture

BOOT_WITHIN_S = 900.0
ANSWER_WITHIN_S = 300.0
MEMORY_MIB = 1536
KERNEL_WORDS = "root=/dev/vda rw quiet panic=-1 net.ifnames=0 mitigations=off audit=0 nowatchdog"


class RackError(Exception):
    """The machine itself failed: it did not boot, or does not answer. No promise can be judged then."""


class CommandError(Exception):
    """A command that prepares a promise failed inside the machine; its text has what it printed."""


@dataclass(frozen=True, slots=True)
class MachineImage:
    """What a machine boots from."""

    kernel: Path
    initrd: Path
    disk: Path
    """The system; it is written to."""
    architecture: Architecture
    tools: Path
    """A disk with what the driver brings; read only."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a command printed and its exit status, or an HTTP answer and its status."""

    status: int
    output: str

    def json(self) -> Any:
        return json.loads(self.output)


class Machine:
    """Boots from a disk image, which keeps what is written over power cuts. Time runs on as in the world outside."""

    def __init__(self, image: MachineImage, directory: Path) -> None:
        """directory: where its console's log and its socket lie."""
        self._image = image
        self._directory = directory
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._rest = b""
        self._numbers = itertools.count(1)
        self._answers: dict[int, Answer] = {}
        self.answered: list[str] = []
        """Marks that the daemon answered, in order, over all boots."""
        self.boot_s = 0.0

    @property
    def console(self) -> Path:
        """All that the kernel and the init printed."""
        return self._directory / "console.log"

    def boot(self, clock: str = "") -> None:
        """Switch it on and wait until its agent speaks. clock: what its own clock shows, as in 2026-03-01T19:00:00."""
        place = self._directory / "port"
        place.unlink(missing_ok=True)
        architecture = self._image.architecture
        command = [
            *architecture.emulator, "-accel", "tcg,thread=multi", "-smp", "2", "-m", str(MEMORY_MIB),
            "-display", "none", "-monitor", "none", "-nic", "none", "-no-reboot",
            "-kernel", self._image.kernel, "-initrd", self._image.initrd,
            "-append", f"{KERNEL_WORDS} console={architecture.console} {architecture.kernel_words}",
            "-drive", f"file={self._image.disk},format=raw,if=virtio,cache=unsafe",
            "-drive", f"file={self._image.tools},format=raw,if=virtio,readonly=on",
            "-device", "virtio-serial",
            "-chardev", f"socket,id=rack,path={place},server=on,wait=off",
            "-device", "virtserialport,chardev=rack,name=rack",
            "-device", "virtio-rng-pci",
        ]  # fmt: skip
        if clock:
            command += ["-rtc", f"base={clock}"]
        began_s = time.monotonic()
        with self.console.open("ab") as log:
            self._process = subprocess.Popen(
                [*map(str, command), "-serial", "stdio"], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._socket, self._rest = self._connected(place), b""
        booted: list[str] = []
        while not booted:
            self._hear(began_s + BOOT_WITHIN_S - time.monotonic(), booted)
        self.boot_s = time.monotonic() - began_s

    def run(self, command: str, within_s: float = ANSWER_WITHIN_S) -> Answer:
        """Run a shell command as root."""
        return self._ask(within_s, do="run", command=command)

    def must(self, command: str, within_s: float = ANSWER_WITHIN_S) -> str:
        """As `run`, and it has to succeed: for what prepares a promise. CommandError if it does not."""
        done = self.run(command, within_s)
        if done.status:
            raise CommandError(f"{command!r} ended with {done.status}: {done.output[-2000:]}")
        return done.output

    def ask(self, path: str, method: str = "GET", body: Any = None, within_s: float = ANSWER_WITHIN_S) -> Answer:
        """Ask the daemon's server; status 0 while nothing answers."""
        return self._ask(within_s, do="ask", method=method, path=path, body=body)

    def write(self, path: str, text: str) -> None:
        self._ask(ANSWER_WITHIN_S, do="write", path=path, text=text)

    def keep_marking(self, name: str) -> None:
        """Have marks made from now on without a pause; `answered` grows as they are answered."""
        self._ask(ANSWER_WITHIN_S, do="marks", name=name)

    def listen(self, seconds: float) -> None:
        """Let time pass and take what the machine says meanwhile."""
        until_s = time.monotonic() + seconds
        while (left_s := until_s - time.monotonic()) > 0:
            with contextlib.suppress(TimeoutError):
                self._hear(left_s, [])

    def listen_until(self, what: Callable[[], bool], within_s: float) -> bool:
        """Take what the machine says until the answer is true; the last answer."""
        until_s = time.monotonic() + within_s
        while not (answer := what()) and time.monotonic() < until_s:
            self.listen(0.5)
        return answer

    def cut_power(self) -> None:
        """End it as a power cut does: the kernel writes nothing any more. What was in its memory is gone."""
        self._say(do="power-cut", id=0)
        until_s = time.monotonic() + ANSWER_WITHIN_S
        while self._process is not None and self._process.poll() is None:
            if time.monotonic() > until_s:
                raise RackError("the machine did not go off")
            with contextlib.suppress(TimeoutError, RackError):
                self._hear(0.2, [])
        self._drain()
        self._let_go()

    def close(self) -> None:
        """End the emulator, whatever it does."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._let_go()

    def _let_go(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket = self._process = None

    def _drain(self) -> None:
        with contextlib.suppress(TimeoutError, RackError):
            while True:
                self._hear(0.2, [])

    def _connected(self, place: Path) -> socket.socket:
        for _ in range(600):
            assert self._process is not None
            if self._process.poll() is not None:
                raise RackError(f"the emulator ended: {self.console.read_text(errors='replace')[-2000:]}")
            sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                sock.connect(os.fspath(place))
            except OSError:
                sock.close()
                time.sleep(0.05)
            else:
                return sock
        raise RackError("the emulator gives no port")

    def _ask(self, within_s: float, **what: Any) -> Answer:
        number = next(self._numbers)
        self._say(id=number, within_s=within_s, **what)
        until_s = time.monotonic() + within_s + ANSWER_WITHIN_S
        while number not in self._answers:
            try:
                self._hear(until_s - time.monotonic(), [])
            except TimeoutError:
                raise RackError(f"no answer within {within_s + ANSWER_WITHIN_S:.0f} s to {what}") from None
        return self._answers.pop(number)

    def _say(self, **what: Any) -> None:
        if self._socket is None:
            raise RackError("the machine is off")
        self._socket.settimeout(ANSWER_WITHIN_S)
        self._socket.sendall(json.dumps(what).encode() + b"\n")

    def _hear(self, within_s: float, booted: list[str]) -> None:
        """Take what comes next. TimeoutError if nothing does."""
        if self._socket is None:
            raise RackError("the machine is off")
        if within_s <= 0:
            raise TimeoutError
        self._socket.settimeout(within_s)
        read = self._socket.recv(65_536)
        if not read:
            raise RackError(f"the machine went off: {self.console.read_text(errors='replace')[-2000:]}")
        *lines, self._rest = (self._rest + read).split(b"\n")
        for line in lines:
            message = json.loads(line)
            if "hello" in message:
                booted.append(message["hello"])
            elif "answered" in message:
                self.answered.append(message["answered"])
            else:
                self._answers[message["id"]] = Answer(message["status"], message["output"])


def until(what: Callable[[], Any], within_s: float, pause_s: float = 0.5) -> Any:
    """Ask until the answer is true; give it, or the last one after the time is up."""
    deadline_s = time.monotonic() + within_s
    while True:
        answer = what()
        if answer or time.monotonic() > deadline_s:
            return answer
        time.sleep(pause_s)
