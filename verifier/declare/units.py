"""Units of measure: UCUM text, the spellings benches use for it, and conversion.

UCUM is the Unified Code for Units of Measure (ucum.org), case-sensitive form. Bench spellings (°C, Ω,
µ, Mbps, rpm, mAh, dBm) are understood and turned into it. Factors are exact fractions, so that a limit
of 0.3 A and a reading of 300 mA meet exactly. Where this departs from UCUM:

* bits are a dimension of their own, so that a link speed is never taken for a frequency;
* dBm is kept as it is written at a bench (UCUM has B[W] and B[V], and no milliwatt form);
* a degree Celsius in a product or quotient (Cel/min) stands for a difference, a kelvin.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

LONGEST = 64
"""Characters of a unit text that are looked at; longer ones are refused."""

_PREFIXES = {
    **{p: Fraction(10) ** n for p, n in zip("YZEPTGMk", range(24, 0, -3), strict=True)},
    "h": Fraction(100),
    "da": Fraction(10),
    "d": Fraction(1, 10),
    "c": Fraction(1, 100),
    **{p: Fraction(1, 1000**n) for n, p in enumerate("munpfazy", 1)},
    **{p: Fraction(1024) ** n for n, p in enumerate(("Ki", "Mi", "Gi", "Ti"), 1)},
}

# Code: (takes prefixes, how many, of what). UCUM tables 1 to 7; bases have themselves.
_BASES = ("m", "s", "g", "rad", "K", "A", "cd", "mol", "bit", "B")
_PI = Fraction(math.pi)
_ATOMS: dict[str, tuple[bool, Fraction, str]] = {
    "sr": (True, Fraction(1), "rad2"),
    "Hz": (True, Fraction(1), "/s"),
    "Bd": (True, Fraction(1), "/s"),
    "Bq": (True, Fraction(1), "/s"),
    "N": (True, Fraction(1), "kg.m/s2"),
    "Pa": (True, Fraction(1), "N/m2"),
    "J": (True, Fraction(1), "N.m"),
    "W": (True, Fraction(1), "J/s"),
    "C": (True, Fraction(1), "A.s"),
    "V": (True, Fraction(1), "J/C"),
    "F": (True, Fraction(1), "C/V"),
    "Ohm": (True, Fraction(1), "V/A"),
    "S": (True, Fraction(1), "A/V"),
    "Wb": (True, Fraction(1), "V.s"),
    "T": (True, Fraction(1), "Wb/m2"),
    "H": (True, Fraction(1), "Wb/A"),
    "G": (True, Fraction(1, 10_000), "T"),
    "lm": (True, Fraction(1), "cd.sr"),
    "lx": (True, Fraction(1), "lm/m2"),
    "Gy": (True, Fraction(1), "J/kg"),
    "Sv": (True, Fraction(1), "J/kg"),
    "Cel": (True, Fraction(1), "K"),
    "[degF]": (False, Fraction(5, 9), "K"),
    "min": (False, Fraction(60), "s"),
    "h": (False, Fraction(3600), "s"),
    "d": (False, Fraction(86_400), "s"),
    "wk": (False, Fraction(604_800), "s"),
    "a": (False, Fraction(31_557_600), "s"),
    "deg": (False, _PI / 180, "rad"),
    "l": (True, Fraction(1, 1000), "m3"),
    "L": (True, Fraction(1, 1000), "m3"),
    "t": (True, Fraction(1000), "kg"),
    "bar": (True, Fraction(100_000), "Pa"),
    "atm": (False, Fraction(101_325), "Pa"),
    "eV": (True, Fraction("1.602176634e-19"), "J"),
    "By": (True, Fraction(8), "bit"),
    "[in_i]": (False, Fraction("0.0254"), "m"),
    "[ft_i]": (False, Fraction("0.3048"), "m"),
    "[lb_av]": (False, Fraction("0.45359237"), "kg"),
    "[lbf_av]": (False, Fraction("0.45359237") * Fraction("9.80665"), "N"),
    "[psi]": (False, Fraction("4.4482216152605") / Fraction("0.00064516"), "Pa"),
    "m[Hg]": (True, Fraction("133322.387415"), "Pa"),
    "m[H2O]": (True, Fraction("9806.65"), "Pa"),
    "[g]": (True, Fraction("9.80665"), "m/s2"),
    "%": (False, Fraction(1, 100), "1"),
    "[ppth]": (False, Fraction(1, 1000), "1"),
    "[ppm]": (False, Fraction(1, 10**6), "1"),
    "[ppb]": (False, Fraction(1, 10**9), "1"),
}

_OFFSETS = {"Cel": Fraction("273.15"), "[degF]": Fraction("459.67") * Fraction(5, 9)}
"""Kelvin at the zero of the scale (UCUM table 6: special units on interval scales)."""

_LEVELS: dict[str, tuple[int, Fraction, str]] = {
    "dBm": (10, Fraction(1, 1000), "W"),
    "dB[W]": (10, Fraction(1), "W"),
    "dB[V]": (20, Fraction(1), "V"),
    "dB[mV]": (20, Fraction(1, 1000), "V"),
    "dB[uV]": (20, Fraction(1, 10**6), "V"),
    "dB[SPL]": (20, Fraction(2, 100_000), "Pa"),
}
"""Level: (10 for power, 20 for field quantities, reference, its unit). ISO 80000-8; UCUM table 4."""

_SPELLINGS = {
    "°C": "Cel", "degC": "Cel", "°F": "[degF]", "degF": "[degF]", "°": "deg",
    "ohm": "Ohm", "ohms": "Ohm", "Ohms": "Ohm", "sec": "s", "hr": "h", "hour": "h", "hours": "h", "day": "d",
    "year": "a", "years": "a", "yr": "a",
    "byte": "By", "bytes": "By", "kB": "kBy", "KB": "kBy", "MB": "MBy", "GB": "GBy", "TB": "TBy",
    "KiB": "KiBy", "MiB": "MiBy", "GiB": "GiBy", "TiB": "TiBy", "bits": "bit", "ppm": "[ppm]", "ppb": "[ppb]",
    "rpm": "{rev}/min", "fps": "{frame}/s", "px": "{pixel}", "in": "[in_i]", "inch": "[in_i]", "ft": "[ft_i]",
    "psi": "[psi]", "lbf": "[lbf_av]", "mmHg": "mm[Hg]", "Nm": "N.m", "Ncm": "N.cm", "VA": "V.A", "Ah": "A.h",
    "mAh": "mA.h", "Wh": "W.h", "mWh": "mW.h", "kWh": "kW.h", "dBW": "dB[W]", "dBV": "dB[V]", "dBmV": "dB[mV]",
    "dBuV": "dB[uV]", "baud": "Bd", "Bps": "By/s", "kBps": "kBy/s", "MBps": "MBy/s", "bps": "bit/s",
    "kbps": "kbit/s", "Mbps": "Mbit/s", "Gbps": "Gbit/s",
}  # fmt: skip
"""Bench spelling of one unit: UCUM. Looked at before UCUM: nobody at a bench means kilobel by kB."""

_PREFIXED_SPELLINGS = {"°C": "Cel", "degC": "Cel", "ohm": "Ohm", "Ω": "Ohm"}
"""Bench spellings that also come with a prefix, such as m°C."""

_CHARACTERS = str.maketrans({
    "\u00b5": "u", "\u03bc": "u", "\u03a9": "Ω", "\u2126": "Ω", "·": ".", "⋅": ".", "*": ".", "×": ".",
    "℃": "°C", "℉": "°F", "−": "-", "²": "2", "³": "3", "⁻": "-", "¹": "1", "^": None,
})  # fmt: skip

_SIMPLE = re.compile(
    r"(?P<code>\{[^{}]*\}|1(?!\d)|(?:[^\W\d_]|[%°])(?:[^\W\d_]|°|\[[A-Za-z0-9_]+\])*|\[[A-Za-z0-9_]+\])"
    r"(?P<power>[+-]?\d{1,2})?(?P<note>\{[^{}]*\})?",
)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit taken apart."""

    factors: tuple[tuple[str, int], ...]
    """Prefixed codes with their powers, as written."""
    scale: Fraction
    """How many of the coherent base unit it is."""
    dimensions: tuple[tuple[str, int], ...]
    """Base units with their powers, sorted."""
    zero: Fraction | None = None
    """Kelvin at its zero, for temperature scales that do not begin at 0 K."""
    level: str = ""
    """Set for logarithmic levels over a stated reference."""

    @property
    def text(self) -> str:
        """Canonical UCUM text."""
        if self.level:
            return self.level
        above = ".".join(code + (str(n) if n != 1 else "") for code, n in self.factors if n > 0)
        below = "".join(f"/{code}" + (str(-n) if n != -1 else "") for code, n in self.factors if n < 0)
        return (above or ("1" if below else "")) + below or "1"

    @property
    def from_zero(self) -> bool:
        """Whether twice the number is twice the quantity; false for °C and dBm."""
        return self.zero is None and not self.level

    @property
    def difference(self) -> Unit:
        """The unit of a difference of two values in this unit: K for °C, dB for dBm."""
        if self.level:
            return parse("dB")
        if self.zero is None:
            return self
        (code, _), *_ = self.factors
        return Unit(((code.replace("Cel", "K"), 1),), self.scale, self.dimensions)

    def times(self, other: Unit, power: int = 1) -> Unit:
        """Product with a power of another unit; temperature scales count as their differences."""
        a, b = self.difference, other.difference
        return Unit(
            _merged(a.factors, b.factors, power),
            a.scale * b.scale**power,
            tuple(sorted(_merged(a.dimensions, b.dimensions, power))),
        )


