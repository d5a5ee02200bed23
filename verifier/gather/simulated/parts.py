"""What a description may hold, part by part. Whatever is left out of a description, the unit does not have.

Keys called `spread` are the standard deviation from unit to unit: the seed decides which unit this is.
Keys called `noise` are the standard deviation of one value from the next.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from verifier.gather.instruments.description import Instrument

Word = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")]
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,79}$")]
# 15 characters: IFNAMSIZ less its zero byte.
Interface = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-][A-Za-z0-9._-]{0,14}$")]
Positive = Annotated[float, Field(ge=1e-6, le=1e9, allow_inf_nan=False)]
AtLeastZero = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1)]
Number = Annotated[float, Field(ge=-1e9, le=1e9, allow_inf_nan=False)]
HardwareAddress = Annotated[str, StringConstraints(pattern=r"^([0-9a-f]{2}:){5}[0-9a-f]{2}$")]
UsbPath = Annotated[str, StringConstraints(pattern=r"^\d{1,3}-\d{1,3}(\.\d{1,3}){0,6}$")]


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Identity(Part):
    """Fields of /sys/class/dmi/id, by their file names (Linux drivers/firmware/dmi-id.c)."""

    product_serial: Word | None = None
    sys_vendor: Word | None = None
    product_name: Word | None = None
    product_version: Word | None = None
    product_family: Word | None = None
    product_sku: Word | None = None
    board_name: Word | None = None
    board_version: Word | None = None
    board_serial: Word | None = None
    bios_version: Word | None = None
    bios_date: Word | None = None


class System(Part):
    """What the unit's own Linux says of itself."""

    name: Word = "Linux"
    kernel: Word = "6.1.0"
    machine: Word = "x86_64"
    runs_ours: bool = True
    """False for a unit that runs nothing of ours: it has neither files nor commands, only its console."""
    memory: AtLeastZero = 0.0
    """Memory that the kernel sees, in GiB; 0 where it does not say."""


class Thermal(Part):
    """A ladder of two nodes with one sensor on the inner one. Resistances in K/W, capacities in J/K."""

    sensor: Word = "x86_pkg_temp"
    """Type of the thermal zone."""
    ambient: Annotated[float, Field(ge=-100, le=200, allow_inf_nan=False)] = 23.0
    """Temperature of the air, in Cel."""
    power: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 2.5
    """Heat of the processor at rest, in W."""
    full_power: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = 10.0
    """Heat of the processor under full load, in W."""
    on_for: AtLeastZero = 7200.0
    """Seconds that the unit has been on when the run begins."""
    block_capacity: Positive = 19.2
    """Processor and heat block."""
    sheet_resistance: Positive = 0.35
    """Heat sheet between processor and block."""
    block_resistance: Positive = 0.90
    """Block to shell."""
    shell_capacity: Positive = 217.0
    shell_resistance: Positive = 2.70
    """Shell to air."""
    spread: AtLeastZero = 0.0
    """Standard deviation of shell_resistance from unit to unit."""
    noise: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] = 0.0
    """Standard deviation of the sensor's noise, in K."""
    step: Annotated[float, Field(ge=0.001, le=10, allow_inf_nan=False)] = 1.0
    """Step of the sensor, in K."""


class Clock(Part):
    """The real-time clock, a crystal of 32.768 kHz kept going by the cell."""

    crystal_ppm: Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)] = 0.0
    """By how much it gains at the crystal's turnover temperature, in millionths."""
    spread: AtLeastZero = 0.0
    """Standard deviation of crystal_ppm."""
    parabola: AtLeastZero = 0.034
    """By how much it loses for each square kelvin away from the turnover temperature, in millionths."""
    turnover: Number = 25.0
    """Temperature at which the crystal is fastest, in Cel."""
    temperature: Number = 25.0
    """Temperature of the crystal, in Cel."""
    ahead: Number = 0.0
    """Seconds that it is ahead of true time when the run begins."""
    holds_up: AtLeastZero = 40.0
    """Seconds without any supply that the unit's own capacitors bridge."""
    forgotten: Annotated[int, Field(ge=0, le=2**32)] = 946_684_800
    """What it shows after it has lost its time, in seconds since 1970; 946684800 is the year 2000."""
    lost: bool = False
    """True where it has lost its time before the run begins."""
    backup: AtLeastZero = 4.5e-6
    """What it draws from the cell while the supply is away, in A."""
    rtc: Annotated[str, StringConstraints(pattern=r"^rtc\d{1,3}$")] | None = None
    """What the unit's Linux calls it; left out where the unit has none."""
    flags: bool = True
    """Whether its driver has voltage flags."""


