"""A recording as a whole: one file, or the parts of a session in order, each proven before the next is played.

A session is one, in however many files it stands: its lines come as if there were one file. A part that is missing, or that
belongs to something else, ends what is played, and `damage` says so in one sentence.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from replay.codec import AlarmLine, Gap, Header
from replay.entries import Entry
from replay.journal import Journal, JournalError, NotBegun, read_journal
from replay.names import NOTES, SUFFIX, base_of, noted_path, part_path, printable, relatives

_MOST_FOLDERS = 10_000
"""So many folders below one are looked into at most for recordings that are not read."""


class Recording:
    """One session. Iterate `lines()` once; then `damage`, `complete`, `gaps` and `unknown` say what its files were like.

    `parts` are in order, the first of them part 1; `beside` stand where its parts would and are none of it; `begun` tells
    whether a file is there that has not even a header.
    """

    def __init__(self, parts: Sequence[Journal], beside: Sequence[Journal] = (), *, begun: bool = False) -> None:
        self.parts, self._beside, self._begun = parts, beside, begun
        self.damage: str | None = None
        self.complete = False
        self.part = 0
        """Which of `parts` is being played."""

    @property
    def path(self) -> Path:
        """Its first file."""
        return self.parts[0].path

    @property
    def header(self) -> Header:
        """What its first file says of it."""
        return self.parts[0].header

    @property
    def gaps(self) -> list[Gap]:
        """What could not be kept while nothing could be written."""
        return [gap for part in self.parts for gap in part.gaps]

    @property
    def unknown(self) -> int:
        """Lines of a kind that this program does not know, passed over."""
        return sum(part.unknown for part in self.parts)

    @property
    def at(self) -> tuple[int, int]:
        """Where the line stands that `lines()` gave last: which of `parts`, and its first byte in that file."""
        return self.part, self.parts[self.part].at

    def lines(self) -> Iterator[Entry | AlarmLine]:
        """Every input and every alarm transition, in order, up to the damage if there is any."""
        for at, part in enumerate(self.parts):
            fault = self._misfit(self.parts[at - 1], part) if at else None
            if fault is None:
                self.part = at
                yield from part.lines()
                fault = part.damage if len(self.parts) == 1 or not part.damage else f"{part.path.name}: {part.damage}"
                at += 1
            if fault is not None:
                rest = [it.path.name for it in self.parts[at:]]
                self.damage = f"{fault}; not played: {', '.join(rest)}" if rest else fault
                return
        self.complete = self.parts[-1].complete
        if not self.complete:
            self.damage = self._cut_off(self.parts[-1])

    def _cut_off(self, last: Journal) -> str:
        """What to say of a last part that says that another follows."""
        number = last.header.part + 1
        stranger = next((it for it in self._beside if it.header.part == number), None)
        if stranger is not None:
            return (
                f"part {number} is missing: {stranger.path.name} is part {number} of another session; it was not played"
            )
        if self._begun:
            return f"not closed: it stops where part {number} was begun; all of it was played"
        return f"part {number} ({part_path(self.path, number).name}) is missing, or it stops where that was to begin"

    def _misfit(self, before: Journal, part: Journal) -> str | None:
        """Why a part does not go on where another ended; None if it does."""
        number = before.header.part + 1
        if before.complete:
            return f"{part.path.name} is part {part.header.part} of a session that ended with part {before.header.part}"
        if part.header.part != number:
            return f"part {number} ({part_path(self.path, number).name}) is missing"
        if part.header.before != before.seal:
            return f"{part.path.name} does not follow {before.path.name}: it goes on from another last seal"
        return None


def recordings(paths: Iterable[Path]) -> Iterator[Recording | JournalError]:
    """The sessions in files and folders, in the order given, each once; in its place an error that says what is none. A folder's
    own files are read and not those of folders in it: a season tells crews apart by the folder. Notes beside a recording that is
    given are passed over.

    One file of a session brings the others that are named like it; files that are all given may have any name.
    """
    paths = list(paths)
    given: dict[Path, bool] = {}  # False: only found beside
    for path in paths:
        if path.is_dir():
            inside = _inside(path)
            given.update(dict.fromkeys(inside, True))
            if not inside:
                below = _below(path, paths)
                yield JournalError(
                    f"{path}: holds no recording, which is a file that ends in {SUFFIX}{below and f'; {below}'}"
                )
        else:
            given[path] = True
            for it in relatives(path):
                given.setdefault(it, False)
    read: dict[Path, Journal | JournalError] = {}
    for path in given:
        if (shown := printable(path)) != str(path):
            read[path] = JournalError(f"{shown}: found a name that is not UTF-8, allowed is any that is; rename it")
            continue
        try:
            read[path] = read_journal(path)
        except JournalError as error:
            noted = noted_path(path) if path.is_file() else None
            if noted is None:
                read[path] = error
            elif noted not in given:  # else both came of one pattern, such as yard-*.jsonl
                read[path] = JournalError(f"{path}: holds notes on a recording, and is none; give {noted.name}")
    journals = [it for it in read.values() if isinstance(it, Journal)]
    begun = {_kin(path) for path, it in read.items() if isinstance(it, NotBegun)}
    alike = defaultdict[tuple[Path, str], list[Journal]](list)
    for journal in journals:
        alike[_kin(journal.path)].append(journal)
    asked = {_kin(it.path) for it in journals if given[it.path]}
    of_all = {part.path: parts for parts in _sets(journals) for part in parts.values()}
    for path, found in read.items():
        if isinstance(found, Journal):
            parts = of_all.get(path, {})
            if any(given[part.path] for part in parts.values()):
                for part in parts.values():
                    del of_all[part.path]
                yield _recording(parts, alike, begun)
        elif given[path] and not (isinstance(found, NotBegun) and _kin(path) in asked):
            yield found


def unread(paths: Sequence[Path]) -> Iterator[str]:
    """A sentence for each folder given that has recordings and, in folders below it that are not given, files that are not read."""
    for path in paths:
        if path.is_dir() and _inside(path) and (below := _below(path, paths)):
            yield f"{path}: {below}"


def _inside(folder: Path) -> list[Path]:
    """The files in a folder that may be recordings, by name."""
    return sorted(it for it in folder.iterdir() if _may_be(it.name))


def _may_be(name: str) -> bool:
    return name.endswith(SUFFIX) and name != SUFFIX and not name.endswith(NOTES)


def _below(folder: Path, given: Sequence[Path]) -> str:
    """How many such files lie in folders below one, where neither they nor their folder are given, as the end of a sentence; "" for
    none. What is hidden, such as the waste of a stick, does not count."""
    read = {os.path.realpath(it) for it in given}
    count, first, least = 0, "", ""
    for number, (where, folders, names) in enumerate(os.walk(folder)):
        if number == _MOST_FOLDERS:
            least = "at least "
            break
        folders[:] = sorted(it for it in folders if not it.startswith("."))
        real = os.path.realpath(where)
        if number == 0 or real in read:
            continue
        here = sum(_may_be(name) and os.path.join(real, name) not in read for name in names)
        count += here
        first = first or (where if here else "")
    if not count:
        return ""
    files = f"{least}{count} file{'s' * (count != 1)}"
    return (
        f"not read: {files} that may be recordings, in folders below it; give those folders as well, such as "
        f"{printable(first)}"
    )


def _kin(path: Path) -> tuple[Path, str]:
    return path.parent, base_of(path)


def _sets(journals: Sequence[Journal]) -> list[dict[int, Journal]]:
    """Journals by session; of a session that is there twice, those together that are named alike."""
    sets: list[dict[int, Journal]] = []
    of_session = defaultdict[str, list[dict[int, Journal]]](list)
    for it in journals:
        head, kin = it.header, _kin(it.path)
        fits = [parts for parts in of_session[head.session] if head.part not in parts] if head.session else []
        fits.sort(key=lambda parts: all(_kin(its.path) != kin for its in parts.values()))
        if fits:
            fits[0][head.part] = it
        else:
            parts = {head.part: it}
            sets.append(parts)
            of_session[head.session].append(parts)
    return sets


def _recording(
    parts: dict[int, Journal], alike: Mapping[tuple[Path, str], Sequence[Journal]], begun: set[tuple[Path, str]]
) -> Recording | JournalError:
    of_it = [parts[number] for number in sorted(parts)]
    first = of_it[0]
    if first.header.part != 1:
        return JournalError(
            f"{first.path}: is part {first.header.part} of a recording, and part 1 is not with it; give that, or the folder "
            "that holds all of them"
        )
    kin = _kin(first.path)
    return Recording(of_it, [it for it in alike[kin] if it not in of_it], begun=kin in begun)


def read_recording(path: Path) -> Recording:
    """The one session that a file belongs to, or that a folder holds. Raises JournalError."""
    found = list(recordings([path]))
    if isinstance(found[0], JournalError):
        raise found[0]
    if len(found) > 1:
        raise JournalError(f"{path}: holds {len(found)} recordings; give one of them")
    return found[0]
