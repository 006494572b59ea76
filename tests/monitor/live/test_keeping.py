"""Where a session is kept, as it is typed: a second place, and parts."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from monitor.live.opening import BadCall, also_file, split_of
from replay.recording import read_recording
from replay.writer import Split

RIG = str(files("monitor.drill").joinpath("rigs/training-yard.toml"))
AWAY = ("--port", "bench=socket://127.0.0.1:9", "--port", "mast=socket://127.0.0.1:9")


@pytest.mark.parametrize(
    ("given", "split"),
    [
        (None, None),
        ("1h", Split(every_ns=3_600_000_000_000)),
        ("90 min", Split(every_ns=5_400_000_000_000)),
        ("500MB", Split(500_000_000)),
        ("1.5 GB", Split(1_500_000_000)),
        ("1 GiB", Split(1 << 30)),
        ("64MiB", Split(64 << 20)),
        (" 2  GiB ", Split(2 << 30)),
        ("2\tMB", Split(2_000_000)),
    ],
)
def test_when_a_session_goes_on_in_another_file(given, split):
    assert split_of(given) == split


@pytest.mark.parametrize(
    "given",
    [
        "",
        "0",
        "5",
        "30 s",
        "0.9 MB",
        "1 kB",
        "MB",
        "-1 h",
        "1 m",
        "1e9 MB",
        "nan h",
        "1 KiB",
        "1 Gib",
        "1 gb",
        "1 G iB",
        "\u0665 MB",
    ],
)
def test_a_split_that_is_none_is_a_sentence(given):
    with pytest.raises(
        BadCall, match=r"--split: found '.*', allowed is a time from 1 min such as 1h, or a size"
    ) as caught:
        split_of(given)
    assert "\n" not in str(caught.value)


def test_the_second_place_is_a_folder_or_a_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stick").mkdir()
    assert also_file("stick", Path("day.jsonl")) == Path("stick/day.jsonl")
    assert also_file("other.jsonl", Path("day.jsonl")) == Path("other.jsonl")
    with pytest.raises(BadCall, match="allowed is a folder that is there, or a file that ends in"):
        also_file("not-mounted", Path("day.jsonl"))
    for same in ("day.jsonl", ".", str(tmp_path), "stick/../day.jsonl"):
        with pytest.raises(BadCall, match="where the recording goes already"):
            also_file(same, Path("day.jsonl"))


def test_a_run_is_kept_in_both_places(tmp_path, typed):
    (tmp_path / "stick").mkdir()
    first, second = tmp_path / "day.jsonl", tmp_path / "stick/day.jsonl"
    call = ("run", RIG, "--headless", "--for", "1s", "--record", str(first), "--also", str(second.parent), *AWAY)
    ended = typed(*call, "--split", "1h")
    assert ended.code == 0
    assert f"recording to {first} and {second}" in ended.err
    assert "not as it should be" not in ended.err
    assert first.read_bytes() == second.read_bytes()
    recording = read_recording(second)
    assert sum(1 for _ in recording.lines()) > 15
    assert recording.complete
    assert recording.header.session
    again = typed(*call)
    assert again.code == 1
    assert "never written over" in again.err


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--split", "5"), "--split: found '5'"),
        (("--no-record", "--also", "x"), "not with --no-record"),
        (("--no-record", "--split", "1h"), "not with --no-record"),
        (("--record", "x.jsonl", "--also", "x.jsonl"), "where the recording goes already"),
    ],
)
@pytest.mark.parametrize("command", ["run", "sensors"])
def test_what_cannot_be_kept_so_is_a_wrong_call(typed, tmp_path, monkeypatch, command, more, says):
    monkeypatch.chdir(tmp_path)
    ended = typed(command, RIG, "--for", "1s", *more, *(["--headless"] if command == "run" else []))
    assert ended.code == 2
    assert says in ended.err
    assert list(tmp_path.iterdir()) == []
