"""How a compact unit warms up: a ladder of two nodes, solved exactly.

power ──> [block, C1] ──R1── [shell, C2] ──R2── air
"""

from __future__ import annotations

import math
from functools import cached_property

from verifier.gather.simulated.chance import noise, spread
from verifier.gather.simulated.parts import Thermal


class Ladder:
    """Temperature rises over air of the inner and the outer node, in K.

    C1 dT1/dt = P - (T1 - T2)/R1;  C2 dT2/dt = (T1 - T2)/R1 - T2/R2  (heat balance of each node, with
    Fourier's and Newton's laws as lumped resistances). With constant P the deviation from the
    settled state decays as two exponentials; they are the eigenvalues of the system's matrix.
    """

    def __init__(self, *, c1: float, r1: float, c2: float, r2: float) -> None:
        """Capacities in J/K, resistances in K/W, all above 0."""
        self._r1, self._r2 = r1, r2
        self._a, self._b, self._c = 1 / (r1 * c1), 1 / (r1 * c2), 1 / (r2 * c2)
        self.inner = self.outer = 0.0

    @cached_property
    def time_constants(self) -> tuple[float, float]:
        """Both in seconds, the shorter first."""
        a, b, c = self._a, self._b, self._c
        half = (a + b + c) / 2
        # half² - a·c, written so that nothing cancels.
        root = math.sqrt((a - c) ** 2 + b * b + 2 * b * (a + c)) / 2
        # The product of the eigenvalues is a·c: dividing by the larger one loses no digits.
        return 1 / (half + root), (half + root) / (a * c)

    def settled(self, power: float) -> tuple[float, float]:
        """Rises after a long time at `power` in W: inner and outer."""
        return power * (self._r1 + self._r2), power * self._r2

    def advance(self, seconds: float, power: float) -> None:
        """Let `seconds` pass at a constant `power` in W."""
        end_inner, end_outer = self.settled(power)
        x, y = self.inner - end_inner, self.outer - end_outer
        fast, slow = (1 / tau for tau in self.time_constants)
        # x' = -a x + a y, so that x = A e^(-fast t) + B e^(-slow t) with A + B = x(0) and that slope.
        part = (self._a * (x - y) - slow * x) / (fast - slow)
        rest = x - part
        decayed, lasting = part * math.exp(-fast * seconds), rest * math.exp(-slow * seconds)
        self.inner = end_inner + decayed + lasting
        self.outer = end_outer + decayed * (1 - fast / self._a) + lasting * (1 - slow / self._a)


class Sensor:
    """The unit's temperature sensor, at any moment since the run began; moments may only go forward."""

    def __init__(self, made_of: Thermal, seed: int) -> None:
        self._made_of, self._seed = made_of, seed
        # Which unit this is: what differs from unit to unit is how well the shell gives off its heat.
        differs = spread(seed, "shell", made_of.spread)
        self.ladder = Ladder(
            c1=made_of.block_capacity,
            r1=made_of.sheet_resistance + made_of.block_resistance,
            c2=made_of.shell_capacity,
            r2=max(made_of.shell_resistance + differs, made_of.shell_resistance / 10),
        )
        self.power = made_of.power
        """Watts from now on; a load changes it."""
        self._at = 0.0
        self.ladder.advance(made_of.on_for, made_of.power)

    def temperature(self, at: float) -> float:
        """The true temperature in Cel, `at` seconds after the run began."""
        self.ladder.advance(max(0.0, at - self._at), self.power)
        self._at = max(self._at, at)
        return self._made_of.ambient + self.ladder.inner

    def reading(self, at: float) -> float:
        """What the sensor says: with its noise, in its steps.

        The noise is a function of seed and moment, so that neither the order of reading nor a resume changes it.
        """
        shown = self.temperature(at) + noise(self._seed, "sensor", at, self._made_of.noise)
        return round(shown / self._made_of.step) * self._made_of.step
