import sys
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, str], None]:
    """Install a module as a package of its own with a real entry point, in a folder on the path."""

    def put(module: Path, package: str) -> None:
        site = tmp_path / "site"
        info = site / f"{package.replace('-', '_')}-1.0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[verifier]\n{module.stem} = {module.stem}\n")
        (site / module.name).write_text(module.read_text())
        monkeypatch.syspath_prepend(str(site))
        sys.modules.pop(module.stem, None)

    return put


@pytest.fixture
def unruly(install: Callable[[Path, str], None]) -> None:
    install(Path(__file__).with_name("unruly.py"), "unruly-probes")
