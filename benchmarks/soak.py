"""A long run of 512 universes with everything on: what must stay flat is printed each minute, and compared at the end.

`python -m benchmarks.soak MINUTES` (60): 512 universes at 44 Hz, the recorder, eight routes to loopback, one listener
of events, a scrape every 15 s, a reload each minute. Every five minutes the sender pauses for 4 s: an incident of all
universes opens, is captured, closes and goes into the history. `make bench` leaves it out, since it takes an hour.

Flat is what in the last third of the run is no higher than in the third before it. The history is to grow, by its rows
of each minute until `keep_days` are over: it is flat if it grows no faster in the last third than in the one before.
"""

from __future__ import annotations

import contextlib
import os
import platform
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from dataclasses import astuple, dataclass, field, fields
from pathlib import Path

from benchmarks.load import Programs, Watcher, compiled, pss_mib, send, watching

UNIVERSES = 512
RATE_HZ = UNIVERSES * 44
SPELL_S = 296.0
PAUSE_S = 4.0
SCRAPE_S = 15.0
ROUTES = 8
SLACK = 0.05
"""What two thirds of a run may differ by: the allocator's own tides."""


def growth(values: list[float]) -> float:
    return values[-1] - values[0]


@dataclass(frozen=True)
class Moment:
    """Of all processes together. Of several moments the median counts, or the `figure` of a field."""

    memory_mib: float
    descriptors: float
    threads: float
    history_kib: float = field(metadata={"figure": growth})
    """History by its pages, without captures, which have a bound of their own. Its write-ahead log is not in it: that
    file grows to 4 MiB and is then used again."""
    not_judged: float
    """Packets since the start."""


def look(watcher: Watcher, directory: Path) -> Moment:
    pids = watcher.pids().values()
    files = sum(len(list(Path(f"/proc/{pid}/fd").iterdir())) for pid in pids)
    threads = sum(len(list(Path(f"/proc/{pid}/task").iterdir())) for pid in pids)
    with contextlib.closing(sqlite3.connect(f"file:{directory / 'history.db'}?mode=ro", uri=True)) as history:
        pages, page_octets = (history.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    memory_mib = sum(pss_mib(pid) for pid in pids)
    return Moment(memory_mib, files, threads, pages * page_octets / 1024, watcher.not_judged())


def routes() -> str:
    """Text of a house file: some universes go on to a port of this computer that nobody reads."""
    return "".join(
        f'\n[[routes]]\nname = "route {n}"\nfrom = "e131/{n}"\nto = "artnet/{n}"\nto_address = "127.0.0.1"\n'
        for n in range(1, ROUTES + 1)
    )


class Visitors:
    """A page that stays open, Prometheus, and a person who reloads; each in a thread until `over` is set."""

    def __init__(self, watcher: Watcher) -> None:
        self._watcher = watcher
        self.over = threading.Event()
        self.counts = {"events, KiB": 0, "scrapes": 0, "reloads": 0, "refused": 0}

    def start(self) -> None:
        for visitor in (self._page, self._scraper, self._reloader):
            threading.Thread(target=visitor, daemon=True).start()

    def _page(self) -> None:
        while not self.over.is_set():
            with contextlib.suppress(OSError):
                address = f"http://127.0.0.1:{self._watcher.page}/api/v1/events"
                with urllib.request.urlopen(address, timeout=60) as stream:
                    while not self.over.is_set() and stream.read(65536):
                        self.counts["events, KiB"] += 64

    def _scraper(self) -> None:
        while not self.over.wait(SCRAPE_S):
            self._watcher.get("/metrics")
            self.counts["scrapes"] += 1

    def _reloader(self) -> None:
        while not self.over.wait(60.0):
            address = f"http://127.0.0.1:{self._watcher.page}/api/v1/house/reload"
            try:
                with urllib.request.urlopen(urllib.request.Request(address, b"", method="POST"), timeout=60):
                    self.counts["reloads"] += 1
            except OSError:
                self.counts["refused"] += 1


def play(programs: Programs, port: int, minutes: float) -> None:
    """Send in spells with pauses between them."""
    ends_s = time.monotonic() + minutes * 60
    while (left_s := ends_s - time.monotonic()) > 1:
        send(programs, port, UNIVERSES, RATE_HZ, min(SPELL_S, left_s))
        time.sleep(PAUSE_S)


def compare(moments: list[Moment]) -> bool:
    """Print the last third beside the one before it; whether nothing grew."""
    third = len(moments) // 3
    before, after = moments[third : 2 * third], moments[2 * third :]
    is_flat = bool(third)
    print("\n                             second third   last third")
    for column in fields(Moment):
        figure = column.metadata.get("figure", statistics.median)
        then, now = (figure([getattr(one, column.name) for one in part]) for part in (before, after))
        grew = now > then * (1 + SLACK) + 0.5
        is_flat &= not grew
        print(f"  {column.name:25} {then:14.1f} {now:12.1f}{'   grew' if grew else ''}")
    return is_flat


def main(minutes: float = 60.0) -> int:
    with tempfile.TemporaryDirectory(prefix="slotwatch-soak-") as place:
        directory = Path(place)
        programs = compiled(directory)
        more = f'[history]\npath = "history.db"\n{routes()}'
        with watching(directory, UNIVERSES, more) as watcher:
            print(
                f"  {time.strftime('%Y-%m-%d %H:%M')}, {platform.machine()}, {os.cpu_count()} processors, "
                f"load {os.getloadavg()[0]:.1f}; minute: {', '.join(column.name for column in fields(Moment))}"
            )
            visitors, sender = Visitors(watcher), threading.Thread(target=play, args=(programs, watcher.port, minutes))
            began_s, moments = time.monotonic(), []
            sender.start()
            visitors.start()
            before = watcher.cpu()
            while sender.is_alive():
                sender.join(max(1.0, 60.0 * (len(moments) + 1) - (time.monotonic() - began_s)))
                moments.append(look(watcher, directory))
                print(f"  {len(moments):4}: " + ", ".join(f"{value:.1f}" for value in astuple(moments[-1])), flush=True)
            elapsed_s = time.monotonic() - began_s
            used = {role: value - before.get(role, 0.0) for role, value in watcher.cpu().items()}
            visitors.over.set()
            print(f"  {', '.join(f'{count} {name}' for name, count in visitors.counts.items())}")
            print("  share of a core: " + ", ".join(f"{role} {s / elapsed_s * 100:.1f} %" for role, s in used.items()))
            is_flat = compare(moments)
    print(f"  {'everything is flat' if is_flat else 'something grew'}")
    return 0 if is_flat else 1


if __name__ == "__main__":
    sys.exit(main(*(float(word) for word in sys.argv[1:2])))
