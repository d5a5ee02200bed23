"""Power button, sound cards and the sense of their sockets."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import Absent, NotPossible
from verifier.gather.probes.input_devices import bits

Read = Callable[..., dict[str, Any]]
Grow = Callable[[dict[str, str | bytes]], Path]

KEYBOARD = "402000000 3803078f800d001 feffffdfffefffff fffffffffffffffe"
POWER = "10000000000000 0"
"""As a real laptop of 2008 gives them: bit 52 of the second word of 64 is 116, KEY_POWER."""
CARDS = """\
 0 [PCH            ]: HDA-Intel - HDA Intel PCH
                      HDA Intel PCH at 0xf7e34000 irq 131
 1 [Headset        ]: USB-Audio - Invented Headset
                      Invented Headset at usb-0000:00:14.0-4, full speed
"""
"""Layout of sound/core/init.c, snd_card_info_read (from memory); composed."""


def values(found: dict[str, Any]) -> dict[str, object]:
    return {name: reading.value for name, reading in found.items()}


def device(number: int, name: str, key: str = "0", sw: str = "0", bus: str = "0019") -> dict[str, str | bytes]:
    at = f"sys/class/input/input{number}"
    files = {
        "name": name,
        "capabilities/key": key,
        "capabilities/sw": sw,
        "id/bustype": bus,
        f"event{number}/dev": "",
    }
    return {f"{at}/{file}": f"{text}\n" for file, text in files.items()}


def test_the_power_button_among_keyboards(read: Read, grow: Grow) -> None:
    """Keyboards announce a power key as well: the built-in one among its letters, a plugged-in one beside them."""
    tree = {
        **device(0, "AT keyboard", KEYBOARD, bus="0011"),
        **device(3, "Power Button", POWER),
        **device(5, "Sleep Button", "4000 0 0"),
        **device(7, "USB Keyboard System Control", POWER, bus="0003"),
    }
    assert values(read("button.power", grow(tree))) == {"buttons": 1, "name": "Power Button"}


def test_the_second_power_key(read: Read, grow: Grow) -> None:
    """KEY_POWER2 is 0x164 = 356 = 5·64 + 36 (include/uapi/linux/input-event-codes.h)."""
    tree = device(0, "Front key", "1000000000 0 0 0 0 0")
    assert read("button.power", grow(tree))["name"].value == "Front key"


@pytest.mark.parametrize(
    ("arch", "there"), [("armv7l", True), ("i686", True), ("x86_64", False), ("aarch64", False)]
)
def test_the_same_bits_are_another_key_on_another_word_size(
    read: Read, grow: Grow, arch: str, there: bool
) -> None:
    """100000 0 0 0: bit 20 of the fourth word is 116 in words of 32 and 212, KEY_CAMERA, in words of 64."""
    tree = {**device(0, "Key", "100000 0 0 0"), "proc/sys/kernel/arch": f"{arch}\n"}
    if there:
        assert read("button.power", grow(tree))["buttons"].value == 1
    else:
        with pytest.raises(Absent, match="no power button"):
            read("button.power", grow(tree))


def test_the_word_size_from_the_name_of_the_machine(read: Read, grow: Grow) -> None:
    uname = json.dumps({"argv": ["uname", "-m"], "exit": 0, "stdout": "armv7l\n"})
    tree = {**device(0, "Key", "100000 0 0 0"), "commands/uname.json": uname}
    assert read("button.power", grow(tree))["buttons"].value == 1


def test_long_words_of_one_device_settle_it_for_all(read: Read, grow: Grow) -> None:
    tree = {**device(0, "Camera", "100000 0 0 0"), **device(1, "AT keyboard", KEYBOARD)}
    with pytest.raises(Absent, match="no power button"):
        read("button.power", grow({**tree, "proc/sys/kernel/arch": "armv7l\n"}))


@given(st.sets(st.integers(0, 767)), st.sampled_from([32, 64]))
def test_bitmaps_as_the_kernel_prints_them(numbers: set[int], size: int) -> None:
    """drivers/input/input.c, input_print_bitmap: highest word first, leading zero words left out."""
    whole = sum(1 << n for n in numbers)
    words = [f"{whole >> size * place & (1 << size) - 1:x}" for place in reversed(range(768 // size))]
    while len(words) > 1 and words[0] == "0":
        words.pop(0)
    assert bits(words, size) == numbers


def test_no_input_devices(read: Read, hardware: Path) -> None:
    with pytest.raises(Absent, match="no power button"):
        read("button.power", hardware / "composite")
    with pytest.raises(Absent, match="no headphone socket"):
        read("sound.jack", hardware / "composite")


def asked(event: str, switch: str, exit_code: int) -> str:
    argv = ["evtest", "--query", f"/dev/input/{event}", "EV_SW", switch]
    return json.dumps({"argv": argv, "exit": exit_code, "stdout": ""})


@pytest.mark.parametrize(("exit_code", "plugged"), [(10, True), (0, False), (1, None)])
def test_a_plug_in_the_headphone_socket(read: Read, grow: Grow, exit_code: int, plugged: bool | None) -> None:
    """SW_HEADPHONE_INSERT is 0x02, so sw reads 4; evtest(1): 10 is on, 0 off, 1 an error."""
    tree = {**device(4, "Front Headphone", sw="4"), **device(5, "Lid Switch", sw="1"), **device(6, "Mic", sw="10")}
    tree["commands/a.json"] = asked("event4", "SW_HEADPHONE_INSERT", exit_code)
    found = values(read("sound.jack", grow(tree)))
    assert found.pop("plugged", None) is plugged
    assert found == {"sockets": 1, "name": "Front Headphone"}
    assert read("sound.jack", grow({}), socket="microphone")["name"].value == "Mic"


def test_one_silent_socket_leaves_the_state_open(read: Read, grow: Grow) -> None:
    tree = {**device(4, "Front", sw="4"), **device(5, "Rear", sw="4")}
    tree["commands/a.json"] = asked("event4", "SW_HEADPHONE_INSERT", 0)
    assert "plugged" not in read("sound.jack", grow(tree))


def test_sound_cards(read: Read, grow: Grow) -> None:
    """Documentation/sound/designs/procfile.rst: pcm##p and pcm##c of each card."""
    tree: dict[str, str | bytes] = {"proc/asound/cards": CARDS}
    for name in ("pcm0p", "pcm0c", "pcm3p"):
        tree[f"proc/asound/card0/{name}/info"] = "card: 0\n"
    folder = grow(tree)
    expected = {"cards": 2, "card": "PCH", "name": "HDA Intel PCH", "playback": 2, "capture": 1}
    for wanted in ("PCH", "0"):
        assert values(read("sound.card", folder, card=wanted)) == expected
    with pytest.raises(NotPossible, match="PCH, Headset"):
        read("sound.card", folder)
    with pytest.raises(Absent, match="'HDMI'; there are PCH, Headset"):
        read("sound.card", folder, card="HDMI")


def test_sound_cards_by_sysfs_alone(read: Read, grow: Grow) -> None:
    """As a recording of 2008 has it: pcmC0D0p, pcmC0D0c and pcmC0D1p beside card0."""
    tree: dict[str, str | bytes] = {
        f"sys/class/sound/{n}/dev": "" for n in ("card0", "pcmC0D0p", "pcmC0D0c", "pcmC0D1p")
    }
    assert values(read("sound.card", grow(tree))) == {"cards": 1, "card": "0", "playback": 2, "capture": 1}


def test_no_sound_card(read: Read, grow: Grow) -> None:
    with pytest.raises(Absent, match="no sound card"):
        read("sound.card", grow({"proc/asound/cards": "--- no soundcards ---\n"}))
