"""Ed25519 against the vectors of its standard."""

from __future__ import annotations

import base64

import pytest

from hilseq.signing import is_signed

#: RFC 8032 (January 2017) 7.1, tests 1 to 3: public key, message, signature.
VECTORS = [
    (
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
            "d25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
            "387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
            "4a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
]


def _text(hexadecimal: str) -> str:
    return base64.b64encode(bytes.fromhex(hexadecimal)).decode("ascii")


@pytest.mark.parametrize(("key", "message", "signature"), VECTORS)
def test_signatures_of_the_standard(key: str, message: str, signature: str) -> None:
    """Those of the standard hold; changed in a bit, or of another message or key, none does."""
    said, signed, public = bytes.fromhex(message), _text(signature), _text(key)
    assert is_signed(said, signed, public)
    assert not is_signed(said + b"x", signed, public)
    spoilt = bytearray(bytes.fromhex(signature))
    spoilt[5] ^= 1
    assert not is_signed(said, _text(spoilt.hex()), public)
    assert not is_signed(said, signed, _text(VECTORS[0][0] if key != VECTORS[0][0] else VECTORS[1][0]))
    assert not is_signed(said, f"{signed[:-3]}{chr(ord(signed[-3]) + 1)}==", public)
    assert not any(is_signed(said, signed, wrong) for wrong in ("", "x", "AAAA", public[:-4]))
