"""A deed that may take as long as a disk or a wire likes, done beside the screen, which goes on and says what it waits for."""

from __future__ import annotations

import threading
from collections.abc import Callable


class Errand:
    """One such deed, begun at once in a thread of its own. `deed` returns one sentence of what came of it.

    Nobody waits for it: a program that ends leaves it where it is.
    """

    def __init__(self, what: str, deed: Callable[[], str], now_s: float) -> None:
        """`what` is being done, in words; `now_s` by the clock that `waits` is asked by."""
        self._what, self._deed, self._since_s = what, deed, now_s
        self._said: str | None = None
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="errand", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._said = self._deed()
        except BaseException as error:  # noqa: BLE001 - raised where it is asked for
            self._failed = error

    def over(self, within_s: float = 0.0) -> str | None:
        """What came of it, None while it is under way, for which it is waited so long at most. Raises what the deed raised."""
        self._thread.join(within_s)
        if self._failed is not None:
            raise self._failed
        return self._said

    def waits(self, now_s: float) -> str:
        """That it is under way, and for how long."""
        return f"{self._what} for {max(0.0, now_s - self._since_s):.0f} s: waits for a disk or a port; all else goes on"
