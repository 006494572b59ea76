"""A recording walked through: every picture is the very one that was made live, in whatever order it is asked for."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.debrief import player as player_module
from monitor.debrief.checkpoint import Checkpoint, Freezer, Shelf
from monitor.debrief.judge import judged
from monitor.debrief.marks import Kind, Marker
from monitor.debrief.player import Player
from monitor.drill import scenario
from monitor.drill.offline import play
from monitor.engine.engine import Engine
from monitor.engine.picture import Picture
from monitor.live.keeping import JournalKeeper
from monitor.rig.load import RigFaults, parse_rig
from replay.codec import AlarmLine, Header
from replay.entries import Action, Notice
from replay.journal import JournalError, JournalWriter
from replay.recording import read_recording
from replay.writer import Split

KEPT = Path(__file__).resolve().parents[3] / "recordings"
STUCK = KEPT / "stuck-shore.jsonl"


@cache
def uninterrupted(path: Path) -> tuple[Picture, ...]:
    """Every picture of a recording, from an engine that runs through it once."""
    recording = read_recording(path)
    engine = Engine(parse_rig(recording.header.rig))
    fed = (engine.feed(line) for line in recording.lines() if not isinstance(line, AlarmLine))
    return tuple(picture for picture in fed if picture is not None)


PLAYED: list[Path] = []


@cache
def gone_through(path: Path) -> Player:
    player = Player(path)
    PLAYED.append(path)
    while player.advance():
        pass
    return player


class Enough(Exception):
    """A drill has been played as far as it is wanted."""


@pytest.fixture(scope="module", params=["demo", "two-stacks"])
def drilled(request, tmp_path_factory) -> Path:
    """The first seconds of a drill, recorded as live ones are and cut off as if killed: a lean that grows, two stacks."""
    drill, path = scenario.load(request.param), tmp_path_factory.mktemp("drills") / f"{request.param}.jsonl"
    text = files("monitor.drill").joinpath(f"rigs/{drill.rig}.toml").read_text(encoding="utf-8")
    keeper = JournalKeeper(path, text, drill.rig, pytest.fail, datetime(2026, 1, 1, tzinfo=UTC))

    def enough(_, picture) -> None:
        if picture.time_ns > (45 if request.param == "demo" else 20) * 1_000_000_000:
            raise Enough

    with pytest.raises(Enough):
        play(parse_rig(text), drill, keeper=keeper, on_step=enough)
    keeper.close()
    return path


@pytest.fixture(scope="module")
def short(tmp_path_factory) -> Path:
    """The first ten seconds of a recording, as a computer that lost its power would leave it."""
    path = tmp_path_factory.mktemp("short") / "short.jsonl"
    path.write_bytes(b"".join(STUCK.read_bytes().splitlines(keepends=True)[:2600]))
    return path


@pytest.fixture(scope="module", autouse=True)
def closed():
    yield
    for path in PLAYED:
        gone_through(path).close()


@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=6), st.integers(-3, 3))
@settings(max_examples=8, deadline=None)
@pytest.mark.parametrize("name", ["stuck-shore", "wrong-order"])
def test_any_picture_in_any_order_is_the_one_of_an_uninterrupted_run(name, asked, step):
    path = KEPT / f"{name}.jsonl"
    truth, player = uninterrupted(path), gone_through(path)
    assert len(player.times) == len(truth)
    for number in asked:
        at = number % len(truth)
        assert player.picture(at) == truth[at]
        beside = max(0, min(len(truth) - 1, at + step))
        assert player.picture(beside) == truth[beside]


def test_from_any_kept_state_on_every_picture_is_the_same(drilled):
    truth, player = uninterrupted(drilled), gone_through(drilled)
    assert player.same_as_live is True
    assert len(player.shelf) > 10
    rng = random.Random(drilled.name)
    for begun in rng.sample(range(len(truth) - 45), 5):
        player._cursor = None
        player._pictures.clear()
        for number in range(begun, begun + 45):
            assert player.picture(number) == truth[number], number


def test_a_run_from_one_kept_state_to_the_end_stays_the_same():
    truth, player = uninterrupted(STUCK), gone_through(STUCK)
    player._cursor = None
    player._pictures.clear()
    for number in range(300, len(truth)):
        assert player.picture(number) == truth[number], number


def test_going_through_it_says_what_the_judge_says():
    player, verdict = gone_through(STUCK), judged(STUCK)
    assert player.same_as_live is verdict["same_as_live"] is True
    alarms = [it for it in player.marks if it.kind is Kind.ALARM]
    assert [(it.time_ns * 1e-9, it.text, it.word) for it in alarms] == [
        (pytest.approx(it["raised"]), it["text"], it["priority"]) for it in verdict["alarms"]
    ]
    steps = [it for it in player.marks if it.kind is Kind.STEP and it.word]
    assert [int(it.word) for it in steps] == [it["step"] for it in verdict["steps"]]
    assert player.end_ns * 1e-9 == pytest.approx(verdict["seconds"])


def test_each_mark_stands_at_the_first_picture_that_knows_of_it():
    truth, player = uninterrupted(STUCK), gone_through(STUCK)
    for mark in player.marks:
        if mark.kind is Kind.ALARM:
            assert any(it.text == mark.text for it in truth[mark.number].alarms)
            assert all(it.text != mark.text for it in truth[mark.number - 1].alarms)
        elif mark.kind is Kind.STEP and mark.word:
            assert truth[mark.number].step.number == int(mark.word)


def test_rises_and_times_are_those_of_the_pictures():
    truth, player = uninterrupted(STUCK), gone_through(STUCK)
    assert list(player.times) == [it.time_ns for it in truth]
    known = [it.stacks[0].rise_m for it in truth]
    assert [None if value != value else value for value in player.rises["S1"]] == known


def test_pictures_may_be_had_while_it_is_gone_through(short):
    truth, player = uninterrupted(short), Player(short)
    for _ in range(120):
        player.advance()
        if len(player.times) in (50, 119):
            assert player.picture(7) == truth[7]
            assert player.picture(len(player.times) - 1) == truth[len(player.times) - 1]
    assert 0.0 < player.share < 1.0
    assert player.same_as_live is None
    with pytest.raises(IndexError):
        player.picture(len(player.times))
    assert player.end_ns == pytest.approx(truth[-1].time_ns, abs=100_000_000), "known from its last line"


def test_a_session_in_several_files_is_one(tmp_path):
    whole = read_recording(STUCK)
    it = whole.header
    header = Header(it.rig, it.rig_name, it.software, it.started, "0123456789abcdef")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("replay.place.WRITE_EVERY_S", 60.0)
        writer = JournalWriter(tmp_path / "yard.jsonl", header, pytest.fail, split=Split(50_000))
        for i, line in enumerate(whole.lines()):
            if isinstance(line, AlarmLine):
                writer.alarm(line.time_ns, line.alarm)
            else:
                writer.write(line)
            if i % 20 == 0:
                writer._places[0]._write_out()
        writer.close()
    truth, player = uninterrupted(STUCK), gone_through(tmp_path / "yard.jsonl")
    assert len(player.recording.parts) > 2
    assert player.same_as_live is True
    for number in (len(truth) - 1, 3, len(truth) // 2, len(truth) // 2 - 1):
        assert player.picture(number) == truth[number]


def test_a_torn_tail_is_played_and_said(short, tmp_path):
    path = tmp_path / "torn.jsonl"
    path.write_bytes(short.read_bytes()[:-30])
    player, truth = gone_through(path), uninterrupted(short)
    assert player.recording.damage.startswith("torn: it ends in the middle of line 2600")
    assert not player.recording.complete
    last = len(player.times) - 1
    assert last > 100
    assert player.picture(last) == truth[last]
    assert gone_through(short).recording.damage.startswith("not closed: it stops after line 2600")


def test_what_was_changed_is_not_played(short, tmp_path):
    lines = short.read_bytes().splitlines(keepends=True)
    lines[2000] = lines[2000].replace(b'"t":', b'"t":1')
    path = tmp_path / "changed.jsonl"
    path.write_bytes(b"".join(lines))
    player, truth = gone_through(path), uninterrupted(short)
    assert player.recording.damage.startswith("changed")
    last = len(player.times) - 1
    assert player.picture(last) == truth[last]
    assert player.end_ns == player.times[-1] < truth[-1].time_ns


def test_a_file_that_changes_while_it_is_replayed_is_said(short, tmp_path):
    path = tmp_path / "yard.jsonl"
    path.write_bytes(short.read_bytes())
    player = gone_through(path)
    lines = short.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:200] + lines[1900:]))
    with pytest.raises(JournalError, match="has changed since it was opened"):
        player.picture(len(player.times) - 1)
    path.unlink()
    player._cursor = None
    with pytest.raises(JournalError, match="has changed since it was opened"):
        player.picture(len(player.times) - 2)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty; a recording begins with its header"),
        (b"hello\n", "is no recording: not JSON"),
        (b'{"k":"tick","t":0}\n', "is no recording: the first line is not the header of a journal"),
    ],
)
def test_what_is_no_recording_is_refused_in_a_sentence(tmp_path, content, said):
    path = tmp_path / "none.jsonl"
    path.write_bytes(content)
    with pytest.raises(JournalError, match=said):
        Player(path)


def test_a_recording_whose_rig_file_is_none_is_refused(tmp_path):
    writer = JournalWriter(
        tmp_path / "bad.jsonl", Header("[rig]\n", "r", "s", "2026-01-01T00:00:00+00:00"), pytest.fail
    )
    writer.close()
    with pytest.raises(RigFaults):
        Player(tmp_path / "bad.jsonl")


def test_a_recording_without_a_picture_has_none(tmp_path):
    rig = read_recording(STUCK).header.rig
    writer = JournalWriter(tmp_path / "none.jsonl", Header(rig, "r", "s", "no date"), pytest.fail)
    writer.close()
    player = gone_through(tmp_path / "none.jsonl")
    assert player.whole
    assert player.end_ns == 0
    assert player.started is None


def test_its_date_is_that_of_its_header():
    assert gone_through(STUCK).started == datetime(2026, 1, 1, 9, tzinfo=UTC)


def test_a_thawed_engine_shares_nothing_that_changes():
    recording = read_recording(STUCK)
    rig = parse_rig(recording.header.rig)
    lines = [line for line in recording.lines() if not isinstance(line, AlarmLine)]
    engine, freezer = Engine(rig), Freezer()
    for line in lines[:2000]:
        engine.feed(line)
    frozen = freezer.freeze(engine)
    thawed = freezer.thaw(frozen)
    for line in lines[2000:4000]:
        thawed.feed(line)
    assert freezer.freeze(engine) == frozen, "the other went on, and this one did not notice"
    assert thawed.rig is engine.rig
    ours = [engine.feed(line) for line in lines[2000:4000]]
    again = freezer.thaw(frozen)
    assert [again.feed(line) for line in lines[2000:4000]] == ours


def test_a_full_shelf_keeps_every_second_and_half_as_often():
    shelf = Shelf(bound=1000, every_ns=10)
    for number in range(40):
        if shelf.due(number * 10):
            shelf.add(Checkpoint(number, number * 10, (0, 0), bytes(100)))
        assert shelf.bytes <= 1000
        assert shelf.before(number + 1).number <= number
    assert shelf.every_ns == 40
    assert len(shelf) * 100 == shelf.bytes
    assert shelf.before(1).number == 0
    assert shelf.before(16).number < 16, "that picture itself is still to come"


def test_a_small_shelf_makes_the_same_pictures(short):
    truth, player = uninterrupted(short), Player(short, bound=60_000)
    while player.advance():
        pass
    assert player.shelf.bytes <= 60_000
    for number in (180, 20, 150):
        assert player.picture(number) == truth[number]


def test_few_pictures_are_held(short, monkeypatch):
    monkeypatch.setattr(player_module, "_PICTURES", 10)
    truth, player = uninterrupted(short), Player(short)
    while player.advance():
        pass
    for number in (150, 149, 148, 147):
        assert player.picture(number) == truth[number]
    assert len(player._pictures) == 10


def test_marks_say_what_people_did_and_what_the_world_said():
    marker, picture = Marker(), uninterrupted(STUCK)[0]
    for entry in (
        Action(1, "stop", {"reason": "a hand under it"}, "safety"),
        Action(2, "next"),
        Action(3, "cribbed", {"at": "C1", "height_m": 0.05}),
        Action(4, "something-new"),
        Notice(0, "link", "panel", False, "connected"),
        Notice(5, "link", "panel", True, "gone", late=True),
        Notice(6, "recorder", "", True, "the disk is full"),
    ):
        marker.entry(entry)
    assert [(it.kind.value, it.text, it.word) for it in marker.picture(0, picture)] == [
        ("action", "STOP called: a hand under it by safety", "stop"),
        ("action", "cribbing packed: C1", "cribbed"),
        ("action", "something-new", "something-new"),
        ("notice", "link panel: gone, written late", ""),
        ("notice", "recorder: the disk is full", ""),
    ]
    assert list(marker.picture(1, picture)) == []
