"""What a regular expression is made of, read by ourselves: the standard library has a reader of its own and keeps it private.

It reads the plain part of Python's syntax, of patterns that `re` has compiled already: characters, sets, groups, alternatives,
repeats, anchors, and `(?i)`. What looks around, refers back or sets other flags is refused. What is read is a row of items, each
(operation, what it is about), under the names that the standard library gives them:

- LITERAL, NOT_LITERAL: a code; ANY; RANGE: (lowest, highest); CATEGORY: such as CATEGORY_NOT_DIGIT; AT: an anchor
- IN: a list of such, with NEGATE in front where it is all others
- SUBPATTERN: (a row,); BRANCH: (None, the rows); MAX_REPEAT, MIN_REPEAT, POSSESSIVE_REPEAT: (least, most, a row)
"""

from __future__ import annotations

import re
from typing import Any

Item = tuple[str, Any]
Row = list[Item]

ENDLESS = 2**32
"""How often something is repeated that has no bound."""
_GROUP = re.compile(r"\((?:\?(?:P<\w+>|-?i?:|>))?")
_FLAGS = re.compile(r"\(\?i\)")
_TIMES = re.compile(r"[*+?]|\{(?:(\d+)|(\d*),(\d*))\}", re.ASCII)
_CODE = re.compile(r"\\(?:x([0-9a-fA-F]{2})|u([0-9a-fA-F]{4})|U([0-9a-fA-F]{8}))")
_KINDS = {"d": "DIGIT", "s": "SPACE", "w": "WORD", "D": "NOT_DIGIT", "S": "NOT_SPACE", "W": "NOT_WORD"}
_SIGNS = {"a": 7, "b": 8, "f": 12, "n": 10, "r": 13, "t": 9, "v": 11}
_ANCHORS = "AbBZz"
_SINGLE = ("LITERAL", "ANY", "IN", "AT")


def tree(text: str) -> Row:
    """The row of a pattern that compiles. Raises ValueError for what is not plain, RecursionError for too many groups in groups."""
    return _Reader(text).whole()


class _Reader:
    def __init__(self, text: str) -> None:
        self._text, self._at = text, 0

    def whole(self) -> Row:
        if flags := _FLAGS.match(self._text):
            self._at = flags.end()
        row = self._alternatives()
        if self._at < len(self._text):
            raise ValueError("a group ends that has not begun")
        return row

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _alternatives(self) -> Row:
        rows = [self._row()]
        while self._peek() == "|":
            self._at += 1
            rows.append(self._row())
        if len(rows) == 1:
            return rows[0]
        alike: Row = []
        while (
            all(rows) and rows[0][0][0] in _SINGLE and all(row[0] == rows[0][0] for row in rows)
        ):  # `re` tries it once, too
            alike.append(rows[0][0])
            rows = [row[1:] for row in rows]
        return [*alike, ("BRANCH", (None, rows))]

    def _row(self) -> Row:
        row: Row = []
        while self._peek() not in ("", "|", ")"):
            one = self._one()
            while times := _TIMES.match(self._text, self._at):
                one = self._repeated(one, times)
            row.append(one)
        return row

    def _repeated(self, one: Item, times: re.Match[str]) -> Item:
        self._at = times.end()
        least, most = {"*": (0, ENDLESS), "+": (1, ENDLESS), "?": (0, 1)}.get(times[0], (0, 0))
        if times[1] is not None:
            least = most = int(times[1])
        elif times[2] is not None:
            least, most = int(times[2] or 0), int(times[3] or ENDLESS)
        kind = {"?": "MIN_REPEAT", "+": "POSSESSIVE_REPEAT"}.get(self._peek(), "MAX_REPEAT")
        self._at += kind != "MAX_REPEAT"
        return kind, (least, most, [one])

    def _one(self) -> Item:
        sign = self._peek()
        if sign == "(":
            return self._group()
        if sign == "[":
            return self._set()
        if sign == "\\":
            return self._escape(within=False)
        self._at += 1
        if sign in "^$":
            return "AT", sign
        return ("ANY", None) if sign == "." else ("LITERAL", ord(sign))

    def _group(self) -> Item:
        head = _GROUP.match(self._text, self._at)
        assert head is not None, "it begins with a bracket"
        self._at = head.end()
        if head[0] == "(" and self._peek() == "?":
            raise ValueError(
                "it looks around or refers back"
                if self._text[self._at + 1 : self._at + 2] in "=!<P("
                else "it sets flags"
            )
        inside = self._alternatives()
        if self._peek() != ")":
            raise ValueError("a group does not end")
        self._at += 1
        return "SUBPATTERN", (inside,)

    def _set(self) -> Item:
        self._at += 1
        members: Row = []
        if self._peek() == "^":
            self._at += 1
            members.append(("NEGATE", None))
        first = True
        while first or self._peek() != "]":
            first = False
            low = self._member()
            if self._peek() == "-" and self._text[self._at + 1 : self._at + 2] not in ("]", ""):
                self._at += 1
                high = self._member()
                if low[0] != "LITERAL" or high[0] != "LITERAL":
                    raise ValueError("a range of what is no character")
                low = "RANGE", (low[1], high[1])
            members.append(low)
        self._at += 1
        return "IN", members

    def _member(self) -> Item:
        sign = self._peek()
        if not sign:
            raise ValueError("a set does not end")
        if sign == "\\":
            return self._escape(within=True)
        self._at += 1
        return "LITERAL", ord(sign)

    def _escape(self, *, within: bool) -> Item:
        if code := _CODE.match(self._text, self._at):
            self._at = code.end()
            return "LITERAL", int(code[1] or code[2] or code[3], 16)
        sign = self._text[self._at + 1 : self._at + 2]
        self._at += 2
        if sign in _KINDS:
            kind = "CATEGORY", f"CATEGORY_{_KINDS[sign]}"
            return kind if within else ("IN", [kind])
        if not within and sign and sign in _ANCHORS:
            return "AT", sign
        if sign in _SIGNS:
            return "LITERAL", _SIGNS[sign]
        if not sign or (sign.isascii() and sign.isalnum()):
            raise ValueError("it looks around or refers back" if sign.isdigit() else f"it has a '\\{sign}'")
        return "LITERAL", ord(sign)