_ONE = Unit((), Fraction(1), ())


def _merged(
    a: tuple[tuple[str, int], ...], b: tuple[tuple[str, int], ...], power: int
) -> tuple[tuple[str, int], ...]:
    powers = dict(a)
    for code, n in b:
        powers[code] = powers.get(code, 0) + n * power
    return tuple((code, n) for code, n in powers.items() if n)


@lru_cache(maxsize=2048)
def parse(text: str) -> Unit:
    """A unit text taken apart; ValueError with the nearest valid spelling."""
    if len(text) > LONGEST:
        raise ValueError(f"a unit has at most {LONGEST} characters")
    plain = text.strip().translate(_CHARACTERS)
    if not plain:
        raise ValueError('a unit is missing; a plain number has the unit "1"')
    level = _SPELLINGS.get(plain, plain)
    if level in _LEVELS:
        _, reference, unit = _LEVELS[level]
        quantity = parse(unit)
        return Unit(((level, 1),), reference * quantity.scale, quantity.dimensions, level=level)
    try:
        unit_, rest = _term(plain, 0)
        if rest:
            raise ValueError
    except ValueError:
        raise ValueError(_unknown(text, plain)) from None
    return unit_


def _term(text: str, depth: int) -> tuple[Unit, str]:
    """Left-to-right products and quotients (UCUM section 7); what is left begins with a bracket."""
    if depth > 5:
        raise ValueError
    result, power, first = _ONE, 1, True
    while True:
        if text.startswith("/"):
            power, text = -1, text[1:]
        elif text.startswith(".") and not first:
            power, text = 1, text[1:]
        elif not first:
            return result, text
        if text.startswith("("):
            part, text = _term(text[1:], depth + 1)
            if not text.startswith(")"):
                raise ValueError
            text = text[1:]
        else:
            match = _SIMPLE.match(text)
            if match is None:
                raise ValueError
            text = text[match.end() :]
            part = _code(match["code"])
            if match["power"]:
                part = _ONE.times(part, int(match["power"]))
        # A scale with a zero of its own keeps it only while it stands alone.
        alone = first and power == 1 and not text
        result, first = (part if alone else result.times(part, power)), False


