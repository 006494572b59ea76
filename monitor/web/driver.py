"""A visitor's terminal, in the visitor's process: Textual's own for the web, and a beat from the loop that draws.

A screen that has nothing new to draw writes nothing, and one that hangs neither; the beat tells the two apart. It goes the way
of what is drawn, behind it: who hears it has the newest picture.
"""

from __future__ import annotations

from textual.drivers.web_driver import WebDriver

BEAT_S = 0.25
BEAT = "drew"


class Driver(WebDriver):
    """Named to Textual by `TEXTUAL_DRIVER`."""

    def start_application_mode(self) -> None:
        """Begin to draw, and to say so."""
        super().start_application_mode()
        self._app.set_interval(BEAT_S, self._beat)

    def _beat(self) -> None:
        self.write_meta({"type": BEAT})
