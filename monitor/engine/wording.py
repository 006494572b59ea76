"""How an alarm's words are made to fit: a place and what is seen there, in so many columns.

A text is shortened in its middle and between words; no number is ever cut, and the limit that it stands against goes last. Of a
sentence that somebody else said (a port, of why it is lost; the recorder) the beginning stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

_AMOUNT = (
    r"(?<![\w.-])-?\d[\d./]*(?: ft)?(?: \d[\d./]*)*(?: ?°[CF]?| (?:mm/s|in/s|mm|m|in|ft|bar|psi|kN|lbf|mA|mV|s|min)\b)?"
)
_HAS_AMOUNT = re.compile(_AMOUNT)
_TOKEN = re.compile(rf"{_AMOUNT}\S*|\S+")
_CLAUSE = re.compile(r"(, | of )")
_WHERE = re.compile(r" \([^()]*\)$")
_NAME_LEAST, _TEXT_LEAST, _TOLD_LEAST = 7, 20, 27
"""A name is not made shorter than this, nor a text that holds no limit, or that was told, for the sake of a name."""


def fitted(about: str, what: str, room: int) -> str:
    """ "about: what" in at most `room` columns. Room for a dozen columns besides the amounts is taken for granted."""
    room -= len(": ")
    if len(about) + len(what) <= room:
        return f"{about}: {what}"
    seen, joint, limit, more = _parts(what)
    if not limit:
        what = squeezed(what, max(room - len(about), min(_TEXT_LEAST, room - _NAME_LEAST)))
        return f"{_named(about, room - len(what))}: {what}"
    forms = list(_forms(seen, joint, limit, more))
    whole = next((it for it in forms[:3] if len(about) + len(it) <= room), None)
    if whole is not None:
        return f"{about}: {whole}"
    what = next((it for it in forms if _NAME_LEAST + len(it) <= room), forms[-1])
    return f"{_named(about, room - len(what))}: {what}"


def told(about: str, sentence: str, room: int) -> str:
    """ "about: sentence" in at most `room` columns: where it was (a last word in brackets) goes first, then words from its end."""
    room -= len(": ")
    if len(about) + len(sentence) <= room:
        return f"{about}: {sentence}"
    most = max(room - len(about), min(_TOLD_LEAST, room - _NAME_LEAST))
    tokens = _TOKEN.findall(_WHERE.sub("", sentence))
    while tokens and len(" ".join(tokens)) >= most:
        tokens.pop()
    said = " ".join(tokens).rstrip(",;:") + "…"
    return f"{_named(about, room - len(said))}: {said}"


def _parts(what: str) -> tuple[str, str, str, str]:
    """What is seen, the word that joins it to its limit, the limit, and what follows; no limit where there is none.

    The limit is the first clause with an amount after one that has an amount: "151 mm" " of " "150 mm ring" ", growing".
    """
    clauses = _CLAUSE.split(what)
    for at in range(2, len(clauses), 2):
        if _HAS_AMOUNT.search(clauses[at]) and _HAS_AMOUNT.search("".join(clauses[:at])):
            return "".join(clauses[: at - 1]), clauses[at - 1], clauses[at], "".join(clauses[at + 1 :])
    return what, "", "", ""


def _forms(seen: str, joint: str, limit: str, more: str) -> Iterator[str]:
    """One text in ever fewer words: what follows goes first, then words of what is seen, then words of the limit."""
    most, least = f"{seen}{joint}{limit}", _amount(limit)
    yield most + more
    yield most + ("…" if more else "")
    short = f"{_amount(seen)}…{joint}"
    yield f"{short}{limit}"
    yield f"{short}{least}"
    yield f"…{joint}{least}"


def _amount(text: str) -> str:
    found = _HAS_AMOUNT.search(text)
    return found[0] if found else text


def squeezed(text: str, room: int) -> str:
    """A text with words left out of its middle, so that it fits (room for one sign at least); an amount stays whole or goes."""
    if len(text) <= room:
        return text
    tokens = _TOKEN.findall(text)
    for left_out in range(1, len(tokens)):
        first = (len(tokens) - left_out + 1) // 2
        last = first + left_out
        shorter = " ".join(tokens[:first]).rstrip(",;:") + "…" + " ".join(tokens[last:])
        if len(shorter) <= room:
            return shorter
    return "…" if not tokens or _HAS_AMOUNT.match(tokens[0]) else tokens[0][: room - 1] + "…"


def _named(name: str, room: int) -> str:
    """A name with its middle left out, so that it fits."""
    if len(name) <= room:
        return name
    first = max(0, room) // 2
    return name[:first] + "…" + name[len(name) - max(0, room - first - 1) :]
