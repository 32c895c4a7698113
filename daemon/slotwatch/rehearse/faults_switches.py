"""What switches witness (F02, F05, F17, F27): each poll of a switch is an observation."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import BACKUP, MAIN, SECOND, backup_desk, main_desk, paper, second_desk
from slotwatch.rehearse.desk import LISTENER
from slotwatch.rehearse.pretend_switch import PretendPort, PretendSwitch
from slotwatch.rehearse.registry import healthy, scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed

DECLARED = "".join(
    f'[[switches]]\nname = "{name}"\naddress = "192.0.2.{number}"\ncredentials_file = "{name}.snmp"\npoll_s = 5\n'
    f'uplinks = ["{uplink}"]\n'
    for name, number, uplink in (("FOH", 2, "8"), ("Stage", 3, "1"))
)
TWO = paper((1, 2, 3, 11), sources=("main", "second"), extra=DECLARED)
THREE = paper((1, 2, 3, 11), sources=("main", "backup", "second"), extra=DECLARED)
MAC = {MAIN: "02:00:00:00:00:10", BACKUP: "02:00:00:00:00:11", SECOND: "02:00:00:00:00:12"}
ADDRESSES = tuple(MAC.items())
PORTS = tuple(PretendPort(str(number)) for number in range(1, 9))
MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")
# Rules of switches are looked at once a second, and a settled house is judged every 0.4 s: so the odd tenths below.
NEAR = ((MAC[SECOND], 5), (MAC[MAIN], 8), (MAC[BACKUP], 8))
"""Where the switch FOH learnt the sources, of which two are connected to the other switch."""


def with_port(number: int, port: PretendPort) -> tuple[PretendPort, ...]:
    return (*PORTS[: number - 1], replace(port, name=str(number)), *PORTS[number:])


def foh(ports: tuple[PretendPort, ...] = PORTS) -> PretendSwitch:
    """The switch that everything is connected to."""
    return PretendSwitch("FOH", ports, ((MAC[MAIN], 3), (MAC[SECOND], 5)), ADDRESSES)


def two_switches(
    ports: tuple[PretendPort, ...] = PORTS, far_ports: tuple[PretendPort, ...] = PORTS
) -> tuple[PretendSwitch, PretendSwitch]:
    """FOH with the listener and the house lights; Stage with both desks, behind port 8 of FOH."""
    near = PretendSwitch("FOH", ports, NEAR, ADDRESSES, {8: "Stage"})
    far = PretendSwitch("Stage", far_ports, ((MAC[MAIN], 3), (MAC[BACKUP], 4), (MAC[SECOND], 1)), (), {1: "FOH"})
    return near, far


def _desk_lost(confidence: str, *says: str) -> Truth:
    """The main desk is lost at 8 s; how sure that is depends on what its switch port shows."""
    return Truth("universe-lost", 10.5, MAIN_UNIVERSES, "source-lost", "critical", confidence, began_s=8.0, says=says)


@scenario(
    "F02",
    "the main desk's lead is pulled, and its switch port goes down in that second",
    34,
    _desk_lost("certain", "port 3 of switch FOH went down at", "its lead, its power or the sender itself"),
    TWO,
    live=False,
)
def desk_lead_is_pulled() -> Iterator[Item]:
    switch = foh(with_port(3, PretendPort("", down=(8.0, 1e12))))
    return mixed(switch.polls(), stage.cut(main_desk().sends(), 8.0), second_desk().sends())


@scenario(
    "F02",
    "the main desk's lead is pulled, and the switch keeps no moments: between two polls",
    34,
    _desk_lost("high", "port 3 of switch FOH went down between"),
    TWO,
    live=False,
)
def desk_lead_is_pulled_between_polls() -> Iterator[Item]:
    switch = foh(with_port(3, PretendPort("", down=(8.0, 1e12), says_when=False)))
    return mixed(switch.polls(), stage.cut(main_desk().sends(), 8.0), second_desk().sends())


@scenario(
    "F02",
    "the main desk's program dies, and its switch port stays up",
    34,
    _desk_lost("high", "its switch port is up: the sender itself, not its lead", "Port 3 of switch FOH"),
    TWO,
    live=False,
)
def desk_dies_and_its_port_is_up() -> Iterator[Item]:
    return mixed(foh().polls(), main_desk(stop_s=8).sends(), second_desk().sends())


@scenario(
    "F05",
    "the uplink between two switches goes down: everything behind it is cut off, and nothing else",
    34,
    Truth(
        "universe-lost",
        10.5,
        MAIN_UNIVERSES,
        "network-lost",
        "critical",
        "certain",
        began_s=8.0,
        explains=("source-absent", "backup-absent"),
        says=("Port 8 of switch FOH, the link to switch Stage, went down at",),
    ),
    THREE,
    live=False,
)
def uplink_goes_down() -> Iterator[Item]:
    near, far = two_switches(with_port(8, PretendPort("", down=(8.0, 1e12))))
    far = replace(far, silent=(8.0, 1e12))
    desks = mixed(main_desk().sends(), backup_desk().sends())
    return mixed(near.polls(), far.polls(first_s=0.7), stage.cut(desks, 8.0), second_desk().sends())


@scenario(
    "F05",
    "the stage's switch restarts: what is connected to it is cut off for 20 s",
    70,
    Truth(
        "universe-lost",
        12.5,
        MAIN_UNIVERSES,
        "network-lost",
        "critical",
        "certain",
        began_s=10.0,
        also=("switch-restarted", "switch-silent"),
        explains=("source-absent", "backup-absent"),
    ),
    THREE,
    live=False,
)
def stage_switch_restarts() -> Iterator[Item]:
    near, far = two_switches(with_port(8, PretendPort("", down=(10.0, 12.0))))
    far = replace(far, restart=(10.0, 26.0))
    desks = mixed(main_desk().sends(), backup_desk().sends())
    return mixed(near.polls(), far.polls(first_s=0.7), stage.cut(desks, 10.0, 30.0), second_desk().sends())


@scenario(
    "F05",
    "a switch restarts so fast that nothing is lost here; only its up time shows it",
    80,
    Truth(
        "switch-restarted",
        21.4,
        (),
        "restarted",
        began_s=16.0,
        early_s=1.0,
        says=("Its up time begins at", "main desk"),
    ),
    TWO,
    live=False,
)
def switch_restarts_fast() -> Iterator[Item]:
    switch = replace(foh(), restart=(16.5, 17.0))
    return mixed(switch.polls(), main_desk().sends(), second_desk().sends())


@scenario(
    "F05",
    "a switch no longer answers, and the show continues",
    40,
    Truth(
        "switch-silent", 21.4, (), "not-answered", "note", began_s=8.0, says=("The state of its ports is not known",)
    ),
    TWO,
    live=False,
)
def switch_does_not_answer() -> Iterator[Item]:
    switch = replace(foh(), silent=(8.0, 1e12))
    return mixed(switch.polls(), main_desk().sends(), second_desk().sends())


@scenario(
    "F27",
    "the port of the main desk counts errors, and no frame is missing yet",
    200,
    Truth(
        "port-errors",
        121.4,
        (),
        "port",
        began_s=0.5,
        confidence="high",
        says=("Port 3 of switch FOH counts errors", "main desk"),
    ),
    TWO,
    live=False,
)
def desk_port_counts_errors() -> Iterator[Item]:
    switch = foh(with_port(3, PretendPort("", errors=lambda t_s: max(0, int((t_s - 10) / 2)))))
    return mixed(switch.polls(), main_desk().sends(), second_desk().sends())


@scenario(
    "F27",
    "the lead of the main desk loses 3 % of its frames, and its switch port counts them",
    90,
    Truth(
        "packet-loss",
        80.0,
        (),
        began_s=70.0,
        early_s=10.0,
        confidence="high",
        says=("Port 3 of switch FOH counted",),
    ),
    TWO,
    live=False,
)
def desk_lead_loses_frames() -> Iterator[Item]:
    switch = foh(with_port(3, PretendPort("", errors=lambda t_s: max(0, int((t_s - 70) * 4)))))
    lost = stage.lossy(main_desk().sends(), 0.03, 11, 70.0, match=stage.sender(MAIN))
    return mixed(switch.polls(), lost, second_desk().sends())


@scenario(
    "F27",
    "the port of the main desk falls back to 10 Mbit/s",
    40,
    Truth("port-slow", 16.0, (), "port", "note", began_s=10.0, says=("at 10 Mbit/s", "main desk")),
    TWO,
    live=False,
)
def desk_port_is_slow() -> Iterator[Item]:
    switch = foh(with_port(3, PretendPort("", speed_mbps=lambda t_s: 1000 if t_s < 10 else 10)))
    return mixed(switch.polls(), main_desk().sends(), second_desk().sends())


def _moves_at(moment_s: float) -> PretendSwitch:
    """FOH, which names another querier from that moment on; its queries do not reach the listener's port."""
    return replace(foh(), querier=lambda t_s: "192.0.2.9" if t_s < moment_s else "192.0.2.2")


