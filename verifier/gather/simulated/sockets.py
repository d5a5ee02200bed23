"""The files of what is plugged into a simulated unit: USB, displays, storage, radio, button, sound."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from verifier.gather.simulated.edid import composed
from verifier.gather.simulated.files import Content
from verifier.gather.simulated.parts import Button, Display, Radio, Sound, Storage, Usb
from verifier.gather.simulated.radio import Antennas
from verifier.gather.simulated.state import UnitState
from verifier.services import Clocks

USB = "/sys/bus/usb/devices"
DRM = "/sys/class/drm"
INPUT = "/sys/class/input/input0"
EVENT = "event0"
_HUBS = {"usb1": ("0002", "480"), "usb2": ("0003", "10000")}
"""Root hubs of a controller: product number and speed (Linux drivers/usb/core/hcd.c)."""


def usb(sockets: Mapping[str, Usb], state: UnitState) -> tuple[dict[str, Content], dict[str, Callable[[], bool]]]:
    """Files, and for each path at which a device may turn up whether it is not there now."""
    if not sockets:
        return {}, {}
    contents: dict[str, Content] = {}
    for hub, (product, speed) in _HUBS.items():
        contents |= _device(hub, "1d6b", product, "xHCI Host Controller", speed, kind="09")
    gone: dict[str, Callable[[], bool]] = {}
    for label, socket in sockets.items():
        contents |= _device(socket.fast, "fffe", "0001", f"Test stick {label}", str(socket.speed))
        contents |= _device(socket.slow, "fffe", "0001", f"Test stick {label}", "480")
        for path in (socket.fast, socket.slow):
            gone[f"{USB}/{path}"] = partial(_elsewhere, path, socket, state)
    return contents, gone


def _elsewhere(path: str, socket: Usb, state: UnitState) -> bool:
    """Whether the device in a socket is not at this path now."""
    if not socket.data or socket.fast in state.unplugged:
        return True
    over = socket.fast in state.turned
    open_now = socket.fast_pairs == "open" or (socket.fast_pairs == "open one way up" and over)
    return path != (socket.slow if open_now else socket.fast)


def _device(path: str, vendor: str, product: str, title: str, speed: str, kind: str = "00") -> dict[str, Content]:
    fields = {"idVendor": vendor, "idProduct": product, "product": title, "speed": speed, "bDeviceClass": kind}
    return {f"{USB}/{path}/{name}": f"{text}\n" for name, text in fields.items()}


def displays(sockets: Mapping[str, Display], state: UnitState) -> dict[str, Content]:
    """Files of the connectors (Linux drivers/gpu/drm/drm_sysfs.c)."""
    contents: dict[str, Content] = {}
    for socket in sockets.values():
        contents |= _Connector(socket, state).contents()
    return contents


class _Connector:
    def __init__(self, socket: Display, state: UnitState) -> None:
        self._socket, self._state, self._edid = socket, state, composed(socket)
        if socket.edid == "damaged":
            self._edid = self._edid[:40] + bytes((self._edid[40] ^ 4,)) + self._edid[41:]

    @property
    def _there(self) -> bool:
        return self._socket.hot_plug and self._socket.connector not in self._state.unplugged

    def _said(self) -> bytes:
        return self._edid if self._there and self._socket.edid != "none" else b""

    def _modes(self) -> str:
        best = f"{self._socket.width}x{self._socket.height}\n1920x1080\n1280x720\n" if self._said() else ""
        return f"{best}640x480\n" if self._there else ""

    def contents(self) -> dict[str, Content]:
        at = f"{DRM}/{self._socket.connector}"
        return {
            f"{at}/status": lambda: "connected\n" if self._there else "disconnected\n",
            f"{at}/enabled": lambda: "enabled\n" if self._there else "disabled\n",
            f"{at}/modes": self._modes,
            f"{at}/edid": self._said,
        }


def storage(devices: Mapping[str, Storage]) -> dict[str, Content]:
    """Files of the storage devices (Linux Documentation/ABI/stable/sysfs-block)."""
    contents: dict[str, Content] = {}
    for name, device in devices.items():
        at = f"/sys/block/{name}"
        if not device.seated:
            continue
        contents |= {
            f"{at}/size": f"{round(device.gigabytes * 1e9 / 512)}\n",
            f"{at}/ro": "0\n",
            f"{at}/removable": "0\n",
            f"{at}/queue/rotational": "0\n",
            f"{at}/device/model": f"{device.title}\n",
        }
        for file, text in (("serial", device.number), ("firmware_rev", device.firmware)):
            if text is not None:
                contents[f"{at}/device/{file}"] = f"{text}\n"
    return contents


def radio(made_of: Radio, antennas: Antennas, clocks: Clocks) -> dict[str, Content]:
    """Files of the radio (Linux net/wireless/wext-proc.c, net/bluetooth/hci_sysfs.c)."""
    if not made_of.seated:
        return {"/proc/net/wireless": "Inter-| sta-|   Quality        |\n face | tus | link level noise |\n"}

    def statistics() -> str:
        level = round(antennas.level(clocks.boot()))
        return (
            "Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE\n"
            " face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22\n"
            f" {made_of.interface}: 0000   {max(0, min(70, level + 110))}.  {level}.  {made_of.floor:.0f}."
            "        0      0      0      0      0        0\n"
        )

    at = f"/sys/class/net/{made_of.interface}"
    contents: dict[str, Content] = {
        "/proc/net/wireless": statistics,
        f"{at}/type": "1\n",
        f"{at}/flags": "0x1003\n",
        f"{at}/carrier": "1\n",
        f"{at}/phy80211/name": "phy0\n",
    }
    if made_of.bluetooth:
        contents |= {
            "/sys/class/bluetooth/hci0/type": "primary\n",
            "/sys/class/bluetooth/hci0/rfkill0/type": "bluetooth\n",
            "/sys/class/bluetooth/hci0/rfkill0/state": "1\n",
        }
    return contents


def button(made_of: Button) -> dict[str, Content]:
    """Files of the power button as an input device: key 116 of 64-bit words (Linux drivers/input/input.c)."""
    if not made_of.known:
        return {}
    return {
        f"{INPUT}/name": f"{made_of.title}\n",
        f"{INPUT}/id/bustype": "0019\n",
        f"{INPUT}/capabilities/key": "10000000000000 0\n",
        f"{INPUT}/capabilities/ev": "3\n",
        f"{INPUT}/{EVENT}/dev": "13:64\n",
    }


def sound(made_of: Sound) -> dict[str, Content]:
    """Files of the sound card (Linux sound/core/init.c, pcm.c)."""
    contents: dict[str, Content] = {
        "/proc/asound/cards": f" 0 [Headset        ]: HDA-Quay - {made_of.title}\n"
        f"                      {made_of.title} at 0xa1110000 irq 142\n"
    }
    for count, letter, stream in ((made_of.outputs, "p", "PLAYBACK"), (made_of.inputs, "c", "CAPTURE")):
        for number in range(count):
            contents[f"/proc/asound/card0/pcm{number}{letter}/info"] = (
                f"card: 0\ndevice: {number}\nstream: {stream}\n"
            )
    return contents
