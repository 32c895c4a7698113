"""What is shown of the stage apart from incidents, and what a person may do to it: racks, rig check, hours."""

from __future__ import annotations

from slotwatch.durations import MILLISECOND_NS, MINUTE_NS, NANOSECONDS
from slotwatch.judge.model_view import ModelView
from slotwatch.judge.orders import (
    ChangeLamp,
    ChangeRigCheck,
    LampChanged,
    LightNoted,
    Restore,
    Restored,
    RigCheckBegun,
    RigCheckEnded,
)
from slotwatch.model.rigcheck import RigCheck
from slotwatch.model.stage import Stage
from slotwatch.snapshot.rig_check import RigCheckRow
from slotwatch.snapshot.stage import LampHours, RackRow


class Shown:
    """Views of one house's stage. Each is computed only as often as it can change."""

    def __init__(self) -> None:
        self._stage: Stage | None = None
        self._now_ns = 0
        self._wall_offset_ns = 0
        self._to_restore: Restore | None = None
        self._restored = False
        self._check_of: tuple[int, ...] = ()
        self._check: RigCheckRow | None = None
        self._racks: tuple[int, tuple[RackRow, ...]] = (-1, ())
        self._hours: tuple[int, tuple[LampHours, ...]] = (-1, ())

    def take_house(self) -> None:
        """Work everything out again, for another house file."""
        self._hours = self._racks = (-1, ())

    def follow(self, model: ModelView, now_ns: int, wall_offset_ns: int) -> None:
        """Take this pass's model and times."""
        self._stage, self._now_ns, self._wall_offset_ns = model.stage, now_ns, wall_offset_ns
        if self._to_restore is not None:
            kept, self._to_restore = self._to_restore, None
            self._restore(self._stage, kept)

    # --- views --------------------------------------------------------------------------------------------

    def racks(self, model: ModelView) -> tuple[RackRow, ...]:
        """Estimated currents, as of the last whole second."""
        second = self._now_ns // NANOSECONDS
        if self._racks[0] != second:
            self._racks = (second, tuple(rack.row() for rack in model.stage.loads.racks))
        return self._racks[1]

    def rig_check(self, model: ModelView) -> RigCheckRow | None:
        """The rig check that runs or ran last; None before the first."""
        check: RigCheck | None = model.stage.rig_check
        if check is None:
            return None
        moment = (id(check), check.running, check.changes)
        if self._check_of != moment:
            # Of 20,000 fixtures the list takes 40 ms to make: only when something rose or was marked.
            self._check_of = moment
            self._check = check.row(self._wall_offset_ns)
        return self._check

    def hours(self, model: ModelView, now_ns: int) -> tuple[LampHours, ...]:
        """Hours of circuits and fixtures, as of the last whole minute: they are rows of the history."""
        minute = now_ns // MINUTE_NS
        if self._hours[0] != minute:
            self._hours = (minute, tuple(model.stage.hours.rows()))
        return self._hours[1]

    # --- commands -----------------------------------------------------------------------------------------

    def change_rig_check(self, order: ChangeRigCheck) -> RigCheckBegun | RigCheckEnded | LightNoted:
        """Carry out an order. ValueError if there is nothing to check, to end or to mark."""
        stage = self._ready()
        if fixture := order.no_light or order.light:
            if stage.rig_check is None:
                raise ValueError("no rig check was begun")
            return LightNoted(tuple(stage.rig_check.mark(fixture, self._now_ns, gives_light=not order.no_light)))
        if not order.stop:
            check = stage.start_rig_check(self._now_ns)
            return RigCheckBegun(True, len(check.left()))
        if stage.rig_check is None or not stage.rig_check.running:
            raise ValueError("no rig check runs")
        stage.rig_check.running = False
        return RigCheckEnded(False, tuple(fixture.name for fixture in stage.rig_check.left()))

    def change_lamp(self, order: ChangeLamp) -> LampChanged:
        """Reset the hours of a circuit or fixture. ValueError if nothing has this name."""
        stage = self._ready()
        if not order.circuit and not order.fixture:
            raise ValueError("which lamp was changed? give a circuit or a fixture")
        wanted = f"circuit {order.circuit}" if order.circuit else f"fixture {order.fixture}"
        thing = stage.hours.lamp_change(wanted, self._now_ns)
        self._hours = (-1, ())
        return LampChanged(thing.kind, thing.name)

    def restore(self, order: Restore) -> Restored:
        """Take up what the history knows, once after a start."""
        if self._restored:
            return Restored(False)
        self._restored = True
        if self._stage is None:
            self._to_restore = order
        else:
            self._restore(self._stage, order)
        return Restored(True)

    def _restore(self, stage: Stage, kept: Restore) -> None:
        stage.hours.restore(kept.hours)
        self._hours = (-1, ())
        check = kept.rig_check
        if check is not None and stage.rig_check is None and len(stage.plan.bright_fixture):
            # Monotonic times of another run mean nothing here: the wall clock carries them over.
            shift_ns = check.started_wall_ms * MILLISECOND_NS - self._wall_offset_ns - check.started_ns
            stage.rig_check = RigCheck.restored(stage.plan, check, shift_ns)

    def _ready(self) -> Stage:
        if self._stage is None:
            raise ValueError("nothing was judged yet; try again in a moment")
        return self._stage
