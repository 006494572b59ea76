"""Disks that really fill up, really hang and really take nothing, for sessions that are kept on them. They need root and Linux."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

FREEZE, THAW = 0xC0045877, 0xC0045878
"""FIFREEZE and FITHAW of Linux's uapi/linux/fs.h: every write to the file system waits until it is thawed."""


def mounted(*args: str) -> None:
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("not root on Linux: a disk of its own cannot be had, and this part is not tested")
    done = subprocess.run(["mount", *args], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no disk of its own can be had here, and this part is not tested: {done.stderr.strip()}")


def unmounted(folder: Path) -> None:
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


class SmallDisk:
    """A file system in memory with room for 256 KiB."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._filler = folder / "filler"

    def fill(self) -> None:
        with self._filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(4096))

    def free(self) -> None:
        self._filler.unlink()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[SmallDisk]:
    folder = tmp_path / "small"
    folder.mkdir()
    mounted("-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder))
    yield SmallDisk(folder)
    unmounted(folder)


class SlowDisk:
    """An ext4 file system in a file, which can be frozen: a write then hangs until it is thawed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.frozen = False
        self._handle = os.open(folder, os.O_RDONLY)

    def freeze(self) -> None:
        fcntl.ioctl(self._handle, FREEZE, 0)
        self.frozen = True

    def thaw(self) -> None:
        if self.frozen:
            fcntl.ioctl(self._handle, THAW, 0)
            self.frozen = False

    def close(self) -> None:
        self.thaw()
        os.close(self._handle)


@pytest.fixture
def slow_disk(tmp_path: Path) -> Iterator[SlowDisk]:
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("no mkfs.ext4 on this machine: a disk that hangs is not tested")
    image, folder = tmp_path / "slow.img", tmp_path / "slow"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(16 * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    mounted("-o", "loop", str(image), str(folder))
    disk = SlowDisk(folder)
    yield disk
    disk.close()
    unmounted(folder)


class BadDisk:
    """An ext4 file system in a file on a small disk: once that is full, nothing written to it gets there, and only a sync tells."""

    def __init__(self, folder: Path, under: SmallDisk) -> None:
        self.folder = folder
        self.spoil = under.fill


@pytest.fixture
def bad_disk(tmp_path: Path, small_disk: SmallDisk) -> Iterator[BadDisk]:
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("no mkfs.ext4 on this machine: a disk that spoils what it is given is not tested")
    image, folder = small_disk.folder / "bad.img", tmp_path / "bad"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(4 * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-O", "^has_journal", "-N", "16", str(image)], check=True)
    mounted("-o", "loop", str(image), str(folder))
    yield BadDisk(folder, small_disk)
    unmounted(folder)


class LockedFolder:
    """A folder that can be made to take no new file, by a read-only view of it that is laid over it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._locked = False

    def lock(self) -> None:
        mounted("--bind", str(self.folder), str(self.folder))
        self._locked = True
        mounted("-o", "remount,bind,ro", str(self.folder))

    def unlock(self) -> None:
        if self._locked:
            unmounted(self.folder)
            self._locked = False


@pytest.fixture
def locked_folder(tmp_path: Path) -> Iterator[LockedFolder]:
    folder = LockedFolder(tmp_path / "locked")
    folder.folder.mkdir()
    yield folder
    folder.unlock()
