"""What is known of a start before anything is started; the whole tree is run in tests/services."""

from __future__ import annotations

import pytest

from academy.config import serving


class TestServing:
    @pytest.mark.parametrize("port", [65_536, -1])
    def test_a_port_that_is_none_is_refused_in_words(self, port):
        with pytest.raises(serving.CannotServe, match=f"Port {port} .*Try --port with another"):
            serving.serve(host="127.0.0.1", port=port, workers=1, when_ready=print)

    def test_letters_lead_to_an_address_that_can_be_called(self):
        assert serving.address_of("0.0.0.0", 8000) == "http://127.0.0.1:8000"
        assert serving.address_of("studio.example.org", 80) == "http://studio.example.org:80"
        assert serving.address_of("192.0.2.7", 80) == "http://192.0.2.7:80"
