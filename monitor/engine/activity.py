"""What the crew is doing with each bag: resting, filling, holding or venting, from pressure and height alone.

A bag that takes no load yet shows it by its pressure. A loaded bag fills at nearly constant pressure: there the rise
of the stack says that *a* bag is filling, and the pressures against each other say which, since the effective
area of a bag that gets higher shrinks and its pressure grows beside the others'. That takes a second or two; until
then the rise goes to the bag filled last. States change only after a dwell.
"""

from __future__ import annotations

from math import log, sqrt

from monitor.addition import added
from monitor.engine.carried import Carried
from monitor.engine.kalman import RateFilter
from monitor.engine.stack import StackState

_PRESSURE_RATE = 5_000.0
"""Pa/s: a pressure that changes faster is being changed."""
_RISE_RATE = 0.001
"""m/s: a stack head that moves faster is being moved."""
_PRESSURISED = 0.05
"""Share of the working pressure above which a bag can carry and can be vented."""
_EMPTY = 0.02
"""Share of the working pressure below which a quiet bag rests."""
_BEYOND_DOUBT = 0.1
"""Share above which a bag is pressurised beyond doubt (invented)."""
_DWELL_NS = 300_000_000
"""How long a new state must have held before it is believed."""
_SURE = 4.0
"""Standard deviations by which a pressure must grow beside the others to take the rise for its bag."""
_ABOUT = 0.9
"""Share of the hardest push that counts as about as hard."""
_RATIO_AGILITY, _RATIO_RATE_SD = 1e-8, 2e-3
"""For the trend of the logarithm of pressure ratios: density (1/s^3, about three seconds of smoothing), and its rate when
first seen (1/s)."""

FILLING, VENTING, HOLDING, RESTING, UNKNOWN = "filling", "venting", "holding", "resting", "unknown"


