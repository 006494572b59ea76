"""Where each key of a TOML text stands: key path to line number. The parser itself gives values without their place.

Runs only on text that the parser has accepted, so it may take the grammar for granted.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = " \t\r\n"


class Lines:
    """Line numbers (from 1) of every key path in a TOML document. Arrays count from 0."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self.lines: dict[Path, int] = {(): 1}
        self._arrays: dict[Path, int] = {}
        self._document()

    def find(self, path: Path) -> int:
        """The line of a path, or of the nearest thing that holds it."""
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def _line(self) -> int:
        return self._text.count("\n", 0, self._at) + 1

    def _note(self, path: Path, line: int) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def _peek(self, token: str) -> bool:
        return self._text.startswith(token, self._at)

    def _skip(self, space: str = _SPACE) -> None:
        """Pass over white space and comments."""
        while self._at < len(self._text):
            if self._text[self._at] in space:
                self._at += 1
            elif self._text[self._at] == "#":
                end = self._text.find("\n", self._at)
                self._at = len(self._text) if end < 0 else end
            else:
                return

    def _document(self) -> None:
        table: Path = ()
        self._skip()
        while self._at < len(self._text):
            if self._peek("["):
                table = self._header()
            else:
                self._pair(table)
            self._skip()

    def _header(self) -> Path:
        """A `[table]` or `[[array]]` header; returns the path that the keys after it belong to."""
        line, double = self._line(), self._peek("[[")
        self._at += 2 if double else 1
        path = self._through_arrays(self._key())
        self._at += 2 if double else 1
        if double:
            index = self._arrays.get(path, -1) + 1
            self._arrays[path] = index
            self.lines.setdefault(path, line)
            path = (*path, index)
        self._note(path, line)
        return path

    def _through_arrays(self, keys: list[str]) -> Path:
        """The path of a header's keys: a key that names an array of tables means its newest element."""
        path: Path = ()
        for i, key in enumerate(keys):
            path = (*path, key)
            if i + 1 < len(keys) and path in self._arrays:
                path = (*path, self._arrays[path])
        return path

    def _pair(self, table: Path) -> None:
        line = self._line()
        path = (*table, *self._key())
        self._note(path, line)
        self._at += 1  # the equals sign
        self._skip(" \t")
        self._value(path)

    def _key(self) -> list[str]:
        """A dotted key, up to and without what follows it."""
        keys = []
        while True:
            self._skip(" \t")
            if self._text[self._at] in "\"'":
                keys.append(self._string())
            else:
                match = _BARE.match(self._text, self._at)
                assert match is not None, "the parser has accepted this text"
                keys.append(match[0])
                self._at = match.end()
            self._skip(" \t")
            if not self._peek("."):
                return keys
            self._at += 1

    def _string(self) -> str:
        """A string of any of the four kinds; its text is right for the plain ones, which is all a key can be."""
        quote = self._text[self._at]
        if self._peek(quote * 3):
            end = self._at + 3
            while not self._text.startswith(quote * 3, end):
                end += 2 if quote == '"' and self._text[end] == "\\" else 1
            end += 3
            while end < len(self._text) and self._text[end] == quote:  # up to two quotes may stand before the end
                end += 1
            start, self._at = self._at + 3, end
            return self._text[start : end - 3]
        end = self._at + 1
        while self._text[end] != quote:
            end += 2 if quote == '"' and self._text[end] == "\\" else 1
        start, self._at = self._at + 1, end + 1
        text = self._text[start:end]
        return _unescaped(text) if quote == '"' and "\\" in text else text

    def _value(self, path: Path) -> None:
        if self._peek("["):
            self._at += 1
            index = 0
            self._skip()
            while not self._peek("]"):
                self._note((*path, index), self._line())
                self._value((*path, index))
                index += 1
                self._skip()
                if self._peek(","):
                    self._at += 1
                    self._skip()
            self._at += 1
        elif self._peek("{"):
            self._at += 1
            self._skip()
            while not self._peek("}"):
                self._pair(path)
                self._skip()
                if self._peek(","):
                    self._at += 1
                    self._skip()
            self._at += 1
        elif self._text[self._at] in "\"'":
            self._string()
        else:  # number, date, true, false
            while self._at < len(self._text) and self._text[self._at] not in ",]}#\n":
                self._at += 1


def _unescaped(text: str) -> str:
    import tomllib

    return str(tomllib.loads(f'x = "{text}"')["x"])
