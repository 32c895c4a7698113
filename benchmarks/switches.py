"""What it costs to ask five switches: CPU of a core, by both versions of SNMP, with net-snmp's snmpd as each of them.

Needs root (a network namespace of its own) and snmpd. Each switch has 24 ports; their device tables are what the
agent itself has. Polls are made one after the other as fast as they are answered; only their CPU time counts.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SWITCHES = 5
POLLS = 12
EVERY_S = 10
S = 1_000_000_000
PASSPHRASES = ("authentic enough", "private enough")
CONFIGURATION = f"""rocommunity watcher
createUser watcher SHA "{PASSPHRASES[0]}" AES "{PASSPHRASES[1]}"
rouser watcher priv
"""


async def _asked(name: str, credentials: object) -> None:
    from slotwatch.edge.front.decoding_pace import DecodingPace
    from slotwatch.edge.front.snmp import Agent
    from slotwatch.edge.front.switch_polling import Polls

    pace = DecodingPace()
    agents = [Agent(f"127.0.0.{2 + number}", credentials, pace) for number in range(SWITCHES)]  # type: ignore[arg-type]
    polls = [Polls(agent) for agent in agents]
    ports = 0
    for one in polls:
        seen = await one.poll("x", S)
        assert seen.state is not None, seen.reason
        ports = len(seen.state.ports)
    began_s = time.process_time()
    for number in range(POLLS):
        for one in polls:
            assert (await one.poll("x", (61 + EVERY_S * number) * S)).reached
    cost_s = time.process_time() - began_s
    print(f"{name}: {SWITCHES} switches with {ports} ports: {100 * cost_s / POLLS / EVERY_S:.2f} % of a core")
    for agent in agents:
        agent.close()


def inside() -> None:
    """Run in the namespace."""
    from slotwatch.edge.front.switch_credentials import Credentials

    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    for number in range(12):
        ends = (f"p{number}", f"q{number}")
        subprocess.run(["ip", "link", "add", ends[0], "type", "veth", "peer", "name", ends[1]], check=True)
        for end in ends:
            subprocess.run(["ip", "link", "set", end, "up"], check=True)
    place = Path(tempfile.mkdtemp())
    (place / "snmpd.conf").write_text(CONFIGURATION)
    addresses = [f"udp:127.0.0.{2 + number}:161" for number in range(SWITCHES)]
    command = ["snmpd", "-f", "-Lo", "-C", "-c", str(place / "snmpd.conf"), "-I", "-smux", *addresses]
    environment = {**os.environ, "SNMP_PERSISTENT_DIR": str(place), "MIBS": ""}
    quiet = subprocess.DEVNULL
    agent = subprocess.Popen(command, env=environment, stdout=quiet, stderr=quiet)
    try:
        time.sleep(2.0)
        asyncio.run(_asked("version 2c", Credentials(community="watcher")))
        user = Credentials(user="watcher", authentication=PASSPHRASES[0], privacy=PASSPHRASES[1])
        asyncio.run(_asked("version 3 ", user))
    finally:
        agent.terminate()
        agent.wait(10)
        shutil.rmtree(place)


def main() -> None:
    """Print the figures."""
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    if os.geteuid() or shutil.which("snmpd", path=path) is None:
        print("needs root and snmpd: left out")
        return
    program = "from benchmarks import switches; switches.inside()"
    subprocess.run(["unshare", "-n", sys.executable, "-c", program], check=True, env={**os.environ, "PATH": path})


if __name__ == "__main__":
    main()
