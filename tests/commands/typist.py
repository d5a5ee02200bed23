"""A person at a real terminal, who waits for words on the screen and types."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import threading
from pathlib import Path


class Typist:
    """Sits at `verifier` with these words, started in `folder`, whose `station` is the station."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.end, terminal = pty.openpty()
        self.screen = ""
        self._seen = 0
        self.process = subprocess.Popen(
            # Ctrl-C reaches whoever has this as its controlling terminal.
            ["setsid", "--ctty", sys.executable, "-m", "verifier", *words],
            cwd=folder,
            env={**os.environ, "VERIFIER_STATION": str(folder / "station"), "TERM": "dumb", "COLUMNS": "200"},
            stdin=terminal,
            stdout=terminal,
            stderr=terminal,
        )
        os.close(terminal)
        self._changed = threading.Condition()
        self._reader = threading.Thread(target=self._look, daemon=True)
        self._reader.start()

    def _look(self) -> None:
        while True:
            try:
                piece = os.read(self.end, 4096)
            except OSError:  # EIO: nobody holds the terminal any more
                piece = b""
            with self._changed:
                self.screen += piece.decode("utf-8", "replace") or "\0"
                self._changed.notify_all()
            if not piece:
                return

    def when(self, words: str, typed: str = "") -> str:
        """Waits until these words have come, and types. What came before them since the last time."""
        with self._changed:
            found = self._changed.wait_for(lambda: words in self.screen[self._seen :], timeout=60)
            assert found, self.screen
            before, _, _ = self.screen[self._seen :].partition(words)
            self._seen += len(before) + len(words)
        os.write(self.end, typed.encode())
        return before

    def ended(self) -> int:
        """The exit code of the command, once it has ended and all that it said is on the screen."""
        code = self.process.wait(timeout=60)
        self._reader.join(timeout=10)
        os.close(self.end)
        return code