class Cell(Part):
    """The coin cell behind the clock, as it arrives at the main board."""

    volts: AtLeastZero = 3.05
    spread: AtLeastZero = 0.0
    connected: bool = True
    """False where its lead is off or the clip does not touch."""
    reversed: bool = False
    low: AtLeastZero = 2.6
    """Volts below which the clock calls it low."""
    empty: AtLeastZero = 2.2
    """Volts below which it keeps no clock going."""
    ohms: AtLeastZero = 15.0
    """Of its own resistance, lead and clip included."""


class Storage(Part):
    """A storage device, by its kernel name."""

    gigabytes: AtLeastZero
    title: Word = "storage"
    number: Word | None = None
    """Its serial number."""
    firmware: Word | None = None
    seated: bool = True


class Usb(Part):
    """A socket with the bench's test device in it, by its label."""

    fast: UsbPath
    """Where the device turns up with the fast pairs."""
    slow: UsbPath
    """Where it turns up without."""
    speed: Literal[5000, 10000, 20000] = 5000
    """Mbit/s that the port gives over its fast pairs."""
    fast_pairs: Literal["good", "open", "open one way up"] = "good"
    """A USB-C socket has one set of pairs for each way up of its plug."""
    data: bool = True
    """False where nothing is seen at all."""
    volts: AtLeastZero = 5.08
    """At its contacts without load."""
    spread: AtLeastZero = 0.0
    ohms: AtLeastZero = 0.08
    """Of the way from the regulator to the contacts and back."""
    medium: Annotated[str, StringConstraints(max_length=40, pattern=r"^[ -~]*$")] = ""
    """What its marker calls the device, where it is a test medium that may be written to; it is mounted."""
    errors_per_gigabyte: AtLeastZero = 0.0
    """How often a transfer breaks off."""


class Radio(Part):
    """A radio module with its antennas, and the reference access point of the bench."""

    interface: Interface = "wlan0"
    level: Annotated[float, Field(ge=-150, le=0)] = -48.0
    """What one chain receives of the reference, in dBm."""
    spread: AtLeastZero = 0.0
    """Of level, from unit to unit and place to place, in dB."""
    noise: AtLeastZero = 0.0
    """Of one chain's level from one reading to the next, in dB."""
    floor: Annotated[float, Field(ge=-150, le=0)] = -95.0
    """Noise floor, in dBm."""
    network: Annotated[str, StringConstraints(min_length=1, max_length=32)] = "bench-reference"
    """Name of the reference's network."""
    access_point: HardwareAddress = "02:00:5e:00:00:01"
    frequency: Annotated[int, Field(ge=2400, le=7200)] = 5180
    """MHz."""
    megabits: AtLeastZero = 866.7
    """Mbit/s with all chains."""
    retries_per_second: AtLeastZero = 0.2
    losses_per_hour: Annotated[float, Field(ge=0, le=3600)] = 0.0
    """How often the link is lost."""
    beacon: Annotated[str, StringConstraints(min_length=1, max_length=24)] = "bench-beacon"
    """Name of the Bluetooth reference."""
    beacon_level: Annotated[float, Field(ge=-150, le=0)] = -55.0
    chains: Annotated[dict[Name, AtLeastZero], Field(min_length=1, max_length=8)]
    """What is lost between each antenna and its chain, in dB; chains are numbered in this order."""
    bluetooth: bool = True
    seated: bool = True


class Button(Part):
    """The power button."""

    title: Word = "Power Button"
    known: bool = True
    """Whether the system has it among its input devices."""
    missed: Share = 0.0
    """Presses that are not heard."""
    doubled: Share = 0.0
    """Presses that are heard twice."""
    bounce: AtLeastZero = 0.0
    """Seconds for which its contact opens again after it has closed; 0 where the bounce is filtered."""
    sticks: bool = False
    """True where it stays down."""
    reaction: Positive = 0.6
    """Seconds from "press now" to the press, of whoever presses."""
    hold: Positive = 0.12
    """Seconds that it is held down."""
    hold_visible: bool = False
    """False for a button behind ACPI, which reports press and release together."""


class Display(Part):
    """A display socket with the bench's test display at its other end, by its label."""

    connector: Annotated[str, StringConstraints(pattern=r"^card\d{1,3}-[A-Za-z][A-Za-z0-9-]{0,40}$")]
    hot_plug: bool = True
    """False where the display is not noticed."""
    edid: Literal["good", "none", "damaged"] = "good"
    """How the display's own description comes over the data channel."""
    lanes: Annotated[int, Field(ge=0, le=4)] = 4
    """Lanes that carry a picture."""
    width: Annotated[int, Field(ge=640, le=4095)] = 2560
    height: Annotated[int, Field(ge=480, le=4095)] = 1440
    refresh: Annotated[int, Field(ge=24, le=240)] = 60
    maker: Annotated[str, StringConstraints(pattern=r"^[A-Z]{3}$")] = "BWF"
    product: Annotated[int, Field(ge=0, le=65_535)] = 1
    title: Annotated[str, StringConstraints(pattern=r"^[ -~]{1,12}$")] = "Test display"


