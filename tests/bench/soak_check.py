"""Holds the journal of a soak against what was sent: which reading is lost, twice or invented. File by file, as they fill."""

from __future__ import annotations

import json
from array import array
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import soak_rig as rig

from drivers.reading import Quality, Reading
from replay.codec import AlarmLine
from replay.entries import Notice
from replay.journal import Journal, read_journal

STOPPED_NS = 5_000_000_000
"""For so long after the sender stood still, carrying no Modbus, may an answer come too late."""
_OPEN = 2**31
_STEADY = {it.name: it for it in rig.channels()}


class Checker:
    """Takes the files of one session in their order."""

    def __init__(self, ticks: int) -> None:
        self.seen = {name: np.zeros(ticks, np.uint8) for name in _STEADY}
        self.bus = {name: np.zeros(20 * ticks // rig.RATE + 2000, np.uint8) for name in rig.BUS_CHANNELS}
        self.extra: Counter[tuple[str, int]] = Counter()
        self.readings = self.old = self.invented = self.out_of_order = self.ticks = self.alarms = 0
        self.raised: Counter[str] = Counter()
        self.notices: Counter[str] = Counter()
        self.faults: list[str] = []
        self.files: list[Journal] = []
        self._next: dict[str, int] = defaultdict(int)

    def take(self, path: Path) -> None:
        """Read one file of the session, proven seal by seal, and count what is in it."""
        part = read_journal(path)
        if self.files and part.header.before != self.files[-1].seal:
            self.faults.append(f"{path.name} does not go on where {self.files[-1].path.name} ended")
        self.files.append(part)
        values: dict[str, array[float]] = {name: array("d") for name in (*_STEADY, *rig.BUS_CHANNELS)}
        for it in part.lines():
            if isinstance(it, Reading):
                values[it.channel].append(it.value)
                self.out_of_order += it.sequence != self._next[it.channel]
                self._next[it.channel] = it.sequence + 1
                self.old += it.quality is Quality.OLD
            elif isinstance(it, AlarmLine):
                if it.alarm["state"] == "unacknowledged":
                    self.raised[f"{it.alarm['rule']} {it.alarm['priority']}"] += 1
            elif isinstance(it, Notice):
                self.notices[f"{it.kind} {'begun' if it.active else 'over'}"] += 1
        if part.damage or part.gaps:
            self.faults.append(f"{path.name}: {part.damage or f'{part.lost} entries could not be kept'}")
        for name, found in values.items():
            self.readings += len(found)
            (self._count if name in _STEADY else self._count_bus)(name, np.frombuffer(found, np.float64))

    def _count(self, name: str, values: np.ndarray[Any, Any]) -> None:
        it = _STEADY[name]
        scale, offset = it.si
        exact = np.abs((values - offset) / scale) * 10.0 ** (it.decimals + 7)
        whole = np.rint(exact).astype(np.int64)
        number, level = whole % rig.DIGITS, whole // rig.DIGITS
        right = np.abs(exact - whole) < 0.1
        besides = right & (number >= rig.EXTRA) & (level == round(rig.OUTSIDE[it.kind] * 10**it.decimals))
        sent = np.abs(np.array(it.levels))[rig.level_of(number)]
        usual = right & (number < len(self.seen[name])) & (level == sent)
        self.invented += int((~(usual | besides)).sum())
        self.extra.update((name, int(n)) for n in number[besides])
        np.add.at(self.seen[name], number[usual], 1)

    def _count_bus(self, name: str, values: np.ndarray[Any, Any]) -> None:
        exact = (values / 1e5 - rig.BUS_BAR) / rig.BUS_STEP
        number = np.rint(exact).astype(np.int64)
        right = (np.abs(exact - number) < 0.1) & (number >= 0) & (number < len(self.bus[name]))
        self.invented += int((~right).sum())
        np.add.at(self.bus[name], number[right], 1)

    def verdict(self, folder: Path, ticks: int, until_ns: int) -> dict[str, Any]:
        """What is lost, twice and invented among the first `ticks` and among the bus's answers before `until_ns`."""
        kept = [json.loads(line) for line in (folder / "faults.jsonl").read_text().splitlines()]
        told: Counter[str] = Counter()
        for it in kept:
            if "kind" in it:
                told[it["kind"]] += 1
        inside: Counter[str] = Counter()
        out = {"lost_outside": 0, "twice_outside": 0, "twice_inside": 0, "sent_twice": 0, "unsent": 0, "sent": 0}
        invented, where = self.invented, []
        names: list[str] = sorted(
            {it.get("kind") or it.get("open") for it in kept if "from" in it and "unsent" not in it}
        )
        for port in rig.STEADY_PORTS:
            fault = np.zeros(ticks, np.uint8)
            expected, unsent = np.ones(ticks, np.uint8), np.zeros(ticks, bool)
            closed = {(it["port"], it["from"]) for it in kept if "to" in it and "kind" in it}
            for it in kept:
                if it.get("unsent") == port:
                    unsent[it["from"] : it["to"] + 1] = True
                elif it.get("twice") == port and it["tick"] < ticks:
                    expected[it["tick"]] = 2
                elif it.get("port") == port and "from" in it:
                    if "open" in it and (port, it["from"]) in closed:
                        continue
                    kind = it.get("kind") or it["open"]
                    fault[it["from"] : it.get("to", _OPEN) + 1] = names.index(kind) + 1
            expected[unsent] = 0
            for it in (it for it in _STEADY.values() if it.port == port):
                seen = self.seen[it.name][:ticks]
                missing = np.where(seen < expected, expected - seen, 0)
                again = np.where(seen > expected, seen - expected, 0)
                invented += int(again[unsent].sum())
                again[unsent] = 0
                for i, kind in enumerate(names, 1):
                    inside[kind] += int(missing[fault == i].sum())
                out["lost_outside"] += int(missing[fault == 0].sum())
                out["twice_outside"] += int(again[fault == 0].sum())
                out["twice_inside"] += int(again[fault != 0].sum())
                out["sent_twice"] += int((expected == 2).sum())
                out["unsent"] += int(unsent.sum())
                out["sent"] += int(expected.sum())
                where += [f"{it.name} tick {k}" for k in np.flatnonzero((missing > 0) & (fault == 0))[:5]]
                where += [f"{it.name} tick {k} again" for k in np.flatnonzero((again > 0) & (fault == 0))[:5]]
        invented += self._besides(kept, ticks, out, where)
        self._of_bus(folder, kept, until_ns, out, inside, where)
        return {
            **out,
            "in_journal": self.readings,
            "old": self.old,
            "invented": invented,
            "out_of_order": self.out_of_order,
            "lost_inside": dict(inside),
            "faults": dict(sorted(told.items())),
            "alarms": dict(self.raised.most_common()),
            "notices": dict(self.notices),
            "files": len(self.files),
            "journal": self.faults,
            "where": where[:20],
        }

    def _besides(self, kept: list[dict[str, Any]], ticks: int, out: dict[str, int], where: list[str]) -> int:
        """The readings beyond their ranges: each is there once, and there are no others."""
        wanted = {(it["extra"], it["number"]): it["tick"] for it in kept if "extra" in it}
        for it, tick in wanted.items():
            out["sent"] += tick < ticks
            if tick < ticks and not self.extra[it]:
                out["lost_outside"] += 1
                where.append(f"{it[0]} number {it[1]}")
            out["twice_outside"] += max(0, self.extra[it] - 1)
        return sum(often for it, often in self.extra.items() if it not in wanted)

    def _of_bus(
        self,
        folder: Path,
        kept: list[dict[str, Any]],
        until_ns: int,
        out: dict[str, int],
        inside: Counter[str],
        where: list[str],
    ) -> None:
        """Each answer of the station is there once; but for those that came late because their carrier stood still."""
        given = np.frombuffer((folder / "station.bin").read_bytes(), "<u8").reshape(-1, 2)
        given = given[given[:, 1] < until_ns]
        stopped = np.zeros(len(given), bool)
        for it in kept:
            if it.get("kind") == "stopped":
                stopped |= (given[:, 1] > it["ns"] - 10**9) & (given[:, 1] < it["ns"] + STOPPED_NS)
        out["sent"] += len(given) * len(self.bus)
        out["asked"] = len(given) * len(self.bus)
        for name, seen in self.bus.items():
            missing = seen[: len(given)] == 0
            inside["stopped"] += int((missing & stopped).sum())
            out["lost_outside"] += int((missing & ~stopped).sum())
            out["twice_outside"] += int((seen > 1).sum())
            where += [f"{name} answer {k}" for k in np.flatnonzero(missing & ~stopped)[:5]]
