"""A loop-back in a whole run: through PortAudio, ALSA and a sound server, in a worker, judged, sealed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any

import anyio
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench
from pulse import sound_server

from verifier.errors import Absent, BenchFault, NotPossible
from verifier.gather.hosts import local_sound
from verifier.gather.sound import Recording

LIMITS = """[
  { reading = "left_arrives", is = true, source = "invented" },
  { reading = "right_arrives", is = true, source = "invented" },
  { reading = "swapped", is = false, source = "invented" },
  { reading = "left_level", nominal = -6, tolerance = 0.1, unit = "dB", source = "invented" },
  { reading = "right_thd_n", at_most = -90, unit = "dB", source = "invented" },
]"""
SUITE = f"""
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal, headset"
revision = 1
[serial]
label = false
firmware = false
[parts.io-board]
title = "Connector board"
joints = ["headset"]
[joints.headset]
title = "Port 9, headset"

[[checks]]
id = "headset"
title = "Headset socket, loop-back plug fitted"
probe = "sound.loop"
settings = {{ output = "loop", input = "loop_in", seconds = 1.0 }}
covers = ["headset"]
limits = {LIMITS}

[[checks]]
id = "exchanged"
title = "The same with its sides exchanged"
probe = "sound.loop"
settings = {{ output = "exchanged", input = "loop_in", seconds = 1.0 }}
required = false
limits = {LIMITS}
"""


def readings(check: dict[str, Any]) -> dict[str, Any]:
    return {r["name"]: r["value"] for r in check["attempts"][0]["takes"][0]}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    made.write("sound.toml", SUITE)
    return made


def test_a_loop_back_over_a_sound_server(bench: Bench, tmp_path: Path) -> None:
    folder = tmp_path / "home"
    folder.mkdir()
    with sound_server(folder) as environment:
        before = ("env", f"HOME={environment['HOME']}", f"XDG_RUNTIME_DIR={environment['XDG_RUNTIME_DIR']}")
        run = bench.command("run", "sound.toml", "--technician", "T07", before=before)
    assert run.returncode == 0, run.stdout + run.stderr
    # A computer that is too busy is a bench error, which the run would have said and not released.
    straight, exchanged = bench.record()["checks"]
    found = readings(straight)
    assert straight["attempts"][0]["finding"]["verdict"] == "pass"
    assert float(found["left_level"]) == pytest.approx(-6, abs=0.001)
    assert float(found["left_frequency"]) == pytest.approx(997, abs=0.01)
    # Single precision all the way: nothing between but the arithmetic of three libraries.
    assert float(found["left_thd_n"]) < -120
    found = readings(exchanged)
    assert exchanged["attempts"][0]["finding"]["verdict"] == "fail" and found["swapped"] is True


def test_a_computer_without_a_card_says_so(bench: Bench, tmp_path: Path) -> None:
    run = bench.command("run", "sound.toml", "--technician", "T07", before=("env", f"HOME={tmp_path}"))
    assert run.returncode == 1
    finding = bench.record()["checks"][0]["attempts"][0]["finding"]
    assert (finding["verdict"], finding["absent"]) == ("fail", True)
    assert finding["reason"] == "this computer has no sound output"


def test_a_card_that_this_account_may_not_use_is_not_the_units_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cards = tmp_path / "cards"
    monkeypatch.setattr(local_sound, "CARDS", cards)
    library = SimpleNamespace(query_devices=list)
    with pytest.raises(Absent, match="no sound output"):
        local_sound._chosen(library, "", "output", 2)
    cards.write_text("--- no soundcards ---\n")
    with pytest.raises(Absent):
        local_sound._chosen(library, "", "output", 2)
    cards.write_text(" 0 [Headset        ]: HDA-Quay - Headset\n")
    with pytest.raises(NotPossible, match="group audio"):
        local_sound._chosen(library, "", "output", 2)


def test_outputs_are_chosen_by_part_of_their_name() -> None:
    names = ("Headset: front", "Headset: rear", "Dock", "Mono")
    devices = [
        {"index": n, "name": name, "max_output_channels": 1 if name == "Mono" else 2, "max_input_channels": 0}
        for n, name in enumerate(names)
    ]
    library = SimpleNamespace(query_devices=lambda: devices, default=SimpleNamespace(device=[-1, 2]))
    assert local_sound._chosen(library, "", "output", 2)["name"] == "Dock"
    assert local_sound._chosen(library, "REAR", "output", 2)["index"] == 1
    assert local_sound._chosen(library, "Headset: front", "output", 2)["index"] == 0
    with pytest.raises(NotPossible, match="several sound outputs fit 'headset'"):
        local_sound._chosen(library, "headset", "output", 2)
    with pytest.raises(Absent, match="there are Headset: front, Headset: rear, Dock"):
        local_sound._chosen(library, "line", "output", 2)
    with pytest.raises(NotPossible, match="has 1 channels, not 2"):
        local_sound._chosen(library, "Mono", "output", 2)


class Library:
    """A sound library whose stream ends, or hangs, without an error."""

    PortAudioError = OSError
    default = SimpleNamespace(device=[0, 0])

    def __init__(self, filled: float = 1.0, hangs: Event | None = None) -> None:
        self.filled, self.hangs = filled, hangs

    def query_devices(self) -> list[dict[str, Any]]:
        return [{"index": 0, "name": "Headset", "max_output_channels": 2, "max_input_channels": 2}]

    def playrec(self, frames: Any, rate: int, *, out: Any, device: Any, latency: float) -> None:
        got = round(self.filled * len(frames))
        out[:got] = frames[:got]

    def play(self, frames: Any, rate: int, *, device: Any, latency: float) -> None:
        pass

    def wait(self) -> None:
        if self.hangs:
            self.hangs.wait()

    stop = wait


def record(library: Library, monkeypatch: pytest.MonkeyPatch) -> Recording:
    monkeypatch.setattr(local_sound, "_library", lambda: library)
    moments = iter((0.0, 1.0))  # a card that takes its time
    clocks: Any = SimpleNamespace(loop=lambda: next(moments))
    frames = np.full((100, 2), 0.25)
    return anyio.run(local_sound.LocalSound(clocks).play_and_record, frames, 48_000, ("", ""), 2)


def test_a_recording_that_broke_off_is_known_whatever_stood_in_that_memory(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = record(Library(), monkeypatch)
    assert not whole.lost and (whole.frames == 0.25).all()
    assert record(Library(filled=0.99), monkeypatch).lost


@pytest.mark.parametrize(("took", "lost"), [(2.9, False), (1.2, True)])
def test_beeps_that_broke_off_are_not_counted(took: float, lost: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who heard fewer of them has no unit to blame."""
    monkeypatch.setattr(local_sound, "_library", Library)
    moments = iter((0.0, took))
    clocks: Any = SimpleNamespace(loop=lambda: next(moments))
    play = (local_sound.LocalSound(clocks).play, np.zeros((2 * 48_000, 2)), 48_000, "")
    if lost:
        with pytest.raises(BenchFault, match="sound was lost"):
            anyio.run(*play)
    else:
        assert anyio.run(*play) == "Headset"


