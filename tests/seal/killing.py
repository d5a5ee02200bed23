"""Seals a run in a forked child that dies at its Nth file operation, for N = 1, 2, 3, ... until one survives.

    python killing.py BENCH OUT     where BENCH holds keys/ and ledger/; copies of it are made as OUT/N

A write dies half done. Every child is killed for real (SIGKILL). Prints how many operations one seal takes.
"""

import os
import runpy
import shutil
import signal
import sys
from pathlib import Path

from verifier.seal.keys import load_or_create
from verifier.seal.sealing import seal_run

OPERATIONS = ("write", "fsync", "replace", "unlink", "ftruncate", "mkdir")


def die_at(number):
    left = number

    def deadly(name, real):
        def call(*args, **kwargs):
            nonlocal left
            left -= 1
            if left == 0:
                if name == "write":
                    real(args[0], bytes(args[1])[: len(args[1]) // 2])
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args, **kwargs)

        return call

    for name in OPERATIONS:
        setattr(os, name, deadly(name, getattr(os, name)))


def main():
    bench, out = Path(sys.argv[1]), Path(sys.argv[2])
    sample = runpy.run_path(str(Path(__file__).with_name("sample_record.py")))["sample_record"]
    for number in range(1, 100):
        copy = out / str(number)
        shutil.copytree(bench, copy)
        (copy / "run").mkdir()
        child = os.fork()
        if child == 0:
            key, _ = load_or_create(copy / "keys", "station")
            record, disclosed = sample(key, run="the-run")
            die_at(number)
            seal_run(record, disclosed, key, copy / "ledger", copy / "run" / "sealed.json")
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status):
            assert os.WEXITSTATUS(status) == 0
            print(number - 1)
            return


main()
