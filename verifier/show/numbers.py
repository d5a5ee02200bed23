"""Numbers as people read them: rounded to what is known, with a true minus sign and thin spaces.

Rounding follows JCGM 100:2008, 7.2.6: an uncertainty is quoted to at most two significant digits and
the estimate is rounded to the same place. Ties go to the even digit (ISO 80000-1:2009, B.2, rule A).
Digits stand in groups of three where there are more than four (SI brochure, 5.4.4).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal

from verifier.declare import units
from verifier.readings import Value

THIN = "\u202f"
"""Narrow no-break space: between digit groups, and between number and unit."""
MINUS = "\u2212"
PLAIN_DIGITS = 9
"""Significant digits where no uncertainty is known: enough to lose nothing, too few for float noise."""
_LARGEST_PLAIN = 10_000_000
_SMALLEST_PLAIN = Decimal("0.0001")
_FINEST_PLAIN = -9
"""Power of ten of the last digit still written out; 50.000 838 mm ends at −6."""
_SUPERSCRIPT = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
# A float holds 17 significant digits at most; more would be invented.
_CONTEXT = Context(prec=17, rounding=ROUND_HALF_EVEN)


def finite(value: Value | None) -> float | None:
    """The value as a float where it is a number that one can hold; else None."""
    if value is None or isinstance(value, bool | str):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


@dataclass(frozen=True, slots=True)
class Measured:
    """An estimate and its uncertainty, rounded together; `power` is "" or such as "× 10⁸", common to both."""

    value: str
    uncertainty: str
    power: str = ""

    def __str__(self) -> str:
        text = f"{self.value}{THIN}±{THIN}{self.uncertainty}"
        return f"({text}){THIN}{self.power}" if self.power else text


def _decimal(number: float) -> Decimal:
    return _CONTEXT.create_decimal(repr(number))


def _to_place(number: Decimal, place: int) -> Decimal:
    """Rounded so that its last digit counts 10^place."""
    if number.adjusted() - place >= _CONTEXT.prec:
        place = number.adjusted() - _CONTEXT.prec + 1
    return number.quantize(Decimal(1).scaleb(place), context=_CONTEXT)


def second_digit_place(u: Decimal) -> int:
    """Power of ten of the second significant digit of `u` after rounding: 0.0996 becomes 0.10, place −2."""
    rounded = _to_place(u, u.adjusted() - 1)
    return rounded.adjusted() - 1


def _grouped(number: Decimal) -> str:
    """Fixed-point text with groups of three; −0 is written 0."""
    text = f"{abs(number):f}"
    whole, _, fraction = text.partition(".")
    if len(whole) > 4:
        head = len(whole) % 3 or 3
        whole = THIN.join([whole[:head], *(whole[i : i + 3] for i in range(head, len(whole), 3))])
    if len(fraction) > 4:
        fraction = THIN.join(fraction[i : i + 3] for i in range(0, len(fraction), 3))
    sign = MINUS if number < 0 else ""
    return f"{sign}{whole}.{fraction}" if fraction else f"{sign}{whole}"


def _power(exponent: int) -> str:
    return f"×{THIN}10{str(exponent).translate(_SUPERSCRIPT)}"


def _fits_plain(*numbers: Decimal) -> bool:
    return all(n == 0 or _SMALLEST_PLAIN <= abs(n) < _LARGEST_PLAIN for n in numbers)


def measured(value: float, uncertainty: float) -> Measured:
    """`value` and its (standard or expanded) `uncertainty`, in the same unit, rounded together.

    The uncertainty to two significant digits, the value to the same place (JCGM 100:2008, 7.2.6).
    ValueError unless both are finite and the uncertainty is above 0.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty > 0):
        raise ValueError(f"cannot be rounded together: {value} and {uncertainty}")
    y, u = _decimal(value), _decimal(uncertainty)
    place = second_digit_place(u)
    if _fits_plain(max(abs(y), u)) and place >= _FINEST_PLAIN:
        return Measured(_grouped(_to_place(y, place)), _grouped(_to_place(u, place)))
    exponent = max(y.adjusted() if y else u.adjusted(), u.adjusted())
    y, u = y.scaleb(-exponent, _CONTEXT), u.scaleb(-exponent, _CONTEXT)
    place = second_digit_place(u)
    if place < -15:
        return Measured(_grouped(_to_place(y, -15)), "0", _power(exponent))
    return Measured(_grouped(_to_place(y, place)), _grouped(_to_place(u, place)), _power(exponent))


def uncertainty_text(u: float) -> str:
    """An uncertainty alone, to two significant digits (JCGM 100:2008, 7.2.6); zero is written 0."""
    if u == 0:
        return "0"
    d = _decimal(u)
    if _fits_plain(d):
        return _grouped(_to_place(d, second_digit_place(d)))
    d = d.scaleb(-d.adjusted(), _CONTEXT)
    return f"{_grouped(_to_place(d, second_digit_place(d)))}{THIN}{_power(_decimal(u).adjusted())}"


def plain(number: float) -> str:
    """A number whose uncertainty is not known: as it is, without float noise and trailing zeros."""
    if isinstance(number, int):
        return _grouped(Decimal(number)) if abs(number) < 10**15 else _scientific(_CONTEXT.create_decimal(number))
    if not math.isfinite(number):
        return "not a number" if math.isnan(number) else ("∞" if number > 0 else f"{MINUS}∞")
    d = Context(prec=PLAIN_DIGITS, rounding=ROUND_HALF_EVEN).create_decimal(repr(number))
    if number.is_integer() and abs(number) < 10**15:
        return _grouped(Decimal(int(number)))
    return _grouped(_trimmed(d)) if _fits_plain(d) else _scientific(d)


def _trimmed(d: Decimal) -> Decimal:
    d = d.normalize()
    return d.quantize(Decimal(1)) if d == d.to_integral_value() and d.adjusted() < 15 else d


def _scientific(d: Decimal) -> str:
    exponent = d.adjusted()
    mantissa = Context(prec=PLAIN_DIGITS).create_decimal(d).scaleb(-exponent)
    return f"{_grouped(_trimmed(mantissa))}{THIN}{_power(exponent)}"


def fixed(number: float, digits: int) -> str:
    """A number with so many digits after the point: for figures without a place of their own (k, shares)."""
    return _grouped(_to_place(_decimal(number), -digits))


def percent(share: float) -> str:
    """A share as per cent with at most two significant digits below ten: 0.025 gives "2.5 %"."""
    hundredths = share * 100
    text = plain(round(hundredths, 1)) if hundredths >= 1 or hundredths == 0 else uncertainty_text(hundredths)
    return f"{text}{THIN}%"


def probability(p: float) -> str:
    """A conformance probability with three digits; what is not 0 or 1 is never written as if it were."""
    if 0 < p < 0.001:
        return "below 0.001"
    if 0.999 < p < 1:
        return "above 0.999"
    return fixed(p, 3)


def unit_text(ucum: str) -> str:
    """A UCUM unit as people write it: Cel gives °C, Ohm gives Ω, m/s2 gives m/s², 1 gives nothing.

    Text that is no unit comes back as it is.
    """
    shown = units.shown(ucum)
    return "" if shown == "1" else shown


def with_unit(number: str, ucum: str) -> str:
    """A number and its unit, kept together; an angle's degree sign stands close."""
    unit = unit_text(ucum)
    if not unit:
        return number
    return f"{number}{unit}" if unit == "°" else f"{number}{THIN}{unit}"


def value_text(value: Value, ucum: str = "") -> str:
    """A value without its uncertainty: yes or no, a text as it is, a number with its unit."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    return with_unit(plain(value), ucum)
