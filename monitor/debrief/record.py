"""The record that figures are written into as they are made, with how much of the time each was known. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.debrief.figures import KINDS, Figure, Figures

NO_ZERO = "the zero was never taken"
UNKNOWN = "not known"


@dataclass(slots=True)
class Peak:
    """The greatest value so far, and how long (ns) there was one."""

    value: float | None = None
    known_ns: int = 0

    def take(self, value: float | None, for_ns: int) -> None:
        """Take what it is now, None if that is not known, for so long."""
        if value is None:
            return
        self.known_ns += for_ns
        if self.value is None or value > self.value:
            self.value = value


class Record:
    """Figures as they are made, in the order in which they are given; each is one that the tables know."""

    def __init__(self, lift_ns: int, *, zeroed: bool) -> None:
        self._lift_ns, self._zeroed = lift_ns, zeroed
        self._figures: list[Figure] = []

    def put(
        self,
        name: str,
        value: float | None,
        about: str = "",
        *,
        known: float = 1.0,
        because: str = UNKNOWN,
        nothing: bool = False,
    ) -> None:
        """A figure; `because` and `nothing` hold where it has no value."""
        if value is None:
            self._figures.append(Figure(KINDS[name], about, None, 0.0, because, nothing))
        else:
            self._figures.append(Figure(KINDS[name], about, float(value), known))

    def span(
        self,
        name: str,
        value: float | None,
        known_ns: int,
        about: str = "",
        *,
        over_ns: int | None = None,
        there: bool = True,
        nothing: str = "",
        because: str = UNKNOWN,
    ) -> None:
        """A figure that is gathered over the lift's time, of which `known_ns` were known."""
        over = self._lift_ns if over_ns is None else over_ns
        why = nothing if not there else NO_ZERO if not self._zeroed else because
        sure = there and self._zeroed and (known_ns > 0 or over == 0)
        share = min(1.0, known_ns / over) if over > 0 else 1.0
        self.put(name, value if sure else None, about, known=share, because=why, nothing=not there)

    def peak(
        self,
        name: str,
        peak: Peak,
        about: str = "",
        *,
        over_ns: int | None = None,
        there: bool = True,
        nothing: str = "",
        because: str = UNKNOWN,
    ) -> None:
        """The greatest of a value over the lift's time."""
        self.span(
            name, peak.value, peak.known_ns, about, over_ns=over_ns, there=there, nothing=nothing, because=because
        )

    def figures(self, words: dict[tuple[str, str], str]) -> Figures:
        """All of them."""
        return Figures(self._figures, words)