@scenario(
    "F17",
    "a switch names another querier than before, and no query reaches this port",
    60,
    Truth(
        "querier-changed",
        16.4,
        (),
        "changed",
        "note",
        began_s=12.0,
        says=("Switch FOH names 192.0.2.2 as the querier", "It last named 192.0.2.9"),
    ),
    TWO,
    live=False,
)
def switch_names_another_querier() -> Iterator[Item]:
    return mixed(_moves_at(12.0).polls(), main_desk().sends(), second_desk().sends())


@scenario(
    "F17",
    "the querier that a switch names moves, and a minute later every group ends; the desk's unicast continues",
    110,
    Truth(
        "universe-lost",
        82.5,
        MAIN_UNIVERSES,
        "multicast-lost",
        "critical",
        "high",
        began_s=80.0,
        also=("querier-changed",),
        says=("moved from 192.0.2.9 to 192.0.2.2", "Switch FOH names 192.0.2.2"),
    ),
    paper((1, 2, 3, 4), sources=("main",), extra=DECLARED),
    live=False,
)
def groups_end_after_a_querier_moved() -> Iterator[Item]:
    groups = main_desk((1, 2, 3), listed=lambda t_s: [1, 2, 3, 4])
    unicast = main_desk((4,), to=LISTENER, discovery=False)
    return mixed(_moves_at(20.0).polls(), stage.cut(groups.sends(), 80.0), unicast.sends())


@healthy(
    "two switches are asked; a laptop's port goes up and down, counts errors and is slow, and up time wraps",
    150,
    THREE,
    fault="F27",
    live=False,
)
def switches_in_order() -> Iterator[Item]:
    laptop = PretendPort(
        "", down=(20.0, 31.0), speed_mbps=lambda t_s: 10, half_duplex=True, errors=lambda t_s: int(t_s * 3)
    )
    near, far = two_switches(with_port(6, laptop), with_port(4, PretendPort("", errors=lambda t_s: int(t_s / 15))))
    near = replace(near, up_for_s=(1 << 32) / 100 - 60)
    desks = mixed(main_desk().sends(), backup_desk().sends(), second_desk().sends())
    return mixed(near.polls(), far.polls(first_s=0.7), desks)


@healthy("the management of a switch is silent for a minute while its ports carry on", 90, TWO, fault="F05", live=False)
def switch_management_is_away() -> Iterator[Item]:
    switch = replace(foh(), silent=(20.0, 80.0))
    return mixed(switch.polls(), main_desk().sends(), second_desk().sends())