class Sound(Part):
    """A sound card with a headset socket. Channels: 1 is as loud as it should be, 0 is dead."""

    title: Word = "Headset"
    outputs: Annotated[int, Field(ge=0, le=8)] = 1
    inputs: Annotated[int, Field(ge=0, le=8)] = 1
    left: Share = 1.0
    right: Share = 1.0
    microphone: Share = 1.0
    swapped: bool = False
    crosstalk: Share = 0.0001
    """Part of each side that is heard on the other."""
    distortion: Share = 0.0005
    """Of the third order, at full scale."""
    noise: Share = 0.00003
    """Of full scale."""
    hum: Share = 0.0
    """Of 50 Hz."""
    beep: Annotated[tuple[Word, ...], Field(max_length=20)] = ()
    """The command of the unit that plays one beep; none where left out."""


class Supply(Part):
    """Currents that the unit draws from its supply, in A."""

    volts: AtLeastZero = 19.0
    off: AtLeastZero
    idle: AtLeastZero
    start: AtLeastZero = 0.0
    """While it starts."""
    start_seconds: AtLeastZero = 25.0
    spread: AtLeastZero = 0.0
    """Of all of them, as a share."""
    noise: AtLeastZero = 0.0
    """The same, from one reading to the next."""


class Ethernet(Part):
    """A wired port as the kernel shows it under /sys/class/net."""

    interface: Interface
    address: HardwareAddress = "02:00:00:00:00:01"
    enabled: bool = True
    link: bool = True
    speed: Annotated[int, Field(ge=10, le=400_000)] = 1000
    """Mbit/s."""
    duplex: Literal["half", "full"] = "full"
    frames_per_second: Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)] = 0.0
    """Frames received, and as many sent."""
    loss: Share = 0.0
    """Frames that are lost on the way, each way."""
    round_trip: Annotated[float, Field(ge=1e-6, le=10)] = 0.0004
    """Seconds to the bench's far end and back."""
    errors_per_hour: AtLeastZero = 0.0
    """Frames received with an error, spread evenly."""
    drops_per_hour: Annotated[float, Field(ge=0, le=3600)] = 0.0
    """How often the link is lost, at moments that chance decides."""
    drops_moved: Annotated[float, Field(ge=0, le=10)] = 0.0
    """How often a second it is lost while its plug is moved."""
    drop_seconds: Annotated[float, Field(ge=0.01, le=10)] = 0.6
    """For how long."""


class Line(Part):
    """A serial line with a console at its far end: it answers a line that ends in CR, LF or both."""

    name: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,31}$")]
    """`simulated://NAME` opens it."""
    title: Word = "console"
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    """8 data bits, no parity, one stop bit: ten bits a character."""
    delay: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)] = 0.01
    """Seconds from the end of a command to the first character of its answer."""
    errors: Share = 0.0
    """Characters that arrive damaged, either way."""
    handshake: bool = True
    """Whether its flow control works."""
    replies: Annotated[dict[Word, Word], Field(max_length=200)] = Field(default_factory=dict)
    """Answers by command. {serial} is the unit's serial number, {firmware} its level, {time} its clock as
    YYYY-MM-DD hh:mm:ss."""
    unknown: Word = "ERR 1 unknown command"
    """The answer to anything else."""


class Relay(Part):
    """An output contact of a unit that is asked over a console."""

    close: Word
    """The command that closes it."""
    open: Word
    reply: Word = "OK"
    stuck: Literal["no", "open", "closed"] = "no"
    drives: Annotated[dict[Name, Number], Field(max_length=64)] = Field(default_factory=dict)
    """What the bench's test plug leads through it to which inputs, in their unit."""


class Input(Part):
    """A measuring input of a unit that is asked over a console."""

    ask: Word
    decimals: Annotated[int, Field(ge=0, le=6)] = 2
    offset: Number = 0.0
    gain: Annotated[float, Field(ge=-1e6, le=1e6)] = 1.0
    spread: AtLeastZero = 0.0
    """Standard deviation of offset."""
    noise: AtLeastZero = 0.0
    connected: bool = True


class Lamp(Part):
    """A lamp that is switched over a console."""

    on: Word
    off: Word
    reply: Word = "OK"


