"""The station's append-only ledger: a Merkle tree of sealed records, one for each role of its keys.

A folder `ledger/ROLE` holds

    lock      flock of whoever seals
    tree      hashes of 32 bytes in the order of `merkle.Tree`
    heads     one signed tree head a line; line n is the head over n records
    pending   the record that is being sealed: written before it enters the tree, gone once its file stands
    unplaced  sealed records whose run's folder was gone when they were completed

Steps of one seal, under the lock, each on disk before the next begins:

 1. complete what an earlier process left pending
 2. take the index: as many records as the last signed head counts
 3. sign the record, which now holds its index and that head
 4. write the signed record to `pending`
 5. append its leaf to `tree`
 6. sign the new head, append it to `heads`
 7. write the sealed record with its receipt to the run's folder
 8. remove `pending`

Whatever dies in between, step 1 of the next seal finds either no `pending`, and then nothing has
happened, or a whole one, from which steps 5 to 8 give the same bytes again. A record whose
leaf stands under a signed head is never signed anew.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from verifier.errors import SealError
from verifier.seal import jws, merkle, strict_json
from verifier.seal.durable import append_durably, make_folder, read_bounded, sync_folder, told, write_durably
from verifier.seal.envelope import LARGEST_FILE, Envelope, Receipt
from verifier.seal.keys import SigningKey
from verifier.seal.record import Disclosed, Disclosure

_LONGEST_HEAD = 4096
_PATIENCE_S = 30.0
"""A seal takes milliseconds; whoever holds the lock longer than this hangs."""

Signing = Callable[[int, str | None], str]
"""Gives the record's JWS for an index and the head before it."""


@dataclass(frozen=True, slots=True)
class Pending:
    """A record on its way into the ledger."""

    run: str
    record: str
    disclosed: Disclosed
    target: Path

    def to_bytes(self) -> bytes:
        disclosed = {digest: {"salt": d.salt, "value": d.value} for digest, d in self.disclosed.items()}
        value = {"run": self.run, "record": self.record, "disclosed": disclosed, "target": str(self.target)}
        return strict_json.dumps(value, what="the pending record") + b"\n"

    @classmethod
    def parse(cls, data: bytes) -> Pending:
        value = strict_json.loads(data, what="the pending record", largest=2 * LARGEST_FILE)
        disclosed = {digest: Disclosure.model_validate(entry) for digest, entry in value["disclosed"].items()}
        return cls(value["run"], value["record"], disclosed, Path(value["target"]))


