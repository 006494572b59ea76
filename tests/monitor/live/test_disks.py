"""What befalls a disk while a session is kept on it: watching goes on, it is said within a second, and nothing is lost unsaid."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from drivers.reading import Reading
from monitor.debrief.judge import in_words, judged
from monitor.engine.picture import AlarmPicture, AlarmState, Picture
from monitor.live.keeping import JournalKeeper
from monitor.live.session import Session
from monitor.rig.load import parse_rig
from replay import place
from replay.codec import AlarmLine
from replay.entries import Entry, Notice, Tick
from replay.recording import read_recording
from replay.writer import JournalError, Split

TEXT = files("monitor.drill").joinpath("rigs/training-yard.toml").read_text(encoding="utf-8")
RIG = parse_rig(TEXT)
pytestmark = pytest.mark.wires


class Watched:
    """A session that hears a thousand readings a second and remembers every entry that it handed to its journal."""

    def __init__(self, path: Path, also: Path | None = None, split: Split | None = None) -> None:
        self.handed: list[Entry] = []
        self.pictures: list[Picture] = []
        self.session = Session(RIG, on_picture=self.pictures.append)
        self.said: list[str] = []
        self.path = path
        self._keeper = JournalKeeper(path, TEXT, "training-yard", self._trouble, also=also, split=split)
        self._stopping = threading.Event()
        self._feeder = threading.Thread(target=self._feed, name="drill-feeder")
        self.session.start([], self)
        self._feeder.start()

    def _trouble(self, active: bool, text: str, nothing_kept: bool) -> None:
        self.said.append(text)
        self.session.trouble(active, text, nothing_kept)

    def _feed(self) -> None:
        number = 0
        while not self._stopping.wait(0.01):
            for _ in range(10):
                self.session._queue.put(Reading("H1", number, self.session.clock(), None, 0.5 + number * 1e-9))
                number += 1

    def write(self, entry: Entry) -> None:
        self.handed.append(entry)
        self._keeper.write(entry)

    def alarm(self, it: object) -> None:
        self._keeper.alarm(it)

    def close(self) -> None:
        self._keeper.close()

    def stop(self) -> None:
        self._stopping.set()
        self._feeder.join()
        self.session.stop()

    def alarms(self) -> list[AlarmPicture]:
        picture = self.session.latest()
        return [it for it in picture.alarms if it.rule == "recorder" and it.active] if picture else []

    def ticks(self) -> int:
        return sum(isinstance(it, Tick) for it in list(self.handed))


@pytest.fixture
def watch() -> Iterator[Callable[..., Watched]]:
    begun: list[Watched] = []

    def begin(*args: object, **more: object) -> Watched:
        begun.append(Watched(*args, **more))
        return begun[-1]

    yield begin
    for it in begun:
        it.stop()


@pytest.fixture
def sounds(wait_until, at_most) -> Callable[[Watched], str]:
    """The recorder's alarm comes within a second, and ticks go on meanwhile; its text."""

    def within_a_second(it: Watched) -> str:
        with at_most(1.0, "the recorder's alarm"):
            wait_until(it.alarms, what="the recorder's alarm")
        ticks = it.ticks()
        with at_most(1.0, "four ticks"):
            wait_until(lambda: it.ticks() > ticks + 4, what="watching that goes on")
        return it.alarms()[0].text

    return within_a_second


def played(path: Path) -> list[Entry]:
    """What was kept, in order. That a notice came late into its file is said there, and no other than the one handed over."""
    lines = (it for it in read_recording(path).lines() if not isinstance(it, AlarmLine))
    return [replace(it, late=False) if isinstance(it, Notice) else it for it in lines]


def all_there(it: Watched, path: Path | None = None) -> dict:
    """Every entry came back, and the engine says the same again; the verdict."""
    assert played(path or it.path) == it.handed
    verdict = judged(path or it.path)
    assert (verdict["damage"], verdict["complete"], verdict["lost"], verdict["same_as_live"]) == (None, True, 0, True)
    return verdict


