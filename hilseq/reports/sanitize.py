"""Hostile text made visible: what instruments, units and files say is shown, never obeyed.

A serial number may hold markup, a fault text an escape sequence, a work order a character that turns the
writing direction around. Every such character is replaced by a picture of itself before any markup is built;
`environment` does so in every expression of every page template.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import jinja2

#: Longer texts are cut and said to be: a page is for people.
LONGEST = 2000
#: More marks than this on one letter are no writing but an attempt to cover the neighbourhood.
_MOST_MARKS = 2
#: The control characters people know by name (ISO/IEC 646); the rest goes by number.
_NAMES = {
    "\0": "NUL",
    "\a": "BEL",
    "\b": "BS",
    "\t": "TAB",
    "\n": "LF",
    "\r": "CR",
    "\x1b": "ESC",
    "\x7f": "DEL",
}


def _picture(character: str) -> str:
    """Return a visible stand-in for a character that cannot be printed."""
    return f"\u27e8{_NAMES.get(character) or f'U+{ord(character):04X}'}\u27e9"


def sanitize(text: object, longest: int = LONGEST) -> str:
    """Return the text with every control, direction, zero-width and unpaired character made visible.

    The result is printable, has no surrogates, and is at most `longest` characters of the original long.
    """
    words = str(text)
    cut = len(words) - longest
    if cut > 0:
        words = words[:longest]
    if not (words.isascii() and words.isprintable()):
        words = _shown(words)
    return f"{words}\u2026 ({cut} more characters)" if cut > 0 else words


def _shown(words: str) -> str:
    shown: list[str] = []
    marks = 0
    for character in words:
        marks = marks + 1 if unicodedata.combining(character) else 0
        printable = character.isprintable() and marks <= _MOST_MARKS
        shown.append(character if printable else _picture(character))
    return "".join(shown)


def environment(package: str) -> jinja2.Environment:
    """Return what renders the folder `templates` of a package: escaped, every control character made visible."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader(package),
        autoescape=True,
        finalize=_finalize,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _finalize(value: Any) -> Any:
    """Make hostile text visible; escaping follows by itself."""
    from markupsafe import Markup

    return value if isinstance(value, Markup) else sanitize("" if value is None else value)
