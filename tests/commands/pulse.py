"""A sound server of our own with an output that an input hears, and one that hears it with its sides exchanged."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ALSA = """\
pcm.loop { type pulse device "loop" }
pcm.loop_in { type pulse device "loop.monitor" }
pcm.exchanged { type pulse device "exchanged" }
"""
MODULES = """\
load-module module-null-sink sink_name=loop rate=48000 format=float32le
load-module module-remap-sink sink_name=exchanged master=loop channels=2 remix=no \
channel_map=front-left,front-right master_channel_map=front-right,front-left
load-module module-native-protocol-unix
"""


@contextmanager
def sound_server(folder: Path) -> Iterator[dict[str, str]]:
    """PulseAudio, reached through ALSA as any card is: the environment in which it is."""
    (folder / ".asoundrc").write_text(ALSA)
    (folder / "modules.pa").write_text(MODULES)
    environment = {**os.environ, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}
    server = subprocess.Popen(
        ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes", "-F", "modules.pa"],
        cwd=folder,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(100):
            if (folder / "pulse/native").exists():
                break
            assert server.poll() is None
            time.sleep(0.1)
        yield environment
    finally:
        server.terminate()
        server.wait(10)
