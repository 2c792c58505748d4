"""Numbers, times and texts become words."""

from __future__ import annotations

import json
import math
import subprocess
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from academy.templatetags import audio_text

NBSP = "\u00a0"
MINUS = "\u2212"


class TestLevels:
    @pytest.mark.parametrize(
        ("value", "words"),
        [
            (-14.23, f"{MINUS}14.2{NBSP}LUFS"),
            (-23.0, f"{MINUS}23.0{NBSP}LUFS"),
            (0.31, f"0.3{NBSP}LUFS"),
            (-0.04, f"0.0{NBSP}LUFS"),
            (-math.inf, "silence"),
            (math.inf, "–"),
            (math.nan, "–"),
            (None, "–"),
            ("loud", "–"),
            ("", "–"),
        ],
    )
    def test_it_writes_a_loudness(self, value, words):
        assert audio_text.lufs(value) == words

    def test_each_level_has_its_unit(self):
        assert audio_text.dbtp(-1) == f"{MINUS}1.0{NBSP}dBTP"
        assert audio_text.dbfs(-0.3) == f"{MINUS}0.3{NBSP}dBFS"
        assert audio_text.dbtp(-math.inf) == audio_text.dbfs(-math.inf) == "silence"

    @pytest.mark.parametrize(
        ("value", "words"),
        [
            (1.3, f"+1.3{NBSP}dB"),
            (-1.3, f"{MINUS}1.3{NBSP}dB"),
            (0, f"0.0{NBSP}dB"),
            (0.04, f"0.0{NBSP}dB"),
            (None, "–"),
            (-math.inf, "–"),
        ],
    )
    def test_a_gain_is_always_signed(self, value, words):
        assert audio_text.db(value) == words

    def test_a_range_has_no_sign(self):
        assert audio_text.lu(7.31) == f"7.3{NBSP}LU"
        assert audio_text.lu(None) == "–"

    def test_a_plain_number_has_a_true_minus(self):
        assert audio_text.number(-0.756) == f"{MINUS}0.76"
        assert audio_text.number(math.inf) == "–"


class TestKhz:
    @pytest.mark.parametrize(
        ("rate_hz", "words"), [(44_100, "44.1"), (48_000, "48"), (11_025, "11.025"), (192_000, "192")]
    )
    def test_it_leaves_off_idle_zeros(self, rate_hz, words):
        assert audio_text.khz(rate_hz) == f"{words}{NBSP}kHz"

    @pytest.mark.parametrize("rate_hz", [None, 0, -1, math.inf, "x"])
    def test_no_rate_is_a_dash(self, rate_hz):
        assert audio_text.khz(rate_hz) == "–"


class TestDuration:
    @pytest.mark.parametrize(
        ("seconds", "words"),
        [
            (0, "0:00.0"),
            (204.5, "3:24.5"),
            (59.94, "0:59.9"),
            (59.96, "1:00.0"),
            (3599.99, "1:00:00.0"),
            (3804.5, "1:03:24.5"),
            (None, "–"),
            (-1, "–"),
            (math.inf, "–"),
        ],
    )
    def test_it_carries_before_it_writes(self, seconds, words):
        assert audio_text.duration(seconds) == words

    def test_without_decimals(self):
        assert audio_text.duration(204.5, 0) == "3:24"
        assert audio_text.duration(59.6, 0) == "1:00"


class TestSize:
    @pytest.mark.parametrize(
        ("count_bytes", "words"),
        [
            (0, "0 B"),
            (1023, "1023 B"),
            (1024, "1.0 KiB"),
            (1024**2 - 1, "1.0 MiB"),  # not 1,024.0 KiB
            (round(12.3 * 1024**2), "12.3 MiB"),
            (3 * 1024**3, "3.0 GiB"),
            (5000 * 1024**4, "5,000.0 TiB"),
            (None, "–"),
        ],
    )
    def test_it_counts_in_powers_of_1024(self, count_bytes, words):
        assert audio_text.size(count_bytes) == words.replace(" ", NBSP)


