"""The ledger's Merkle tree (RFC 9162, 2.1): hashes, proofs, and their verification. No files, no keys.

A tree is kept as the flat list of all its complete subtrees' hashes in the order in which they
become complete. Appending adds a few hashes at the end and changes none; every proof, for every
past size too, is a few look-ups. With n leaves the list has 2n minus (ones in n's binary form)
entries, and the complete subtree of 2^k leaves from leaf s (a multiple of 2^k) on has its hash
at entry nodes(s) + 2^(k+1) − 2.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from hashlib import sha256

EMPTY_ROOT = sha256().digest()
"""RFC 9162, 2.1.1: the hash of an empty list."""
HASH_BYTES = 32


def leaf_hash(data: bytes) -> bytes:
    """RFC 9162, 2.1.1: SHA-256(0x00 ‖ data)."""
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """RFC 9162, 2.1.1: SHA-256(0x01 ‖ left ‖ right)."""
    return sha256(b"\x01" + left + right).digest()


def nodes(size: int) -> int:
    """Entries in the flat list of a tree with `size` leaves."""
    return 2 * size - size.bit_count()


class Tree:
    """A tree of `size` leaves over a flat list; `node(i)` gives its entry i. Older sizes are views of one list."""

    def __init__(self, size: int, node: Callable[[int], bytes]) -> None:
        self.size, self._node = size, node

    def root(self) -> bytes:
        """RFC 9162, 2.1.1. O(log n)."""
        return self._hash(0, self.size) if self.size else EMPTY_ROOT

    def appended(self, leaf: bytes) -> list[bytes]:
        """The entries that a further leaf with the hash `leaf` adds to the list. O(log n)."""
        added = [leaf]
        position = nodes(self.size)
        height = 0
        while self.size >> height & 1:
            left = self._node(position + height - (2 ** (height + 1) - 1))
            added.append(node_hash(left, added[-1]))
            height += 1
        return added

    def inclusion(self, index: int) -> list[bytes]:
        """RFC 9162, 2.1.3.1: the path from leaf `index` to the root."""
        if not 0 <= index < self.size:
            raise ValueError(f"leaf {index} is not in a tree of {self.size}")
        path: list[bytes] = []
        first, last = 0, self.size
        while last - first > 1:
            middle = first + _split(last - first)
            if index < middle:
                path.append(self._hash(middle, last))
                last = middle
            else:
                path.append(self._hash(first, middle))
                first = middle
        return path[::-1]

    def consistency(self, earlier: int) -> list[bytes]:
        """RFC 9162, 2.1.4.1: that the tree of size `earlier` is the beginning of this one."""
        if not 0 < earlier <= self.size:
            raise ValueError(f"a tree of {earlier} is not the beginning of one of {self.size}")
        path: list[bytes] = []
        first, last, whole = 0, self.size, True
        while earlier != last:
            middle = first + _split(last - first)
            if earlier <= middle:
                path.append(self._hash(middle, last))
                last = middle
            else:
                path.append(self._hash(first, middle))
                first, whole = middle, False
        if not whole:
            path.append(self._hash(first, last))
        return path[::-1]

    def _hash(self, first: int, last: int) -> bytes:
        """The hash over leaves `first` to `last` − 1, for the ranges that occur in proofs."""
        count = last - first
        if count & (count - 1) == 0:
            return self._node(nodes(first) + 2 * count - 2)
        middle = first + _split(count)
        return node_hash(self._hash(first, middle), self._hash(middle, last))


def _split(count: int) -> int:
    """The largest power of two smaller than `count` (k of RFC 9162, 2.1.1)."""
    return 1 << (count - 1).bit_length() - 1


def verify_inclusion(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """RFC 9162, 2.1.3.2: is the leaf with this hash number `index` of the tree with this size and root?"""
    if not 0 <= index < size or not _are_hashes(leaf, root, *path):
        return False
    fn, sn, r = index, size - 1, leaf
    for p in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            r = node_hash(p, r)
            while fn and not fn & 1:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = node_hash(r, p)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and r == root


def verify_consistency(
    earlier: int, later: int, path: Sequence[bytes], earlier_root: bytes, later_root: bytes
) -> bool:
    """RFC 9162, 2.1.4.2: is the tree of size `earlier` the beginning of the one of size `later`?"""
    if not 0 <= earlier <= later or not _are_hashes(earlier_root, later_root, *path):
        return False
    if earlier == later:
        return not path and earlier_root == later_root
    if earlier == 0:
        return not path and earlier_root == EMPTY_ROOT
    hashes = list(path)
    if earlier & (earlier - 1) == 0:
        hashes.insert(0, earlier_root)
    if not hashes:
        return False
    fn, sn = earlier - 1, later - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = hashes[0]
    for c in hashes[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = node_hash(c, fr), node_hash(c, sr)
            while fn and not fn & 1:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = node_hash(sr, c)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and fr == earlier_root and sr == later_root


def _are_hashes(*candidates: bytes) -> bool:
    return all(len(c) == HASH_BYTES for c in candidates)