class Battery(Part):
    """A lithium battery with its gauge and its charger."""

    name: Name = "BAT0"
    amp_hours: Positive = 7.6
    left: Share = 0.98
    """What is left of amp_hours after its years."""
    charge: Share = 0.86
    """When the run begins."""
    amps: Positive = 1.9
    """What the charger gives at the most."""
    full_volts: Positive = 4.35
    ohms: Positive = 0.06
    cutoff: AtLeastZero = 0.1
    """Current in A at which the charger ends the charge."""
    ambient: Number = 23.0
    """Temperature of the air, in Cel."""
    kelvin_per_watt: AtLeastZero = 50.0
    heat_seconds: Positive = 600.0
    health: Word = "Good"
    cycles: Annotated[int, Field(ge=0, le=100_000)] = 41
    connected: bool = True


class Touch(Part):
    """A touch panel."""

    title: Word = "touch panel"
    known: bool = True
    columns: Annotated[int, Field(ge=1, le=100)] = 24
    rows: Annotated[int, Field(ge=1, le=100)] = 16
    width: Annotated[int, Field(ge=2, le=65_536)] = 4096
    height: Annotated[int, Field(ge=2, le=65_536)] = 2560
    dead_from: Annotated[int, Field(ge=0, le=100)] = 0
    """First column of cells that do not answer."""
    dead_columns: Annotated[int, Field(ge=0, le=100)] = 0
    ghosts_per_minute: Annotated[float, Field(ge=0, le=60)] = 0.0
    """Touches of nobody."""


class Keys(Part):
    """Buttons at the side."""

    codes: Annotated[dict[Word, Annotated[int, Field(ge=1, le=0x2FF)]], Field(min_length=1, max_length=8)]
    """Key codes (include/uapi/linux/input-event-codes.h) by name."""
    known: bool = True
    missed: Share = 0.0
    exchanged: bool = False
    """True where each is heard as the one before it."""


class Motion(Part):
    """An accelerometer."""

    title: Word = "accel"
    scale: Positive = 0.00980665
    """m/s2 a count."""
    gain: Positive = 1.0
    noise: AtLeastZero = 0.0
    """In m/s2."""
    dead_axis: Literal["", "x", "y", "z"] = ""


class Camera(Part):
    device: Annotated[str, StringConstraints(pattern=r"^video\d{1,3}$")]
    title: Word
    connected: bool = True
    pictures: bool = True
    """Whether a picture comes: a camera whose data lines are open is found all the same."""


class Backlight(Part):
    """The light behind the panel."""

    name: Name = "panel-backlight"
    shown: Share = 0.8
    """How bright it is."""


class Dock(Part):
    """Contacts to a dock."""

    supply: Name = "dock-in"
    usb: UsbPath = "1-2"
    supply_contact: bool = True
    usb_contact: bool = True
    network: Interface = "eth0"
    """The wired port that goes through it."""


class Case(Part):
    """A case that is sealed against water."""

    leak: AtLeastZero = 0.0
    """Fall of pressure in Pa a second, at the test pressure."""
    spread: AtLeastZero = 0.0
    filled: AtLeastZero = 2000.0
    """Pa above the room's, when the technician has filled it."""


class Bench(Part):
    """An instrument of the bench, and what it is connected to."""

    at: Word
    """supply: it feeds the unit; usb: it hangs on the socket into which it was plugged last; air: it is beside the
    unit; case: it measures the pressure inside; cell: it is across the coin cell; or another measuring point, such
    as backup (in the lead of the cell)."""
    instrument: Instrument
    """As a file of the station describes it, without a port."""
    contacts: Annotated[dict[Name, Positive], Field(max_length=64)] = Field(default_factory=dict)
    """Of a relay card at cell: the resistor in Ohm that each of its contacts puts across it."""


class Seen(Part):
    """What the scripted technician finds at one prompt, where it is not what the suite asks for."""

    value: bool | int | float | Annotated[str, StringConstraints(max_length=2000)] | None = None
    """The answer."""
    reads: Word | None = None
    """Or the measuring point that is read: cell, backup, supply.off, supply.idle, usb.LABEL, display.LABEL
    (squares that are seen there), sound.beeps, sound.tones, button.heard, line.NAME.of.COUNT (lines printed
    whole)."""
    amps: AtLeastZero = 0.0
    """Load on it."""
    half_width: AtLeastZero = 0.0
    """How far the technician's meter may be off, in the unit of the point (V or A); the same all through a run."""
    step: AtLeastZero = 0.0
    """Last digit of it."""
    chance: Share = 1.0
    """How often he notices; else he answers as if all were well."""
    does: Literal["", "turn plugs", "cut supply"] = ""
    """What his answer does to the unit: it turns over the USB-C plugs, or takes the supply away for as long as the
    action lasts."""