class TestMoney:
    @pytest.mark.parametrize(
        ("amount", "currency", "words"),
        [
            (Decimal("1250"), "EUR", "EUR 1,250.00"),
            (Decimal("0.005"), "EUR", "EUR 0.01"),
            (Decimal("1250.5"), "JPY", "JPY 1,251"),
            ("3.1", "KWD", "KWD 3.100"),
            (Decimal("-4"), "GBP", f"GBP {MINUS}4.00"),
            (Decimal("12345678901234567.89"), "EUR", "EUR 12,345,678,901,234,567.89"),
        ],
    )
    def test_it_names_the_currency(self, amount, currency, words):
        assert audio_text.money(amount, currency) == words.replace(" ", NBSP)

    def test_nothing_is_a_dash(self):
        assert audio_text.money(None, "EUR") == audio_text.money("", "EUR") == "–"

    @pytest.mark.needs("node")
    def test_its_minor_units_are_those_of_another_implementation(self):
        # ECMA-402, CurrencyDigits: the minor unit of ISO 4217, else two; asked of Node's ICU.
        # ICU takes its digits from CLDR, which writes the Iraqi dinar without fils; ISO 4217 gives it three.
        codes = [
            *audio_text.MINOR_DIGITS.keys() - {"IQD"},
            "EUR",
            "USD",
            "GBP",
            "CHF",
            "SEK",
            "CZK",
            "MXN",
            "ZAR",
        ]
        script = (
            f"console.log(JSON.stringify({json.dumps(codes)}.map(currency => new Intl.NumberFormat('en',"
            "{style: 'currency', currency}).resolvedOptions().maximumFractionDigits)))"
        )
        done = subprocess.run(["node", "-e", script], capture_output=True, text=True, check=True, timeout=60)
        assert dict(zip(codes, json.loads(done.stdout), strict=True)) == {
            code: audio_text.MINOR_DIGITS.get(code, 2) for code in codes
        }


class TestSmallWords:
    def test_a_fraction_is_a_percentage(self):
        assert audio_text.percent(0.25) == "25%"
        assert audio_text.percent(1 / 3, 1) == "33.3%"
        assert audio_text.percent(None) == "–"

    def test_depth_and_channels(self):
        assert audio_text.depth("PCM_24") == "24 bit"
        assert audio_text.depth("FLOAT") == "32 bit float"
        assert audio_text.depth(None) == "–"
        assert [audio_text.channels(count) for count in (1, 2, 6, None)] == [
            "mono",
            "stereo",
            f"6{NBSP}channels",
            "–",
        ]

    def test_a_tempo(self):
        assert audio_text.bpm(Decimal("96.50")) == f"96.5{NBSP}bpm"
        assert audio_text.bpm(Decimal("120.00")) == f"120{NBSP}bpm"