@lru_cache(maxsize=2048)
def _code(code: str) -> Unit:
    if code == "1":
        return _ONE
    if code.startswith("{"):
        return Unit(((code, 1),), Fraction(1), ())
    if code in _SPELLINGS:
        return parse(_SPELLINGS[code])
    for prefix in ("", *_PREFIXES):
        if code.startswith(prefix):
            atom = code.removeprefix(prefix)
            atom = _PREFIXED_SPELLINGS.get(atom, atom)
            factor = _PREFIXES.get(prefix, Fraction(1))
            if atom in _BASES:
                return Unit(((prefix + atom, 1),), factor, ((atom, 1),))
            if atom in _ATOMS and (not prefix or _ATOMS[atom][0]):
                _, count, of = _ATOMS[atom]
                made = parse(of)
                scale = factor * count * made.scale
                return Unit(((prefix + atom, 1),), scale, made.dimensions, zero=_OFFSETS.get(atom))
    raise ValueError(code)


_NAMES = (
    ("celsius", "Cel"), ("kelvin", "K"), ("volt", "V"), ("amp", "A"), ("watt", "W"), ("hertz", "Hz"),
    ("second", "s"), ("minute", "min"), ("pascal", "Pa"), ("percent", "%"), ("gram", "g"), ("metre", "m"),
    ("meter", "m"), ("joule", "J"), ("newton", "N"), ("farad", "F"), ("henr", "H"), ("decibel", "dB"),
    ("lux", "lx"), ("count", "1"),
)  # fmt: skip
"""Names of units, for hints only: UCUM text is their codes."""


def _unknown(text: str, plain: str) -> str:
    known = [*_BASES, *_ATOMS, *_SPELLINGS, *_LEVELS, "%", "Mbit/s", "Gbit/s", "kbit/s", "MBy/s", "K/W", "m/s2"]
    known += [p + a for a in ("V", "A", "W", "Ohm", "F", "H", "Hz", "s", "m", "g", "Pa") for p in "Mkmunp"]
    folded = plain.casefold()
    same = [k for k in known if k.casefold() == folded] or [
        code for name, code in _NAMES if folded.startswith(name)
    ]
    near = same or difflib.get_close_matches(plain, known, n=1, cutoff=0.5)
    hint = f'; did you mean "{near[0]}"?' if near else '; units are UCUM text such as "V", "Mbit/s" or "K/W"'
    return f'"{text}" is not a unit{hint}'


