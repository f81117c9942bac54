"""The CRC against its published check value, the page, and a second one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.crc import crc16
from tests.shared import frames as independent
from tests.shared.protocol_page import Vector, unhex, vectors


def test_published_check_value() -> None:
    """CRC-16/IBM-3740 in the catalogue of parametrised CRC algorithms: check 29B1."""
    assert crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize("vector", vectors("crc"), ids=str)
def test_vectors_of_the_page(vector: Vector) -> None:
    assert crc16(unhex(vector.fields["data"])) == int(vector.result, 16)


@given(st.binary(max_size=40))
def test_equals_the_independent_one(data: bytes) -> None:
    assert crc16(data) == independent.crc(data)


@given(st.binary(max_size=40))
def test_is_zero_over_data_and_its_own_crc(data: bytes) -> None:
    assert crc16(data + crc16(data).to_bytes(2, "big")) == 0
