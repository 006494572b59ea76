"""A visitor's process: the command line as ever, but for a pipe whose other end the server holds. When that goes, however the
server ended, so does this; nobody would see it any more."""

from __future__ import annotations

import os
import runpy
import signal
import threading

WATCH = "INCHWATCH_WATCH"
"""The variable that says which file descriptor is the pipe's."""
_ENDS_S = 2.0


def _watch(pipe: int) -> None:
    os.read(pipe, 1)  # nothing is ever written to it
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(_ENDS_S)
    os._exit(1)


def main() -> None:
    """Run the command line that was handed on."""
    threading.Thread(target=_watch, args=(int(os.environ.pop(WATCH)),), name="server-watch", daemon=True).start()
    runpy.run_module("monitor", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
