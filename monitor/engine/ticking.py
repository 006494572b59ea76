"""The checklist as it is ticked: which item is meant by a number or by a few words, and what is still open."""

from __future__ import annotations

from dataclasses import replace

from monitor.engine.picture import ItemPicture
from monitor.rig.checklist import checklist
from monitor.rig.schema import Rig


class Ticking:
    """A rig's checklist and its ticks. They outlive a zero: what was looked at before it stays looked at."""

    def __init__(self, rig: Rig) -> None:
        self.items = tuple(ItemPicture(it.item, it.who, None, None) for it in checklist(rig))

    def find(self, words: str) -> int | None:
        """The index of the one item that is meant: by its number from 1, its text, or words that no other item has."""
        said = words.strip()
        if said.isdecimal():
            number = int(said) if len(said) < 4 else 0
            return number - 1 if 1 <= number <= len(self.items) else None
        wanted = said.casefold()
        texts = [it.item.casefold() for it in self.items]
        found = [i for i, text in enumerate(texts) if text == wanted] or [
            i for i, text in enumerate(texts) if wanted and all(word in text for word in wanted.split())
        ]
        return found[0] if len(found) == 1 else None

    def turn(self, index: int, by: str, now_ns: int) -> ItemPicture:
        """Tick an item, or take its tick away again. Returns it as it stands then."""
        it = self.items[index]
        it = replace(it, by=None, ticked_ns=None) if it.ticked else replace(it, by=by, ticked_ns=now_ns)
        self.items = (*self.items[:index], it, *self.items[index + 1 :])
        return it

    def listed(self) -> str:
        """All items on one line, for a refusal."""
        return ", ".join(f"{i} {it.item}" for i, it in enumerate(self.items, 1))
