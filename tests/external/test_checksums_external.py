"""Checksums against what others publish and against another implementation.

Check values: the catalogue of parametrised CRC algorithms (G. Cook, reveng.sourceforge.io/crc-catalogue), where
"check" is the CRC of the nine characters "123456789". The worked Modbus frame is in the Modbus over Serial Line
specification's form (address, function, data, CRC low byte first); its value is from memory of maker's manuals and is
confirmed here by the definition.
"""

from __future__ import annotations

import functools
import operator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decode.framing import checksum


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        ("crc16_ccitt_false", 0x29B1),  # catalogue: CRC-16/IBM-3740, alias CRC-16/CCITT-FALSE
        ("crc16_xmodem", 0x31C3),  # catalogue: CRC-16/XMODEM
        ("crc16_modbus", 0x4B37),  # catalogue: CRC-16/MODBUS
        ("crc16_arc", 0xBB3D),  # catalogue: CRC-16/ARC
    ],
)
def test_crc_check_values(kind: str, check: int) -> None:
    assert checksum(kind, b"123456789") == check


def by_definition(data: bytes, polynomial: int, value: int, reflected: bool) -> int:
    """The CRC bit by bit, as the catalogue's parameters define it."""
    for byte in data:
        for bit in range(8):
            incoming = byte >> (bit if reflected else 7 - bit) & 1
            outgoing = (value & 1) if reflected else value >> 15
            value = (value >> 1) if reflected else (value << 1) & 0xFFFF
            if incoming ^ outgoing:
                value ^= polynomial
    return value


@given(st.binary(max_size=80))
def test_crcs_are_those_of_their_definitions(data: bytes) -> None:
    assert checksum("crc16_ccitt_false", data) == by_definition(data, 0x1021, 0xFFFF, False)
    assert checksum("crc16_xmodem", data) == by_definition(data, 0x1021, 0, False)
    assert checksum("crc16_modbus", data) == by_definition(data, 0xA001, 0xFFFF, True)
    assert checksum("crc16_arc", data) == by_definition(data, 0xA001, 0, True)


def test_a_crc_run_over_its_own_bytes_leaves_nothing() -> None:
    """The residue is zero for these four models (catalogue: residue=0x0000)."""
    data = bytes.fromhex("010300000001")  # read one holding register (Modbus application protocol, function 03)
    assert checksum("crc16_modbus", data).to_bytes(2, "little") == bytes.fromhex("840A")  # from memory
    for kind, order in (("ccitt_false", "big"), ("xmodem", "big"), ("modbus", "little"), ("arc", "little")):
        value = checksum(f"crc16_{kind}", data)
        assert checksum(f"crc16_{kind}", data + value.to_bytes(2, order)) == 0  # type: ignore[arg-type]


@given(st.binary(max_size=300))
def test_sums_and_xor_are_those_of_their_definitions(data: bytes) -> None:
    assert checksum("xor", data) == functools.reduce(operator.xor, data, 0)
    assert checksum("sum16", data) == sum(data) % 65536
    assert checksum("sum8", data) == sum(data) % 256
    assert (checksum("neg_sum8", data) + sum(data)) % 256 == 0


def test_the_intel_hex_records_of_its_specification() -> None:
    """Intel Hexadecimal Object File Format Specification (1988): a record's bytes and checksum sum to zero.

    The end-of-file record is given there as :00000001FF.
    """
    assert checksum("neg_sum8", bytes.fromhex("00000001")) == 0xFF
