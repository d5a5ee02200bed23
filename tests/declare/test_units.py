"""Units against pint, an independent library, and against UCUM's own tables."""

import itertools
import math
import subprocess
import sys
from functools import cache

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.declare import units

PINT = {
    "m": "meter", "s": "second", "g": "gram", "rad": "radian", "K": "kelvin", "A": "ampere", "cd": "candela",
    "mol": "mole", "sr": "steradian", "Hz": "hertz", "Bq": "becquerel", "N": "newton", "Pa": "pascal",
    "J": "joule",
    "W": "watt", "C": "coulomb", "V": "volt", "F": "farad", "Ohm": "ohm", "S": "siemens", "Wb": "weber",
    "T": "tesla",
    "H": "henry", "lm": "lumen", "lx": "lux", "Gy": "gray", "Sv": "sievert", "min": "minute", "h": "hour",
    "d": "day", "a": "year", "wk": "week", "deg": "degree", "l": "liter", "L": "liter", "t": "metric_ton",
    "bar": "bar",
    "atm": "atmosphere", "eV": "electron_volt", "By": "byte", "[in_i]": "inch", "[ft_i]": "foot",
    "[lb_av]": "pound",
    "[lbf_av]": "force_pound", "[psi]": "psi", "mm[Hg]": "mmHg", "[g]": "standard_gravity", "%": "percent",
    "[ppm]": "ppm", "[degF]": "degF", "Cel": "degC", "bit": "bit", "mV": "millivolt", "uV": "microvolt",
    "kHz": "kilohertz", "MHz": "megahertz", "nF": "nanofarad", "pF": "picofarad", "GOhm": "gigaohm",
    "hPa": "hectopascal",
    "cm": "centimeter", "Mbit/s": "megabit/second", "KiBy": "kibibyte", "mA.h": "milliampere*hour",
    "K/W": "kelvin/watt",
    "m/s2": "meter/second**2", "N.m": "newton*meter", "W/m2/K": "watt/meter**2/kelvin",
}  # fmt: skip


@cache
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


def pint_dimension(name: str) -> object:
    return registry().get_dimensionality(registry().Unit(name))


PAIRS = [
    (a, b)
    for a in PINT
    for b in PINT
    if a < b and units.same_dimension(a, b) and not {"bit", "rad"} & dict(units.parse(a).dimensions).keys()
]


@pytest.mark.parametrize("spelling, ucum", [
    ("°C", "Cel"), ("℃", "Cel"), ("m°C", "mCel"), ("Ω", "Ohm"), ("kΩ", "kOhm"), ("M\u2126", "MOhm"), ("µs", "us"),
    ("\u03bcV", "uV"), ("Mbit/s", "Mbit/s"), ("Mbps", "Mbit/s"), ("kB/s", "kBy/s"), ("%", "%"), ("1", "1"),
    ("rpm", "{rev}/min"), ("ppm", "[ppm]"), ("mAh", "mA.h"), ("Nm", "N.m"), ("m/s²", "m/s2"), ("K·W⁻¹", "K/W"),
    ("W/(m2.K)", "W/m2/K"), ("1/s", "1/s"), ("/s", "1/s"), ("dBm", "dBm"), ("dBW", "dB[W]"), ("V^2", "V2"),
    (" A ", "A"),
])  # fmt: skip
def test_bench_spellings_become_ucum(spelling: str, ucum: str) -> None:
    """Codes from UCUM tables 1 to 7; the bench spellings are common practice, no source."""
    assert units.normal(spelling) == ucum


@pytest.mark.parametrize("wrong, hint", [
    ("mhz", '"MHz"'), ("Volts", '"V"'), ("celsius", '"Cel"'), ("khz", '"kHz"'), ("", '"1"'), ("V//A", "V"),
    ("x" * 100, "64"), ("()", "UCUM"), ("((((((((V))))))))", "UCUM"), ("V.", "V"), ("m\x00", "m"),
])  # fmt: skip
def test_what_is_no_unit_is_refused_with_a_hint(wrong: str, hint: str) -> None:
    with pytest.raises(ValueError, match="unit") as error:
        units.normal(wrong)
    assert hint in str(error.value)


@given(st.text(max_size=80))
def test_any_text_is_a_unit_or_refused(text: str) -> None:
    try:
        code = units.normal(text)
    except ValueError:
        assert units.shown(text) == text
    else:
        assert units.normal(code) == code, "canonical text is its own canonical text"


@pytest.mark.parametrize("code", [c for c in PINT if "Cel" not in c and "deg" not in c])
def test_factors_agree_with_pint(code: str) -> None:
    """Recomputed with pint: how many base units one of each is."""
    base = registry().Quantity(1.0, PINT[code]).to_base_units()
    ours = float(units.parse(code).scale)
    dimensions = dict(units.parse(code).dimensions)
    ours /= 1000 ** dimensions.get("g", 0)  # our base is the gram, as UCUM's; pint's is the kilogram
    assert ours == pytest.approx(base.magnitude, rel=1e-9), base


def test_pairs_are_many() -> None:
    assert len(PAIRS) > 40


@pytest.mark.parametrize("a, b", PAIRS)
def test_conversion_agrees_with_pint(a: str, b: str) -> None:
    """Recomputed with pint, offsets included."""
    expected = registry().Quantity(37.25, PINT[a]).to(PINT[b]).magnitude
    assert units.convert(37.25, a, b) == pytest.approx(expected, rel=1e-9)


