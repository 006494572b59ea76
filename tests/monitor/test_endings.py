"""How a command ends that cannot say what it has to say, or is stopped before it was done."""

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli import main

FULL = Path("/dev/full")


def called(*words, **more):
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", *words], stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True, **more
    )


@pytest.mark.skipif(not FULL.exists(), reason="has no disk that is always full")
def test_a_full_disk_behind_standard_output_is_one_sentence():
    with FULL.open("w") as full, called("score", "--figures", stdout=full) as run:
        said = run.communicate()[1]
    assert run.returncode == 1
    assert said == "inchwatch score: the output cannot be written: No space left on device\n"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="has no pipes with a name")
def test_what_was_interrupted_is_not_done(tmp_path):
    """The form is a pipe, so that the command waits in it until it is interrupted."""
    form = tmp_path / "form.toml"
    os.mkfifo(form)
    command = called("score", "--form", str(form), "no.jsonl", stdout=subprocess.PIPE)
    with command as run, form.open("wb"):  # comes back when the command has opened it, too
        run.send_signal(signal.SIGINT)
        out, said = run.communicate()
    assert (run.returncode, out, said) == (1, "", "inchwatch score: stopped before it was done\n")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="has no users of that kind")
@pytest.mark.parametrize("command", [["judge"], ["journal"], ["export", "-o", "o.csv"], ["compare", "a.jsonl"]])
def test_a_folder_that_may_not_be_read_is_one_sentence(command, tmp_path, monkeypatch, capsys):
    """To root no folder is closed: then it is the system's own refusal, said by hand."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0)
    if os.geteuid() == 0:

        def refused(path):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

        monkeypatch.setattr(Path, "iterdir", refused)
    assert main([*command, str(closed)]) == 1
    assert capsys.readouterr().err == f"inchwatch {command[0]}: {closed}: Permission denied\n"


def test_an_error_of_another_kind_is_not_taken_for_a_full_disk(monkeypatch):
    def fails(*_):
        raise OSError(errno.EPERM, "of something else")

    monkeypatch.setattr("monitor.cli._command", fails)
    with pytest.raises(OSError, match="of something else"):
        main(["drivers"])


@pytest.mark.parametrize(("words", "says"), [([], b"0.00?"), (["--json"], b'"c":"load-x"')])
def test_an_encoding_without_a_degree_sign_ends_no_command(words, says):
    """Such as a pipe's on some systems, and a terminal's where no locale is set."""
    stuck = Path(__file__).resolve().parents[2] / "recordings" / "stuck-shore.jsonl"
    asked = ["journal", str(stuck), "--print", "--kind", "reading", "--channel", "load-x", "--to", "0.1", *words]
    env = os.environ | {"PYTHONIOENCODING": "ascii"}
    run = subprocess.run([sys.executable, "-m", "monitor", *asked], env=env, capture_output=True, timeout=60)
    assert run.returncode == 0, run.stderr
    assert says in run.stdout
