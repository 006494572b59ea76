"""The engine: a pure function of the journal's entries, in order.

`accept` takes a reading, `act` an action, `note` a notice, `tick` lets the clock be looked at and returns the picture.
It holds no clock: time is what the entries say. Replaying the same entries gives the same pictures, to the bit.
"""

from __future__ import annotations

from drivers.reading import Reading
from monitor.engine.activity import StackActivity
from monitor.engine.alone import Alone, Moved
from monitor.engine.channels import ChannelState
from monitor.engine.conditions import Scene
from monitor.engine.crew import MovingOver
from monitor.engine.descent import Descent, Lowering
from monitor.engine.estimate import PoseEstimate
from monitor.engine.orders import Orders
from monitor.engine.picture import (
    LoadPicture,
    Picture,
    PortPicture,
    Priority,
    Question,
    SensorStatus,
    StackPicture,
    ZeroPicture,
)
from monitor.engine.pivot import Pivot
from monitor.engine.planned import Facts, planned
from monitor.engine.pose import PoseFilter
from monitor.engine.questions import Isolation
from monitor.engine.sequence import Sequence
from monitor.engine.shores import Below, Crib, ShoreState, captured
from monitor.engine.stack import StackState
from monitor.engine.ticking import Ticking
from monitor.engine.watch import Watch
from monitor.rig.calibrated import curve_of, newest
from monitor.rig.schema import Rig
from replay.entries import Action, Entry, Notice, Tick

_OK = SensorStatus.OK
_NOBODY: frozenset[str] = frozenset()


