"""Keys of how the program runs: where it listens, its page, its history, and whom it tells."""

from __future__ import annotations

from slotwatch.house.keys import Key, Kind, Section, choice, number, text, texts, whole, yes_no
from slotwatch.house.schema import Phase
from slotwatch.wire.universe import ON_NETWORK, ProtocolFacts

PHASES = tuple(phase.value for phase in Phase)
PROTOCOLS = tuple(protocol.word for protocol in ON_NETWORK)
SEVERITIES = ("note", "warning", "critical")


def _port(facts: ProtocolFacts) -> Key:
    usual = f"UDP port of {facts.title}. Change it only for rehearsals."
    return whole(f"{facts.word}_port", usual, facts.udp_port, 1, 65535)


def _notice_terms() -> tuple[Key, ...]:
    return (
        choice("severity", "The lowest severity that is sent.", "critical", *SEVERITIES),
        Key(
            "phases",
            Kind.CHOICES,
            "Phases in which the first message of an incident may be sent; left out: all.",
            (),
            choices=PHASES,
        ),
        number("after_s", "How long an incident must have lasted.", 0, 0, 86400, unit="s"),
        number(
            "repeat_min",
            "Send an open incident again after this time, until someone acknowledges it; 0: never.",
            0,
            0,
            1440,
            unit="min",
        ),
        yes_no("resolved", "Send the end of an incident too.", True),
    )


SECTIONS: tuple[Section, ...] = (
    Section(
        "house",
        False,
        "What the installation is.",
        (
            text("name", "Name of the house, shown everywhere.", "Unnamed house"),
            choice(
                "phase",
                "Phase at the start. If the timetable's newest change is to a later one of these, the timetable asks "
                "for that at once. The page and the API can change it too.",
                "dark",
                *PHASES,
            ),
            Key("time_zone", Kind.TIME_ZONE, "Time zone of the timetable, such as Europe/London.", "UTC"),
        ),
    ),
    Section(
        "listen",
        False,
        "Where and how packets are received.",
        (
            texts("interfaces", "Interfaces or addresses to listen on. Loopback is used only if it is named here."),
            Key("protocols", Kind.CHOICES, "Protocols to listen to.", PROTOCOLS, choices=PROTOCOLS),
            choice("vantage", "What the switch port is: an ordinary one or a mirror.", "port", "port", "mirror"),
            choice("join", "Whether to join the groups of declared universes.", "declared", "declared", "none"),
            yes_no(
                "artnet_subscribe",
                "Answer Art-Net polls as a node, so that senders unicast to this computer too.",
                False,
            ),
            yes_no(
                "ask_fixtures", "Let a person ask fixtures what they are (RDM, read only) through Art-Net nodes.", False
            ),
            *(_port(protocol.facts) for protocol in ON_NETWORK),
        ),
    ),
    Section(
        "networks",
        True,
        "A name for an interface or VLAN.",
        (
            text("name", "The name, as in e131/12@NAME.", required=True),
            text("interface", "Interface name or address.", required=True),
        ),
    ),
    Section(
        "http",
        False,
        "The page and the API.",
        (
            Key("listen", Kind.HOST_PORT, "Address and port. Off loopback, changes need the token.", "127.0.0.1:8580"),
            text("token_file", "File that holds the token. If it is given, every change needs the token."),
            choice("read", "Whether reading needs the token too.", "open", "open", "token"),
            texts("hosts", "Further names of the page, besides addresses, localhost and the computer's name."),
        ),
    ),
    Section(
        "tls",
        False,
        "Certificate of the page. Give both keys or neither.",
        (
            text("certificate_file", "Certificate chain in PEM.", required=True),
            text("key_file", "Its private key in PEM.", required=True),
        ),
    ),
    Section(
        "history",
        False,
        "Where incidents and minute summaries are kept.",
        (
            text("path", "SQLite file, relative to the house file or the state directory.", "slotwatch.db"),
            whole("keep_days", "Days of history that are kept.", 30, 1, 3660, unit="days"),
        ),
    ),
    Section(
        "recorder",
        False,
        "Packets kept around an incident.",
        (
            number("seconds", "Seconds kept before an incident.", 60, 1, 600, unit="s"),
            whole("memory_mib", "Memory that these packets may take.", 64, 1, 4096, unit="MiB"),
            text("directory", "Where packets are written, relative to the state directory.", "packets"),
            whole("disk_mib", "Disk space that they may take; the oldest go first.", 512, 1, 1048576, unit="MiB"),
        ),
    ),
    Section(
        "alerts",
        False,
        "Alerts to an Alertmanager.",
        (
            Key("alertmanager_urls", Kind.URLS, "Base URLs of Alertmanagers; each gets every alert.", ()),
            choice("minimum_severity", "Lowest severity that is sent.", "warning", *SEVERITIES),
            Key("labels", Kind.LABELS, "Labels added to every alert.", ()),
        ),
    ),
    Section(
        "mqtt",
        False,
        "State and incidents to an MQTT broker.",
        (
            text("host", "Name or address of the broker, without a port; without it MQTT is not used.", required=True),
            whole("port", "Its port.", 1883, 1, 65535),
            text("topic", "Topic under which everything is published.", "slotwatch"),
            text("username", "User name at the broker."),
            text("password_file", "File that holds the password."),
            yes_no("tls", "Use TLS to the broker.", False),
        ),
    ),
    Section(
        "notify",
        True,
        "A person who gets a message about an incident: mail, push, chat.",
        (
            text("name", "Name of this recipient.", required=True),
            text("url_file", "Secret file that holds its Apprise address.", required=True),
            *_notice_terms(),
        ),
    ),
    Section(
        "webhooks",
        True,
        "A program that gets signed messages about incidents.",
        (
            text("name", "Name of this recipient.", required=True),
            Key("url", Kind.URL, "Where messages are posted.", required=True),
            text("secret_file", "File that holds the key of the signature (HMAC-SHA256).", required=True),
            *_notice_terms(),
        ),
    ),
    Section(
        "heartbeat",
        False,
        "A request at regular intervals, so that its absence is an alarm elsewhere.",
        (
            text("url_file", "Secret file that holds the address (http or https).", required=True),
            number("every_min", "Minutes between two requests.", 5, 0.1, 1440, unit="min"),
        ),
    ),
)
