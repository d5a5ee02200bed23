from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def grow(tmp_path: Path) -> Callable[[dict[str, str | bytes]], Path]:
    """Make a composed tree: contents by path; a text that begins with "-> " is a link."""

    def make(contents: dict[str, str | bytes]) -> Path:
        for path, content in contents.items():
            at = tmp_path / path
            at.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(content, str) and content.startswith("-> "):
                at.symlink_to(content[3:])
            else:
                at.write_bytes(content if isinstance(content, bytes) else content.encode())
        return tmp_path

    return make


@pytest.fixture
def hardware() -> Path:
    return Path(__file__).parents[2] / "reference/hardware"


@pytest.fixture
def read() -> Callable[..., dict[str, object]]:
    """Run a built-in probe on a recorded tree in this process; readings by name."""
    import anyio

    from verifier.gather.catalogue import load_catalogue
    from verifier.gather.clocks import RealClocks
    from verifier.gather.hosts import open_host
    from verifier.gather.workers import run_probe

    def take(name: str, folder: Path, /, **settings: object) -> dict[str, object]:
        async def collect() -> dict[str, object]:
            host = open_host(f"recorded:{folder}", RealClocks())
            return {r.name: r async for r in run_probe(load_catalogue().probe(name), host, settings)}

        return anyio.run(collect)

    return take