class Ledger:
    """One role's ledger. Use within `locked`."""

    def __init__(self, folder: Path, key: SigningKey) -> None:
        self._folder, self._key = folder, key
        self._tree = os.open(folder / "tree", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        self._heads = os.open(folder / "heads", os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)

    def close(self) -> None:
        os.close(self._tree)
        os.close(self._heads)

    def complete(self, run: str, target: Path) -> None:
        """Step 1. Also refuses to go on from a ledger that is not whole.

        Where it is `run` that was left pending, `target` is its place now: the station's folder may have moved.
        """
        aside = self._folder / "pending"
        try:
            pending = Pending.parse(read_bounded(aside, 2 * LARGEST_FILE))
        except FileNotFoundError:
            self._check()
            return
        except (SealError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise self._damaged("the record that was being sealed cannot be read back") from error
        if pending.run == run:
            pending = replace(pending, target=target)
        signed = jws.take_apart(pending.record, jws.Typ.RECORD, jws.Typ.AMENDMENT)
        index: int = strict_json.loads(signed.payload, what="the record")["ledger"]["index"]
        size, _ = self._last_head(repair=True)
        if size not in (index, index + 1):
            raise self._damaged(f"record {index} was being sealed, but the last signed head counts {size}")
        if size == index and signed.kid != self._key.thumbprint:
            # Its key is gone and no head has counted it: as if it had never been begun. `resume` seals that run.
            self._remove_pending()
            self._cut_tree(index)
            return
        self._finish(pending, index, size)

    def seal(self, run: str, sign: Signing, disclosed: Disclosed, target: Path) -> None:
        """Steps 2 to 8."""
        index, before = self._last_head()
        pending = Pending(run, sign(index, before), disclosed, target)
        write_durably(self._folder / "pending", pending.to_bytes(), mode=0o600)
        self._finish(pending, index, index)

    def standing(self) -> tuple[int, str]:
        """Size and root of the ledger as it is."""
        size, _ = self._last_head()
        return size, self.tree(size).root().hex()

    def tree(self, size: int) -> merkle.Tree:
        return merkle.Tree(size, self._node)

    def _finish(self, pending: Pending, index: int, size: int) -> None:
        """Steps 5 to 8; `size` is what the last signed head counts."""
        leaf = merkle.leaf_hash(pending.record.encode("ascii"))
        if size == index:
            self._cut_tree(index)
            os.lseek(self._tree, 0, os.SEEK_END)
            append_durably(self._tree, b"".join(self.tree(index).appended(leaf)))
            append_durably(self._heads, f"{self._sign_head(index + 1)}\n".encode("ascii"))
        _, head = self._last_head()
        tree = self.tree(index + 1)
        path = tree.inclusion(index)
        if head is None or not merkle.verify_inclusion(leaf, index, index + 1, path, _root(head)):
            raise self._damaged(f"the signed head over {index + 1} records does not include record {index}")
        receipt = Receipt(index=index, size=index + 1, path=tuple(step.hex() for step in path), head=head)
        data = Envelope(pending.record, receipt, pending.disclosed).to_bytes()
        write_durably(self._place(pending), data)
        self._remove_pending()

    def _place(self, pending: Pending) -> Path:
        if pending.target.parent.is_dir():
            return pending.target
        unplaced = self._folder / "unplaced"
        make_folder(unplaced)
        return unplaced / f"{pending.run}.json"

    def _remove_pending(self) -> None:
        os.unlink(self._folder / "pending")  # noqa: PTH108 - the same calls as in `durable`
        sync_folder(self._folder)

    def _cut_tree(self, size: int) -> None:
        """Drop what a process that died had begun to append after `size` leaves."""
        whole = merkle.nodes(size) * merkle.HASH_BYTES
        if os.fstat(self._tree).st_size < whole:
            raise self._damaged(f"the tree holds fewer than the {size} records that were signed")
        if os.fstat(self._tree).st_size > whole:
            os.ftruncate(self._tree, whole)

    def _sign_head(self, size: int) -> str:
        payload = strict_json.dumps({"root": self.tree(size).root().hex(), "size": size})
        return self._key.sign(payload, jws.Typ.HEAD)

    def _last_head(self, *, repair: bool = False) -> tuple[int, str | None]:
        """How many records the last signed head counts, and that head. O(1): only the file's end is read.

        A line that was cut off by a crash stands only beside a pending record; `repair` drops it.
        """
        end = os.fstat(self._heads).st_size
        tail = os.pread(self._heads, _LONGEST_HEAD, max(0, end - _LONGEST_HEAD))
        whole, newline, torn = tail.rpartition(b"\n")
        lines = whole.split(b"\n") if newline else []
        if repair:
            if lines and _size_or_none(lines[-1]) is None:
                torn = lines.pop() + newline + torn
            if torn:
                os.ftruncate(self._heads, end - len(torn))
        elif torn:
            raise self._damaged("its last signed head is cut off")
        if not lines:
            return 0, None
        size = _size_or_none(lines[-1])
        if size is None:
            raise self._damaged("its last signed head cannot be read")
        return size, lines[-1].decode("ascii")

    def _check(self) -> None:
        """Tree and last head agree. O(log n)."""
        size, head = self._last_head()
        if os.fstat(self._tree).st_size != merkle.nodes(size) * merkle.HASH_BYTES:
            raise self._damaged(f"its tree does not hold exactly the {size} records that its last head counts")
        if head is not None and self.tree(size).root() != _root(head):
            raise self._damaged("its tree does not have the root of its last signed head")

    def _node(self, number: int) -> bytes:
        node = os.pread(self._tree, merkle.HASH_BYTES, number * merkle.HASH_BYTES)
        if len(node) != merkle.HASH_BYTES:
            raise self._damaged("its tree is shorter than its signed heads say")
        return node

    def _damaged(self, what: str) -> SealError:
        return SealError(
            f"the station's ledger is not whole: {what}",
            where=str(self._folder),
            to_do="Restore the folder from a backup. Without one, move it away and keep it: a new ledger begins, "
            "and whoever audits must be told why.",
        )


@contextmanager
def locked(folder: Path, key: SigningKey, run: str, target: Path) -> Iterator[Ledger]:
    """The ledger in `folder`, for one writer at a time, whole: what an earlier process left is completed first."""
    with told("the ledger cannot be written", folder):
        make_folder(folder)
        lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            _wait_for(lock, folder)
            key.refuse_replaced()
            ledger = Ledger(folder, key)
            try:
                ledger.complete(run, target)
                yield ledger
            finally:
                ledger.close()
        finally:
            os.close(lock)


def proof_under(folder: Path, index: int, size: int) -> list[bytes] | None:
    """The inclusion path of entry `index` in the tree as it was at `size`; None where the tree does not say.

    Only read, without the lock: what stands in the tree never changes. Whoever asks verifies it against a root.
    """
    try:
        handle = os.open(folder / "tree", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        if not 0 <= index < size or os.fstat(handle).st_size < merkle.nodes(size) * merkle.HASH_BYTES:
            return None
        tree = merkle.Tree(size, lambda n: os.pread(handle, merkle.HASH_BYTES, n * merkle.HASH_BYTES))
        return tree.inclusion(index)
    except OSError:
        return None
    finally:
        os.close(handle)


def head_over(folder: Path, size: int) -> str | None:
    """The signed head over `size` records; None where there is none."""
    try:
        with (folder / "heads").open("rb") as heads:
            for number, line in enumerate(heads, 1):
                if number == size:
                    return line.decode("ascii").rstrip("\n") if _size_or_none(line.rstrip(b"\n")) == size else None
    except (OSError, UnicodeDecodeError):
        pass
    return None


def _wait_for(lock: int, folder: Path) -> None:
    until = time.monotonic() + _PATIENCE_S
    while True:
        with suppress(BlockingIOError):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        if time.monotonic() > until:
            raise SealError(
                f"another process has been sealing for more than {_PATIENCE_S:g} seconds",
                where=str(folder / "lock"),
                to_do="See who holds it with `fuser` or `lsof`, end that process, and start again.",
            )
        time.sleep(0.01)


def _size_or_none(line: bytes) -> int | None:
    try:
        payload = jws.take_apart(line.decode("ascii"), jws.Typ.HEAD).payload
        size: int = strict_json.loads(payload)["size"]
    except (SealError, ValueError, KeyError, TypeError):
        return None
    return size


def _root(head: str) -> bytes:
    payload = jws.take_apart(head, jws.Typ.HEAD).payload
    return bytes.fromhex(strict_json.loads(payload)["root"])
