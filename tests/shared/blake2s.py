"""What RFC 7693 gives to try an implementation of BLAKE2s with."""

from __future__ import annotations

ABC = "508c5e8c327c14e2e1a72ba34eeb452f37458b209ed63a294d999b4c86675982"
"""Appendix B: the digest of "abc"."""


def sequence(length: int, seed: int) -> bytes:
    """The bytes that appendix E hashes."""
    a, b, out = 0xDEAD4BAD * seed & 0xFFFFFFFF, 1, bytearray()
    for _ in range(length):
        a, b = b, a + b & 0xFFFFFFFF
        out.append(b >> 24)
    return bytes(out)
