"""A broker's process, kept: begun again when it ends by itself, ended when the monitor does, however that ends.

Between the two stands a shell that waits for both. Its standard input is a pipe whose other end only the monitor holds, so that
even a kill -9 of the monitor ends the broker; on its standard output it says what becomes of the broker.
"""

from __future__ import annotations

import os
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

_KEEPS = """\
exec 3<&0 </dev/null
umask 077
over=
broker=
trap 'over=1; kill "$broker" 2>/dev/null' TERM
{ read -r _ <&3; kill -TERM $$; } >/dev/null 2>&1 &
exec 3<&-
pause=0
until [ "$over" ]; do
  "$1" -c "$2/mosquitto.conf" >/dev/null 2>"$2/said" &
  broker=$!
  began=$(date +%s)
  echo begun "$broker"
  [ "$over" ] && kill "$broker"
  wait "$broker"
  code=$?
  [ "$over" ] && break
  broker=
  printf 'ended %s %s\\n' "$code" "$(tail -n 1 "$2/said" | tr -d '\\r')"
  [ $(($(date +%s) - began)) -ge 10 ] && pause=0
  sleep "$pause" >/dev/null &
  wait "$!"
  pause=$((pause * 2 + 1))
  [ "$pause" -gt 15 ] && pause=15
done
{ sleep 2; kill -9 "$broker"; } >/dev/null 2>&1 &
wait "$broker"
rm -rf "$2"
kill -9 "$!" 2>/dev/null
"""
"""The waits before it is begun again: 0, 1, 3, 7, 15 s, and from the beginning once it has run for ten. With the monitor goes the
folder with the secrets."""
_STARTS_S = 10.0
_ENDS_S = 5.0
_HOLDS_S = 0.5


class Keeper:
    """A broker that runs `program` on the configuration in `folder`, to listen at `places`. What it says stands there in `said`.

    `said` is told why it is not there, in one sentence, whenever that changes, and "" once it listens again; from a thread.
    """

    def __init__(self, program: str, folder: Path, places: set[tuple[str, int]]) -> None:
        self.said: Callable[[str], None] = lambda _: None
        self.trouble = ""
        self.broker: int | None = None
        """The broker's own process, while there is one."""
        self._places = places
        self._settled = threading.Event()
        self._shell = subprocess.Popen(
            ["/bin/sh", "-c", _KEEPS, "sh", program, str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C in the terminal is for the monitor, which says goodbye over this broker
        )
        self._thread = threading.Thread(target=self._listen, name="link-broker", daemon=True)
        self._thread.start()

    @property
    def pid(self) -> int:
        """The process between us and the broker, which ends last."""
        return self._shell.pid

    def started(self) -> bool:
        """Whether it listens everywhere, waited for; where it does not, `trouble` says why."""
        return self._settled.wait(2 * _STARTS_S) and not self.trouble

    def end(self) -> None:
        """Let go of the pipe, which ends the broker; and be sure of it."""
        self.said = lambda _: None
        assert self._shell.stdin is not None, "its standard input is a pipe"
        self._shell.stdin.close()
        try:
            self._shell.wait(_ENDS_S)
        except subprocess.TimeoutExpired:
            os.killpg(self._shell.pid, 9)
            self._shell.wait()
        self._thread.join()

    def _listen(self) -> None:
        assert self._shell.stdout is not None, "its standard output is a pipe"
        with self._shell.stdout as out:
            for line in out:
                what, number, *words = line.decode(errors="replace").rstrip("\n").split(" ", 2)
                if what == "begun":
                    self.broker = int(number)
                    if self._answers(self.broker):
                        self._tell("")
                else:
                    self.broker = None
                    self._tell(f"the broker ended ({_why(int(number), *words)}) and is begun again")
                self._settled.set()

    def _tell(self, text: str) -> None:
        if text != self.trouble:
            self.trouble = text
            self.said(text)

    def _answers(self, broker: int) -> bool:
        """Whether it listens everywhere by now: it opens one place after the other, and ends where one cannot be had."""
        places, until = set(self._places), time.monotonic() + _STARTS_S
        while places and _runs(broker) and time.monotonic() < until:
            place = next(iter(places))
            with suppress(OSError), socket.create_connection(place, 1.0):
                places.remove(place)
                continue
            time.sleep(0.01)
        if self._settled.is_set():
            time.sleep(_HOLDS_S)  # another program may have its port by now, and answers: then this one ends at once
        return not places and _runs(broker)


def _why(code: int, said: str = "") -> str:
    """How it ended: by a signal, or by what it said last."""
    if code > 128:
        return f"signal {code - 128}"
    return said.rpartition(": ")[2] or f"code {code}"


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    return True
