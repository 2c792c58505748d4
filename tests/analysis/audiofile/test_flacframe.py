"""The checksum of a frame, by the standard's polynomial one bit at a time (RFC 9639, 9.3)."""

import random

import pytest

from analysis.audiofile.flacframe import _crc16_is_zero
from tests.analysis.audiofile.flacbits import crc


class TestCrc16IsZero:
    @pytest.mark.parametrize("n_bytes", [0, 1, 2, 3, 13, 14, 15, 16, 17, 240, 1000, 5003])
    def test_a_frame_closes_with_its_own_crc_and_with_no_other(self, n_bytes: int):
        chance = random.Random(n_bytes)
        octets = chance.randbytes(n_bytes)
        own = crc(octets, 0x8005, 16)
        assert _crc16_is_zero(octets + own.to_bytes(2, "big"))
        # Each single bit, and some others with an even number of ones, which the parity alone would let pass.
        wrong = [1 << bit for bit in range(16)] + [
            0b11,
            0b101,
            0x8001,
            0x9009,
            *chance.sample(range(1, 1 << 16), 50),
        ]
        for difference in wrong:
            assert not _crc16_is_zero(octets + (own ^ difference).to_bytes(2, "big"))

    def test_zeros_before_it_change_nothing(self):
        octets = bytes(100) + b"\x00\x80\x05\x01"
        assert _crc16_is_zero(octets) == (crc(octets, 0x8005, 16) == 0)
