"""A folder that stands for the root of another machine: paths are followed inside it and never leave it.

Every component is opened by itself, relative to the one before, without following links; links are
read and walked here, so that an absolute one starts at the tree's own root and `..` stops there.
"""

from __future__ import annotations

import errno
import os
import stat
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

from verifier.gather.hosts.local import bounded_names, read_regular

LINKS_LIMIT = 40
"""Symbolic links followed for one path, as in Linux (path_resolution(7))."""
PATH_LIMIT = 4096
PARTS_LIMIT = 2048


class Tree:
    """Reads below the folder `root`. Raises the OSErrors that the machine itself would have raised."""

    def __init__(self, root: str) -> None:
        self._root = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def __del__(self) -> None:
        if hasattr(self, "_root"):
            os.close(self._root)

    def read(self, path: str, limit: int) -> bytes:
        with self._found(path) as (folder, name, _):
            if name == ".":
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path)
            return read_regular(name, limit, folder, follow=False)

    def names(self, path: str) -> list[str]:
        with self._found(path) as (folder, name, _):
            fd = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
            try:
                return bounded_names(fd, path)
            finally:
                os.close(fd)

    def real_path(self, path: str) -> str:
        """Where `path` leads, as the machine itself would name it."""
        with self._found(path) as (folder, name, real):
            os.stat(name, dir_fd=folder, follow_symlinks=False)
            return real

    @contextmanager
    def _found(self, path: str) -> Iterator[tuple[int, str, str]]:
        """An open folder, the last name in it ("." for the folder itself), and the path they make."""
        if not path.startswith("/") or "\0" in path:
            raise OSError(errno.EINVAL, "not an absolute path", path[:200])
        if len(path) > PATH_LIMIT:
            raise OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG), path[:200])
        folders = [os.dup(self._root)]
        names: list[str] = []
        try:
            last = self._walk(path, folders, names)
            yield folders[-1], last or ".", "/" + "/".join([*names, *([last] if last else [])])
        finally:
            for fd in folders:
                os.close(fd)

    def _walk(self, path: str, folders: list[int], names: list[str]) -> str:
        """Walk to the folder that holds the last part of `path`; give that part, empty for the folder itself."""
        parts = deque(path.split("/"))
        links = 0
        while parts:
            part = parts.popleft()
            if part in ("", "."):
                continue
            if part == "..":
                if names:
                    os.close(folders.pop())
                    names.pop()
                continue
            try:
                target = os.readlink(part, dir_fd=folders[-1])
            except OSError as error:
                if error.errno != errno.EINVAL:  # EINVAL: there, and no link
                    raise OSError(error.errno, os.strerror(error.errno or 0), path[:200]) from None
            else:
                links += 1
                parts.extendleft(reversed(target.split("/")))
                if links > LINKS_LIMIT or len(parts) > PARTS_LIMIT:
                    raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), path[:200])
                if target.startswith("/"):
                    while names:
                        os.close(folders.pop())
                        names.pop()
                continue
            if not any(p not in ("", ".") for p in parts):
                if parts and not stat.S_ISDIR(os.stat(part, dir_fd=folders[-1], follow_symlinks=False).st_mode):
                    raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), path[:200])
                return part
            folders.append(
                os.open(part, os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folders[-1])
            )
            names.append(part)
        return ""
