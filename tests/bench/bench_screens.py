"""What the screens cost, and how soon an alarm is seen: real screen processes on real pseudo-terminals, fed from a pipe.

python tests/bench/bench_screens.py [--seconds 30] [--alarms 200] [--screen operator|safety]

Two measurements. The share of one core that a screen process takes at ten new pictures a second, at 120x40: user and
system time by os.times in that process, without that of the terminal which draws it, and without the first two seconds.
And the time from an alarm to its words at the far end of the pseudo-terminal: the engine, on a thread of the screen's own
process as in `inchwatch run`, is handed a STOP, whose reason is waited for; the clock begins when the action is handed over.
"""

import argparse
import fcntl
import os
import pty
import select
import statistics
import struct
import subprocess
import sys
import termios
import time
from importlib.resources import files

from monitor.live.session import Session
from monitor.rig.load import parse_rig

COLUMNS, ROWS = 120, 40


def rig():
    return parse_rig(files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8"))


class Played:
    """A feed that shows a picture of the demo every tenth of a second, without an engine at work."""

    def __init__(self) -> None:
        from monitor.drill import scenario
        from monitor.drill.offline import play

        self.rig, self.recording, self._begun = rig(), "not recording", 0.0
        self._pictures = []
        play(self.rig, scenario.load("demo"), on_step=lambda _, picture: self._pictures.append(picture))
        self._pictures = self._pictures[400::2]

    def latest(self):
        self._begun = self._begun or time.monotonic()
        return self._pictures[int((time.monotonic() - self._begun) * 10) % len(self._pictures)]

    def send(self, do, /, **details) -> None:
        """Nobody presses keys."""


def run_screen(screen: str, feed, seconds: float) -> None:
    from monitor.screens.operator import OperatorScreen
    from monitor.screens.safety import SafetyScreen

    (OperatorScreen if screen == "operator" else SafetyScreen)(feed, bell=False, for_s=seconds).run()


def child_share(screen: str, seconds: float) -> None:
    """In the screen's process: run it, and write what it took to descriptor 3."""
    import threading

    feed, marks = Played(), []
    timer = threading.Timer(2.0, lambda: marks.append((time.monotonic(), os.times())))
    timer.start()
    run_screen(screen, feed, seconds + 2.0)
    begun, before = marks[0]
    after, took = os.times(), time.monotonic() - begun
    busy = after.user + after.system - before.user - before.system
    os.write(3, f"{busy / took}\n".encode())


def child_alarms(screen: str) -> None:
    """In the screen's process: a session without ports; each line on descriptor 4 is an action, whose time goes to descriptor 3."""
    import threading

    session = Session(rig())
    session.start(ports=[])

    def act() -> None:
        with os.fdopen(4, "rb", buffering=0) as said:
            for line in said:
                do = line.decode().split()
                os.write(3, struct.pack("<d", time.monotonic()))
                session.send(do[0], **({"reason": do[1]} if len(do) > 1 else {}))

    threading.Thread(target=act, daemon=True).start()
    try:
        run_screen(screen, session, 3600.0)
    finally:
        session.stop()


class Terminal:
    """A screen process on a pseudo-terminal of 120 by 40."""

    def __init__(self, *args: str) -> None:
        self.near, far = pty.openpty()
        fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.told, tell = os.pipe()
        hear, self.say = os.pipe()
        environment = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
        plumbing = f'exec 3>&{tell} 4<&{hear}; exec "$0" "$@"'
        self.process = subprocess.Popen(
            ["bash", "-c", plumbing, sys.executable, __file__, *args],
            stdin=far,
            stdout=far,
            stderr=far,
            pass_fds=(tell, hear),
            env=environment,
            start_new_session=True,
        )
        for end in (far, tell, hear):
            os.close(end)

    def read_until(self, words: bytes, seconds: float = 20.0) -> float:
        """Read what is drawn until some words come; the time they came."""
        seen, deadline = b"", time.monotonic() + seconds
        while words not in seen:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([self.near], [], [], left)[0]:
                raise SystemExit(f"{words!r} was not drawn within {seconds:g} s; last: {seen[-300:]!r}")
            seen = seen[-4000:] + os.read(self.near, 65536)
        return time.monotonic()

    def drain(self) -> None:
        """Read until the process ends."""
        try:
            while os.read(self.near, 65536):
                pass
        except OSError:
            pass
        self.process.wait()

    def end(self) -> None:
        self.process.terminate()
        self.process.wait()


def share(screen: str, seconds: float) -> float:
    terminal = Terminal("--child-share", screen, "--seconds", str(seconds))
    terminal.drain()
    return float(os.read(terminal.told, 100))


def alarms(screen: str, count: int) -> list[float]:
    """Seconds from the action to the alarm's words at the far end of the terminal, `count` times."""
    terminal = Terminal("--child-alarms", screen)
    took = []
    try:
        terminal.read_until(b"STOP")  # in the line of keys: the screen is there
        time.sleep(1.0)
        for i in range(count):
            word = f"alarm{i:05d}"
            os.write(terminal.say, f"stop {word}\n".encode())
            begun = struct.unpack("<d", os.read(terminal.told, 8))[0]
            took.append(terminal.read_until(word.encode()) - begun)
            os.write(terminal.say, b"clear-stop\n")
            os.read(terminal.told, 8)
            time.sleep(0.05 + 0.13 * (i % 7) / 7)  # at every phase of the redraw
    finally:
        terminal.end()
    return took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--alarms", type=int, default=200)
    parser.add_argument("--screen", choices=("operator", "safety"), action="append")
    parser.add_argument("--child-share", metavar="SCREEN")
    parser.add_argument("--child-alarms", metavar="SCREEN")
    call = parser.parse_args()
    if call.child_share:
        child_share(call.child_share, call.seconds)
        return
    if call.child_alarms:
        child_alarms(call.child_alarms)
        return
    for screen in call.screen or ("operator", "safety"):
        print(f"{screen}, {COLUMNS}x{ROWS}, ten pictures a second for {call.seconds:g} s: ", end="", flush=True)
        print(f"{share(screen, call.seconds):.1%} of a core")
        took = sorted(alarms(screen, call.alarms))
        if len(took) > 1:
            cuts = statistics.quantiles(took, n=100, method="inclusive")
            print(
                f"{screen}, alarm raised to drawn, {len(took)} alarms: p50 {cuts[49] * 1e3:.0f} ms, p99 {cuts[98] * 1e3:.0f} ms, "
                f"most {took[-1] * 1e3:.0f} ms; load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
            )


if __name__ == "__main__":
    main()
