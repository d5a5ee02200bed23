"""What somebody has done to the simulated unit since the run began: the one thing about it that is kept."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class UnitState:
    turned: set[str] = field(default_factory=set)
    """USB paths at which the plug is in the other way up."""
    unplugged: set[str] = field(default_factory=set)
    """USB paths and display connectors from which the plug was pulled."""
    moved: list[tuple[float, float]] = field(default_factory=list)
    """When the network plug was moved, in seconds of boot time; up to infinity while it still is."""
    presses: list[float] = field(default_factory=list)
    """When the power button was pressed, in seconds of boot time."""
    cuts: list[tuple[float, float]] = field(default_factory=list)
    """When the supply was away."""
    closed: dict[str, bool] = field(default_factory=dict)
    """Relays that were told to close."""
    lamp: bool = False
    minute: float = 0.0
    """The last full minute at which a key was pressed, in seconds since 1970."""
    charging: bool = False
    docked: bool = True
    wiped: bool = False
    """Whether a finger is wiped over the panel while it is next recorded."""
    key: int = 0
    """The side button that is pressed meanwhile, by its code; 0 for none."""
    lies_on: str = "screen up"
    filled_at: float | None = None
    """When the case was filled for the pressure test, in seconds of boot time."""
    loaded: str = ""
    """Label of the socket on which the bench's load hangs."""
    code: str = ""
    """What stands in the code that the bench shows."""
    squares: int = 0
    """How many squares the unit drew last."""
    beeps: int = 0
    """How many beeps it was told to play since somebody was asked for them."""