class TestMoment:
    # Offsets: the IANA time zone database. Madrid is an hour east of UTC in winter and two in summer.
    @pytest.mark.parametrize(
        ("value", "zone", "words"),
        [
            (
                datetime(2026, 12, 4, 17, 0, tzinfo=UTC),
                "Europe/Madrid",
                "Fri 4 Dec 2026, 18:00 (UTC+01:00, Europe/Madrid)",
            ),
            (
                datetime(2026, 7, 4, 17, 0, tzinfo=UTC),
                "Europe/Madrid",
                "Sat 4 Jul 2026, 19:00 (UTC+02:00, Europe/Madrid)",
            ),
            (
                datetime(2026, 12, 5, 2, 0, tzinfo=UTC),
                "America/St_Johns",
                f"Fri 4 Dec 2026, 22:30 (UTC{MINUS}03:30, America/St_Johns)",
            ),
            (
                datetime(2026, 12, 4, 17, 0, tzinfo=UTC),
                ZoneInfo("Asia/Kolkata"),
                "Fri 4 Dec 2026, 22:30 (UTC+05:30, Asia/Kolkata)",
            ),
            (datetime(2026, 12, 4, 17, 0, 9, tzinfo=UTC), "UTC", "Fri 4 Dec 2026, 17:00:09 (UTC)"),
            (
                datetime(2026, 12, 4, 17, 0, tzinfo=UTC),
                timezone(timedelta(hours=2)),
                "Fri 4 Dec 2026, 19:00 (UTC+02:00)",
            ),
            (datetime(2026, 12, 4, 17, 0, tzinfo=UTC), "No/Such_Place", "Fri 4 Dec 2026, 17:00 (UTC)"),
        ],
    )
    def test_it_says_day_time_and_offset(self, value, zone, words):
        assert audio_text.moment(value, zone) == words

    def test_both_hours_of_the_night_that_clocks_go_back_can_be_told_apart(self):
        first, second = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
        assert "02:30 (UTC+02:00" in audio_text.moment(first, "Europe/Madrid")
        assert "02:30 (UTC+01:00" in audio_text.moment(second, "Europe/Madrid")

    def test_it_refuses_to_guess_a_zone(self):
        with pytest.raises(ValueError, match="zone"):
            audio_text.moment(datetime(2026, 12, 4), "UTC")  # noqa: DTZ001  the point of the test

    def test_nothing_is_a_dash(self):
        assert audio_text.moment(None, "UTC") == "–"

    def test_without_a_zone_the_site_s_holds(self, settings):
        at = datetime(2026, 12, 4, 17, tzinfo=UTC)
        assert audio_text.moment(at) == "Fri 4 Dec 2026, 17:00 (UTC)"
        settings.SITE_ZONE = "Europe/Madrid"
        assert audio_text.moment(at) == "Fri 4 Dec 2026, 18:00 (UTC+01:00, Europe/Madrid)"


class TestProse:
    @pytest.mark.parametrize(
        "text",
        [
            "<script>alert(1)</script>",
            "<img src=x onerror=alert(1)>",
            "![picture](https://other.example/x.png)",
            "[click](javascript:alert(1))",
            "[click](data:text/html;base64,PHNjcmlwdD4=)",
            "[click](vbscript:x)",
            '<a href="https://a.example" onclick="alert(1)" style="color:red">x</a>',
            "<iframe src=https://other.example></iframe>",
            "<svg><script>alert(1)</script></svg>",
            "<style>p{}</style>",
            "<form action=/members/sign-out/><button>x</button></form>",
            "<p id=main class=sheet data-live=/x>x</p>",
            "<a href='java\tscript:alert(1)'>x</a>",
        ],
    )
    def test_nothing_foreign_comes_through(self, text):
        html = audio_text.prose(text).lower()
        for never in [
            *("<script", "<img", "<iframe", "<svg", "<style", "<form", "<button", "javascript:", "vbscript:"),
            *("data:", " on", "style=", " id=", "class=", "data-live"),
        ]:
            assert never not in html

    def test_usual_markdown_comes_through(self):
        html = audio_text.prose("**bold** *soft* `code` [near](/courses/)\n\n- one\n- two\n\n> said\n")
        for part in [
            "<strong>bold</strong>",
            "<em>soft</em>",
            "<code>code</code>",
            'href="/courses/"',
            "<li>one</li>",
            "<blockquote>",
        ]:
            assert part in html

    def test_tables_come_through(self):
        html = audio_text.prose("|Mic|Where|\n|-|-|\n|One|near|")
        assert "<th>Mic</th>" in html
        assert "<td>near</td>" in html

    def test_headings_stand_below_the_page_s_own(self):
        assert audio_text.prose("# A\n\n## B") == "<h2>A</h2>\n<h3>B</h3>"
        assert audio_text.prose("# A", 3) == "<h3>A</h3>"
        assert audio_text.prose("### A\n\n#### B\n\n### C") == "<h2>A</h2>\n<h3>B</h3>\n<h2>C</h2>"
        assert audio_text.prose("# A\n\n###### B") == "<h2>A</h2>\n<h6>B</h6>"

    def test_links_away_give_nothing_away(self):
        assert 'rel="noopener noreferrer nofollow"' in audio_text.prose("[x](https://a.example)")

    def test_nothing_gives_nothing(self):
        assert audio_text.prose("") == audio_text.prose(None) == ""