def normal(text: str) -> str:
    """The canonical UCUM text of a unit: "°C" gives "Cel", "kΩ" gives "kOhm", "rpm" gives "{rev}/min".

    Raises ValueError, with the nearest valid spelling, for what is not a unit.
    """
    return parse(text).text


def same_dimension(a: str, b: str) -> bool:
    """Whether values in `a` can be converted to `b`. A dB is comparable to no dBm: it has no reference."""
    return parse(a).dimensions == parse(b).dimensions


def same_difference(a: str, b: str) -> bool:
    """Whether differences and uncertainties in `a` can be converted to `b`: K to °C, dB to dBm."""
    one, other = parse(a).difference, parse(b).difference
    return one.dimensions == other.dimensions


def difference_unit(text: str) -> str:
    """The unit of a difference of two values in this unit: "K" for "Cel", "dB" for "dBm"."""
    return parse(text).difference.text


def convert(value: float, source: str, target: str) -> float:
    """A value in `source` as a value in `target`, correctly rounded where both are linear.

    Levels: L = f lg(Q/Q0) with f = 10 for power and 20 for field quantities (ISO 80000-8). Raises
    ValueError for different dimensions, and for the level of a quantity that is not above zero.
    """
    one, other = parse(source), parse(target)
    if one == other:
        return value
    if one.dimensions != other.dimensions:
        raise ValueError(f"{shown(source)} cannot be converted to {shown(target)}")
    if one.level or other.level:
        return _to_level(_from_level(value, one), other)
    if not math.isfinite(value):
        return value
    kelvin = Fraction(value) * one.scale + (one.zero or 0)
    return float((kelvin - (other.zero or 0)) / other.scale)


def is_level(text: str) -> bool:
    """Whether a unit text is a level, such as dBm; ValueError for one that cannot be read."""
    return bool(parse(text).level)


def _from_level(value: float, unit: Unit) -> float:
    if not unit.level:
        return value * float(unit.scale)
    try:
        return float(unit.scale) * math.pow(10.0, value / _LEVELS[unit.level][0])
    except OverflowError:
        raise ValueError(f"{value:g} {shown(unit.level)} is beyond all measure") from None


def _to_level(quantity: float, unit: Unit) -> float:
    if not unit.level:
        return quantity / float(unit.scale)
    if quantity <= 0:
        raise ValueError(f"only a quantity above zero has a level in {shown(unit.level)}")
    return _LEVELS[unit.level][0] * math.log10(quantity / float(unit.scale))


def convert_difference(value: float, source: str, target: str) -> float:
    """A difference, tolerance, rise or uncertainty in `source` as one in `target`: zeros of scales do not count.

    Raises ValueError for different dimensions, and between a level and its quantity (1 dB is no
    fixed number of watts).
    """
    one, other = parse(source).difference, parse(target).difference
    if one == other:
        return value
    if one.dimensions != other.dimensions:
        raise ValueError(f"a difference in {shown(source)} cannot be converted to {shown(target)}")
    if not math.isfinite(value):
        return value
    return float(Fraction(value) * one.scale / other.scale)


_SHOWN = {"{rev}/min": "rpm", "{frame}/s": "fps", "1": "", "dB[W]": "dBW", "dB[V]": "dBV", "dB[mV]": "dBmV",
          "dB[uV]": "dBµV", "[in_i]": "in", "[ft_i]": "ft", "[psi]": "psi", "[lbf_av]": "lbf", "[degF]": "°F",
          "[ppm]": "ppm", "[ppb]": "ppb", "mA.h": "mAh", "A.h": "Ah", "W.h": "Wh", "kW.h": "kWh", "deg": "°",
          "V.A": "VA", "a": "years", "[lb_av]": "lb", "[g]": "g", "dB[SPL]": "dB SPL"}  # fmt: skip
_SUPERSCRIPTS = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


def shown(text: str) -> str:
    """A unit as a technician writes it: "°C", "kΩ", "µs", "K/W", "m/s²"; empty for a plain number.

    Never raises: what is no unit comes back as it is.
    """
    try:
        unit = parse(text)
    except ValueError:
        return text
    if unit.text in _SHOWN:
        return _SHOWN[unit.text]
    parts = {1: [], -1: []} if unit.factors else {}  # type: dict[int, list[str]]
    for code, power in unit.factors:
        name = _SHOWN.get(code, code).replace("Cel", "°C").replace("Ohm", "Ω").replace("By", "B")
        if name[:1] == "u":
            name = "µ" + name[1:]
        raised = str(abs(power)).translate(_SUPERSCRIPTS) if abs(power) != 1 else ""
        parts[1 if power > 0 else -1].append(name.strip("{}") + raised)
    above, below = parts.get(1, []), parts.get(-1, [])
    return ("·".join(above) or "1") + "".join(f"/{name}" for name in below)
