import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from verifier.seal.keys import load_or_create
from verifier.seal.page import seal_page
from verifier.seal.sealing import seal_run
from verifier.seal.trust import TrustList

_SAMPLE = SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("sample_record.py"))))


@pytest.fixture(scope="session")
def sample():
    """sample.record(key, ...) and sample.front(sealed)."""
    return SimpleNamespace(record=_SAMPLE.sample_record, front=_SAMPLE.small_front)


@pytest.fixture(scope="session")
def bench(tmp_path_factory, sample):
    """One station with three sealed runs and their reports. Tests read it and do not write to it."""
    root = tmp_path_factory.mktemp("bench")
    key, _ = load_or_create(root / "keys", "station")
    runs = []
    for name in ("20261125T101512Z-aaaaaa", "20261125T111512Z-bbbbbb", "20261125T121512Z-cccccc"):
        folder = root / "runs" / name
        folder.mkdir(parents=True)
        record, disclosed = sample.record(key, run=name)
        sealed = seal_run(record, disclosed, key, root / "ledger", folder / "sealed.json")
        page = seal_page(sample.front(sealed.raw), sealed.raw, key, "verifier 0.1.0")
        (folder / "report.html").write_bytes(page)
        runs.append(SimpleNamespace(folder=folder, sealed=sealed, page=page, record=record, disclosed=disclosed))
    return SimpleNamespace(root=root, key=key, runs=runs, trust=TrustList.of([key]))