def test_a_sound_server_that_hangs_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopping its stream hangs as well."""
    monkeypatch.setattr(local_sound, "SLACK", 0.1)
    monkeypatch.setattr(local_sound, "STOPPING", 0.1)
    hangs = Event()
    try:
        with pytest.raises(BenchFault, match="sound card or sound server hang"):
            record(Library(hangs=hangs), monkeypatch)
    finally:
        hangs.set()


@pytest.mark.parametrize(
    ("hidden", "words"),
    [
        ("sys.modules['sounddevice'] = None", "extra audio"),
        ("import ctypes.util; ctypes.util.find_library = lambda name: None", "PortAudio"),
    ],
)
def test_without_the_extra_it_is_not_run(hidden: str, words: str) -> None:
    """Neither the library nor what stands behind it is needed for anything else."""
    script = f"""
import sys
{hidden}
import anyio
from verifier.errors import NotPossible
from verifier.gather.catalogue import load_catalogue
from verifier.gather.clocks import RealClocks
from verifier.gather.hosts import open_host
from verifier.gather.workers import run_probe

async def take():
    async for _ in run_probe(load_catalogue().probe("sound.loop"), open_host("local", RealClocks()), {{}}):
        pass

try:
    anyio.run(take)
except NotPossible as error:
    print(error.what)
"""
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert words in run.stdout, run.stderr


def test_the_command_line_starts_without_numpy() -> None:
    """Nor does a worker load it before a check needs it."""
    script = (
        "import sys, verifier.commands.main, verifier.gather.catalogue as c; c.load_catalogue(); "
        "import verifier.gather.hosts.local; "
        "assert not {'numpy', 'sounddevice'} & set(sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert run.returncode == 0, run.stderr
