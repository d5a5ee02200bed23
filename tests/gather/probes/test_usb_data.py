"""Data over a USB port: a composed port in front of a real file system on a loop device."""

import errno
import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import anyio
import pytest

from verifier.errors import Absent, NotPossible, VerifierError
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import local_media, open_host
from verifier.gather.hosts.local_media import DATA, MARKER, LocalMedia
from verifier.gather.probes.usb_data import Data
from verifier.gather.workers import run_probe
from verifier.readings import Value
from verifier.services import Files, Media

Grow = Callable[[dict[str, str | bytes]], Path]


def number_of(folder: Path) -> str:
    device = folder.stat().st_dev
    return f"{os.major(device)}:{os.minor(device)}"


@pytest.fixture
def medium(tmp_path: Path) -> Iterator[Path]:
    """An ext4 image on a loop device, with the marker of a test medium. Needs root."""
    image, at = tmp_path / "image", tmp_path / "a medium"
    at.mkdir()
    with image.open("wb") as file:
        file.truncate(12 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-O", "^has_journal", image], check=True, capture_output=True)
    subprocess.run(["mount", "-o", "loop", image, at], check=True)
    try:
        (at / MARKER).write_text(f"{MARKER}\nblue stick 2\n")
        yield at
    finally:
        subprocess.run(["umount", "--lazy", at], check=True)


class Port:
    """A host with one USB port; what is mounted is really there."""

    address = "local"
    services = frozenset({"files", "media"})
    clocks = RealClocks()

    def __init__(self, grow: Grow, mounts: str, device: str, at: str = "2-2/2-2:1.0/host6/block/sdx") -> None:
        tree = grow(
            {
                "sys/bus/usb/devices/2-2/idVendor": "1d6b\n",
                f"sys/devices/usb2/{at}/dev": f"{device}\n",
                "sys/class/block/sdx": f"-> ../../devices/usb2/{at}",
                "proc/self/mountinfo": mounts,
            }
        )
        self.files: Files = open_host(f"recorded:{tree}", self.clocks).files
        self.media: Media = LocalMedia(self.clocks)

    def readings(self, **settings: Value) -> dict[str, Value]:
        async def take() -> dict[str, Value]:
            given = run_probe(Data(), self, {"path": "2-2", "megabytes": 2, **settings})  # type: ignore[arg-type]
            return {r.name: r.value async for r in given}

        return anyio.run(take)


def line(folder: Path, options: str = "rw,noatime", root: str = "/") -> str:
    """As proc(5) has it: spaces in a mount point are written in octal."""
    point = str(folder).replace(" ", "\\040")
    return f"36 35 {number_of(folder)} {root} {point} {options} shared:1 - ext4 /dev/sdx rw\n"


def port(grow: Grow, medium: Path, **named: str) -> Port:
    return Port(grow, line(medium, **named), number_of(medium))


def test_what_was_written_is_read_back_past_the_cache(grow: Grow, medium: Path) -> None:
    found = port(grow, medium).readings()
    assert (found["medium"], found["identical"], found["past_cache"]) == ("blue stick 2", True, True)
    assert all(isinstance(found[name], float) and found[name] > 0 for name in ("write_rate", "read_rate"))
    assert sorted(p.name for p in medium.iterdir()) == ["lost+found", MARKER]


def test_a_bit_that_turned_over_on_the_way_is_seen(
    grow: Grow, medium: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.write

    def damages(fd: int, data: memoryview) -> int:
        return real(fd, bytes([data[0] ^ 1]) + data[1:])

    monkeypatch.setattr(local_media.os, "write", damages)
    assert port(grow, medium).readings()["identical"] is False


def test_data_that_went_missing_is_seen(grow: Grow, medium: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A medium that says it wrote and did not."""
    real = os.fsync

    def loses(fd: int) -> None:
        if not os.path.isdir(f"/proc/self/fd/{fd}"):  # noqa: PTH112
            os.ftruncate(fd, 1_000_000)
        real(fd)

    monkeypatch.setattr(local_media.os, "fsync", loses)
    assert port(grow, medium).readings()["identical"] is False


@pytest.mark.parametrize(("call", "number"), [("write", errno.EIO), ("fsync", errno.ENODEV), ("readv", errno.EIO)])
def test_a_port_that_gives_up_on_the_way_fails_and_says_how(
    grow: Grow, medium: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int
) -> None:
    def breaks(*given: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(local_media.os, call, breaks)
    found = port(grow, medium).readings()
    assert found["identical"] is False and errno.errorcode[number] in str(found["fault"])
    monkeypatch.undo()
    assert not (medium / DATA).exists()


@pytest.mark.parametrize("text", [None, "", "another-marker\n", f"x{MARKER}\n"])
def test_no_medium_without_the_marker_is_ever_written_to(grow: Grow, medium: Path, text: str | None) -> None:
    (medium / MARKER).unlink()
    if text is not None:
        (medium / MARKER).write_text(text)
    before = sorted((p.name, p.stat().st_mtime_ns) for p in medium.iterdir()), medium.stat().st_mtime_ns
    with pytest.raises(NotPossible, match="not the station's test medium"):
        port(grow, medium).readings()
    assert (sorted((p.name, p.stat().st_mtime_ns) for p in medium.iterdir()), medium.stat().st_mtime_ns) == before


def test_a_link_to_a_marker_is_none(grow: Grow, medium: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text(f"{MARKER}\n")
    (medium / MARKER).unlink()
    (medium / MARKER).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(NotPossible, match="not the station's test medium"):
        port(grow, medium).readings()


def test_another_file_system_at_the_mount_point_is_left_alone(grow: Grow, medium: Path, tmp_path: Path) -> None:
    """The mount table and what is there now disagree: the customer's disk may be what is there."""
    other = tmp_path / "other"
    other.mkdir()
    (other / MARKER).write_text(f"{MARKER}\n")
    told = line(medium).replace(str(medium).replace(" ", "\\040"), str(other))
    with pytest.raises(NotPossible, match="not on the medium at this port"):
        Port(grow, told, number_of(medium)).readings()
    assert [p.name for p in other.iterdir()] == [MARKER]


def test_what_a_killed_run_left_is_written_anew(grow: Grow, medium: Path) -> None:
    (medium / DATA).write_text("left")
    assert port(grow, medium).readings()["identical"] is True
    assert not (medium / DATA).exists()


def test_where_the_file_system_knows_no_way_past_the_cache_it_says_so(
    grow: Grow, medium: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.open

    def refuses(path: str, flags: int, *more: int, **named: int) -> int:
        if flags & os.O_DIRECT:
            raise OSError(errno.EINVAL, "Invalid argument", path)
        return real(path, flags, *more, **named)

    monkeypatch.setattr(local_media.os, "open", refuses)
    found = port(grow, medium).readings()
    assert (found["identical"], found["past_cache"]) == (True, False)


@pytest.mark.parametrize(
    ("mounts", "words"),
    [("", "is not mounted"), ("options=ro", "mounted read-only"), ("root=/folder", "is not mounted")],
)
def test_a_medium_that_cannot_be_written_to(grow: Grow, medium: Path, mounts: str, words: str) -> None:
    key, _, value = mounts.partition("=")
    told = line(medium, **{key: value}) if key else "garbage\n36 35 8:1\n"
    with pytest.raises(NotPossible, match=words):
        Port(grow, told, number_of(medium)).readings()


def test_a_full_medium_and_one_at_another_port(grow: Grow, medium: Path, tmp_path: Path) -> None:
    with pytest.raises(NotPossible, match="no room"):
        port(grow, medium).readings(megabytes=100)
    with pytest.raises(Absent, match="nothing is plugged in"):
        port(lambda tree: grow({f"b/{k}": v for k, v in tree.items()}) / "b", medium).readings(path="2-1")


def test_a_device_that_is_no_medium(grow: Grow, medium: Path) -> None:
    with pytest.raises(NotPossible, match="no storage medium"):
        Port(grow, line(medium), number_of(medium), at="2-20/block/sdx").readings()


@pytest.mark.parametrize("megabytes", [0, 257, -1])
def test_settings_that_make_no_sense(grow: Grow, tmp_path: Path, megabytes: int) -> None:
    with pytest.raises(VerifierError, match="megabytes"):
        Port(grow, "", "8:1").readings(megabytes=megabytes)