class Engine:
    """What a rig's readings mean. One instance a session; not to be shared between threads."""

    def __init__(self, rig: Rig, watch: Watch | None = None) -> None:
        self.rig, self.planned, self.facts = rig, planned(rig), Facts(rig)
        curves = {name: curve_of(it) for name, it in newest(rig).items()}
        self.channels = {channel.name: ChannelState(channel, curves.get(channel.name)) for channel in rig.channel}
        self.pose = PoseFilter(rig, self.channels)
        self._in_pose = frozenset(self.pose.channels)
        self.stacks = [StackState(stack, rig, self.channels) for stack in rig.stack]
        self._lean_seen: dict[str, tuple[str, ...]] = {stack.stack.name: () for stack in self.stacks}
        self._lean_needs = [(stack.stack.name, stack.lean_channels()) for stack in self.stacks]
        self.activity = [StackActivity(stack, alone=len(self.stacks) == 1) for stack in self.stacks]
        self.shores = [ShoreState(shore, self.channels) for shore in rig.shore]
        self.below = Below(rig)
        self.pivot = Pivot(rig, self.pose.size_m, self.pose.heads)
        self.sequence = Sequence(rig)
        self._lowers = False
        """Whether the step of the tick before let the load down."""
        self.ticking = Ticking(rig)
        self.moving_over = MovingOver(rig)
        self._isolation = [(Isolation(stack), stack.stack.at) for stack in self.stacks]
        self._begin()
        self.watch = watch or Watch()
        self.orders = Orders(self)
        self.zero_ns: int | None = None
        self._zeroed: ZeroPicture | None = None
        self.cribs: list[Crib] = []
        self.cribbed_ns: int | None = None
        self.captured_m: float | None = None
        self.stop_called: str | None = None
        self._name = rig.rig.name
        self._links = {port.name: PortPicture(port.name, None, "") for port in rig.port}
        self._ports = tuple(self._links.values())
        """What `_links` says of the rig's own, until a link says something."""
        self._notices: dict[str, str] = {}
        self._out_of_date: dict[str, str] = {}

    def _begin(self) -> None:
        """Follow the load's motion and its lowering from here on."""
        self._alone, self._lowering = Alone(self.rig), Lowering(self.rig)
        self._moved: Moved | None = None
        self._descent: Descent | None = None

    def feed(self, entry: Entry) -> Picture | None:
        """Take any entry; a tick gives a picture."""
        if isinstance(entry, Reading):
            self.accept(entry)
        elif isinstance(entry, Tick):
            return self.tick(entry)
        elif isinstance(entry, Action):
            self.act(entry)
        else:
            self.note(entry)
        return None

    def accept(self, reading: Reading) -> None:
        """Take one reading. One of a channel that the rig file does not name is passed over."""
        channel = reading.channel
        state = self.channels.get(channel)
        if state is not None and state.take(reading) and channel in self._in_pose and state.last is not None:
            self.pose.accept(channel, reading.time_ns, state.last.value)

    def act(self, action: Action) -> None:
        """Take one action of a person; what came of it stands in the next picture's `answer`."""
        self.orders.take(action)

    def note(self, notice: Notice) -> None:
        """Take what the world outside says of a link, a channel's sender, a calibration's date, the recorder or the queue."""
        if notice.kind == "link":
            up, before = not notice.active, self._links.get(notice.about)
            since_ns = before.since_ns if before is not None and before.up is up else notice.time_ns
            self._links[notice.about] = PortPicture(notice.about, up, notice.text, since_ns)
            self._ports = tuple([self._links[port.name] for port in self.rig.port])
        elif notice.kind == "node":
            if (state := self.channels.get(notice.about)) is not None:
                state.went(notice.active)
        elif notice.kind == "calibration":
            if notice.active:
                self._out_of_date[notice.about] = notice.text
            else:
                self._out_of_date.pop(notice.about, None)
        elif notice.active:
            self._notices[notice.kind] = notice.text
        else:
            self._notices.pop(notice.kind, None)

    def why_not_zero(self, now_ns: int, live_only: bool) -> str:
        """Why no zero can be taken now, or "". With `live_only`, channels that give no value do not stand in the way."""
        silent = (SensorStatus.NEVER_SEEN, SensorStatus.STALE)
        states = [s for s in self.channels.values() if not (live_only and (s.void or s.status(now_ns) in silent))]
        if not states:
            return "no channel is live"
        reasons = [reason for state in states if (reason := state.why_not_zero(now_ns))]
        more = f" and {len(reasons) - 1} more" if len(reasons) > 1 else ""
        return reasons[0] + more if reasons else ""

    def zero(self, now_ns: int) -> None:
        """Measure from here: every live channel's last seconds become its baseline, and the plan begins."""
        measured_from_zero = {*self.pose.channels, *(shore.shore.extension for shore in self.shores)}
        for name, state in self.channels.items():
            state.baseline = None
            if not state.why_not_zero(now_ns):
                state.take_zero()
            state.measure(name not in measured_from_zero or state.baseline is not None)
        self.pose.zero(now_ns)
        self.pivot = Pivot(self.rig, self.pose.size_m, self.pose.heads)
        for shore in self.shores:
            shore.begin()
        self.zero_ns, self.captured_m = now_ns, 0.0
        self.cribs, self.cribbed_ns = [], None
        self.sequence.start(now_ns)
        self._begin()

    def tick(self, tick: Tick) -> Picture:
        """Derive the picture of this moment, run the rules, move the alarms."""
        now_ns = tick.time_ns
        self.pose.tick(now_ns)
        pose = self.pose.estimate(now_ns)
        questions: list[Question] = []
        for isolation, (x, y) in self._isolation:
            questions += isolation.tick(now_ns, pose.rise(x, y) if pose is not None else None)
        stacks = self._stack_pictures(pose, now_ns)
        grown = tuple([shore.extension.since_zero(now_ns) for shore in self.shores])
        airs = tuple([shore.air.reading(now_ns) if shore.air else None for shore in self.shores])
        moved = self._moved = self._alone.tick(now_ns, pose, stacks, grown, airs)
        self._descent = self._lowering.tick(now_ns, stacks)
        alone = moved is not None and moved.by_itself
        shores = tuple([it.picture(pose, now_ns, grown[i], airs[i], alone) for i, it in enumerate(self.shores)])
        shores = self._lowering.touched(now_ns, self.sequence.lowering, shores)
        if pose is not None and self.cribs:
            self.cribs = [crib for crib in self.cribs if crib.stands(pose)]
        load = self._load_picture(pose, stacks)
        hinge, balance = self.pivot.tick(now_ns, pose, stacks, shores)
        shores = self.below.carrying(shores, balance.short_nm, self.pivot.balance.line)
        fall = self.below.fall(pose, shores, self.cribs) if pose is not None else None
        step = self.sequence.tick(now_ns, stacks, shores, self.cribbed_ns)
        if load.rise_m is not None and captured(shores):
            self.captured_m = load.rise_m
        uncaptured = None if load.rise_m is None or self.captured_m is None else max(0.0, load.rise_m - self.captured_m)
        draft = Picture(
            time_ns=now_ns,
            rig=self._name,
            zero=self._zero_picture(now_ns),
            step=step,
            steps=self.sequence.pictures(),
            load=load,
            hinge=hinge,
            balance=balance,
            stacks=stacks,
            shores=shores,
            captured_m=self.captured_m,
            uncaptured_m=uncaptured,
            fall_m=fall,
            held_by=self.below.held_by(pose, stacks, shores, self.cribs) if pose is not None else None,
            alarms=(),
            transitions=(),
            blind=(),
            sensors=tuple([state.picture(now_ns) for state in self.channels.values()]),
            ports=self._ports,
            stop_called=self.stop_called,
            answer=self.orders.answer,
            checklist=self.ticking.items,
            questions=tuple(questions),
            flood=False,
            abandoned=self.sequence.abandoned,
        )
        blind = self.watch.look(self._scene(draft, pose, now_ns))
        book = self.watch.book
        alarms, told = book.pictures(), book.tell()
        if not (alarms or told or blind):
            return draft
        flood = any(it.rule == "flood" and it.priority is Priority.NOTICE and it.active for it in alarms)
        return draft.with_alarms(alarms, told, blind, flood)

    def _stack_pictures(self, pose: PoseEstimate | None, now_ns: int) -> tuple[StackPicture, ...]:
        named = self.sequence.step.bag if self.sequence.step is not None else None
        doings = []
        for stack, activity in zip(self.stacks, self.activity, strict=True):
            x, y = stack.stack.at
            rate, sd = (pose.rate(x, y), pose.rate_sd(x, y)) if pose else (None, None)
            stack.listen(now_ns)
            doings.append(activity.tick(now_ns, rate, sd, named))
        moving = ["filling" in doing.values() or "venting" in doing.values() for doing in doings]
        count, lowers = moving.count(True), self.sequence.lowering is not None
        let_down, self._lowers = self._lowers and not lowers, lowers  # however slowly: what sank by then was meant to
        return tuple(
            [it.picture(pose, doings[i], now_ns, let_down or count > moving[i]) for i, it in enumerate(self.stacks)]
        )

    def _load_picture(self, pose: PoseEstimate | None, stacks: tuple[StackPicture, ...]) -> LoadPicture:
        if pose is None:
            return LoadPicture(*(None,) * 11)
        highest, most = stacks[0], stacks[0].rise_m or 0.0
        for stack in stacks[1:]:
            if (rise := stack.rise_m or 0.0) > most:
                highest, most = stack, rise
        x, y = highest.at
        across, along = pose.p[1][1], pose.p[2][2]
        z, a, b, *_ = pose.x
        return LoadPicture(
            highest.rise_m,
            pose.rise_sd(x, y),
            pose.rate(x, y),
            pose.rate_sd(x, y),
            pose.tilt(1.0, 0.0),
            pose.tilt(0.0, 1.0),
            pose.tilt_sd(1.0, 0.0) if across >= along else pose.tilt_sd(0.0, 1.0),
            pose.rise_bound(x, y),
            z,
            a,
            b,
        )

    def _zero_picture(self, now_ns: int) -> ZeroPicture:
        if self.zero_ns is not None:
            if self._zeroed is None or self._zeroed.taken_ns != self.zero_ns:
                self._zeroed = ZeroPicture(self.zero_ns, ready=False, why_not="", live_ready=False)
            return self._zeroed
        why_not = self.why_not_zero(now_ns, live_only=False)
        live_ready = not why_not or not self.why_not_zero(now_ns, live_only=True)
        return ZeroPicture(None, not why_not, why_not, live_ready)

    def _scene(self, draft: Picture, pose: PoseEstimate | None, now_ns: int) -> Scene:
        sequence, states = self.sequence, self.channels
        unwell = [it.name for it in draft.sensors if it.status is not _OK]
        well = not unwell and self.zero_ns is not None  # then every channel has its zero, and is live
        return Scene(
            rig=self.rig,
            picture=draft,
            pose=pose,
            pose_missing=() if well else self.pose.missing(now_ns),
            lean_missing=self._lean_seen
            if well
            else {
                name: tuple([it for it in needs if it in unwell and not states[it].live(now_ns)])
                for name, needs in self._lean_needs
            },
            step=sequence.step,
            next_fill=sequence.next_fill(),
            next_vent=sequence.next_vent(),
            moved=self._moved,
            descent=self._descent,
            begun=sequence.begun,
            carried_over=sequence.carried_over,
            notices=dict(self._notices),
            planned=self.planned,
            facts=self.facts,
            odd=frozenset([*unwell, *self._out_of_date]) if unwell or self._out_of_date else _NOBODY,
            cribs=tuple(self.cribs),
            moving_over=self.moving_over.tick(now_ns, draft.step.number if draft.step else None, draft.stacks),
            unzeroed=frozenset([name for name in unwell if states[name].unzeroed]) if unwell else _NOBODY,
            disputed={name: states[name].disputed for name in unwell if states[name].disputed} if unwell else {},
            raises=self.watch.book.raises(now_ns),
            out_of_date=dict(self._out_of_date),
        )
