"""A page printed to PDF by a browser that is installed here: what is read on the screen and what is printed are then one thing.

The browser opens no window and gets a folder of its own, which is gone afterwards; the page has no script and loads nothing.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "microsoft-edge-stable",
)
"""Programs that can print without a window, in the order in which they are tried."""
LONGEST_S = 120.0
"""After so long a browser is ended: a page takes a second or two."""
_PDF = b"%PDF-"


class CannotPrint(Exception):
    """There is no PDF; why, and what to do, in one sentence."""


def browser(wanted: str | None = None) -> str:
    """The browser to print with: the one that is wanted, else the first that is found. Raises CannotPrint."""
    if wanted is not None:
        found = shutil.which(wanted)
        if found is None:
            raise CannotPrint(f"--browser {wanted}: there is no such program")
        return found
    for name in BROWSERS:
        if found := shutil.which(name):
            return found
    raise CannotPrint(
        "a PDF is printed by a browser, and none of Chromium, Chrome or Edge is found: install one, name it with --browser,"
        " or write report.html and print that from any browser"
    )


def printed(html: str, program: str, beside: Path) -> bytes:
    """A page as PDF. `beside`: the folder in which the browser may work for a moment. Raises CannotPrint, OSError."""
    with tempfile.TemporaryDirectory(dir=beside, prefix="inchwatch-print-", ignore_cleanup_errors=True) as folder:
        page, pdf = Path(folder, "report.html").absolute(), Path(folder, "report.pdf").absolute()
        page.write_text(html, encoding="utf-8")
        said = _run(
            [
                program,
                "--headless",
                "--disable-gpu",
                "--disable-extensions",
                "--disable-background-networking",
                "--no-first-run",
                *(["--no-sandbox"] if os.geteuid() == 0 else []),  # none of them has a sandbox for root
                f"--user-data-dir={Path(folder, 'browser').absolute()}",
                "--no-pdf-header-footer",
                f"--print-to-pdf={pdf}",
                page.as_uri(),
            ]
        )
        made = pdf.read_bytes() if pdf.exists() else b""
    if not made.startswith(_PDF):
        raise CannotPrint(
            f"{program} made no PDF ({said or 'it said nothing'}): write report.html, and print that from any browser"
        )
    return made


def _run(command: list[str]) -> str:
    """Run it to its end; returns the last line that it said of a failure. Raises CannotPrint."""
    try:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
        )
    except OSError as error:
        raise CannotPrint(f"{command[0]} cannot be started ({(error.strerror or 'error').lower()})") from None
    try:
        _, told = process.communicate(timeout=LONGEST_S)
    except subprocess.TimeoutExpired:
        raise CannotPrint(f"{command[0]} has printed nothing in {LONGEST_S:.0f} s, and was ended") from None
    finally:
        if process.poll() is None:  # it took too long, or we are told to end
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
    lines = told.decode("utf-8", "replace").strip().splitlines()
    return "".join(it for it in lines[-1] if it.isprintable())[:200] if lines else ""
