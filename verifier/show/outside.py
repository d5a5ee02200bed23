"""Text from outside, made harmless: escaped, isolated from the text around it, and nothing in it hidden.

A device, a label or a person can put characters into a text that a reader cannot see and that change
what is seen: U+202E turns the rest of the line round, U+200B makes two serial numbers look alike.
They are shown by their number instead. The ranges are written out, not asked of `unicodedata`, so
that the same record gives the same page whatever the Python.
"""

from __future__ import annotations

import re

from markupsafe import Markup, escape

_UNSEEN = re.compile(
    "["
    "\x00-\x08\x0b-\x1f\x7f-\x9f"  # control characters, without tab and line feed
    "\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f"  # soft hyphen, fillers, Arabic letter mark
    "\u200b-\u200f\u2028-\u202e\u2060-\u206f"  # zero width, separators, direction and isolates
    "\u3164\ufe00-\ufe0f\ufeff\uffa0\ufff0-\uffff"  # fillers, variation selectors, byte order mark
    "\ud800-\udfff"  # halves of pairs
    "\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff"  # format controls, tags
    "]"
)
_ACCENT = "[\u0300-\u036f\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff\ufe20-\ufe2f]"
_MANY_ACCENTS = re.compile(f"({_ACCENT}{{3}}){_ACCENT}+")
LONGEST = 4000
"""Characters of one text that are shown; the record holds the rest."""


def visible(text: str) -> str:
    """The text with every unseen character written as its number, such as ⟨U+202E⟩; tabs become spaces.

    Accents piled more than three high are cut, since they would paint over other rows.
    """
    text = text.replace("\r\n", "\n").replace("\t", " ")
    text = _MANY_ACCENTS.sub(r"\1⟨…⟩", text)
    if len(text) > LONGEST:
        text = f"{text[:LONGEST]} … ({len(text) - LONGEST} more characters in the record)"
    return _UNSEEN.sub(lambda found: f"⟨U+{ord(found[0]):04X}⟩", text)


def outside(text: object) -> Markup:
    """Text from outside as markup: visible, escaped, and isolated: it cannot turn its surroundings round."""
    return Markup("<bdi>{}</bdi>").format(escape(visible(str(text))))


_LONGEST_WORD = 20
"""Characters of a name between underscores that fit a narrow column; longer ones break wherever they must."""


def name(text: object) -> Markup:
    """A reading's name as markup: as `outside`, and it is broken after underscores alone."""
    words = re.split("(?<=_)(?=[^_])", visible(str(text)))
    kind = Markup(' class="name"') if max(map(len, words)) <= _LONGEST_WORD else ""
    return Markup("<bdi{}>{}</bdi>").format(kind, Markup("<wbr>").join(map(escape, words)))


def css_string(text: str) -> str:
    """Text as a CSS string that can neither end the string nor the style element."""
    body = "".join(
        c if c.isascii() and (c.isalnum() or c in " .-") else f"\\{ord(c):06x} "
        for c in visible(text).replace("\n", " ")
    )
    return f'"{body}"'
