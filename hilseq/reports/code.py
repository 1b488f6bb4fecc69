"""The verification code: the last chain value of a journal, also in a form people can compare."""

from __future__ import annotations

#: Crockford's base 32: no I, L, O, U, which people confuse (https://www.crockford.com/base32.html).
_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_BITS, _PER_GROUP = 80, 4


def short_code(chain: str) -> str:
    """Return the first 80 bits of a chain value as four groups of four: `7K3M-92QX-0VBA-TR5W`.

    Eighty bits are for people to compare; machines compare the whole chain value.
    """
    number = int(chain[: _BITS // 4], 16)
    letters = "".join(_ALPHABET[number >> shift & 31] for shift in range(_BITS - 5, -1, -5))
    return "-".join(letters[at : at + _PER_GROUP] for at in range(0, len(letters), _PER_GROUP))
