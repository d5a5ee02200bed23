"""The test instruments as a process of their own, and a station's folder that describes them."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

RANGES = {
    "meter": """
[quantities.voltage]
ranges = [
  { full_scale = 2, of_reading = 0.05, counts = 3, resolution = 0.0001 },
  { full_scale = 20, of_reading = 0.05, of_range = 0.01, counts = 2, resolution = 0.001 },
  { full_scale = 200, of_reading = 0.1, counts = 2, resolution = 0.01 },
]
[quantities.current]
ranges = [{ of_reading = 0.2, counts = 5, resolution = 0.0001 }]
[quantities.resistance]
ranges = [{ of_reading = 0.2, counts = 2, resolution = 0.01 }]
""",
    "supply": """
[ceilings]
voltage = 24.5
current = 1.0
[quantities.voltage]
ranges = [{ of_reading = 0.1, absolute = 0.005, resolution = 0.001 }]
[quantities.current]
ranges = [{ of_reading = 0.2, absolute = 0.001, resolution = 0.0001 }]
""",
    "load": """
[ceilings]
current = 3.0
[quantities.voltage]
ranges = [{ of_reading = 0.1, absolute = 0.005, resolution = 0.001 }]
""",
    "power": """
[quantities.power]
ranges = [{ of_reading = 0.5, resolution = 0.01 }]
""",
    "pressure": """
[quantities.pressure]
ranges = [{ full_scale = 5000, of_reading = 0.5, of_range = 0.1, resolution = 0.1 }]
""",
    "clock": """
[quantities.time]
ranges = [{ absolute = 0.002, resolution = 0.0001 }]
""",
    "relays": "",
    "thermometer": """
[quantities.temperature]
ranges = [{ absolute = 0.3, resolution = 0.1 }]
""",
}
KINDS = {
    "meter": "scpi-multimeter",
    "supply": "scpi-supply",
    "load": "electronic-load",
    "power": "power-meter",
    "pressure": "pressure-gauge",
    "clock": "bench-clock",
    "relays": "relay-card",
    "thermometer": "thermometer-printer",
}


class TestInstruments:
    """Started with the first use; `close` ends it."""

    __test__ = False

    def __init__(self, seed: int = 1) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "verifier.gather.instruments.testing", str(seed)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        self.ports: dict[str, str] = json.loads(self._process.stdout.readline())

    def tell(self, **wish: Any) -> dict[str, Any]:
        """Change something, or nothing; the state of all instruments after it."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps(wish) + "\n")
        self._process.stdin.flush()
        state: dict[str, Any] = json.loads(self._process.stdout.readline())
        return state

    def misbehave(self, name: str, how: str) -> None:
        self.tell(misbehave={name: how})

    def on(self, name: str = "supply") -> bool:
        return bool(self.tell()[name]["on"])

    def goes_off(self, name: str = "supply", seconds: float = 60.0) -> bool:
        """Whether the output is off within this time, and still is a moment later."""
        until = time.monotonic() + seconds
        while self.on(name) and time.monotonic() < until:
            time.sleep(0.02)
        return not self.on(name)

    def describe(self, folder: Path, *names: str, **more: str) -> Path:
        """Write the files of these instruments (all, unless named) into a station's `instruments` folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for name in names or tuple(self.ports):
            serial = "" if name == "thermometer" else f'serial = "{name.upper()}-001"\n'
            dates = (
                "" if name == "relays" else 'calibrated = 2026-03-01\ndue = 2999-03-01\ncertificate = "BC-2211"\n'
            )
            text = (
                f'kind = "{KINDS[name]}"\ntitle = "Test {name}"\nport = "{self.ports[name]}"\n{serial}{dates}'
                f"{more.get(name, '')}\n[line]\ntimeout = 0.4\n{RANGES[name]}"
            )
            (folder / f"{name}.toml").write_text(text, "utf-8")
        return folder

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()
