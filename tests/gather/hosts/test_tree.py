"""Paths in a recorded tree are followed inside it and never leave it."""

import errno
import os
import socket
import tempfile
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verifier.gather.hosts.tree import Tree


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "secret").write_text("outside")
    (tmp_path / "tree/sys/devices/port").mkdir(parents=True)
    (tmp_path / "tree/sys/class").mkdir()
    (tmp_path / "tree/sys/devices/port/speed").write_text("1000\n")
    return tmp_path / "tree"


def errno_of(read: object, *args: object) -> int | None:
    with pytest.raises(OSError) as caught:
        read(*args)  # type: ignore[operator]
    return caught.value.errno


def test_relative_and_absolute_links_lead_where_they_led_on_the_machine(root: Path) -> None:
    (root / "sys/class/relative").symlink_to("../devices/port")
    (root / "sys/class/absolute").symlink_to("/sys/devices/port")
    (root / "sys/class/file").symlink_to("absolute/speed")
    tree = Tree(str(root))
    for path in ("/sys/class/relative/speed", "/sys/class/absolute/speed", "/sys/class/file"):
        assert tree.read(path, 100) == b"1000\n"
        assert tree.real_path(path) == "/sys/devices/port/speed"
    assert tree.names("/sys/class/relative") == ["speed"]
    assert tree.names("/sys/class/relative/../..") == ["class", "devices"]


@pytest.mark.parametrize(
    "target",
    [
        "/../../secret",
        "../../../../secret",
        "../" * 50 + "secret",
        "/sys/../../secret",
        "/proc/self/root/etc/passwd",
    ],
)
def test_a_link_that_would_leave_the_tree_leads_nowhere(root: Path, target: str) -> None:
    (root / "sys/out").symlink_to(target)
    (root / "sys/outer").symlink_to(Path(target).parent)
    tree = Tree(str(root))
    assert errno_of(tree.read, "/sys/out", 100) == errno.ENOENT
    with suppress(OSError):
        assert "secret" not in tree.names("/sys/outer")


def test_a_path_with_dots_stays_inside(root: Path) -> None:
    tree = Tree(str(root))
    assert errno_of(tree.read, "/../secret", 100) == errno.ENOENT
    assert errno_of(tree.read, "/sys/../../../secret", 100) == errno.ENOENT
    assert tree.read("/sys/devices/../../../sys/devices/port/speed", 100) == b"1000\n"


def test_loops_end(root: Path) -> None:
    (root / "a").symlink_to("b")
    (root / "b").symlink_to("a")
    (root / "c").symlink_to("/c/c/c")
    tree = Tree(str(root))
    assert errno_of(tree.read, "/a", 100) == errno.ELOOP
    assert errno_of(tree.real_path, "/c/x") == errno.ELOOP


def test_links_that_multiply_end(root: Path) -> None:
    (root / "l0").symlink_to("sys")
    for i in range(1, 30):
        (root / f"l{i}").symlink_to(f"l{i - 1}/../" * 40 + f"l{i - 1}")
    assert errno_of(Tree(str(root)).read, "/l29/devices/port/speed", 100) == errno.ELOOP


def test_only_regular_files_are_read_and_nothing_hangs(root: Path) -> None:
    os.mkfifo(root / "fifo")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(root / "sock"))
    tree = Tree(str(root))
    assert errno_of(tree.read, "/fifo", 100) == errno.EINVAL
    assert errno_of(tree.read, "/sock", 100) == errno.EINVAL
    assert errno_of(tree.read, "/sys", 100) == errno.EISDIR
    assert errno_of(tree.read, "/", 100) == errno.EISDIR
    assert errno_of(tree.names, "/fifo") == errno.ENOTDIR
    if os.geteuid() == 0:
        os.mknod(root / "zero", 0o20644, os.makedev(1, 5))
        assert errno_of(tree.read, "/zero", 100) == errno.EINVAL


def test_the_errors_of_the_machine_itself(root: Path) -> None:
    tree = Tree(str(root))
    assert errno_of(tree.read, "/sys/nothing", 100) == errno.ENOENT
    assert errno_of(tree.read, "/sys/devices/port/speed/x", 100) == errno.ENOTDIR
    assert errno_of(tree.read, "/sys/devices/port/speed/", 100) == errno.ENOTDIR
    assert errno_of(tree.read, "sys/devices/port/speed", 100) == errno.EINVAL
    assert errno_of(tree.read, "/sys\0", 100) == errno.EINVAL
    assert errno_of(tree.read, "/" + "x" * 5000, 100) == errno.ENAMETOOLONG


def test_a_file_longer_than_the_bound_is_refused_not_cut(root: Path) -> None:
    tree = Tree(str(root))
    assert tree.read("/sys/devices/port/speed", 5) == b"1000\n"
    assert errno_of(tree.read, "/sys/devices/port/speed", 4) == errno.EFBIG


def open_below(folder: str) -> list[str]:
    found = []
    for descriptor in Path("/proc/self/fd").iterdir():
        with suppress(OSError):
            found.append(str(descriptor.readlink()))
    return [path for path in found if path.startswith(folder)]


NAMES = st.sampled_from(["a", "b", "c", "..", ".", "", "secret"])
PATHS = st.lists(NAMES, max_size=6).map("/".join)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.sampled_from("abc"), PATHS, min_size=1), st.lists(PATHS, min_size=1, max_size=6))
@example({"a": "../.."}, ["a/secret", "a/a/secret"])
def test_no_mesh_of_links_and_dots_reaches_outside(links: dict[str, str], asked: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "secret").write_text("outside")
        root = Path(folder) / "root"
        (root / "c").mkdir(parents=True)
        for at in (root, root / "c"):
            for name, target in links.items():
                with suppress(OSError):
                    (at / name).symlink_to(target or "/")
        tree = Tree(str(root))
        for path in asked:
            with suppress(OSError):
                assert tree.read("/" + path, 100) != b"outside"
            with suppress(OSError):
                assert "root" not in tree.names("/" + path)
            with suppress(OSError):
                real = tree.real_path("/" + path)
                assert not (root / real[1:]).is_symlink() and ".." not in real
        assert open_below(folder) == [str(root)], "a folder was left open"