def test_dimensions_agree_with_pint() -> None:
    """Except where UCUM or this bench keeps bits and angles apart, which pint takes for plain numbers."""
    apart = {"bit", "rad"}
    for (a, name), (b, other) in itertools.product(PINT.items(), repeat=2):
        if not apart & (dict(units.parse(a).dimensions) | dict(units.parse(b).dimensions)).keys():
            assert units.same_dimension(a, b) == (pint_dimension(name) == pint_dimension(other)), (a, b)


def test_a_link_speed_is_no_frequency() -> None:
    assert not units.same_dimension("Mbit/s", "MHz")
    with pytest.raises(ValueError, match="cannot be converted"):
        units.convert(1.0, "Mbit/s", "Hz")


@pytest.mark.parametrize("value, source, target, expected", [
    (300.0, "mA", "A", 0.3), (0.1, "V", "mV", 100.0), (1000.0, "Mbit/s", "Gbit/s", 1.0),
    (25.0, "Cel", "K", 298.15),
    (212.0, "°F", "°C", 100.0), (45000.0, "m°C", "°C", 45.0), (1.0, "MBy/s", "Mbit/s", 8.0),
    (7.0, "mA", "uA", 7000.0),
])  # fmt: skip
def test_bench_conversions_are_exact(value: float, source: str, target: str, expected: float) -> None:
    """A limit of 0.3 A and a reading of 300 mA must meet exactly; arithmetic."""
    assert units.convert(value, source, target) == expected


@pytest.mark.parametrize("dbm, watt", [(0.0, 0.001), (30.0, 1.0), (-30.0, 1e-6), (3.0, 1.9952623149688795e-3)])
def test_dbm_is_ten_decades_a_milliwatt(dbm: float, watt: float) -> None:
    """L = 10 lg(P / 1 mW): ISO 80000-8, from memory; 3 dBm recomputed by hand."""
    assert units.convert(dbm, "dBm", "W") == pytest.approx(watt, rel=1e-12)
    assert units.convert(watt, "W", "dBm") == pytest.approx(dbm, abs=1e-9)
    assert units.convert(watt * 1000, "mW", "dBm") == pytest.approx(dbm, abs=1e-9)


def test_field_levels_count_twenty_a_decade() -> None:
    """L = 20 lg(U / 1 V): ISO 80000-8, from memory; 94 dB SPL is about 1 Pa, common practice."""
    assert units.convert(1.0, "mV", "dBV") == pytest.approx(-60)
    assert units.convert(0.0, "dBmV", "V") == pytest.approx(0.001)
    assert units.convert(94.0, "dB[SPL]", "Pa") == pytest.approx(1.0, rel=3e-3)
    with pytest.raises(ValueError, match="above zero"):
        units.convert(0.0, "W", "dBm")
    with pytest.raises(ValueError, match="beyond all measure"):
        units.convert(1e5, "dBm", "W")


def test_differences_ignore_the_zero_of_a_scale() -> None:
    assert units.convert_difference(0.9, "K", "Cel") == 0.9
    assert units.convert_difference(0.9, "Cel", "K") == 0.9
    assert units.convert_difference(9.0, "[degF]", "K") == 5.0
    assert units.convert_difference(2.0, "dB", "dBm") == 2.0
    assert units.convert_difference(2.0, "mV", "uV") == 2000.0
    assert units.difference_unit("°C") == "K"
    assert units.difference_unit("dBm") == "dB"
    assert units.difference_unit("V") == "V"
    for source, target in (("dBm", "W"), ("dB", "1"), ("V", "A")):
        assert not units.same_difference(source, target)
        with pytest.raises(ValueError, match="difference"):
            units.convert_difference(1.0, source, target)


def test_a_decibel_is_no_level() -> None:
    assert not units.same_dimension("dB", "dBm")
    assert units.same_dimension("dBm", "mW")


@given(st.sampled_from(PAIRS), st.floats(-1e9, 1e9))
def test_there_and_back_again(pair: tuple[str, str], value: float) -> None:
    back = units.convert(units.convert(value, *pair), pair[1], pair[0])
    assert back == pytest.approx(value, rel=1e-9, abs=1e-9)


@given(st.sampled_from(PAIRS), st.floats(-1e6, 1e6), st.floats(0, 1e3))
def test_a_converted_difference_is_the_difference_of_converted_values(
    pair: tuple[str, str], value: float, step: float
) -> None:
    a, b = pair
    apart = units.convert(value + step, a, b) - units.convert(value, a, b)
    size = max(abs(units.convert(value, a, b)), abs(units.convert(value + step, a, b)), 1e-12)
    assert math.isclose(units.convert_difference(step, a, b), apart, rel_tol=1e-6, abs_tol=1e-9 * size)


@pytest.mark.parametrize("text, shown", [
    ("Cel", "°C"), ("kOhm", "kΩ"), ("us", "µs"), ("K/W", "K/W"), ("m/s2", "m/s²"), ("1", ""), ("{rev}/min", "rpm"),
    ("kBy/s", "kB/s"), ("mA.h", "mAh"), ("[ppm]", "ppm"), ("no unit", "no unit"), ("V2", "V²"), ("1/s", "1/s"),
])  # fmt: skip
def test_units_are_shown_as_a_technician_writes_them(text: str, shown: str) -> None:
    assert units.shown(text) == shown


def test_units_load_no_heavy_library() -> None:
    """The command line starts fast; a new interpreter, because this one has loaded them."""
    code = (
        "import sys; from verifier.declare import units; units.convert(1, '°F', 'K'); "
        "print(sorted({'pint', 'numpy', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
