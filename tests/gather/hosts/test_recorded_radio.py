"""What a radio said, in a recording."""

import json
from pathlib import Path
from typing import Any

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import Absent, InputError, NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.hosts.recorded import RecordedHost
from verifier.gather.hosts.recorded_radio import RecordedRadio
from verifier.gather.workers import run_probe

QUAYSIDE = Path(__file__).parents[2] / "reference/hardware/quayside"
STATION = {"address": "02:00:5E:00:00:01", "level": -45, "chains": {"0": -48, "1": -66}}
WLAN = {"name": "wlan0", "kind": "station", "network": "bench-reference", "antennas": 2}


def take(folder: Path, probe: str, **settings: Any) -> dict[str, Any]:
    async def collect() -> dict[str, Any]:
        host = open_host(f"recorded:{folder}", RealClocks())
        taken = run_probe(load_catalogue().probe(probe), host, settings)
        return {r.name: r.value async for r in taken}  # type: ignore[union-attr]

    return anyio.run(collect)


def test_a_recording_without_it_has_no_radio(tmp_path: Path) -> None:
    host = open_host(f"recorded:{tmp_path}", RealClocks())
    assert isinstance(host, RecordedHost) and "radio" not in host.services
    with pytest.raises(NotPossible, match="over recorded: it needs radio"):
        take(tmp_path, "wifi.station", interface="wlan1")


def test_chains_of_a_recording_are_read_once(tmp_path: Path) -> None:
    (tmp_path / "radio.json").write_text(json.dumps({"interfaces": [WLAN], "stations": {"wlan0": [STATION]}}))
    found = take(tmp_path, "wifi.signal", reference="bench-reference", samples=1000, interval=10.0)
    assert (found["chain_0"], found["chain_1"], found["spread"], found["samples_taken"]) == (-48, -66, 18, 1)
    assert found["access_point"] == "02:00:5e:00:00:01"
    for probe, settings in (
        ("wifi.scan", {"reference": "x"}),
        ("wifi.reconnects", {}),
        ("bluetooth.beacon", {"name": "x"}),
    ):
        with pytest.raises(NotPossible, match="stands still"):
            take(tmp_path, probe, **settings)
    with pytest.raises(Absent, match="no wireless interface wlan3; there are wlan0"):
        take(tmp_path, "wifi.signal", interface="wlan3")


def test_a_tree_whose_radio_was_not_recorded_says_what_cannot_be_known(tmp_path: Path) -> None:
    folder = tmp_path / "proc/net"
    folder.mkdir(parents=True)
    (folder / "wireless").write_text((QUAYSIDE / "proc/net/wireless").read_text())
    assert take(tmp_path, "wifi.signal")["source"] == "/proc/net/wireless"
    with pytest.raises(NotPossible, match="neither the access point nor single chains"):
        take(tmp_path, "wifi.signal", reference="bench-reference")


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ([], "does not hold"),
        ({"interfaces": [], "stations": {}, "more": 1}, "does not hold"),
        ({"interfaces": [{"name": "wlan0"}], "stations": {}}, "an interface without"),
        ({"interfaces": [], "stations": {"wlan0": {}}}, "no list"),
        ({"interfaces": [], "stations": {"wlan0": [{**STATION, "address": "?"}]}}, "a station without"),
        ({"interfaces": [], "stations": {"wlan0": [{**STATION, "chains": {"left": -48}}]}}, "no number"),
        (
            {"interfaces": [], "stations": {"wlan0": [{**STATION, "level": "loud"}]}},
            "'loud', which is no whole number",
        ),
    ],
)
def test_a_bad_file_is_named(tmp_path: Path, told: object, words: str) -> None:
    (tmp_path / "radio.json").write_text(json.dumps(told))
    with pytest.raises(InputError, match=words) as refused:
        open_host(f"recorded:{tmp_path}", RealClocks())
    assert refused.value.where.endswith("radio.json")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


@given(
    st.one_of(
        JSON, st.fixed_dictionaries({"interfaces": st.lists(JSON), "stations": st.dictionaries(st.text(), JSON)})
    )
)
def test_any_contents_are_read_or_refused(told: object) -> None:
    try:
        radio = RecordedRadio(told)
    except ValueError:
        return
    assert isinstance(anyio.run(radio.interfaces), list)
