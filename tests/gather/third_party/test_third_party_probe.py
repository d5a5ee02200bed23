"""A package of somebody else adds a probe in twenty lines and an entry point."""

import sys
from collections.abc import Callable
from pathlib import Path

import anyio
import pytest

from verifier.errors import InputError
from verifier.gather.catalogue import load_catalogue
from verifier.gather.workers import WorkerPool

MODULE = Path(__file__).with_name("lamp_probe.py")
Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    def put(package: str, module: str, text: str, entries: str = "") -> None:
        site = tmp_path / package
        info = site / f"{package.replace('-', '_')}-1.0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text("[verifier]\n" + (entries or f"{module} = {module}\n"))
        (site / f"{module}.py").write_text(text)
        monkeypatch.syspath_prepend(str(site))
        monkeypatch.delitem(sys.modules, module, raising=False)

    return put


def test_it_is_twenty_lines_at_most() -> None:
    lines = [line for line in MODULE.read_text().splitlines() if line.strip()]
    assert len(lines) <= 20


def test_it_is_found_through_its_entry_point_and_runs_in_a_worker(install: Install, tmp_path: Path) -> None:
    install("lamp-probe", "lamp_probe", MODULE.read_text())
    tree = tmp_path / "tree"
    (tree / "sys/class/leds/power").mkdir(parents=True)
    (tree / "sys/class/leds/power/brightness").write_text("3\n")
    catalogue = load_catalogue()
    declaration = catalogue.declaration("lamp.level")
    assert declaration is not None and catalogue.package("lamp.level") == "lamp-probe"

    async def take() -> list[tuple[str, object]]:
        async with WorkerPool() as pool:
            readings = pool.take("lamp.level", {}, f"recorded:{tree}", declaration=declaration, deadline=20.0)
            return [(r.name, r.value) async for r in readings]

    assert anyio.run(take) == [("level", 3)]


def test_two_probes_of_one_name_are_refused_with_both_packages(install: Install) -> None:
    install("lamp-probe", "lamp_probe", MODULE.read_text())
    install("other-lamps", "other_lamps", MODULE.read_text())
    with pytest.raises(InputError, match=r"lamp\.level: lamp-probe and other-lamps"):
        load_catalogue()


def test_a_built_in_probe_is_not_replaced(install: Install) -> None:
    install("sly", "sly", MODULE.read_text().replace("lamp.level", "identity"))
    with pytest.raises(InputError, match="identity: verifier and sly"):
        load_catalogue()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("import no_such_module_anywhere", "no_such_module_anywhere"),
        ("raise SystemExit(3)", "SystemExit"),
        ("def (", "SyntaxError"),
        (
            "from verifier.hookspecs import hookimpl\n@hookimpl\ndef verifier_probes():\n    1 / 0",
            "ZeroDivisionError",
        ),
        (
            "from verifier.hookspecs import hookimpl\n@hookimpl\ndef verifier_probes(x, y):\n    return []",
            "Argument",
        ),
        (
            "from verifier.hookspecs import hookimpl\n@hookimpl\ndef verifier_probes():\n    return [3]",
            "declaration",
        ),
        (MODULE.read_text().replace("lamp.level", "Lamp!"), "no probe name"),
        (MODULE.read_text().replace("@dataclass\n", ""), "no dataclass"),
        (MODULE.read_text().replace("(level,)", "()"), "no readings"),
    ],
)
def test_a_broken_package_is_named(install: Install, text: str, words: str) -> None:
    install("broken-lamps", "broken_lamps", text)
    with pytest.raises(InputError, match="broken-lamps") as caught:
        load_catalogue()
    assert words in caught.value.what and "pip uninstall broken-lamps" in caught.value.to_do


def test_the_built_in_probes_need_no_metadata_and_are_there_once(
    monkeypatch: pytest.MonkeyPatch, install: Install
) -> None:
    names = load_catalogue().names()
    assert {"identity", "thermal.sensors", "ethernet.link", "usb.device", "usb.devices"} <= set(names)
    install("stale-copy", "stale", "", "local-probes = verifier.gather.probes\nagain = verifier.gather.probes\n")
    assert load_catalogue().names() == names
    monkeypatch.setattr("verifier.gather.catalogue.entry_points", lambda group: [])
    assert load_catalogue().names() == names


def test_an_unknown_probe_is_answered_with_those_there_are() -> None:
    catalogue = load_catalogue()
    assert catalogue.declaration("ethernet.lnik") is None
    with pytest.raises(InputError) as caught:
        catalogue.probe("ethernet.lnik")
    assert "ethernet.link" in caught.value.to_do
