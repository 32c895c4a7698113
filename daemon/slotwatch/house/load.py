"""Makes a House from the texts of its files: every fault at once, each at its line.

Pure: files are read by a callable that the edge gives, and today's date is an argument.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from slotwatch.errors import HouseFileError, Problem
from slotwatch.house import build, notices, references, witness_tables
from slotwatch.house.cells import Addressing
from slotwatch.house.circuits import read_circuits
from slotwatch.house.document import Document, Entry, Read, TooManyProblems, open_document
from slotwatch.house.patch import read_patch
from slotwatch.house.references import Built
from slotwatch.house.schema import Circuit, Fixture, House, Limits, Network, Phase, Profile
from slotwatch.house.sections import BY_NAME, TOP
from slotwatch.house.service import Listen
from slotwatch.house.toml_places import Path
from slotwatch.house.values import Converter
from slotwatch.wire.universe import Protocol

MAX_OVERLAYS = 32


def load_house(file: str, read: Read, today: date) -> House:
    """Load a house file with its overlays, patch and circuits. `file` is read by `read` like all it names.

    HouseFileError with all of its problems if it cannot be used as it is.
    """
    return _Loader(file, read, today).load()


class _Loader:
    def __init__(self, file: str, read: Read, today: date) -> None:
        self.file = file
        self.read = read
        self.today = today
        self.problems: list[Problem] = []
        self.notes: list[str] = []
        self.empty_patches: list[str] = []
        self.empty_circuits: list[str] = []

    def load(self) -> House:
        self.documents: list[Document] = []
        try:
            return self._load()
        except TooManyProblems:
            every = self.problems + [problem for document in self.documents for problem in document.problems]
            raise HouseFileError(
                _in_order(every, [document.file for document in self.documents]), is_cut=True
            ) from None

    def _load(self) -> House:
        main = open_document(self.file, self.read(self.file))
        self.documents = [main]
        main.check_names(overlay=False)
        plain = Converter()
        self.documents = [main, *self._overlays(main, plain)]
        lines = {e["name"]: n for n, e in enumerate(main.tables(BY_NAME["lines"], plain), 1)}
        main.problems = [p for p in main.problems if not p.key.startswith("lines")]  # they are read again below
        self.converter = Converter(lines)
        house = self._house(main)
        for document in self.documents:
            self.problems += document.problems
        if self.problems:
            raise HouseFileError(_in_order(self.problems, [document.file for document in self.documents]))
        return house

    def _overlays(self, main: Document, converter: Converter) -> list[Document]:
        top = main.table(TOP, converter)
        overlays = []
        for index, name in enumerate(top["include"][:MAX_OVERLAYS]):
            try:
                overlay = open_document(name, self.read(name))
            except HouseFileError as error:
                self._not_read(error, main, ("include", index))
                continue
            overlay.check_names(overlay=True)
            until = overlay.table(TOP, converter)["until"]
            if until is not None and until < self.today:
                self.notes.append(f"{name} is ignored: its last day was {until.isoformat()}")
                continue
            overlays.append(overlay)
        if len(top["include"]) > MAX_OVERLAYS:
            main.wrong(("include",), f"at most {MAX_OVERLAYS} overlays are read")
        return overlays

    def _house(self, main: Document) -> House:
        converter = self.converter
        own = main.table(BY_NAME["house"], converter)
        listen = build.listen(main, converter)
        networks = build.networks(main, converter, listen)
        limits = build.limits(main, converter)
        sources = self._built("sources", build.source)
        universes = self._universes(limits, networks)
        profiles = self._built("profiles", build.profile)
        numbered = iter(range(1, 1 << 20))
        lines = self._built("lines", lambda entry: build.line(entry, next(numbered)))
        racks = self._built("racks", build.rack)
        receivers = self._built("receivers", lambda entry: build.receiver(entry, networks))
        routes = self._built("routes", lambda entry: build.route(entry, networks))
        accepted = self._built("accepted", lambda entry: build.accepted(entry, networks))
        quiet = self._built("quiet", lambda entry: build.quiet(entry, own["time_zone"]))
        timetable = self._built("timetable", build.timetable_row)
        excluded = self._built("excluded", build.excluded)
        notify, webhooks = self._built("notify", notices.notify), self._built("webhooks", notices.webhook)
        notices.check_names(notify, webhooks)
        others = self._built("listeners", witness_tables.listener)
        witness_tables.check_listeners(others)
        asked = self._built("switches", witness_tables.switch)
        witness_tables.check_switches(asked)
        self._check_names(sources, profiles, lines, racks, receivers, routes)
        declared = {universe.id for universe in universes.values}
        references.check_universes(universes, [source.name for source in sources.values])
        for built, key in ((racks, "universe"), (receivers, "universes"), (lines, "compare_with")):
            references.check_declared(built.entries, key, declared)
        # A route may take what is not declared: its group is joined for it, and it is judged as undeclared.
        self.notes += [
            f"route {route.name} has the input {route.source}, which is not declared under [[universes]]"
            for route in routes.values
            if route.source.protocol is not Protocol.LINE and route.source not in declared
        ]
        self.notes += [
            f"nothing is recognised as source {source.name}: give its cid, address or source_name"
            for source in sources.values
            if not (source.cid or source.address or source.source_name)
        ]
        phases = {row.phase for row in timetable.values}
        if Phase.SHOW in phases <= {Phase.PRE_SHOW, Phase.SHOW}:
            self.notes.append(
                "the timetable has no phase after show: until a person changes the phase, "
                "faults at night count as during a show"
            )
        references.check_rules(accepted, "rule")
        references.check_accepted(accepted)
        references.check_rules(quiet, "rules")
        references.check_loops(routes, lines.values)
        references.check_excluded(routes, excluded.values)
        fixtures, brought = self._patch(list(profiles.values), self._protocols(universes, listen))
        night, dark = build.dark_terms(main, converter, fixtures, networks)
        references.check_declared([night], "universes", declared)
        return House(
            name=own["name"],
            phase=Phase(own["phase"]),
            time_zone=own["time_zone"],
            file=self.file,
            listen=listen,
            http=build.http(main, converter),
            history=build.history(main, converter),
            recorder=build.recorder(main, converter),
            alerts=build.alerts(main, converter),
            mqtt=build.mqtt(main, converter),
            notify=notify.values,
            webhooks=webhooks.values,
            heartbeat=notices.heartbeat(main, converter),
            references=build.reference_terms(main, converter),
            readiness=build.readiness_terms(main, converter),
            dark=dark,
            listeners=others.values,
            switches=asked.values,
            limits=limits,
            networks=networks,
            sources=sources.values,
            universes=universes.values,
            profiles=(*profiles.values, *brought),
            fixtures=tuple(fixtures),
            circuits=tuple(self._circuits()),
            racks=racks.values,
            receivers=receivers.values,
            lines=lines.values,
            routes=routes.values,
            accepted=accepted.values,
            quiet=quiet.values,
            timetable=timetable.values,
            excluded=excluded.values,
            notes=tuple(self.notes),
            empty_patches=tuple(self.empty_patches),
            empty_circuits=tuple(self.empty_circuits),
        )

    def _built(self, name: str, make: Callable[[Entry], Any]) -> Built:
        """Values of one list of tables, from the house file and then from each overlay that may hold it."""
        section = BY_NAME[name]
        built = Built()
        for document in self.documents if section.in_overlay else self.documents[:1]:
            for entry in document.tables(section, self.converter):
                built.entries.append(entry)
                if entry.usable and (value := make(entry)) is not None:
                    built.rows.append((entry, value))
        return built

    def _universes(self, limits: Mapping[Protocol, Limits], networks: tuple[Network, ...]) -> Built:
        def make(entry: Entry) -> Any:
            return build.universe(entry, limits, networks)

        return self._built("universes", make)

    @staticmethod
    def _protocols(universes: Built, listen: Listen) -> set[str]:
        """Protocols that the house uses, also of rows that are wrong in something else."""
        named = {str(entry["protocol"]) for entry in universes.entries if entry["protocol"]}
        return named or {protocol.word for protocol in listen.protocols}

    def _check_names(self, *built: Built) -> None:
        for rows, what in zip(built, ("source", "profile", "line", "rack", "receiver", "route"), strict=True):
            references.check_unique(rows, "name", what)

    def _patch(self, profiles: list[Profile], protocols: set[str]) -> tuple[list[Fixture], list[Profile]]:
        only = next((one for one in Protocol if {one.word} == protocols), None)
        fixtures: list[Fixture] = []
        brought: list[Profile] = []
        seen: dict[str, str] = {}
        for document in self.documents:
            entry = document.table(BY_NAME["patch"], self.converter)
            data = self._named_file(entry)
            if data is None:
                continue
            addressing = Addressing(only, entry["universes"], entry["absolute_from"])
            is_archive = data.startswith(b"PK")
            if entry["file"].lower().endswith(".mvr") and not is_archive:
                wanted = (
                    "it is no zip archive, so it is not an MVR file" if data else "it is empty; an MVR file is expected"
                )
                self.problems.append(Problem(entry["file"], None, "", "", wanted))
                continue
            try:
                if is_archive:
                    # Only houses with an MVR pay for what reads it: 0.1 s and 10 MiB.
                    from slotwatch.house.mvr import read_mvr

                    patch = read_mvr(entry["file"], data, addressing, profiles, entry["audience_layers"])
                else:
                    patch = read_patch(entry["file"], data, addressing, profiles, entry["columns"])
            except HouseFileError as error:
                self.problems += error.problems
                continue
            self.problems += patch.problems
            self.notes += patch.notes
            fixtures += patch.fixtures
            if not patch.fixtures and not patch.problems:
                self.empty_patches.append(entry["file"])
            brought += patch.profiles
            self._check_doubled(patch.fixtures, seen)
        return fixtures, brought

    def _check_doubled(self, fixtures: list[Fixture], seen: dict[str, str]) -> None:
        """A fixture of one file may not be in another too."""
        for fixture in fixtures:
            if seen.setdefault(fixture.name, fixture.file) != fixture.file:
                wanted = f"this fixture is in {seen[fixture.name]} already"
                self.problems.append(Problem(fixture.file, fixture.row, "fixture", fixture.name, wanted))

    def _circuits(self) -> list[Circuit]:
        circuits: list[Circuit] = []
        for document in self.documents:
            entry = document.table(BY_NAME["circuits"], self.converter)
            data = self._named_file(entry)
            if data is None:
                continue
            try:
                read = read_circuits(entry["file"], data, entry["columns"])
            except HouseFileError as error:
                self.problems += error.problems
                continue
            self.problems += read.problems
            self.notes += read.notes
            circuits += read.circuits
            if not read.circuits and not read.problems:
                self.empty_circuits.append(entry["file"])
        return circuits

    def _named_file(self, entry: Entry) -> bytes | None:
        if not entry.usable or not entry["file"]:
            return None
        try:
            return self.read(entry["file"])
        except HouseFileError as error:
            self._not_read(error, entry.document, (*entry.path, "file"))
            return None

    def _not_read(self, error: HouseFileError, document: Document, path: Path) -> None:
        """A file that is named here is missing (reported here) or has a fault inside (reported there)."""
        for problem in error.problems:
            if problem.line is None:
                document.wrong(path, problem.wanted)
            else:
                self.problems.append(problem)


def _in_order(problems: list[Problem], files: list[str]) -> list[Problem]:
    """By file (house file, overlays, patches), then by line; each once."""
    order = {file: index for index, file in enumerate(files)}
    unique = list(dict.fromkeys(problems))
    return sorted(unique, key=lambda p: (order.get(p.file, len(order)), p.file, p.line or 0))
