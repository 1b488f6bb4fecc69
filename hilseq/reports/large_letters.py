"""Large words of the verdicts, drawn with half blocks: three lines high, or five.

The letters are our own, five dots high; the table holds those that the dispositions are made of.
"""

from __future__ import annotations

#: Letter -> its rows from the top, `#` for a dot.
_DOTS = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "C": (" ###", "#   ", "#   ", "#   ", " ###"),
    "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "F": ("####", "#   ", "### ", "#   ", "#   "),
    "H": ("#  #", "#  #", "####", "#  #", "#  #"),
    "I": ("#", "#", "#", "#", "#"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ## ", "#  #", "#  #", "#  #", " ## "),
    "P": ("### ", "#  #", "### ", "#   ", "#   "),
    "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "S": (" ###", "#   ", " ## ", "   #", "### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#  #", "#  #", "#  #", "#  #", " ## "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_HALVES = {(False, False): " ", (True, False): "\u2580", (False, True): "\u2584", (True, True): "\u2588"}


def large(word: str, width: int, *, huge: bool = False) -> list[str]:
    """Return a disposition in large letters: three lines, or five where `huge` is wanted and fits into `width`.

    Raises KeyError for a letter that no disposition has.
    """
    rows = ["  ".join(letters) for letters in zip(*(_DOTS[letter] for letter in word.upper()), strict=True)]
    for dot in ("\u2588\u2588", "\u2588") if huge else ():
        if len(dot) * len(rows[0]) <= width:
            return [row.replace(" ", " " * len(dot)).replace("#", dot).rstrip() for row in rows]
    rows.append(" " * len(rows[0]))
    return [
        "".join(_HALVES[up == "#", down == "#"] for up, down in zip(upper, lower, strict=True)).rstrip()
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]
