"""Takes one probe on this computer and prints what it gave. Arguments: its name and its settings as JSON.

Tells on standard error when the probe wants something done, so that a test can do it. What it asks is
answered with the environment's TAKE_ANSWER.
"""

import json
import os
import sys
from typing import Any

import anyio

from verifier.errors import VerifierError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe
from verifier.readings import Reading
from verifier.steps import Ask


async def main(probe: str, settings: dict[str, Any]) -> None:
    found: dict[str, Any] = {}
    try:
        async for one in run_probe(load_catalogue().probe(probe), open_host("local", RealClocks()), settings):
            if isinstance(one, Reading):
                contributions = [[c.basis.value, c.u, c.dof] for c in one.contributions]
                found[one.name] = {
                    "value": one.value,
                    "unit": one.unit,
                    "u": contributions,
                    "origin": one.origin,
                    "remark": one.conditions.remark,
                }
            else:
                if isinstance(one, Ask):
                    one.answer = os.environ["TAKE_ANSWER"]
                print(one.say, file=sys.stderr, flush=True)
    except VerifierError as error:
        found = {"raised": type(error).__name__, "what": error.what, "to_do": error.to_do}
    print(json.dumps(found))


anyio.run(main, sys.argv[1], json.loads(sys.argv[2]))