def grows(path: Path, wait_until) -> None:
    size = path.stat().st_size
    wait_until(lambda: path.stat().st_size > size + 2_000, what=f"{path} that grows")


@pytest.mark.fault("disk-full")
def test_a_full_disk_is_said_and_once_there_is_room_all_of_it_is_kept(small_disk, watch, sounds, wait_until, fault):
    it = watch(small_disk.folder / "full.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    small_disk.fill()
    assert "No space left" in sounds(it)
    small_disk.free()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    assert [a["rule"] for a in all_there(it)["alarms"]].count("recorder") == 1
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


@pytest.mark.fault("disk-stays-full")
def test_a_disk_that_stays_full_costs_what_a_gap_says(small_disk, watch, sounds, wait_until, monkeypatch, fault):
    monkeypatch.setattr("replay.place.KEPT_AT_MOST", 20_000)
    it = watch(small_disk.folder / "gap.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    small_disk.fill()
    sounds(it)
    wait_until(lambda: (gap := it._keeper._writer._places[0]._gap) and gap.lost > 300, what="a gap that grows")
    small_disk.free()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    recording = read_recording(it.path)
    kept = played(it.path)
    list(recording.lines())
    gaps = recording.gaps
    assert recording.complete
    lost = [entry for entry in it.handed if any(gap.from_ns <= entry.time_ns <= gap.to_ns for gap in gaps)]
    assert len(it.handed) - len(kept) == sum(gap.lost for gap in gaps) > 300
    assert len(kept) == len(set(map(repr, kept)))
    assert set(map(repr, it.handed)) - set(map(repr, kept)) <= set(map(repr, lost)), (
        "all within the times that are said"
    )
    verdict = judged(it.path)
    assert verdict["lost"] == len(it.handed) - len(kept)
    assert "recorder" in {a["rule"] for a in verdict["alarms"]}, "the alarm itself is kept, whatever is lost"
    said = f"LOST: {gaps[0].lost} entries from {gaps[0].from_ns * 1e-9:.1f} s to {gaps[0].to_ns * 1e-9:.1f} s"
    assert said in in_words(verdict)
    fault.seen(it.pictures, since_ns)
    there = set(map(repr, kept))
    fault.lost(it.handed, kept, befell=[entry for entry in it.handed if repr(entry) not in there])


@pytest.mark.fault("file-deleted")
def test_a_deleted_file_is_written_anew_whole(tmp_path, watch, sounds, wait_until, fault):
    it = watch(tmp_path / "gone.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    it.path.unlink()
    assert "file gone, written anew" in sounds(it)
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    assert "file gone, written anew: gone.jsonl" in it.said
    it.stop()
    all_there(it)
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


def test_a_file_that_is_deleted_again_at_once_is_told_again_and_for_as_long(tmp_path, watch, sounds, wait_until):
    it = watch(tmp_path / "gone.jsonl")
    grows(it.path, wait_until)
    it.path.unlink()
    sounds(it)
    wait_until(it.path.exists, what="the file, written anew")
    it.path.unlink()
    again = "file gone 2 times, written anew: gone.jsonl"
    wait_until(lambda: again in it.said, what="the second time")
    since_ns = it.session.clock()
    wait_until(lambda: "file gone 2 times, written" in it.alarms()[0].text, what="it in the alarm's line")
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    assert it.session.clock() - since_ns > 900_000_000, "told for a second, however soon after the first"
    it.stop()
    all_there(it)


@pytest.mark.fault("file-replaced")
def test_a_file_whose_name_another_has_taken_is_written_anew_beside_it(tmp_path, watch, sounds, wait_until, fault):
    it = watch(tmp_path / "taken.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    it.path.rename(tmp_path / "away.jsonl")
    it.path.write_text("somebody else's\n")
    sounds(it)
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    assert it.path.read_text() == "somebody else's\n"
    all_there(it, tmp_path / "taken.again1.jsonl")
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(tmp_path / "taken.again1.jsonl"))


@pytest.mark.fault("folder-gone")
def test_a_folder_that_goes_away_is_said_until_it_is_back(tmp_path, watch, sounds, wait_until, fault):
    folder = tmp_path / "stick"
    folder.mkdir()
    it = watch(folder / "day.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    folder.rename(tmp_path / "elsewhere")
    sounds(it)
    wait_until(lambda: any("not written anew: No such file" in text for text in it.said))
    folder.mkdir()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    all_there(it)
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


@pytest.mark.fault("folder-read-only")
def test_a_folder_that_takes_no_new_file_lets_the_session_stay_in_the_one_it_has(
    locked_folder, watch, sounds, wait_until, fault
):
    it = watch(locked_folder.folder / "day.jsonl", split=Split(100_000))
    second = locked_folder.folder / "day.part0002.jsonl"
    locked_folder.lock()
    with pytest.raises(JournalError, match="cannot record there: Read-only file system"):
        JournalKeeper(locked_folder.folder / "other.jsonl", TEXT, "training-yard", print)
    since_ns = it.session.clock()
    wait_until(it.alarms, what="a part that is due")
    assert it.said[0] == "no next file, goes on in this one: Read-only file system"
    grows(it.path, wait_until)
    wait_until(lambda: it.path.stat().st_size > 110_000)
    assert not second.exists()
    locked_folder.unlock()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    grows(second, wait_until)
    it.stop()
    assert all_there(it)["parts"] >= 2
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


@pytest.mark.fault("disk-hangs")
def test_a_disk_that_hangs_is_said_and_holds_nobody_up(slow_disk, watch, sounds, wait_until, at_most, fault):
    it = watch(slow_disk.folder / "slow.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    slow_disk.freeze()
    assert "does not answer" in sounds(it)
    ticks = it.ticks()
    with at_most(3.0, "forty ticks of the engine's clock, which goes on at its pace,"):
        wait_until(lambda: it.ticks() >= ticks + 40, what="forty ticks")
    slow_disk.thaw()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    all_there(it)
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


def test_a_disk_that_hangs_at_the_end_is_waited_for_and_given_up(slow_disk, watch, wait_until, at_most, monkeypatch):
    monkeypatch.setattr("replay.writer.CLOSE_WITHIN_S", 0.5)
    it = watch(slow_disk.folder / "slow.jsonl")
    grows(it.path, wait_until)
    slow_disk.freeze()
    with at_most(3.0, "stopping"):
        it.stop()
    assert "not finished: the disk does not answer" in it.session.unrecorded
    slow_disk.thaw()
    it._keeper._writer._places[0]._writer.join(10.0)
    all_there(it)


def test_two_places_are_the_same_to_the_byte(tmp_path, watch, wait_until):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    it = watch(tmp_path / "a/day.jsonl", tmp_path / "b/day.jsonl", Split(150_000))
    wait_until((tmp_path / "b/day.part0003.jsonl").exists, 30.0)
    grows(tmp_path / "b/day.part0003.jsonl", wait_until)
    it.stop()
    assert it.said == []
    names = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert names == sorted(path.name for path in (tmp_path / "b").iterdir())
    assert names[:3] == ["day.jsonl", "day.part0002.jsonl", "day.part0003.jsonl"]
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert all_there(it, tmp_path / "b/day.jsonl")["parts"] == len(names)


@pytest.mark.fault("second-place-hangs")
def test_a_second_place_that_hangs_does_not_delay_the_first(tmp_path, slow_disk, watch, sounds, wait_until, fault):
    (tmp_path / "home").mkdir()
    it = watch(tmp_path / "home/day.jsonl", slow_disk.folder / "day.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    slow_disk.freeze()
    assert "only home kept" in sounds(it)
    seals = it.path.read_bytes().count(b'{"k":"seal"')
    wait_until(lambda: it.path.read_bytes().count(b'{"k":"seal"') >= seals + 2, 3.0, "seals, a second apart")
    slow_disk.thaw()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    all_there(it)
    assert played(it.path) == played(slow_disk.folder / "day.jsonl")
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


@pytest.mark.fault("one-place-full")
@pytest.mark.parametrize("second", [False, True])
def test_one_place_goes_on_when_the_other_is_full(tmp_path, small_disk, watch, sounds, wait_until, second, fault):
    (tmp_path / "home").mkdir()
    well, ill = tmp_path / "home/day.jsonl", small_disk.folder / "day.jsonl"
    it = watch(well, ill) if second else watch(ill, well)
    grows(ill, wait_until)
    since_ns = it.session.clock()
    small_disk.fill()
    assert "only home kept" in sounds(it)
    it.stop()
    assert "could not be written and are lost" in it.session.unrecorded
    all_there(it, well)
    cut = read_recording(ill)
    kept = [it for it in cut.lines() if not isinstance(it, AlarmLine)]
    assert kept == it.handed[: len(kept)], "what was written before is whole"
    assert cut.damage
    assert cut.damage.startswith(("torn", "not closed"))
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(well))


def test_seen_with_one_place_left_it_sounds_again_when_that_fails_too(small_disk, slow_disk, watch, sounds, wait_until):
    it = watch(small_disk.folder / "day.jsonl", slow_disk.folder / "day.jsonl")
    grows(small_disk.folder / "day.jsonl", wait_until)
    small_disk.fill()
    assert "only slow kept" in sounds(it)
    it.session.send("acknowledge", rule="recorder", about="monitor")
    wait_until(lambda: it.alarms()[0].state is AlarmState.ACKNOWLEDGED, what="a person who has seen it")
    slow_disk.freeze()
    wait_until(lambda: it.alarms()[0].state is AlarmState.UNACKNOWLEDGED, what="an alarm that asks again")
    assert "nothing kept: small: " in it.alarms()[0].text
    slow_disk.thaw()
    wait_until(lambda: "only slow kept" in it.alarms()[0].text, what="one place that is well")
    it.stop()
    all_there(it, slow_disk.folder / "day.jsonl")


@pytest.mark.fault("sync-hangs")
def test_a_sync_that_hangs_is_said_though_writes_go_on(tmp_path, watch, sounds, wait_until, monkeypatch, fault):
    """The system's call is held up by hand: no disk could be had that takes writes and hangs in a sync."""
    free, put_on_disk = threading.Event(), place._put_on_disk
    free.set()
    monkeypatch.setattr(place, "_put_on_disk", lambda file: free.wait(20.0) and put_on_disk(file))
    monkeypatch.setattr(place, "SLOW_SYNC_S", 0.2)
    it = watch(tmp_path / "day.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    free.clear()
    assert "not on the disk for 0.2 s" in sounds(it)
    grows(it.path, wait_until)
    free.set()
    wait_until(lambda: not it.alarms(), what="an alarm that clears")
    it.stop()
    all_there(it)
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(it.path))


@pytest.mark.fault("disk-forgets")
def test_a_disk_that_forgets_what_it_took_is_never_well_again(tmp_path, bad_disk, watch, sounds, wait_until, fault):
    (tmp_path / "home").mkdir()
    it = watch(bad_disk.folder / "day.jsonl", tmp_path / "home/day.jsonl")
    grows(it.path, wait_until)
    since_ns = it.session.clock()
    bad_disk.spoil()
    wait_until(it.alarms, what="the recorder's alarm")
    assert "only home kept" in it.alarms()[0].text
    assert "not all of it is on the disk: " in it.session.unrecorded
    ticks = it.ticks()
    wait_until(lambda: it.ticks() > ticks + 60, what="three seconds")
    assert it.alarms(), "the system says it once, and takes what comes after"
    it.stop()
    assert "not all of it is on the disk" in it.session.unrecorded
    all_there(it, tmp_path / "home/day.jsonl")
    fault.seen(it.pictures, since_ns)
    fault.lost(it.handed, played(tmp_path / "home/day.jsonl"))


def test_a_second_place_that_cannot_be_had_is_a_sentence_and_leaves_nothing_behind(tmp_path):
    with pytest.raises(JournalError, match="cannot record there: No such file"):
        JournalKeeper(tmp_path / "a.jsonl", TEXT, "training-yard", print, also=tmp_path / "none/a.jsonl")
    assert list(tmp_path.iterdir()) == []