class StackActivity:
    """The doing of every bag of one stack, followed from tick to tick."""

    def __init__(self, stack: StackState, *, alone: bool = True) -> None:
        self._stack = stack
        self._carried = None if alone else Carried(stack)
        names = self._names = stack.names
        self._workings = stack.workings
        self.doing = dict.fromkeys(names, UNKNOWN)
        self._candidate: dict[str, tuple[str, int]] = dict.fromkeys(names, (UNKNOWN, 0))
        self._moved_last: dict[str, str | None] = {FILLING: None, VENTING: None}
        self._ratio: dict[str, RateFilter] = {}

    def tick(
        self, now_ns: int, rise_rate: float | None, rise_rate_sd: float | None, named: str | None
    ) -> dict[str, str]:
        """What each bag is doing now, once its stack has listened. `rise_rate` (m/s) at the stack head, None while unknown;
        `named`: the bag that the plan's step names."""
        pressures = [smoothed for smoothed, _, _, _ in self._stack.heard]
        seen: dict[str, str] = {}
        filling = venting = 0
        for i, name in enumerate(self._names):
            seen[name] = state = self._by_pressure(i, pressures[i])
            if state == FILLING:
                filling += 1
            elif state == VENTING:
                venting += 1
        if filling > 1:
            self._tell_apart(seen, pressures, named)
        if filling or venting:
            self._ratio.clear()  # a pressure on its way says nothing about heights
        else:
            self._follow_ratios(now_ns, pressures)
        if rise_rate is not None and rise_rate_sd is not None:
            limit = max(_RISE_RATE, 2.0 * rise_rate_sd)
            if self._is_carried(seen, now_ns, rise_rate, rise_rate_sd, pressures, named) is not False:
                pass  # the rise is another stack's, or nobody can tell whose
            elif rise_rate > limit:
                self._place(FILLING, seen, pressures, named)
            elif rise_rate < -limit:
                self._place(VENTING, seen, pressures, named)
        doing = self.doing
        for name, state in seen.items():
            since = self._held_since(name, state, now_ns)
            if state == UNKNOWN or doing[name] == UNKNOWN or now_ns - since >= _DWELL_NS:  # silence at once
                doing[name] = state
        return dict(doing)

    def _is_carried(
        self,
        seen: dict[str, str],
        now_ns: int,
        rise_rate: float,
        rise_rate_sd: float,
        pressures: list[float | None],
        named: str | None,
    ) -> bool | None:
        """Whether another stack moves this one; then its open bags hold, whatever their pressures do. None: not to be told."""
        if self._carried is None:
            return False
        mover = named is not None and named in self._able(pressures)
        carried = self._carried.tick(now_ns, rise_rate, rise_rate_sd, mover)
        if not carried:
            return carried
        for i, (name, state) in enumerate(seen.items()):
            if state in (FILLING, VENTING) and self._carried.open(i):
                seen[name] = HOLDING
        return True

    def _able(self, pressures: list[float | None]) -> list[str]:
        """The bags with air enough to carry: any of a stack while none is so beyond doubt, since chance then says which."""
        if not any(pressures):
            return []
        uses = {
            name: pressure / working
            for name, pressure, working in zip(self._names, pressures, self._workings, strict=True)
            if pressure is not None
        }
        hardest = max(uses.values())
        least = _PRESSURISED if hardest > _BEYOND_DOUBT else 0.0
        return [name for name, use in uses.items() if hardest > _EMPTY and use > least]

    def _by_pressure(self, i: int, pressure: float | None) -> str:
        if pressure is None:
            return UNKNOWN
        filtered = self._stack.pressures[i].filter
        rate = filtered.rate
        if rate > _PRESSURE_RATE or rate < -_PRESSURE_RATE:
            limit = 3.0 * filtered.rate_sd
            if rate > limit:
                return FILLING
            if rate < -limit:
                return VENTING
        return RESTING if pressure < _EMPTY * self._workings[i] else HOLDING

    def _tell_apart(self, seen: dict[str, str], pressures: list[float | None], named: str | None) -> None:
        """Of several bags whose pressures rise at once only one takes air: the others are squeezed by the load.

        The one that pushes hardest leads; the plan's own bag is believed to while it pushes about as hard.
        """
        rising = [name for name, state in seen.items() if state == FILLING]
        pushes = {
            name: (pressures[i] or 0.0) * self._stack.tables[i].areas[0]
            for i, name in enumerate(self._names)
            if name in rising
        }
        hardest = max(pushes.values())
        chosen = named if named is not None and pushes.get(named, 0.0) >= _ABOUT * hardest else None
        for name in rising:
            if name != (chosen or max(rising, key=pushes.__getitem__)):
                seen[name] = HOLDING

    def _place(self, what: str, seen: dict[str, str], pressures: list[float | None], named: str | None) -> None:
        """Give a moving stack's rise or fall to the bag that causes it."""
        if what in seen.values():
            self._moved_last[what] = next(name for name, state in seen.items() if state == what)
            return
        able = self._able(pressures)
        if not able:
            return
        sign = 1.0 if what == FILLING else -1.0
        sure = [n for n in able if n in self._ratio and sign * self._ratio[n].rate > _SURE * self._ratio[n].rate_sd]
        last = self._moved_last[what] or self._moved_last[FILLING]  # out in reverse: the one filled last goes first
        if len(sure) == 1:
            chosen = sure[0]
        elif named is not None and named in able:
            chosen = named
        elif last is not None and last in able:
            chosen = last
        else:
            chosen = able[-1]
        self._moved_last[what] = chosen
        seen[chosen] = what

    def _follow_ratios(self, now_ns: int, pressures: list[float | None]) -> None:
        """Follow the logarithm of each pressure beside the mean of the other pressurised bags'."""
        carry = [
            (i, pressure)
            for i, pressure in enumerate(pressures)
            if pressure is not None and pressure > _PRESSURISED * self._workings[i]
        ]
        if len(carry) < 2:
            self._ratio.clear()
            return
        logs = []
        for i, pressure in carry:
            last = self._stack.pressures[i].last
            assert last is not None, "a gauge that has a pressure has read it"
            logs.append(log(max(last.value, 0.5 * pressure)))
        others = len(logs) - 1
        for k, value in enumerate(logs):
            name = self._names[carry[k][0]]
            beside = value - added(logs[:k] + logs[k + 1 :]) / others
            ratio = self._ratio.get(name)
            if ratio is None:
                sds = [self._stack.pressures[i].noise / pressure for i, pressure in carry]
                noise = sqrt(sds[k] ** 2 + added([sd**2 for sd in sds[:k] + sds[k + 1 :]]) / others**2)
                ratio = self._ratio[name] = RateFilter(noise, _RATIO_AGILITY, _RATIO_RATE_SD)
            ratio.update(now_ns, beside)

    def _held_since(self, name: str, state: str, now_ns: int) -> int:
        """Since when this state has held."""
        candidate, since = self._candidate[name]
        if state != candidate:
            self._candidate[name] = state, now_ns
            return now_ns
        return since
