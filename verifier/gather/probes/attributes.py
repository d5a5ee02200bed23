"""One-line files of a host, as the kernel writes them under /sys and /proc.

What hardware says is hostile: texts are cut and control characters kept out, numbers are plain
decimal ones. A file that is not there, or that the kernel answers with "no such value", reads as
None. Other errors are left to the caller.
"""

from __future__ import annotations

import errno
import re
import unicodedata

from verifier.services import Files

TEXT_LIMIT = 200
"""Characters kept of a text that hardware gives."""
FILE_LIMIT = 8192
"""Bytes read of such a file: sysfs gives a page at the most."""
LARGEST = 2**53
"""Larger whole numbers are not exact in a record."""

NO_VALUE = frozenset(
    {
        errno.ENOENT,
        errno.ENOTDIR,
        errno.EISDIR,
        errno.ELOOP,
        errno.ENODEV,
        errno.ENXIO,
        errno.ENODATA,
        errno.EINVAL,
        errno.EOPNOTSUPP,
        errno.EAGAIN,
        errno.ENETDOWN,
    }
)
"""Errors with which a driver says that there is no such value now (EINVAL: the speed of a link that is down)."""

_NUMBER = re.compile(r"[+-]?\d{1,19}")


def clean(raw: bytes) -> str:
    """Text of one line: control characters and runs of blanks become one space, the rest stays as it is."""
    text = raw.decode("utf-8", "replace")
    if text.isascii() and text.removesuffix("\n").isprintable():
        return " ".join(text.split())[:TEXT_LIMIT]  # nearly all of them, thousands in a row where one is watched
    text = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in text)
    return " ".join(text.split())[:TEXT_LIMIT]


async def text_of(files: Files, path: str) -> str | None:
    """The text in a file; None when there is none."""
    try:
        raw = await files.read(path, FILE_LIMIT)
    except OSError as error:
        if error.errno in NO_VALUE:
            return None
        raise
    return clean(raw) or None


async def number_of(files: Files, path: str) -> int | None:
    """The whole number in a file; None when there is none that can be believed."""
    text = await text_of(files, path)
    if text is None or not _NUMBER.fullmatch(text):
        return None
    value = int(text)
    return value if abs(value) <= LARGEST else None


async def names_in(files: Files, path: str) -> list[str]:
    """Sorted names in a folder; none when it is not there."""
    try:
        return await files.names(path)
    except OSError as error:
        if error.errno in NO_VALUE:
            return []
        raise


def refuse_bad_interface(name: str) -> None:
    """ValueError where a setting is no name of a network interface; empty is left to the caller."""
    if name and not re.fullmatch(r"(?!\.)[^\s/:\x00]{1,15}", name):
        raise ValueError(f"{name[:40]!r} is no interface name, such as eth0")
